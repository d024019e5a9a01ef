"""A table's rows out of a file's bytes, and what stands among them."""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from .dialect import Table
from .lines import BLANKS, WIDE_BLANKS, Line
from .parse import Parsed
from .raw import Raw, even_out, part_by_tabs, read_rows
from .roles import Roles, units_beside
from .stamps import stamp_of
from .statements import Statement, read_statements

MOST_UNKNOWN: Final = 6
"""Most columns with headers that no one understands that are looked at for steam."""
MOST_INNER: Final = 1000
"""Most lines among the rows that are looked at for what they say."""


def wanted_columns(table: Table, roles: Roles) -> tuple[list[int], set[int]]:
    """Return the columns to read, and those of them to read as numbers at once."""
    wanted = set(roles.time.columns)
    if roles.time.offset_column is not None:
        wanted.add(roles.time.offset_column)
    if roles.time.half_column is not None:
        wanted.add(roles.time.half_column)
    floats: set[int] = set()
    for channel in roles.channels:
        wanted.add(channel.column)
        floats.add(channel.column)
        if units_beside(table, channel):
            wanted.add(channel.column + 1)
    if not any(c.kind == "pressure" for c in roles.channels):
        # One of them may be the pressure: steam tells.
        wanted |= set(roles.unknown[:MOST_UNKNOWN])
        floats |= set(roles.unknown[:MOST_UNKNOWN])
    for k in (roles.unit_column, roles.logger_column, roles.long_channel, roles.long_unit):
        if k is not None:
            wanted.add(k)
    if roles.long_value is not None:
        wanted.add(roles.long_value)
        floats.add(roles.long_value)
    if roles.time.mode in {"epoch", "serial", "elapsed", "index"}:
        floats.add(roles.time.columns[0])
    return sorted(wanted), floats if table.decimal is not None else set()


def read_evened(body: bytes, table: Table, roles: Roles, name: str) -> Raw:
    """Read rows, evened out where only the empty cells at their ends differ."""
    wanted, floats = wanted_columns(table, roles)
    if table.delimiter in {BLANKS, WIDE_BLANKS}:
        body = part_by_tabs(body, table.delimiter)
    stamp = stamp_of(table, roles, wanted, floats)
    raw = read_rows(body, table, wanted, floats, name, stamp)
    if raw.odd_count > 2 and raw.odd_count > 0.02 * len(raw.lines):
        even = read_rows(even_out(body, table), table, wanted, floats, name)
        if even.odd_count < raw.odd_count:
            return even
    return raw


def inner_statements(parsed: Parsed, table: Table, data: bytes) -> list[Statement]:
    """Return what lines among and below the rows say that are no samples.

    Lines with another number of cells are known by their text; those that look
    like rows, but whose time can't be read, are looked up in the file's bytes,
    where they are at hand.
    """
    if parsed.all_read and not parsed.raw.odd:
        return []
    texts = {number: text for number, text in parsed.raw.odd if len(text) < 500}
    if parsed.moments is not None:
        spoilt = ~parsed.moments.ok & ~parsed.blank
    else:
        assert parsed.time_values is not None
        spoilt = np.isnan(parsed.time_values) & ~parsed.blank
    if data and spoilt.any():
        lines = re.split(rb"\r\n|\n|\r", data)
        for number in parsed.lines[spoilt][:MOST_INNER].tolist():
            if 0 < number <= len(lines) and len(lines[number - 1]) < 500:
                texts[number] = lines[number - 1].decode("utf-8", "replace")
    chosen = sorted(texts)[-MOST_INNER:]
    return read_statements(tuple(Line(texts[n], n, 0) for n in chosen), table.delimiter)
