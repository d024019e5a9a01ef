"""Written moments to numbers, whole columns at once.

Rows are grouped by length and by which of their bytes are digits; in a group
all bytes that are no digits must agree, so one row explains the others, and the
digits become numbers by arithmetic on columns of bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from .clock_text import Moment, understand

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

NO_DATE, CERTAIN, DAY_MONTH, SHORT = 0, 1, 2, 3
"""Kinds of date: none; year, month and day known; order of day and month open; two-digit
year at an open place."""
NO_OFFSET: Final = -(10**6)
DATE_FIELDS: Final = frozenset({"Y", "Y2", "m", "d", "a", "b", "x", "y", "z"})
MAX_WIDTH: Final = 48
MAX_GROUPS: Final = 4000


@dataclass
class Moments:
    """Fields of a column of written moments, each of shape (n,).

    ``first, second, third`` are year, month, day where ``kind`` is CERTAIN; the
    two open fields and then the year where it is DAY_MONTH; and the three
    numbers as written where it is SHORT.
    """

    ok: Bool
    kind: NDArray[np.int8]
    first: Int
    second: Int
    third: Int
    clock_ms: Int
    offset_min: Int
    has_clock: Bool
    abbreviations: set[str] = field(default_factory=set)
    separators: set[str] = field(default_factory=set)
    has_halves: bool = False
    fields_seen: set[str] = field(default_factory=set)
    dotted_dates: bool = False
    year_first: bool = False
    """That rows are written year first."""

    @property
    def size(self) -> int:
        """Number of rows."""
        return len(self.ok)


def throughout(value: int, n: int, kind: Any = np.int64) -> NDArray[Any]:
    """Return one value for each of ``n`` rows, shape (n,), without a copy of it for each."""
    rows = np.ndarray(n, kind, np.array([value], kind), 0, (0,))
    rows.flags.writeable = False
    return rows


def column_bytes(column: Any) -> tuple[NDArray[np.uint8], Int, Int]:
    """Return data bytes, starts and lengths (n,) of an Arrow text column; null has length 0."""
    if isinstance(column, pa.ChunkedArray):
        column = column.chunk(0) if column.num_chunks == 1 else pa.concat_arrays(column.chunks)
    if pa.types.is_dictionary(column.type):
        column = column.cast(pa.string())
    n = len(column)
    buffers = column.buffers()
    if buffers[1] is None:
        return np.zeros(0, np.uint8), np.zeros(n, np.int64), np.zeros(n, np.int64)
    width = np.int64 if pa.types.is_large_string(column.type) else np.int32
    offsets = np.frombuffer(buffers[1], width)[column.offset : column.offset + n + 1]
    data = np.frombuffer(buffers[2], np.uint8) if buffers[2] is not None else np.zeros(0, np.uint8)
    starts = offsets[:-1].astype(np.int64)
    lengths = np.diff(offsets).astype(np.int64)
    return data, starts, lengths


def parse_moments(column: Any, *, dotted_dates: bool = False) -> Moments:
    """Read a column of text as moments.

    Parameters
    ----------
    column
        Arrow text array, shape (n,).
    dotted_dates
        That 13.05.24 is a date there and no clock.

    Returns
    -------
    Moments
        ``ok`` is False where a row can't be read.
    """
    n = len(column)
    out = Moments(
        np.zeros(n, bool),
        np.zeros(n, np.int8),
        np.zeros(n, np.int64),
        np.zeros(n, np.int64),
        np.zeros(n, np.int64),
        np.zeros(n, np.int64),
        np.full(n, NO_OFFSET, np.int64),
        np.zeros(n, bool),
        dotted_dates=dotted_dates,
    )
    data, starts, lengths = column_bytes(column)
    if n == 0:
        return out
    low, high = int(lengths.min()), int(lengths.max())
    edge = data[starts[lengths > 0]] if low == 0 else data[starts]
    last = data[(starts + lengths - 1)[lengths > 0]]
    if len(edge) and (int(edge.min()) <= 32 or int(last.min()) <= 32):
        trimmed = pc.utf8_trim_whitespace(
            column if isinstance(column, pa.Array) else pa.concat_arrays(column.chunks)
        )
        data, starts, lengths = column_bytes(trimmed)
        low, high = int(lengths.min()), int(lengths.max())
    budget = [MAX_GROUPS]
    if low == high and 0 < low <= MAX_WIDTH:
        first = int(starts[0])
        if int(starts[-1]) - first == low * (n - 1):
            matrix = data[first : first + low * n].reshape(n, low)
        else:
            matrix = data[starts[:, None] + np.arange(low)]
        _same_length(out, None, matrix, budget)
        return out
    for length in np.unique(lengths):
        if 0 < length <= MAX_WIDTH:
            rows = np.flatnonzero(lengths == length)
            matrix = data[starts[rows][:, None] + np.arange(length)]
            _same_length(out, rows, matrix, budget)
    return out


def _same_length(
    out: Moments, rows: Int | None, matrix: NDArray[np.uint8], budget: list[int]
) -> None:
    # Byte columns in one piece each: they are what is computed with.
    columns = np.ascontiguousarray(matrix.T)
    matrix = columns.T
    example = columns[:, 0]
    least, most = columns.min(axis=1), columns.max(axis=1)
    same = least == most
    # The first row stands for all where none differs from it but in its digits.
    if bool((same | ((least >= 48) & (most <= 57))).all()):
        budget[0] -= 1
        _fill(out, rows, matrix, bytes(example), same)
        return
    digit = (matrix - np.uint8(48)) < 10
    packed = np.packbits(digit, axis=1)
    key = np.zeros(len(packed), np.uint64)
    for k in range(packed.shape[1]):
        key = (key << np.uint64(8)) | packed[:, k].astype(np.uint64)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    for group, example in enumerate(first):
        if budget[0] <= 0:
            return
        members = np.flatnonzero(inverse == group)
        _same_digits(
            out,
            members if rows is None else rows[members],
            matrix[members],
            digit[example],
            budget,
        )


def _same_digits(
    out: Moments,
    rows: Int | None,
    matrix: NDArray[np.uint8],
    digit: Bool,
    budget: list[int],
) -> None:
    other = np.flatnonzero(~digit)
    literal = matrix[:, other]
    if literal.shape[1] == 0 or bool((literal == literal[0]).all()):
        budget[0] -= 1
        _fill(out, rows, matrix, bytes(matrix[0]))
        return
    keys = np.ascontiguousarray(literal).view(np.dtype((np.void, literal.shape[1]))).ravel()
    _, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
    for group, example in enumerate(first):
        budget[0] -= 1
        if budget[0] <= 0:
            return
        members = np.flatnonzero(inverse == group)
        _fill(
            out,
            members if rows is None else rows[members],
            matrix[members],
            bytes(matrix[example]),
        )


def _fill(
    out: Moments,
    rows: Int | None,
    matrix: NDArray[np.uint8],
    example: bytes,
    same: Bool | None = None,
) -> None:
    """Write the fields of rows that share one shape; ``same`` says which bytes they share."""
    try:
        text = example.decode("utf-8")
    except UnicodeDecodeError:
        return
    moment = understand(text, dotted_date=out.dotted_dates)
    if moment is None:
        return
    if len(text) != len(example):
        # Spans count characters; shift them to bytes.
        ends = np.cumsum([0] + [len(c.encode("utf-8")) for c in text])
        moment = Moment(
            tuple((f, int(ends[a]), int(ends[b])) for f, a, b in moment.spans),
            moment.month,
            moment.half,
            moment.offset_min,
            moment.abbreviation,
            moment.separator,
            moment.has_date,
            moment.has_clock,
        )
    where: Any = slice(None) if rows is None else rows
    count = len(matrix)
    ok = np.ones(count, bool)
    dated = [s for s in moment.spans if s[0] in DATE_FIELDS]
    some = timed = matrix
    if dated and rows is None and count > 1 and same is not None:
        a, b = min(s[1] for s in dated), max(s[2] for s in dated)
        if bool(same[a:b].all()):
            # One date throughout, as in most exports of a cycle: read it once.
            some = matrix[:1]
        if bool(same.all()):
            timed = some
    values = {f: number(some if f in DATE_FIELDS else timed, a, b) for f, a, b in moment.spans}
    if moment.has_date:
        kind, parts, good = _date_fields(values, moment.month)
        ok &= good
        if rows is None:
            out.kind = throughout(kind, count, np.int8)
            out.first, out.second, out.third = (
                throughout(int(p[0]), count) if len(p) == 1 else p for p in parts
            )
        else:
            out.kind[where] = kind
            out.first[where], out.second[where], out.third[where] = parts
    if moment.has_clock:
        hour, minute = values["H"], values["M"]
        second = values.get("S")
        limit = 23 if moment.has_date else 9999
        late = hour > limit
        if late.any():
            # 24:00:00 is the next day's midnight.
            midnight = (hour == 24) & (minute == 0) & (not moment.half)
            ok &= ~late | (midnight & (second == 0) if second is not None else midnight)
        ok &= minute <= 59
        if moment.half:
            ok &= (hour >= 1) & (hour <= 12)
            hour = hour % 12 + (12 if moment.half == "p" else 0)
            out.has_halves = True
        ms = (hour * 60 + minute) * 60000
        if second is not None:
            ok &= second <= 59
            ms = ms + second * 1000
        fraction = next(((a, b) for f, a, b in moment.spans if f == "f"), None)
        if fraction is not None:
            digits = fraction[1] - fraction[0]
            part = values["f"].astype(np.float64) / 10.0**digits * 1000.0
            ms = ms + np.rint(part).astype(np.int64)
        out.clock_ms[where] = ms
        out.has_clock[where] = True
    if moment.offset_min is not None:
        out.offset_min[where] = _offsets(matrix, moment, count)
    out.ok[where] = ok
    out.separators.add(moment.separator)
    out.fields_seen |= {f for f, _, _ in moment.spans}
    out.year_first |= bool(moment.spans) and moment.spans[0][0] == "Y" and moment.spans[0][1] == 0
    if moment.abbreviation:
        out.abbreviations.add(moment.abbreviation)


def _date_fields(values: dict[str, Int], named_month: int) -> tuple[int, tuple[Int, ...], Bool]:
    """Return the kind of a date, its three fields, and which rows are dates."""
    if "x" in values:
        parts = (values["x"], values["y"], values["z"])
        return SHORT, parts, np.ones(len(parts[0]), bool)
    if "a" in values:
        a, b, year = values["a"], values["b"], values["Y"]
        good = (a >= 1) & (b >= 1) & (year >= 1990) & (a <= 31) & (b <= 31) & (year < 2100)
        return DAY_MONTH, (a, b, year), good & ((a <= 12) | (b <= 12))
    year = values["Y"] if "Y" in values else values["Y2"] + 2000
    if len(year) == 1:
        return _one_date(year, values, named_month)
    month = values["m"] if "m" in values else np.full(len(year), named_month, np.int64)
    day = values["d"]
    good = (year >= 1990) & (year < 2100) & (month >= 1) & (month <= 12)
    good &= (day >= 1) & (day <= days_in_month(year, month))
    return CERTAIN, (year, month, day), good


def _one_date(
    year: Int, values: dict[str, Int], named_month: int
) -> tuple[int, tuple[Int, ...], Bool]:
    """Return the same of a single date, without arrays where none is needed."""
    month = int(values["m"][0]) if "m" in values else named_month
    day = values["d"]
    try:
        good = 1990 <= date(int(year[0]), month, int(day[0])).year < 2100
    except ValueError:
        good = False
    return CERTAIN, (year, np.array([month], np.int64), day), np.array([good])


def _offsets(matrix: NDArray[np.uint8], moment: Moment, count: int) -> Int:
    """Return offsets [min]; their digits may differ from row to row."""
    end = max(b for _, _, b in moment.spans)
    tail = np.ascontiguousarray(matrix[:, end:])
    if bool((tail == tail[0]).all()) or tail.shape[1] == 0:
        return np.full(count, moment.offset_min, np.int64)
    result = np.full(count, NO_OFFSET, np.int64)
    keys = tail.view(np.dtype((np.void, tail.shape[1]))).ravel()
    _, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
    for group, example in enumerate(first[:100]):
        one = understand(bytes(matrix[example]).decode("utf-8", "replace"))
        if one is not None and one.offset_min is not None:
            result[inverse == group] = one.offset_min
    return result


def number(matrix: NDArray[np.uint8], start: int, end: int) -> Int:
    """Return the decimal number in byte columns ``start`` to ``end`` of each row."""
    if end - start <= 2:
        small = matrix[:, start] - np.uint8(48)
        if end - start == 2:
            small = small * np.uint8(10) + (matrix[:, start + 1] - np.uint8(48))
        return np.asarray(small, np.int64)
    value = matrix[:, start].astype(np.int64) - 48
    for k in range(start + 1, end):
        value = value * 10 + (matrix[:, k].astype(np.int64) - 48)
    return value


def days_in_month(year: Any, month: Any) -> Int:
    """Return the number of days of months, shape (n,)."""
    table = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])
    year, month = np.asarray(year), np.asarray(month)
    size = len(month)
    if size > 1 and bool((month == month[0]).all() and (year == year[0]).all()):
        # One month throughout, as in most exports: look at it once.
        year, month = year[:1], month[:1]
    leap = (year % 4 == 0) & ((year % 100 != 0) | (year % 400 == 0))
    found = table[np.clip(month, 0, 12)] + (leap & (month == 2))
    return np.asarray(found if len(found) == size else np.broadcast_to(found, size), np.int64)


def days_from_civil(year: Any, month: Any, day: Any) -> Int:
    """Return days since 1970-01-01 of proleptic Gregorian dates, shape (n,)."""
    year, month, day = np.asarray(year), np.asarray(month), np.asarray(day)
    if len(year) and bool((year == year[0]).all() and (month == month[0]).all()):
        base = np.datetime64(f"{int(year[0]):04d}-{max(int(month[0]), 1):02d}-01", "D")
        return np.asarray(base.astype(np.int64) + day - 1, np.int64)
    y = year - (month <= 2)
    era = y // 400
    yoe = y - era * 400
    doy = (153 * (month + np.where(month > 2, -3, 9)) + 2) // 5 + day - 1
    doe = yoe * 365 + yoe // 4 - yoe // 100 + doy
    return np.asarray(era * 146097 + doe - 719468, np.int64)
