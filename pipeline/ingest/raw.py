"""Cells of a table as Arrow columns, with the line of every row."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv
from numpy.typing import NDArray

from .dialect import Table
from .lines import BLANKS, WIDE_BLANKS, split
from .refuse import refusal
from .stamps import Stamp

Int = NDArray[np.int64]

KEPT_TEXTS: Final = 20_000
"""Most lines that are no rows whose text is kept for looking at."""


@dataclass
class Raw:
    """Rows as read: Arrow columns by column number, and lines that are no rows."""

    columns: dict[int, Any]
    lines: Int
    odd: list[tuple[int, str]] = field(default_factory=list)
    odd_count: int = 0
    stamp: Stamp | None = None
    """How the column of times is written, where it came as times."""
    seconds: Int | None = None
    """Those times as written [s since 1970]."""


def csv_options(
    table: Table,
    wanted: list[int],
    floats: set[int],
    odd: list[tuple[int, str]],
    block: int,
    stamp: Stamp | None = None,
) -> tuple[Any, Any, Any]:
    """Return pyarrow's options for a table: typed columns, a strict column count."""

    def wrong_count(row: Any) -> str:
        if len(odd) < KEPT_TEXTS:
            odd.append((int(row.number or 0), row.text[:4000]))
        else:
            odd.append((int(row.number or 0), ""))
        return "skip"

    delimiter = "\t" if table.delimiter in {BLANKS, WIDE_BLANKS} else table.delimiter
    read = arrow_csv.ReadOptions(
        column_names=_names(table.columns), use_threads=False, block_size=block
    )
    parse = arrow_csv.ParseOptions(
        delimiter=delimiter,
        quote_char='"' if table.quoted else False,
        ignore_empty_lines=False,
        invalid_row_handler=wrong_count,
    )
    times = None if stamp is None else (stamp.column, stamp.type)
    convert = _conversion(tuple(wanted), frozenset(floats), times, table.decimal or ".")
    return read, parse, convert


@lru_cache(maxsize=64)
def _names(columns: int) -> list[str]:
    return [f"c{k}" for k in range(columns)]


@lru_cache(maxsize=64)
def _conversion(
    wanted: tuple[int, ...],
    floats: frozenset[int],
    times: tuple[int, Any] | None,
    decimal: str,
) -> Any:
    """Return how cells become values: a folder's exports share it."""
    types = {f"c{k}": pa.float64() if k in floats else pa.string() for k in wanted}
    if times is not None:
        types[f"c{times[0]}"] = times[1]
    return arrow_csv.ConvertOptions(
        column_types=types,
        include_columns=list(types),
        null_values=[""],
        strings_can_be_null=False,
        quoted_strings_can_be_null=False,
        check_utf8=False,
        decimal_point=decimal,
    )


def read_rows(
    data: Any,
    table: Table,
    wanted: list[int],
    floats: set[int],
    name: str,
    stamp: Stamp | None = None,
) -> Raw:
    """Read all rows of a table's bytes.

    Parameters
    ----------
    data
        UTF-8 bytes from the first row on, already parted by tabs where aligned.
    wanted
        Columns that are needed.
    floats
        Those of them to be read as numbers at once.
    stamp
        How the column of times is written, where Arrow may be able to read it.

    Returns
    -------
    Raw
        Columns came as numbers, or all as text where a cell was no number.

    Raises
    ------
    ExportRefusedError
        With cause ``not_a_table``.
    """
    ways: list[tuple[set[int], Stamp | None]] = [(set(), None)]
    if floats:
        ways.insert(0, (floats, None))
    if stamp is not None:
        ways.insert(0, (floats, stamp))
    while ways:
        typed, timed = ways.pop(0)
        odd: list[tuple[int, str]] = []
        options = csv_options(table, wanted, typed, odd, max(len(data) + 16, 1024), timed)
        try:
            # One block, so that the streaming reader reads it all, and in this thread.
            got = arrow_csv.open_csv(
                pa.BufferReader(data),
                read_options=options[0],
                parse_options=options[1],
                convert_options=options[2],
            ).read_all()
        except (pa.ArrowInvalid, pa.ArrowKeyError, OSError, ValueError) as error:
            if ways and "conversion error" in str(error).lower():
                if "to timestamp" not in str(error):
                    # A number can't be read: then it can't be without the times either.
                    ways = ways[-1:]
                continue
            raise refusal(
                "not_a_table",
                name,
                f"the rows can't be read as a table ({str(error)[:120]})",
                "check the file, or pin its layout",
            ) from error
        columns = {k: combine(got.column(i)) for i, k in enumerate(wanted)}
        seconds = None if timed is None or odd else timed.holding(columns, data)
        if timed is not None and seconds is None:
            continue
        lines = row_lines(got.num_rows, odd, table.data_line)
        odd, odd_count = number_odd(odd, table)
        if table.quoted and _count_lines(data) != got.num_rows + odd_count:
            starts, swallowed = _record_starts(data, table, got.num_rows + odd_count, name)
            lines = starts[lines - table.data_line]
            odd = [(int(starts[n - table.data_line]), text) for n, text in odd] + swallowed
        return Raw(columns, lines, odd, len(odd), timed, seconds)
    raise AssertionError("reading as text can't fail on conversion")


def combine(column: Any) -> Any:
    """Return one Arrow array of a chunked column."""
    if isinstance(column, pa.ChunkedArray):
        return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()
    return column


def row_lines(rows: int, odd: list[tuple[int, str]], first_line: int) -> Int:
    """Return the one-based line of each row, given the lines that are no rows."""
    lines = np.arange(rows, dtype=np.int64)
    if odd:
        numbers = np.array([n for n, _ in odd], np.int64) - 1
        # Row k stands k lines below the first, plus the odd lines before it.
        lines = lines + np.searchsorted(numbers - np.arange(len(numbers)), lines, side="right")
    return lines + first_line


def _count_lines(data: Any) -> int:
    """Return the number of lines of text."""
    view = np.frombuffer(data, np.uint8)
    ends = int(np.count_nonzero(view == 10)) or int(np.count_nonzero(view == 13))
    return ends + (len(view) > 0 and int(view[-1]) not in {10, 13})


def _record_starts(
    data: Any, table: Table, records: int, name: str
) -> tuple[Int, list[tuple[int, str]]]:
    """Return the line that each record starts at, shape (records,), where cells hold line breaks.

    Lines within a cell that have as many delimiters as a row were rows before a quote that
    nobody closed took them in: they are returned with their text, to be counted.

    Raises
    ------
    ExportRefusedError
        With cause ``not_a_table`` where quotes leave open which lines are records.
    """
    text = bytes(data).decode("utf-8", "replace")
    delimiter = "\t" if table.delimiter in {BLANKS, WIDE_BLANKS} else table.delimiter
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    ends = []
    try:
        for _ in reader:
            ends.append(reader.line_num)
    except csv.Error:
        ends = []
    if len(ends) != records:
        raise refusal(
            "not_a_table",
            name,
            "its quotes leave open which lines belong to one row",
            "export it without quotes, or mend the row whose quote is not closed",
            line=table.data_line,
        )
    last = np.array(ends, np.int64)
    first = np.concatenate(([0], last[:-1]))
    swallowed = []
    whole = re.split(r"\r\n|\n|\r", text)
    for k in np.flatnonzero(last - first > 1):
        for number in range(int(first[k]) + 1, int(last[k])):
            if whole[number].count(delimiter) >= table.columns - 1:
                swallowed.append((number + table.data_line, whole[number][:4000]))
    return first + table.data_line, swallowed


def number_odd(odd: list[tuple[int, str]], table: Table) -> tuple[list[tuple[int, str]], int]:
    """Return odd lines with their line in the file, and their count."""
    return [(n - 1 + table.data_line, text) for n, text in odd], len(odd)


def part_by_tabs(data: bytes, delimiter: str) -> bytes:
    """Return aligned text with its runs of blanks as single tabs.

    Works on all bytes at once: a blank is kept, as a tab, only where the byte
    before is no blank and it does not stand at an end of the line.
    """
    raw = np.frombuffer(data, np.uint8)
    if len(raw) == 0:
        return data
    blank = (raw == 32) | (raw == 9)
    ending = (raw == 10) | (raw == 13)
    before_blank = np.empty_like(blank)
    before_blank[0] = True
    before_blank[1:] = blank[:-1]
    before_end = np.empty_like(ending)
    before_end[0] = True
    before_end[1:] = ending[:-1]
    if delimiter == WIDE_BLANKS:
        after_blank = np.empty_like(blank)
        after_blank[-1] = True
        after_blank[:-1] = blank[1:]
        # Single blanks between words stay blanks.
        inner = blank & ~before_blank & ~after_blank & (raw == 32)
        parting = blank & ~inner
    else:
        parting = blank
    first = parting & ~before_blank & ~before_end
    out = raw.copy()
    out[first] = 9
    keep = ~parting | first
    out = out[keep]
    # A run of blanks at the end of a line left one tab: take it off.
    end = (out == 10) | (out == 13)
    drop = np.zeros(len(out), bool)
    drop[:-1] = (out[:-1] == 9) & end[1:]
    if len(out) and out[-1] == 9:
        drop[-1] = True
    return bytes(out[~drop].tobytes() if drop.any() else out.tobytes())


def even_out(data: bytes, table: Table) -> bytes:
    """Return rows with the same number of cells where only empty trailing cells differ."""
    delimiter = table.delimiter
    if len(delimiter) != 1:
        return data
    lines = re.split(r"\r\n|\n|\r", data.decode("utf-8", "replace"))
    always_empty = 0
    for kind in reversed(table.kinds):
        if kind != "empty":
            break
        always_empty += 1
    blanks = " " if delimiter == "\t" else " \t"
    out = io.StringIO()
    for number, line in enumerate(lines):
        cells = split(line, delimiter)
        extra = len(cells) - table.columns
        if extra > 0 and all(not c.strip() for c in cells[table.columns :]):
            for _ in range(extra):
                line = line.rstrip(blanks).removesuffix(delimiter)
        elif -always_empty <= extra < 0 and len(cells) > 1:
            line = line + delimiter * -extra
        out.write(line)
        if number < len(lines) - 1:
            out.write("\n")
    return out.getvalue().encode("utf-8", "replace")
