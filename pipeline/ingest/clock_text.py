"""What one written moment means: which digits are the year, the hour, the offset."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from typing import Final


def word_set(text: str) -> frozenset[str]:
    """Return the words of a text."""
    return frozenset(text.split())


_LETTERS: Final = str.maketrans(
    {"ß": "ss", "ł": "l", "Ł": "L", "ø": "o", "Ø": "O", "đ": "d", "ı": "i", "æ": "ae", "œ": "oe"}
)
"""Letters that have no accent to take off."""


def plain(text: str) -> str:
    """Return text in lower case without accents."""
    text = unicodedata.normalize("NFKD", text.translate(_LETTERS)).casefold()
    return "".join(c for c in text if not unicodedata.combining(c))


MONTHS: Final[dict[str, int]] = {
    plain(name): number
    for number, names in enumerate(
        (
            "jan january januar janvier janv enero ene gennaio gen janeiro januari sty styczen "
            "stycznia tammi tammikuu tammikuuta leden ledna ocak oca ianuarie ian januar "
            "январь января янв січня ιανουαριος ιανουαριου ιαν",
            "feb february februar fevrier fevr fev febrero febbraio fevereiro februari luty "
            "lutego lut helmi helmikuu helmikuuta unor unora subat sub februarie febr "
            "февраль февраля фев лютого φεβρουαριος φεβρουαριου φεβ",
            "mar march marz maerz mrz mars marzo marco maart mrt marzec marca marts maalis "
            "maaliskuu maaliskuuta brezen brezna mart martie marcius marec "
            "март марта мар березня μαρτιος μαρτιου μαρ",
            "apr april avril avr abril abr aprile kwiecien kwietnia kwi huhti huhtikuu "
            "huhtikuuta duben dubna nisan nis aprilie aprilis "
            "апрель апреля апр квітня απριλιος απριλιου απρ",
            "may mai mayo maggio mag maio mei maj maja touko toukokuu toukokuuta kveten kvetna "
            "mayis majus май мая травня μαιος μαιου μαι",
            "jun june juni juin junio giugno giu junho czerwiec czerwca cze kesa kesakuu "
            "kesakuuta cerven cervna haziran haz iunie iun junius juna "
            "июнь июня июн червня ιουνιος ιουνιου ιουν",
            "jul july juli juillet juil julio luglio lug julho lipiec lipca heina heinakuu "
            "heinakuuta cervenec cervence temmuz tem iulie iul julius jula "
            "июль июля июл липня ιουλιος ιουλιου ιουλ",
            "aug august aout aou agosto ago augustus augusti sierpien sierpnia sie elo elokuu "
            "elokuuta srpen srpna agustos agu augusztus август августа авг серпня "
            "αυγουστος αυγουστου αυγ",
            "sep sept september septembre septiembre settembre set setembro wrzesien wrzesnia "
            "wrz syys syyskuu syyskuuta zari eylul eyl septembrie szeptember szept "
            "сентябрь сентября сен сент вересня σεπτεμβριος σεπτεμβριου σεπ",
            "oct october oktober okt octobre octubre ottobre ott outubro out pazdziernik "
            "pazdziernika paz loka lokakuu lokakuuta rijen rijna ekim eki octombrie "
            "октябрь октября окт жовтня οκτωβριος οκτωβριου οκτ",
            "nov november novembre noviembre novembro marras marraskuu marraskuuta kasim kas "
            "noiembrie noi ноябрь ноября ноя нояб νοεμβριος νοεμβριου νοε",
            "dec december dezember dez decembre diciembre dic dicembre dezembro grudzien "
            "grudnia gru joulu joulukuu joulukuuta prosinec prosince aralik ara decembrie "
            "desember des декабрь декабря дек грудня δεκεμβριος δεκεμβριου δεκ",
        ),
        start=1,
    )
    for name in names.split()
}
"""Month names without accents: English, German, French, Spanish, Italian, Portuguese, Dutch,
Polish, Czech, Slovak, Nordic, Turkish, Romanian, Hungarian, Russian, Ukrainian, Greek. Names
that languages use for different months (listopad, lipanj, lip) are left out on purpose."""

WEEKDAYS: Final = frozenset(
    plain(name)
    for name in word_set(
        "mon monday tue tues tuesday wed wednesday thu thur thurs thursday fri friday sat "
        "saturday sun sunday mo montag di dienstag mi mittwoch do donnerstag fr freitag sa "
        "samstag so sonntag lun lundi mardi mer mercredi jeu jeudi ven vendredi sam samedi dim "
        "dimanche lunes martes mie miercoles jue jueves vie viernes sab sabado dom domingo lunedi "
        "martedi mercoledi giovedi gio venerdi sabato domenica seg segunda ter terca qua quarta "
        "qui quinta sex sexta maandag ma dinsdag woensdag wo donderdag vrijdag vr zaterdag za "
        "zondag zo pn pon poniedzialek wt wtorek sr sroda czw czwartek pt piatek sob sobota nd "
        "niedz niedziela pondeli ut utery streda st ct ctvrtek pa patek nedele pzt pazartesi sal "
        "sali car carsamba per persembe cum cuma cmt cumartesi pazar man mandag tirsdag tisdag "
        "ons onsdag tors torsdag fre fredag lor lordag son sondag пн понедельник вт вторник ср "
        "среда чт четверг пт пятница сб суббота вс воскресенье"
    )
)

ABBREVIATIONS: Final[dict[str, tuple[int, str]]] = {
    "CET": (60, "Europe/Paris"),
    "CEST": (120, "Europe/Paris"),
    "MEZ": (60, "Europe/Berlin"),
    "MESZ": (120, "Europe/Berlin"),
    "WET": (0, "Europe/Lisbon"),
    "WEST": (60, "Europe/Lisbon"),
    "EET": (120, "Europe/Helsinki"),
    "EEST": (180, "Europe/Helsinki"),
    "EST": (-300, "America/New_York"),
    "EDT": (-240, "America/New_York"),
    "CDT": (-300, "America/Chicago"),
    "MDT": (-360, "America/Denver"),
    "PST": (-480, "America/Los_Angeles"),
    "PDT": (-420, "America/Los_Angeles"),
}
"""Abbreviation to minutes east of UTC and a zone that uses it. Abbreviations that several
countries use for different offsets (CST, IST, BST, MST) are left out on purpose."""

FORENOON: Final = (
    r"上午|午前|오전|ص|صباح[اً]+|ق\.?ظ\.?|π\.?\s?μ\.?|öö|de\.|fm\b|dop\.|пр\.\s?об\.|पूर्वाह्न"
)
AFTERNOON: Final = (
    r"下午|午後|午后|오후|م|مساء[اً]*|ب\.?ظ\.?|μ\.?\s?μ\.?|ös|du\.|em\b|odp\.|сл\.\s?об\.|अपराह्न"
)
"""Halves of the day: Chinese, Japanese, Korean, Arabic, Persian, Greek, Turkish, Hungarian,
Swedish, Czech, Bulgarian, Hindi. The Vietnamese ones are left out on purpose: SA is a Saturday
elsewhere."""
HALF = re.compile(
    rf"(?P<fore>a\.?\s?m\.?|{FORENOON})|(?P<after>p\.?\s?m\.?|{AFTERNOON})", re.IGNORECASE
)
"""A half of the day alone, as a cell of its own."""

_CLOCK = re.compile(
    rf"(?:(?P<pre>{FORENOON}|{AFTERNOON})\s?)?"
    r"(?P<H>\d{1,4})(?P<s>[:.hH時时시点])\s?(?P<M>\d{2}|(?<=:)\d(?=:\d))"
    r"(?:(?:[:.]|(?<=\d)[mM'分분]\s?|(?<=\d)min)(?P<S>\d{2}|(?<=:)\d(?!\d))"
    r"(?:[.,:](?P<f>\d{1,9}))?)?"
    r"(?:s|''|[秒초])?"
    rf"(?:\s*(?P<ap>[ap]\.?\s?m\.?(?![a-z])|{FORENOON}|{AFTERNOON}))?",
    re.IGNORECASE,
)
_NO_HOUR: Final = r"(?!:\d\d:\d\d(?!:))"
"""Behind a year of two digits: 14 in "17 Sep 14:05:00" is the hour of a date without a year."""
_DATES: Final = (
    re.compile(r"(?P<Y>\d{4})(?P<s>[-/._\s])(?P<m>\d{1,2})(?P=s)(?P<d>\d{1,2})(?!\d)"),
    re.compile(r"(?P<a>\d{1,2})(?P<s>[-/._\s])(?P<b>\d{1,2})(?P=s)(?P<Y>\d{4})(?!\d)"),
    re.compile(r"(?P<a>\d{1,2})(?P<s>\.\s)(?P<b>\d{1,2})\.\s(?P<Y>\d{4})(?!\d)"),
    re.compile(r"(?P<Y>\d{4})\.\s?(?P<m>\d{1,2})\.\s?(?P<d>\d{1,2})\.(?!\d)"),
    re.compile(r"(?P<Y>\d{4})\s?[年년]\s?(?P<m>\d{1,2})\s?[月월]\s?(?P<d>\d{1,2})\s?[日일]"),
    re.compile(rf"(?P<x>\d{{2}})(?P<s>[-/._])(?P<y>\d{{2}})(?P=s)(?P<z>\d{{2}})(?!\d){_NO_HOUR}"),
    re.compile(
        rf"(?P<x>\d{{1,2}})(?P<s>[-/._])(?P<y>\d{{1,2}})(?P=s)(?P<z>\d{{2}})(?!\d){_NO_HOUR}"
    ),
    re.compile(
        r"(?P<d>\d{1,2})(?:\.|st|nd|rd|th|er|º|\s+de)?[-/.\s]*(?P<mon>[^\W\d_]{3,12})(?:\s+de\b)?\.?,?[-/.\s]*(?P<Y>\d{4})(?!\d)"
    ),
    re.compile(
        r"(?P<d>\d{1,2})(?:\.|\s+de)?[-/.\s]*(?P<mon>[^\W\d_]{3,12})\.?,?[-/.\s']*(?P<Y2>\d{2})(?!\d)"
        + _NO_HOUR
    ),
    re.compile(
        r"(?P<mon>[^\W\d_]{3,12})\.?[-/.\s]*(?P<d>\d{1,2})(?:st|nd|rd|th)?,?[-/.\s]+(?P<Y>\d{4})(?!\d)"
    ),
    re.compile(r"(?P<Y>\d{4})[-/.\s]*(?P<mon>[^\W\d_]{3,12})\.?[-/.\s]*(?P<d>\d{1,2})(?!\d)\.?"),
    re.compile(r"(?P<Y>(?:19|20)\d{2})(?P<m>\d{2})(?P<d>\d{2})(?!\d)"),
)
_COMPACT = re.compile(
    r"(?P<Y>(?:19|20)\d{2})(?P<m>\d{2})(?P<d>\d{2})[T_\-\s]?(?P<H>\d{2})(?P<M>\d{2})"
    r"(?P<S>\d{2})?(?:[.,](?P<f>\d{1,9}))?(?!\d)"
)
DOTTED: Final = re.compile(r"\d{1,2}\.\d{1,2}\.\d{2}(?!\d)")
"""A date with a year of two digits, or a clock with points."""
_OFFSET = re.compile(
    r"(?:\s*(?:Uhr|uur|hrs?|h|ч\.?))?\s*[\[(]?(?:(?P<z>Z|UTC|GMT)(?:\s*(?P<u>[+-]\d{1,2}(?::?\d{2})?))?"
    r"|(?P<o>[+-]\d{2}(?::?\d{2})?)|(?P<ab>[A-Z]{3,4}))?[\])]?\s*"
    r"(?:(?<=\d)\[[A-Za-z]+(?:/[A-Za-z_+-]+)*\])?"
)
_JOIN = re.compile(
    r"(?:\s*[T,;:_@|-]\s*|\s+(?:at|um|à|a las|alle|às|om|г\.?|klo|kl\.?|ora|godz\.?|pukul|[-–])\s+"
    r"|\s+)"
)


@dataclass(frozen=True)
class Moment:
    """Which characters of a text hold what.

    ``spans`` maps a field (``Y m d a b x y z H M S f``) to its first and last
    character; ``a`` and ``b`` are day and month in an order that is not known,
    ``x y z`` a date whose year has two digits and an unknown place.
    """

    spans: tuple[tuple[str, int, int], ...]
    month: int = 0
    half: str = ""
    """``a`` or ``p`` of a 12-hour clock."""
    offset_min: int | None = None
    abbreviation: str = ""
    separator: str = ""
    has_date: bool = False
    has_clock: bool = False


_PART_HOURS: Final = frozenset(
    {-570, -210, -150, 210, 270, 330, 345, 390, 525, 570, 630, 765, 825}
)
"""Offsets from UTC that are no whole hours and that clocks keep, summer time included [min] (the
public zone database, offsets since 1990)."""


def is_offset(minutes: int) -> bool:
    """Say whether clocks anywhere keep that offset [min east of UTC]: +01:20 is a mistake."""
    return abs(minutes) <= 14 * 60 and (minutes % 60 == 0 or minutes in _PART_HOURS)


def parse_offset(text: str) -> int | None:
    """Return minutes east of UTC of ``+02:00``, ``+0200``, ``+2``, else None."""
    match = re.fullmatch(r"\s*([+-])\s?(\d{1,2})(?::?([0-5]\d))?\s*(?:h|hours?)?\s*", text)
    if match is None:
        return None
    minutes = int(match[2]) * 60 + int(match[3] or 0)
    minutes = minutes if match[1] == "+" else -minutes
    return minutes if is_offset(minutes) else None


@lru_cache(maxsize=4096)
def understand(text: str, *, dotted_date: bool = False) -> Moment | None:
    """Return what a written moment's digits mean, or None where it is none.

    The text may hold a date, a clock time, or both in either order; every
    character must be accounted for. Three pairs of digits with points between
    them are a date where another clock follows, and alone where ``dotted_date``
    says that they stand in the place of one; else they are a clock.
    """
    if len(text) > 48:
        return None
    start = 0
    weekday = re.match(r"\s*([^\W\d_]{2,10})\.?,?\s+", text)
    if weekday and plain(weekday[1]) in WEEKDAYS:
        start = weekday.end()
    while start < len(text) and text[start].isspace():
        start += 1
    compact = _COMPACT.match(text, start)
    if compact:
        return _finish(text, compact.end(), [compact])
    clock = _CLOCK.match(text, start)
    best: Moment | None = None
    dotted = DOTTED.match(text, start)
    if dotted and (dotted_date or dotted.end() < len(text)):
        found = _date_first(text, start)
        if found is not None and found.has_date and (found.has_clock or dotted_date):
            return found
    if clock:
        best = _finish(text, clock.end(), [clock])
        if best is None:
            join = _JOIN.match(text, clock.end())
            if join:
                for pattern in _DATES:
                    date = pattern.match(text, join.end())
                    if date:
                        best = _finish(text, date.end(), [date, clock])
                        if best:
                            return best
    return best or _date_first(text, start)


def _date_first(text: str, start: int) -> Moment | None:
    """Read a date, alone or before a clock."""
    for pattern in _DATES:
        date = pattern.match(text, start)
        if date is None:
            continue
        found = _finish(text, date.end(), [date])
        if found:
            return found
        join = _JOIN.match(text, date.end())
        if join:
            clock = _CLOCK.match(text, join.end())
            if clock:
                found = _finish(text, clock.end(), [date, clock])
                if found:
                    return found
    return None


def _finish(text: str, end: int, matches: list[re.Match[str]]) -> Moment | None:
    """Read what follows the digits and gather the fields."""
    offset: int | None = None
    abbreviation = ""
    if end < len(text):
        rest = _OFFSET.fullmatch(text, end)
        if rest is None:
            if text[end:].strip():
                return None
        elif not any("H" in m.groupdict() for m in matches):
            return None
        elif not any(rest.groupdict().values()):
            pass
        elif rest["ab"]:
            known = ABBREVIATIONS.get(rest["ab"])
            if known is None:
                return None
            offset, abbreviation = known[0], rest["ab"]
        elif rest["z"]:
            offset = parse_offset(rest["u"]) if rest["u"] else 0
            if offset is None:
                return None
        else:
            offset = parse_offset(rest["o"])
            if offset is None:
                return None
    spans: list[tuple[str, int, int]] = []
    month, half, separator = 0, "", ""
    for match in matches:
        for field, value in match.groupdict().items():
            if value is None:
                continue
            if field == "mon":
                month = MONTHS.get(plain(value).strip("."), 0)
                if month == 0:
                    return None
            elif field in {"ap", "pre"}:
                which = HALF.fullmatch(value)
                half = "a" if which is not None and which["fore"] else "p"
            elif field == "s":
                if "H" not in match.groupdict():
                    separator = value.strip() or value
            else:
                spans.append((field, *match.span(field)))
    fields = {s[0] for s in spans}
    has_date = bool(fields & {"Y", "x", "Y2"})
    has_clock = "H" in fields
    if has_clock:
        width = next(e - s for f, s, e in spans if f == "H")
        if has_date and width > 2:
            return None
        if (
            "S" not in fields
            and not has_date
            and any("s" in m.groupdict() and m["s"] == "." for m in matches)
        ):
            return None  # 10.25 is a number
    return Moment(tuple(spans), month, half, offset, abbreviation, separator, has_date, has_clock)
