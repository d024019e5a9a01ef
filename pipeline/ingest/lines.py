"""Lines of text and their cells."""

from __future__ import annotations

import csv
import re
from itertools import accumulate
from typing import Final, NamedTuple

BLANKS: Final = "blanks"
WIDE_BLANKS: Final = "wide blanks"
RULE: Final = re.compile(r"^[\s\-=_+|*#;,\t]+$")


class Line(NamedTuple):
    """A logical line of the head: its text, one-based number and byte offset."""

    text: str
    number: int
    offset: int


def logical_lines(text: str, limit: int = 1 << 30) -> list[Line]:
    """Part a head of text into lines; a quoted cell may hold line breaks in a header."""
    if text.isascii() and '"' not in text and "\r" not in text:
        pieces = text.split("\n")
        if not pieces[-1]:
            pieces.pop()
        starts = accumulate(map(len, pieces), lambda at, size: at + size + 1, initial=0)
        return list(map(Line, pieces, range(1, len(pieces) + 1), starts))[:limit]
    lines: list[Line] = []
    offset = 0
    number = 1
    held: str | None = None
    held_start = (0, 0)
    for piece in re.findall(r"[^\r\n]*(?:\r\n|\n|\r|$)", text):
        if piece == "":
            break
        body = piece.rstrip("\r\n")
        size = len(piece) if piece.isascii() else len(piece.encode("utf-8", "replace"))
        if held is not None:
            joined = held + " " + body
            if joined.count('"') % 2 == 0:
                lines.append(Line(joined, *held_start))
                held = None
            elif number - held_start[0] > 6:
                # No header cell is that long: the quote was just a character.
                return _plain_lines(text)
            else:
                held = joined
        elif body.count('"') % 2 == 1 and re.search(r'(?:^|[,;\t|])\s*"[^"]*$', body):
            held, held_start = body, (number, offset)
        else:
            lines.append(Line(body, number, offset))
        offset += size
        number += 1
        if len(lines) >= limit:
            break
    if held is not None:
        return _plain_lines(text)
    return lines


def _plain_lines(text: str) -> list[Line]:
    lines = []
    offset = 0
    for number, piece in enumerate(re.findall(r"[^\r\n]*(?:\r\n|\n|\r|$)", text), start=1):
        if piece == "":
            break
        lines.append(Line(piece.rstrip("\r\n"), number, offset))
        offset += len(piece.encode("utf-8", "replace"))
    return lines


def split(text: str, delimiter: str) -> list[str]:
    """Part one line into cells."""
    if delimiter == BLANKS:
        return text.split()
    if delimiter == WIDE_BLANKS:
        return re.split(r"[ \t]{2,}|\t", text.strip())
    if '"' in text:
        try:
            return next(csv.reader([text], delimiter=delimiter), [""])
        except csv.Error:
            return text.split(delimiter)
    return text.split(delimiter)


def is_rule(text: str) -> bool:
    """Say whether a line only draws a rule."""
    return RULE.match(text) is not None


def bulk_lines(data: bytes) -> list[str]:
    """Return lines from the middle of a file, which its rows make up."""
    if len(data) < 6000:
        return []
    found: list[str] = []
    for share in (0.35, 0.5, 0.65, 0.8):
        start = int(len(data) * share)
        piece = data[start : start + 600].decode("utf-8", "replace")
        lines = piece.replace("\r\n", "\n").replace("\r", "\n").split("\n")[1:-1]
        found += [line for line in lines if line.strip()][:3]
    return found if len(found) >= 8 else []
