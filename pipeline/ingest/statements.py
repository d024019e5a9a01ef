"""What an export says about itself outside its table: keys and values."""

from __future__ import annotations

import re
from dataclasses import dataclass

from .clock_text import understand
from .header_words import words
from .lines import Line, split


@dataclass(frozen=True)
class Statement:
    """A key with its value, and the line that says it."""

    key: str
    value: str
    line: int
    more: tuple[str, ...] = ()
    """Further cells behind the value."""

    @property
    def key_words(self) -> str:
        """The key in plain words."""
        return words(self.key)


def read_statements(lines: tuple[Line, ...], delimiter: str) -> list[Statement]:
    """Read keys and values from lines that are no rows.

    A line may part them by a colon, an equals sign, the table's delimiter or
    another, and may hold several pairs.
    """
    found: list[Statement] = []
    for line in lines[:2000]:
        text = line.text.strip().strip("#*/%").strip()
        if not text or len(text) > 2000:
            continue
        found += _of_line(text, line.number, delimiter)
    return found


def _of_line(text: str, number: int, delimiter: str) -> list[Statement]:
    cells: list[str] = []
    for mark in (delimiter if len(delimiter) == 1 else "\t", "\t", ";", "|", ","):
        if mark in text:
            cells = [c.strip().strip('"').strip() for c in split(text, mark)]
            cells = [c for c in cells if c]
            if mark != "," or not re.match(r"^[^,]*[:=]", text):
                break
            cells = []
    if len(cells) >= 2:
        found = []
        rest: list[str] = []
        for at, cell in enumerate(cells):
            pair = _pair(cell)
            if pair is not None and not rest:
                found.append(Statement(*pair, number))
            else:
                rest.append(cell)
                if len(rest) == 2:
                    after = cells[at + 1 :]
                    found.append(Statement(rest[0].rstrip(":= "), rest[1], number, tuple(after)))
                    rest = []
        if found:
            return found
    text = text.strip('"')
    spoken = re.match(r"^([^\d:=]{3,60}?)\s*[:=]?\s+(\d.*)$", text)
    if spoken and understand(spoken[2].strip()) is not None:
        return [Statement(spoken[1].rstrip(" :="), spoken[2].strip(), number)]
    pair = _pair(text)
    if pair is not None:
        several = re.split(r"\s{3,}(?=[^\W\d][^:=]{0,40}[:=])", text)
        if len(several) > 1:
            pairs = [_pair(piece) for piece in several]
            return [Statement(*p, number) for p in pairs if p is not None]
        return [Statement(*pair, number)]
    aligned = re.match(r"^(\S.{0,60}?)\s{2,}(\S.*)$", text)
    if aligned:
        return [Statement(aligned[1], aligned[2].strip(), number)]
    return [Statement("", text, number)]


def _pair(text: str) -> tuple[str, str] | None:
    match = re.match(
        r"^([^\d:=][^:=]{0,60}?)\s*(?::\s|:(?=\D)|:(?=\d{4}-)|:(?=\S)|=)\s*(\S.*)$", text
    )
    if match is None:
        return None
    key = match[1].strip()
    if not key or (re.search(r"\d{1,2}$", key) and re.match(r"\d{2}\b", match[2]) and ":" in text):
        clock = re.search(r"\d{1,2}:\d{2}", text)
        if clock and text.index(":") == clock.start() + clock[0].index(":"):
            return None
    return key, match[2].strip().strip('"')
