"""Small CSV files that people write: service logs, lists of units."""

from __future__ import annotations

import csv
import io
from typing import Final

FIELD_MOST: Final = 1 << 30
"""Cells of any length are read; what is too long is refused as what it is, not as a crash."""


def csv_rows(data: bytes) -> list[tuple[int, list[str]]]:
    """Return the rows of a small CSV, each with the line that it begins at.

    Parameters
    ----------
    data
        UTF-8 or UTF-16 with a mark, UTF-8, else CP1252; comma, semicolon or tab, whichever
        the first line has most of.
    """
    text = _decoded(data)
    delimiter = max(",;\t", key=text.split("\n", 1)[0].count)
    before = csv.field_size_limit(FIELD_MOST)
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        rows: list[tuple[int, list[str]]] = []
        begins = 1
        for cells in reader:
            rows.append((begins, cells))
            begins = reader.line_num + 1
        return rows
    finally:
        csv.field_size_limit(before)


def _decoded(data: bytes) -> str:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return data.decode("utf-16", errors="replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")
