"""Unit marks in header words, cells and preambles, and the reference they imply."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from .clock_text import plain
from .header_words import (
    ABSOLUTE,
    CURRENT,
    ELAPSED,
    GAUGE,
    PRESSURE,
    SEALED,
    TEMPERATURE,
    TIME,
    VOLTAGE,
    tokens,
    words,
)

_DEGREE = r"(?:°|º|˚|\u00b0|deg(?:rees?|\.)?|grad|grados|gradi|graus|graden|degres?|[øØ¡�]|Â°)"
_TEMPERATURE: Final = (
    ("°C", re.compile(rf"^(?:℃|{_DEGREE}\s*[cс](?:elsius)?|celsius|c)$", re.IGNORECASE)),
    ("°F", re.compile(rf"^(?:℉|{_DEGREE}\s*f(?:ahrenheit)?|fahrenheit|f)$", re.IGNORECASE)),
    ("K", re.compile(rf"^(?:{_DEGREE}\s*k|k|kelvins?)$", re.IGNORECASE)),
)
_PRESSURE: Final = (
    ("kPa", r"kpa|kilopascals?|кпа|kn/m(?:2|²|\^2)"),
    ("hPa", r"hpa|hectopascals?|hektopascal|гпа"),
    ("MPa", r"mpa|megapascals?|мпа|n/mm(?:2|²|\^2)"),
    ("Pa", r"pa|pascals?|па|n/m(?:2|²|\^2)"),
    ("mbar", r"mbars?|millibars?|мбар"),
    ("bar", r"bars?|бар"),
    ("psi", r"psi|lbs?/in(?:2|²|\^2)|lbf/in(?:2|²|\^2)"),
    ("atm", r"atm|атм"),
    ("mmHg", r"mm\s?hg|torr|мм\s?рт\.?\s?ст\.?"),
    ("inHg", r"in\.?\s?hg|\"hg"),
    ("kgf/cm2", r"kgf?/cm(?:2|²|\^2)|kp/cm(?:2|²|\^2)|кгс/см(?:2|²|\^2)|at(?=[aüu]$)"),
)
_REFERENCE_TAIL = (
    r"(?:[\s_.-]*[(\[]?\s*(?P<ref>abs(?:olut[eo]?)?\.?|a|gauge|g|rel(?:ativ[e]?)?\.?"
    r"|u|ü|ue|(?<=[(\[])[oö]|man\.?|абс\w*\.?|изб\w*\.?)\s*[)\]]?)?"
)
_PRESSURE_UNITS: Final = tuple(
    (name, re.compile(rf"^(?:{pattern}){_REFERENCE_TAIL}$", re.IGNORECASE))
    for name, pattern in _PRESSURE
)
_PRESSURE_TAIL: Final = re.compile(
    r"^(.*?)\b((?:[khm]?pa|m?bar|psi)\s*[(\[]\s*(?:abs(?:olute?)?\.?|a|g|gauge|rel\.?|ü|u|ö|o)\s*[)\]])\s*[)\]}]?$",
    re.IGNORECASE,
)
_PRESSURE_INSIDE: Final = re.compile(
    r"(?<![a-z])((?:[khm]?pa|m?bar|psi|mmhg|inhg)[ag]?)(?![a-z])", re.IGNORECASE
)
_OTHER: Final = (
    ("A", re.compile(r"^(?:a|amps?|amperes?|amp)$", re.IGNORECASE)),
    ("mA", re.compile(r"^ma$", re.IGNORECASE)),
    ("V", re.compile(r"^(?:v|volts?|vac|v\s?ac|vrms)$", re.IGNORECASE)),
    (
        "s",
        re.compile(
            r"^(?:s|secs?|seconds?|sekunden?|secondes?|segundos?|secondi|seconden)$", re.IGNORECASE
        ),
    ),
    ("ms", re.compile(r"^(?:ms|msec|milliseconds?|millisekunden)$", re.IGNORECASE)),
    ("min", re.compile(r"^(?:min|mins|minutes?|minuten?|minutos?|minuti)$", re.IGNORECASE)),
    ("h", re.compile(r"^(?:h|hrs?|hours?|std|stunden)$", re.IGNORECASE)),
    ("%", re.compile(r"^(?:%|%\s?rh|rh|percent)$", re.IGNORECASE)),
)

KIND: Final = {
    "°C": "temperature",
    "°F": "temperature",
    "K": "temperature",
    "A": "current",
    "mA": "current",
    "V": "voltage",
    "s": "time",
    "ms": "time",
    "min": "time",
    "h": "time",
    "%": "other",
} | {name: "pressure" for name, _ in _PRESSURE}
SECONDS: Final = {"s": 1.0, "ms": 0.001, "min": 60.0, "h": 3600.0}


@dataclass(frozen=True)
class Mark:
    """A unit mark: the unit, its kind, and the pressure reference it states."""

    unit: str
    kind: str
    reference: str = ""


@lru_cache(maxsize=4096)
def read_mark(text: str) -> Mark | None:
    """Read text that is a unit mark and nothing else, or return None."""
    text = text.strip().strip("[](){}").strip().rstrip(".")
    if not text or len(text) > 32:
        return None
    text = text.replace("\u00a0", " ")
    for name, pattern in _TEMPERATURE:
        if pattern.match(text):
            return Mark(name, "temperature")
    for name, pattern in _PRESSURE_UNITS:
        match = pattern.match(text)
        if match:
            return Mark(name, "pressure", _reference_letter(match["ref"] or ""))
        # A mark such as "bar(a" lost its last bracket to the strip above.
    for name, pattern in _OTHER:
        if pattern.match(text):
            return Mark(name, KIND[name])
    found = re.match(r"^(\S+)\s+(.+)$", text)
    if found:
        inner = read_mark(found[1])
        reference = reference_in(found[2])
        if inner is not None and inner.kind == "pressure" and reference:
            return Mark(inner.unit, "pressure", reference)
    return None


def _reference_letter(text: str) -> str:
    text = plain(text).strip(". ()[]")
    if not text:
        return ""
    return "absolute" if text[0] in "aа" else "vented_gauge"


@lru_cache(maxsize=4096)
def reference_in(text: str) -> str:
    """Return ``absolute``, ``vented_gauge``, ``sealed_gauge``, ``both`` or an empty text."""
    low = plain(text).replace("_", " ")
    sealed = SEALED.search(low) is not None
    gauge = sealed or GAUGE.search(low) is not None
    absolute = ABSOLUTE.search(low) is not None
    if gauge and absolute:
        return "both"
    if sealed:
        return "sealed_gauge"
    return "vented_gauge" if gauge else "absolute" if absolute else ""


@lru_cache(maxsize=4096)
def split_header(text: str) -> tuple[str, Mark | None]:
    """Part header text into its words and its unit mark, where it has one and no more."""
    text = text.strip().strip('"').strip()
    if two_units(text):
        return text, None
    tail = _PRESSURE_TAIL.match(text)
    if tail:
        mark = read_mark(tail[2])
        if mark is not None and mark.kind == "pressure":
            return tail[1].strip(" ,;:/_-([{"), mark
    for pattern in (
        r"^(.*?)\s*\[([^\[\]]{1,24})\]\s*(.*)$",
        r"^(.*?)\s*\(((?:[^()]|\([^()]*\)){1,24})\)\s*(.*)$",
        r"^(.*?)\s*\{([^{}]{1,24})\}\s*(.*)$",
        r"^(.*?)\s*<([^<>]{1,24})>\s*(.*)$",
    ):
        match = re.match(pattern, text)
        if match:
            inside = match[2].strip()
            mark = read_mark(inside)
            if mark is None and "," in inside:
                for piece in inside.split(","):
                    mark = mark or read_mark(piece)
            if mark is not None:
                rest = f"{match[1]} {match[3]}".strip()
                if mark.kind == "pressure" and not mark.reference:
                    reference = reference_in(f"{rest} {inside}")
                    if reference in {"absolute", "vented_gauge", "sealed_gauge"}:
                        mark = Mark(mark.unit, mark.kind, reference)
                return rest, mark
    whole = read_mark(text)
    if whole is not None and len(text) > 1:
        return "", whole
    said = re.match(r"^(.*?)\s*[(\[]([^()\[\]]{2,24})[)\]]\s*$", text)
    if said and reference_in(said[2]) in {"absolute", "vented_gauge", "sealed_gauge"}:
        rest, mark = split_header(said[1])
        if mark is not None and mark.kind == "pressure":
            return f"{rest} {said[2]}".strip(), Mark(mark.unit, mark.kind, reference_in(said[2]))
    for pattern in (
        r"^(.*\S)\s*[,;:/|]\s*([^,;:|]{1,20})$",
        r"^(.*\S)\s+(?:in|en)\s+(\S{1,12}(?:\s\S{1,12})?)$",
        r"^(.*\S)[\s_-]+(\S{1,8}[\s_]\S{1,9})$",
        r"^(.*\S)[\s_.-]+(\S{1,16})$",
    ):
        match = re.match(pattern, text)
        if match:
            mark = read_mark(match[2])
            if mark is not None and (len(match[2]) > 1 or _fits(match[1], mark)):
                return match[1].strip(" ,;:/_-"), _with_reference(mark, text)
    noted = re.match(r"^(.*\S)\s*[(\[][^()\[\]]*[)\]]$", text)
    if noted:
        # What stands in brackets is no unit: one may stand before it.
        rest, mark = split_header(noted[1])
        if mark is not None:
            return rest, mark
    camel = re.match(r"^(.*[a-z])(KPa|kPa|Psi|PSI|psi[ag]?|Bar|MPa|mbar|°[CFK]|DegC|DegF)$", text)
    if camel:
        mark = read_mark(camel[2])
        if mark is not None:
            return camel[1], _with_reference(mark, text)
    letter = re.match(r"(?i)^(.*temp(?:erature|eratur|eratura|erature)?)([CF])$", text)
    if letter:
        return letter[1], read_mark(letter[2])
    degree = re.search(r"(?:°|º|˚)\s?([CFK])\b", text)
    if degree:
        return text.replace(degree[0], " ").strip(), read_mark("°" + degree[1])
    inner = _PRESSURE_INSIDE.search(text)
    if inner and PRESSURE.search(words(text)):
        mark = read_mark(inner[1])
        if mark is not None and mark.kind == "pressure":
            return text.replace(inner[1], " ").strip(), _with_reference(mark, text)
    return text, None


def _fits(rest: str, mark: Mark) -> bool:
    """Say whether a bare letter goes with the words before it: Temp C, but not Channel A."""
    low = words(rest)
    if mark.kind == "temperature":
        return TEMPERATURE.search(low) is not None or bool(re.fullmatch(r"t\d?|t .*", low))
    if mark.kind == "current":
        return CURRENT.search(low) is not None
    if mark.kind == "voltage":
        return VOLTAGE.search(low) is not None
    return mark.kind == "time" and bool(tokens(rest) & TIME or ELAPSED.search(low) or low == "t")


def _with_reference(mark: Mark, text: str) -> Mark:
    if mark.kind == "pressure" and not mark.reference:
        reference = reference_in(text)
        if reference and reference != "both":
            return Mark(mark.unit, mark.kind, reference)
    return mark


@lru_cache(maxsize=4096)
def two_units(text: str) -> str:
    """Return two units of one kind that text states side by side, or an empty text.

    Under ``inHg/psi`` stand inches of vacuum and pounds of pressure, under ``°C/°F`` either.
    """
    for one, other in _SIDE_BY_SIDE.findall(text):
        marks = read_mark(one), read_mark(other)
        if (
            marks[0] is not None
            and marks[1] is not None
            and marks[0].kind == marks[1].kind
            and marks[0].kind in {"temperature", "pressure"}
            and marks[0].unit != marks[1].unit
        ):
            return f"{one}/{other}"
    return ""


_SIDE_BY_SIDE: Final = re.compile(
    r"([^\s\[\](){}<>,;:/|]+)\s*(?:/|\bor\b|\boder\b)\s*([^\s\[\](){}<>,;:/|]+)"
)

_FOREIGN: Final = re.compile(
    r"[Ω%‰]|\b(?:m|k)?ohms?\b|\bm[va]\b|\bv(?:olts?)?$|\b(?:mm|cm|m|in|ft)\.?\s?(?:h2o|hg|wc|ws|w\.c\.?)\b"
    r"|\b(?:counts?|digits?|lsb|ppm|adc|raw|tsi|mws|at|atmg)$|°\s?(?:r|re|ré|ra|n|de|d)\b|\brankine\b"
    r"|\br[eé]aumur\b|\b[dm]°|\bhz\b|\bdb\b|\bdyn",
    re.IGNORECASE,
)


@lru_cache(maxsize=4096)
def foreign_unit(text: str) -> str:
    """Return a unit that header text states and that is none of ours, or an empty text.

    A reading in ohms, millivolts, metres of water or per cent is not to be taken for one in
    the usual unit because the settings name a usual one; nor is one in two units at once.
    """
    if both := two_units(text):
        return both
    for inside in re.findall(r"[\[({<]([^\[\](){}<>]{1,16})[\])}>]", text):
        if read_mark(inside) is None and _FOREIGN.search(inside.strip()):
            return str(inside.strip())
    tail = re.match(r"^.*\S[\s,;:/_-]+(\S{1,8})$", text.strip())
    if tail and read_mark(tail[1]) is None and _FOREIGN.fullmatch(tail[1]):
        return str(tail[1])
    return ""


def marks_in(text: str) -> list[Mark]:
    """Return the unit marks in a list such as ``°C, kPa abs``."""
    found = [
        read_mark(piece) for piece in re.split(r"\s*[,;|]\s*|\s+/\s+|\s+and\s+|\s+und\s+", text)
    ]
    return [mark for mark in found if mark is not None]
