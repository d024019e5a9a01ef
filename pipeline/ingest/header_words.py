"""Trade words of header cells and preambles, in several languages.

English, German, French, Spanish, Italian, Portuguese and Dutch in full; some
words of the Nordic and Slavic languages where they are unmistakable. All words
are in lower case without accents, as ``plain`` leaves them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from typing import Final

from .clock_text import plain, word_set


class Phrases:
    """Patterns of which one must be found; what was found in a text is remembered.

    Exports of one logger repeat their headers, and trying dozens of patterns at
    each place of a text is the dearest part of looking at one.
    """

    def __init__(self, *patterns: str) -> None:
        compiled = re.compile("|".join(patterns))
        self.search: Callable[[str], re.Match[str] | None] = lru_cache(maxsize=4096)(
            compiled.search
        )


_any = Phrases


_tokens = word_set


TEMPERATURE: Final = _any(
    r"temp(?!o\b|os\b|s\b|or|le)",
    "teplot",
    "lampotil",
    "homersekl",
    r"\btermo",
    "thermo",
    r"\bpt ?100",
)
PRESSURE: Final = _any(
    r"(?<!com)press(?!ing|o)",
    "druck(?!dat|er|zeit)",
    r"\bdruk",
    "presi[oó]n",
    r"\bpression",
    "tlak",
    "cisnien",
    r"\bpaine",
    r"\btryck",
    r"\btrykk",
    r"\btryk\b",
    "nyomas",
)
CURRENT: Final = _any(
    r"\bcurrent",
    r"strom(?!ung|aus)",
    r"\bstroom",
    "courant",
    "corrente",
    "corriente",
    r"\bamp(?:s|ere|erage|eres)?\b",
)
VOLTAGE: Final = _any(
    "voltage",
    "spannung",
    r"\bspanning",
    r"\btension",
    r"\btensao",
    r"\btensione",
    "voltaje",
    "voltaggio",
    "netzsp",
    r"\bmains\b",
    r"\bvolts?\b",
)
CHAMBER: Final = _any(
    "chamb",
    "kammer",
    "chambre",
    r"\bcuve",
    "camara",
    r"\bcamera",
    r"\bkamer",
    "kessel",
    "cavity",
    r"\bvessel",
    "komor",
    "kamra",
    "kammar",
)
DRAIN: Final = _any(
    "drain",
    "abfluss",
    "ablauf",
    "kondensatablass",
    "vidange",
    "desague",
    "drenaje",
    "dreno",
    "drenagem",
    "scarico",
    "afvoer",
    r"\boutlet",
    "purge",
    "exhaust line",
)
CONTROL: Final = _any(
    r"\bcontrol",
    "regel(?!m)",
    "steuer",
    "regulation",
    "regulacion",
    "controllo",
    "controle",
    "besturing",
)
LOAD: Final = _any(
    r"\bload",
    "beladung",
    r"\blast\b",
    "lasttemp",
    r"\bcharge\b",
    r"\bcharge ",
    "carga",
    "carico",
    r"\blading",
    "belading",
    "product",
    "produkt",
    "produit",
    "producto",
    "prodotto",
    "produto",
    r"\bpack\b",
    r"\bpcd\b",
    r"\bf0 ?probe",
    r"\bgut\b",
    "ladegut",
    "reference load",
)
AMBIENT: Final = _any(
    "ambien",
    "ambient",
    r"\broom",
    r"\braum",
    "umgebung",
    "omgeving",
    r"\bruimte",
    "sala",
    "piece",
    r"\bpieza",
    "stanza",
    r"\benviron",
    "okoli",
    "otoczen",
    "omgivning",
    "outside",
    "aussen",
)
ATMOSPHERE: Final = _any(
    "baromet",
    "atmospher",
    "atmosfer",
    "luftdruck",
    "luchtdruk",
    "ambient press",
    "umgebungsdruck",
    "pression ambiante",
    "presion ambiente",
    "pressione ambiente",
    "pressao ambiente",
    "air pressure",
)
OTHER_PLACE: Final = _any(
    "jacket",
    "mantel(?!l)",
    "doppelmantel",
    "chemise",
    r"double enveloppe",
    "camisa",
    "camicia",
    "mantello",
    "generator",
    "dampferzeuger",
    "generateur",
    "generador",
    "generatore",
    "gerador",
    r"\bboiler",
    "caldaia",
    "caldera",
    "caldeira",
    "chaudiere",
    "supply",
    "zulauf",
    "speisewasser",
    "feed ?water",
    "inlet water",
    r"\bdoor",
    "tur(?:schalter|kontakt|status)",
    "porte",
    "puerta",
    "porta\\b",
    "deur",
    "condenser",
    "kondensator",
    "cold junction",
    "internal",
    "intern(?:e|al|o|a)?\\b",
    "board",
    "cpu",
    "housing",
    "gehause",
)
AVERAGE: Final = _any(
    r"\bavg\b", r"\baverage", r"\bmean\b", "mittel", "moyenne", r"media\b", "promedio", "gemiddeld"
)
NOT_A_READING: Final = _any(
    r"\bset ?-?points?\b",
    r"\bsp\b",
    r"\bsv\b",
    r"\bsetpt",
    r"\bset (?:temp|press)",
    "sollwert",
    r"\bsoll",
    "consigne",
    "consigna",
    "setpunt",
    r"\btarget",
    r"\bziel",
    r"\bmax(?:imum|imal|imo|imale)?\b",
    r"\bmin(?:imum|imal|imo|imale)?\b",
    r"\blimit",
    "grenz",
    "limite",
    r"\balarm",
    r"\bf ?0\b",
    r"\bf0\b",
    r"\bfh\b",
    "letal",
    "lethal",
    "humid",
    "feucht",
    r"\brh\b",
    "batter",
    "akku",
    "dew ?point",
    "taupunkt",
    "saturat",
    "sattigung",
    "theoret",
    r"\bcalc",
    "error",
    "fehler",
    "deviation",
    "abweichung",
    r"\bdelta\b",
    r"\bdiff",
    r"\brate\b",
    r"\bslope",
    r"\bstd\b",
    r"\buncert",
    r"\btolerance",
    r"\bquality",
    r"\braw\b",
    r"\badc\b",
    "counts",
    r"\bnominal",
    r"\bscheduled",
    r"\bhigh\b",
    r"\blow\b",
    r"\bupper",
    r"\blower",
    r"\bprevious",
    "expected",
    r"\bstatus",
    r"\bstate\b",
)

DATE: Final = _tokens("date datum fecha data dato dia jour tag giorno day datums paiva pvm dag")
TIME: Final = _tokens(
    "time zeit uhrzeit heure hora ora orario tijd tempo temps timestamp datetime zeitstempel "
    "horodatage "
    "tijdstip zeitpunkt momento instant czas cas aika tid clock epoch unix unixtime hour "
    "hours stunde stunden heures "
    "horas ore uur klok tiempo datahora fechahora dateheure dataora datumzeit datumtijd"
)
ELAPSED: Final = _any(
    "elapsed",
    "laufzeit",
    "verstrichen",
    "verlaufene",
    "ecoule",
    "transcurrid",
    "trascors",
    "decorrid",
    "verstreken",
    r"\brel(?:ative|ativ|atif|atieve)? ?(?:time|zeit|temps)",
    "run ?time",
    "duration",
    "dauer",
    "duree",
    "duracion",
    "durata",
    "duracao",
    r"\bduur",
    "since start",
    "seit start",
    "depuis",
    r"desde (?:el )?inicio",
    "dall inizio",
    "time from start",
    "cycle time",
    "zykluszeit",
    r"\bt\+",
    "offset",
)
INDEX: Final = _tokens(
    "no nr num number index idx sample samples record rec row lfd id messung punkt point # n "
    "lfdnr zeile "
    "ligne fila riga linha regel muestra campione amostra scan sequence seq count"
)
UNIT_ID: Final = _any(
    r"\bunit\b",
    r"\bunits?[ _-]?(?:id|no|nr|number|name)\b",
    "unitid",
    r"\bdevice",
    "sterili[sz]",
    "esteriliz",
    "steriliz",
    r"\bautocla",
    "autoklav",
    "autocla",
    r"\bmachine",
    r"\bmaschine",
    r"\bequip",
    "apparat",
    "appliance",
    r"\bgerat",
    r"\bgeraet",
    "anlage",
    "appareil",
    "maquina",
    r"\bmacchina",
    "apparecchi",
    "equipament",
    r"\basset",
    "inventar",
    "inventory",
    r"\btoestel",
)
NOT_AN_ID: Final = _any(
    "type",
    r"\btyp\b",
    "tipo",
    "model",
    "firmware",
    "version",
    "software",
    "hardware",
    "manufact",
    "herstell",
    "fabricant",
    "fabricante",
    "volume",
    "address",
    "adresse",
    "maker",
    "brand",
    "status",
    "state",
    "temp",
    "press",
    "power",
    "time",
    "zone",
    "location",
    "standort",
    "operator",
    "bediener",
    "class",
)
LOGGER: Final = _any(
    r"\blogger",
    r"\bdata ?logger",
    "datenlogger",
    r"\brecorder",
    "schreiber",
    "enregistreur",
    "registrador",
    "registratore",
    "recolector",
    "dataloger",
    r"\bprobe (?:id|serial|no)",
    r"\bsensor (?:id|serial|no|nr)",
)
SERIAL: Final = _any(
    r"\bserial",
    r"\bs/n\b",
    r"\bsn\b",
    "seriennummer",
    r"\bserien ?-?nr",
    "serienummer",
    "numero de serie",
    "num(?:ero)? serie",
    "matricola",
    "n de serie",
    "numero di serie",
    "seriennr",
)
CHANNEL: Final = _tokens(
    "channel channels kanal canal canale kanaal parameter parametre parametro sensor signal "
    "variable messgrosse "
    "quantity measurement measurand tag grandeur magnitud grandezza grootheid probe sonde "
    "sonda series item point "
    "kanalname channelname capteur sensore senal segnale sinal messstelle name"
)
VALUE: Final = _tokens(
    "value values wert messwert valeur valor valore waarde reading readings measurement "
    "mesure medida misura lectura "
    "lettura leitura meting data measured val result"
)
UNIT_WORD: Final = _tokens(
    "unit units einheit unite unites unidad unidades unita unidade eenheid uom enheter"
)
START: Final = _any(
    r"\bstart",
    r"\bbegin",
    "debut",
    "inicio",
    "inizio",
    "startzeit",
    "gestartet",
    "first sample",
    "first reading",
    "demarrage",
    "commenc",
    "aanvang",
    "avvio",
    "comienzo",
)
END: Final = _any(
    r"\bend\b",
    r"\bstop",
    "ende\\b",
    r"\bfin\b",
    "fine\\b",
    r"\bfim\b",
    "einde",
    "last sample",
    "finish",
)
CREATED: Final = _any(
    "export",
    "create",
    "erstellt",
    "printed",
    "print date",
    "druckdat",
    "report",
    "generat",
    "download",
    "read ?out",
    "ausgelesen",
    "auslese",
    "cree le",
    "date de creation",
    "creado",
    "creat[oa]",
    "criado",
    "gemaakt",
    "esportat",
    "saved",
    "gespeichert",
    "edite le",
    "file date",
    "file time",
    "uitgelezen",
    "leido",
    "telecharg",
)
INTERVAL: Final = _any(
    "interval",
    "sampl(?:e|ing) (?:rate|period|time)",
    "messrate",
    "logging rate",
    "abtast",
    "takt\\b",
    "cadence",
    "log rate",
)
ZONE: Final = _any(
    "time ?-?zone",
    r"\btz\b",
    "zeitzone",
    "fuseau",
    "zona horaria",
    r"offset (?:from|to|zu) utc",
    "fuso",
    "tijdzone",
    r"utc ?-?offset",
    r"gmt ?-?offset",
    "clock",
    "time ?base",
    "time reference",
    "zeitbasis",
    "tidszon",
)
SUMMER: Final = _any(
    r"\bdst\b",
    "daylight",
    "sommerzeit",
    "summer time",
    "heure d.?ete",
    "horario de verano",
    "ora legale",
    "zomertijd",
    "horario de verao",
)
SITE: Final = _any(
    r"\bsite\b",
    "standort",
    r"\blocation",
    r"\blieu\b",
    "ubicacion",
    r"\bluogo",
    r"\bsede\b",
    "locatie",
    "clinic",
    "praxis",
    "klinik",
)
ABSOLUTE: Final = Phrases(r"\babs\b|absolut|assolut|\bpabs\b|[_ ]abs|abs[_ ]")
GAUGE: Final = Phrases(
    r"\bgauge|\bgau\b|\brel\b|relativ|relatie|\buberdruck|\bueberdruck|uberdruck|"
    r"overdruk|overpressure|over pressure|"
    r"sobrepresion|sovrapression|surpression|sobrepressao|manometr|\beffecti(?:f|ve)\b|\bpg\b"
)
SEALED: Final = Phrases(r"\bsealed\b|\bsealed[_ -]gauge")
LONG_SUMMARY: Final = _any(
    r"^\W*(?:max|min|avg|average|mean|mittel|moyenne|media|promedio|gemiddeld|std|sd|sum|total|count|summary|"
    r"statisti|result|ergebnis|resultat|end "
    r"of|ende|fin\b|eof|f0|phase|note|remark|checksum|crc|signature|"
    r"operator|printed|exported|rows|records|samples)"
)


def parted(text: str) -> str:
    """Return text with blanks where words are glued by underscores or by capitals."""
    return re.sub(
        r"_+|(?<=[a-z0-9])(?=[A-Z][a-z])|(?<=[a-z]{2})(?=[A-Z])|(?<=[A-Z]{2})(?=[A-Z][a-z])",
        " ",
        text,
    )


@lru_cache(maxsize=4096)
def words(text: str) -> str:
    """Return header text in lower case, without accents, words parted by single blanks."""
    text = parted(text)
    return re.sub(r"[^a-z0-9/#+]+", " ", plain(text)).strip()


@lru_cache(maxsize=4096)
def tokens(text: str) -> frozenset[str]:
    """Return the set of words of a header text."""
    return frozenset(re.split(r"[ /+]+", words(text))) - {""}
