"""What lines above a table say about a column or channel that its header only numbers."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Final

from .cells import kind_of
from .header_words import words
from .statements import Statement
from .units_found import read_mark, split_header

_CHANNEL: Final = r"ch|chan|channel|kanal|canal|canale|kanaal|input|in|c|k|t|sensor|probe|fuhler"
_COLUMN: Final = r"col|column|spalte|colonne|columna|coluna|colonna|kolom|kolumna|field|feld"
_NUMBERED: Final = re.compile(
    rf"(?:(?P<channel>{_CHANNEL})|(?P<column>{_COLUMN}))? ?0*(?P<number>\d{{1,3}})"
)
_LINE: Final = re.compile(
    rf"\s*(?P<name>(?:(?:{_CHANNEL}|{_COLUMN})\.?\s?#?)?\d{{1,3}})(?:\s*[.:=)\u2013-]+\s*|\s+)(?P<text>\S.*)",
    re.IGNORECASE,
)
LONGEST: Final = 80


@lru_cache(maxsize=1024)
def _number(text: str) -> tuple[str, int] | None:
    """Return what a name such as ``ch 2`` numbers, ``channel``, ``column`` or nothing."""
    found = _NUMBERED.fullmatch(text)
    if found is None:
        return None
    family = "channel" if found["channel"] else "column" if found["column"] else ""
    return family, int(found["number"])


def numbers(text: str) -> bool:
    """Say whether words only number a channel or a column."""
    return _number(text) is not None


def _alike(header: tuple[str, int], said: tuple[str, int]) -> bool:
    """Say whether a header and a line number the same thing.

    The third column is not the third channel; a bare number is either's.
    """
    return header[1] == said[1] and (header[0] == said[0] or not header[0])


def described(header: str, statements: list[Statement]) -> str:
    """Return a header with what the preamble says about it (``CH1: Chamber °C``)."""
    own = words(split_header(header)[0]) or words(header)
    short = _number(own)
    if not own or (not short and len(own) > 12):
        return header
    for s in statements:
        key = s.key_words
        if key and len(s.value) <= LONGEST:
            said = _number(key) if short else None
            same = key == own or (short and said and said[0] and _alike(short, said))
            if same and kind_of(s.value) in {"text", "mark"}:
                return f"{header} {_with_unit(s.value, s.more)}"
        if short is None:
            continue
        # A line such as "2 = chamber temperature; °C" or "3. pressure".
        line = _LINE.match(f"{s.key} {s.value}" if key else s.value)
        said = _number(words(line["name"])) if line else None
        if line and said and _alike(short, said) and _speaks(line["text"]):
            return f"{header} {line['text'][:LONGEST]}"
    return header


def _with_unit(text: str, more: tuple[str, ...]) -> str:
    """Return a description with the unit in the first cell behind it."""
    if more and split_header(text)[1] is None and read_mark(more[0]) is not None:
        return f"{text} [{more[0].strip('[]()')}]"
    return text


def _speaks(text: str) -> bool:
    """Say whether text names something that is measured."""
    from .channels import channel_kind

    rest, mark = split_header(text)
    return bool(channel_kind(words(rest), mark)) or mark is not None
