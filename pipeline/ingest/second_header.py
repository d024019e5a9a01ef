"""Headers among the rows: harmless where they repeat the table's, a question where not.

Exports that are glued together begin anew in the middle. Where the second header
names another unit, zone or order of columns, rows below it mean something else.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from . import header_words as vocabulary
from .cells import kind_of
from .channels import channel_kind
from .dialect import Table
from .header_words import tokens, words
from .lines import split
from .parse import Parsed
from .refuse import quoted, refusal
from .roles import Roles
from .units_found import read_mark, split_header

MOST_LINES: Final = 5000
"""Most rows without a time that are looked at."""


def refuse_other_header(parsed: Parsed, table: Table, roles: Roles, name: str) -> None:
    """Refuse a table in which a header below the first names other columns.

    Raises
    ------
    ExportRefusedError
        With cause ``header_changes``.
    """
    if table.header_line is None or (parsed.all_read and not parsed.odd):
        return
    if parsed.moments is not None:
        ok = parsed.moments.ok
    else:
        assert parsed.time_values is not None
        ok = np.isfinite(parsed.time_values)
    unread = np.flatnonzero(~ok & ~parsed.blank)
    if len(unread) == 0 and not parsed.odd:
        return
    time = roles.time.columns[0]
    used = sorted(
        {
            *roles.time.columns,
            *(c.column for c in roles.channels),
            *(
                k
                for k in (
                    roles.unit_column,
                    roles.logger_column,
                    roles.long_channel,
                    roles.long_value,
                    roles.long_unit,
                )
                if k is not None
            ),
        }
    )
    own = [_bare(h) for h in table.headers]
    marks = [_bare(m) for m in table.marks]
    last_line = int(parsed.lines[ok][-1]) if ok.any() else 0
    for line, cells in _lines_between(parsed, unread, table):
        # What stands below the last sample heads none.
        if line > last_line:
            continue
        if _is_units_row(cells, used):
            _compare_units(cells, line, roles, name)
            continue
        if not _heads(cells, time, used, own):
            continue
        for k in used:
            said = _bare(cells[k])
            # One of two header rows says a part of it.
            other = _bare(table.others[k]) if table.others else ""
            if not said or said in {own[k], marks[k], other} or _half(said, own[k]):
                continue
            raise refusal(
                "header_changes",
                name,
                f"another header stands among the rows: it says {quoted(cells[k])} where line "
                f"{table.header_line} says {quoted(table.headers[k])}",
                "export the two tables as two files",
                line=line,
            )


def _lines_between(
    parsed: Parsed, unread: NDArray[np.int64], table: Table
) -> Iterator[tuple[int, list[str]]]:
    """Yield line and cells of lines among the rows that are no samples."""
    for line, text in parsed.odd:
        if len(text) > 2000:
            continue
        cells = [c.strip().strip('"').strip() for c in split(text, table.delimiter)]
        while len(cells) > table.columns and not cells[-1]:
            cells.pop()
        if len(cells) == table.columns:
            yield line, cells
    rows = unread[:MOST_LINES]
    texts = {
        k: column.take(pa.array(rows)).to_pylist()
        for k, column in parsed.raw.columns.items()
        if pa.types.is_string(column.type)
    }
    for place, row in enumerate(rows.tolist()):
        cells = [""] * table.columns
        for k, column in texts.items():
            cells[k] = (column[place] or "").strip().strip('"').strip()
        yield int(parsed.lines[row]), cells


def _is_units_row(cells: list[str], used: list[int]) -> bool:
    marks = [read_mark(cells[k]) for k in used if cells[k]]
    return sum(m is not None for m in marks) >= 1 and all(
        m is not None or kind_of(cells[k]) in {"text", "null"}
        for k, m in zip([k for k in used if cells[k]], marks, strict=True)
    )


def _compare_units(cells: list[str], line: int, roles: Roles, name: str) -> None:
    for channel in roles.channels:
        mark = read_mark(cells[channel.column]) if cells[channel.column] else None
        if mark is None or mark.kind != channel.kind:
            continue
        other = mark.reference and channel.reference and mark.reference != channel.reference
        if (channel.unit and mark.unit != channel.unit) or other:
            raise refusal(
                "header_changes",
                name,
                f"a row of units stands among the rows: it says {quoted(cells[channel.column])} "
                f"for column {quoted(channel.header)}, which is in "
                f"{' '.join((channel.unit, channel.reference)).strip()} above",
                "export the two tables as two files",
                line=line,
            )


def _bare(text: str) -> str:
    return " ".join(re.sub(r"^[#*/%]+\s*", "", text).casefold().split())


def _half(part: str, whole: str) -> bool:
    """Say whether a text is whole words of another."""
    return re.search(rf"(?:^|\s){re.escape(part)}(?:\s|$)", whole) is not None


def _heads(cells: list[str], time: int, used: list[int], own: list[str]) -> bool:
    """Say whether cells are a header: the time's name, and a channel's."""
    if any(kind_of(cells[k]) not in {"text", "mark", "empty", "null"} for k in used):
        return False
    timely = _bare(cells[time]) == own[time] or bool(
        tokens(cells[time]) & (vocabulary.TIME | vocabulary.DATE)
    )
    channels = [k for k in used if k != time and _names_channel(cells[k])]
    return timely and (bool(channels) or any(_bare(cells[k]) == own[k] for k in used if k != time))


def _names_channel(cell: str) -> bool:
    rest, mark = split_header(cell)
    return channel_kind(words(rest), mark) not in {"", "other"}
