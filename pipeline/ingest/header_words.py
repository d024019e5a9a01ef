"""Trade words of header cells and preambles, in several languages.

Words for channels are in ``channel_words``; here are those for times, ids, and what an
export says about itself. All are in lower case without accents, as ``plain`` leaves them.
"""

from __future__ import annotations

from typing import Final

from .channel_words import (
    ABSOLUTE,
    AMBIENT,
    ATMOSPHERE,
    AVERAGE,
    CHAMBER,
    CONTROL,
    CURRENT,
    DRAIN,
    GAUGE,
    LOAD,
    NOT_A_READING,
    OTHER_PLACE,
    PRESSURE,
    SEALED,
    TEMPERATURE,
    VOLTAGE,
)
from .clock_text import plain, word_set
from .phrases import Phrases, parted, tokens, words

_any = Phrases


def _tokens(text: str) -> frozenset[str]:
    return frozenset(plain(word) for word in word_set(text))


DATE: Final = _tokens(
    "date datum fecha data dato dia jour tag giorno day datums paiva pvm dag tarih datas kuupaev "
    "дата ημερομηνια 日付 日期 年月日 날짜 التاريخ تاريخ วนท ngay"
)
TIME: Final = _tokens(
    "godzina saat kello klockan klokkeslett tidspunkt tidpunkt ido ora timp ώρα время час 時刻 "
    "日時 時間 时间 时刻 日期时间 시간 시각 الوقت زمان gio "
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
    "канал kanava csatorna チャンネル 通道 채널 "
    "channel channels kanal canal canale kanaal parameter parametre parametro sensor signal "
    "variable messgrosse "
    "quantity measurement measurand tag grandeur magnitud grandezza grootheid probe sonde "
    "sonda series item point "
    "kanalname channelname capteur sensore senal segnale sinal messstelle name"
)
VALUE: Final = _tokens(
    "значение wartosc hodnota deger arvo varde verdi ertek 値 測定値 数值 测量值 값 "
    "value values wert messwert valeur valor valore waarde reading readings measurement "
    "mesure medida misura lectura "
    "lettura leitura meting data measured val result"
)
UNIT_WORD: Final = _tokens(
    "единица jednostka jednotka birim yksikko enhet enhed 単位 单位 단위 "
    "unit units einheit unite unites unidad unidades unita unidade eenheid uom enheter"
)
START: Final = _any(
    r"\b(?:programm?|zyklus|chargen?|prozess|mess|ablauf|cycle|re[ck]ord|log)?start",
    r"\bbegin",
    r"\bbegan\b",
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
    r"^zone\b",
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
LONG_SUMMARY: Final = _any(
    r"^\W*(?:max|min|avg|average|mean|mittel|moyenne|media|promedio|gemiddeld|std|sd|sum|total|count|summary|"
    r"statisti|result|ergebnis|resultat|end "
    r"of|ende|fin\b|eof|f0|phase|note|remark|checksum|crc|signature|"
    r"operator|printed|exported|rows|records|samples)"
)

__all__ = [
    "ABSOLUTE",
    "AMBIENT",
    "ATMOSPHERE",
    "AVERAGE",
    "CHAMBER",
    "CHANNEL",
    "CONTROL",
    "CREATED",
    "CURRENT",
    "DATE",
    "DRAIN",
    "ELAPSED",
    "END",
    "GAUGE",
    "INDEX",
    "INTERVAL",
    "LOAD",
    "LOGGER",
    "LONG_SUMMARY",
    "NOT_AN_ID",
    "NOT_A_READING",
    "OTHER_PLACE",
    "PRESSURE",
    "SEALED",
    "SERIAL",
    "SITE",
    "START",
    "SUMMER",
    "TEMPERATURE",
    "TIME",
    "UNIT_ID",
    "UNIT_WORD",
    "VALUE",
    "VOLTAGE",
    "ZONE",
    "parted",
    "tokens",
    "words",
]
