"""What one cell of text is: a moment, a number, nothing, or words."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

from .clock_text import understand, word_set
from .units_found import Mark, read_mark

NULL_WORDS: Final = word_set(
    "nan na n/a null none nil - -- --- ---- ----- . .. ... ? ?? #n/a #na #value! #div/0! "
    "#num! #ref! missing void inf -inf +inf infinity -infinity"
)
ERROR_WORDS: Final = word_set(
    "ol o.l. o.l +ol -ol err error fault fail failed open short shorted over under overrange "
    "underrange over-range under-range ovrng range invalid bad disconnected sensor_error "
    "fehler erreur errore fout erro burnout oor o/r u/r ovf"
)

PLAIN: Final = re.compile(r"^[+-]?\d+$")
DOT: Final = re.compile(r"^[+-]?(?:\d+\.\d*|\.\d+)(?:[eE][+-]?\d+)?$|^[+-]?\d+[eE][+-]?\d+$")
COMMA: Final = re.compile(r"^[+-]?(?:\d+,\d*|,\d+)(?:[eE][+-]?\d+)?$")
GROUPED: Final = re.compile(r"^[+-]?[1-9]\d{0,2}(?:(?P<g>[.,])\d{3})(?:(?P=g)\d{3})*$")
"""Shaped like a number with groups of three, and like a decimal with three places."""
GROUP_DOT: Final = re.compile(r"^[+-]?\d{1,3}(?:[,'’ \u00a0\u202f]\d{3})+\.\d+$")
GROUP_COMMA: Final = re.compile(r"^[+-]?\d{1,3}(?:[.'’ \u00a0\u202f]\d{3})+,\d+$")
GROUP_PLAIN: Final = re.compile(r"^[+-]?\d{1,3}(?:['’ \u00a0\u202f]\d{3})+$")
WITH_UNIT: Final = re.compile(r"^([+-]?[\d.,]*\d)\s*([^\d\s.,+:/-][^\d]{0,14}(?:/cm2|/in2)?)$")


@lru_cache(maxsize=8192)
def kind_of(text: str) -> str:
    """Return the kind of a cell.

    One of ``empty``, ``null``, ``error``, ``integer``, ``dot`` and ``comma`` (a
    decimal with that mark), ``grouped`` (either a decimal with three places or
    a number in groups), ``moment``, ``unit`` (a number with a unit mark),
    ``mark`` (a unit mark alone) or ``text``.
    """
    text = text.strip()
    if not text:
        return "empty"
    if PLAIN.match(text):
        return "moment" if len(text) == 14 and understand(text) is not None else "integer"
    if GROUPED.match(text):
        marks = {c for c in text if c in ".,"}
        mark = marks.pop()
        return "grouped" if text.count(mark) == 1 else ("comma" if mark == "." else "dot")
    if DOT.match(text) or GROUP_DOT.match(text):
        return "dot"
    if COMMA.match(text) or GROUP_COMMA.match(text):
        return "comma"
    if GROUP_PLAIN.match(text):
        return "integer"
    low = text.lower()
    if low in NULL_WORDS:
        return "null"
    if low in ERROR_WORDS:
        return "error"
    if (text[0].isdigit() or text[0].isalpha()) and understand(text) is not None:
        return "moment"
    match = WITH_UNIT.match(text)
    if match and read_mark(match[2]) is not None:
        return "unit"
    return "mark" if len(text) > 1 and read_mark(text) is not None else "text"


_SIMPLE: Final = re.compile(r"^[+-]?\d+(?:\.(?:\d{1,2}|\d{4,}))?$", re.ASCII)
"""A number that can be read in one way only."""
NUMBERS: Final = frozenset({"integer", "dot", "comma", "grouped", "unit"})


def unit_of(text: str) -> Mark | None:
    """Return the unit mark of a cell such as ``121.3 °C``, or None."""
    match = WITH_UNIT.match(text.strip())
    return read_mark(match[2]) if match else None


def number_of(text: str, decimal: str = ".") -> float | None:
    """Return the number in a cell, or None."""
    if decimal == "." and len(text) < 14 and _SIMPLE.match(text):
        return float(text)
    match = WITH_UNIT.match(text.strip())
    body = match[1] if match and read_mark(match[2]) is not None else text.strip()
    kind = kind_of(body)
    if kind not in NUMBERS:
        return None
    group = "," if decimal == "." else "."
    if kind == "comma":
        decimal, group = ",", "."
    elif kind == "dot":
        decimal, group = ".", ","
    clean = re.sub(r"[\s'’\u00a0\u202f]", "", body).replace(group, "").replace(decimal, ".")
    try:
        return float(clean)
    except ValueError:
        return None
