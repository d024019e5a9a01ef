"""Times that Arrow reads while it reads the rows: year first, to the second, one offset.

Exact, or not taken: Arrow also reads dates alone and clocks to the minute, so the
colons of all rows are counted, and whatever differs is read as text (`times.py`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from .clock_text import Moment, understand
from .dialect import Table
from .roles import Roles
from .times import CERTAIN, NO_OFFSET, Moments, column_bytes, throughout

Int = NDArray[np.int64]

_FORM: Final = re.compile(r"\d{4}-\d{2}-\d{2}[ T]\d{2}:\d{2}:\d{2}(Z|[+-]\d{2}:\d{2}|)")
_DAY_S: Final = 86_400
_EPOCH: Final = date(1970, 1, 1).toordinal()
_FIRST_S: Final = 631_152_000
"""1990-01-01, the first day that is taken for a record's."""
_END_S: Final = 4_102_444_800
"""2100-01-01, the first day after the last one."""


@dataclass(frozen=True)
class Stamp:
    """A column of such times, by its first cells."""

    column: int
    example: str
    offset: str
    """As it is written in each row, or nothing."""
    moment: Moment
    texts: tuple[int, ...]
    """Other columns that are read as text."""
    alone: bool
    """That all columns are read."""

    @property
    def type(self) -> Any:
        """The Arrow type to read the column as."""
        return pa.timestamp("s", "UTC" if self.offset else None)

    def seconds(self, column: Any) -> Int:
        """Return times on the clock that is written [s since 1970], shape (n,)."""
        seconds = np.asarray(column.view(pa.int64()))
        return seconds + 60 * self.moment.offset_min if self.moment.offset_min else seconds

    def holding(self, columns: dict[int, Any], data: bytes) -> Int | None:
        """Return the times [s] if every row is written so, given what Arrow read of ``data``."""
        times = columns[self.column]
        n = len(times)
        if n == 0 or times.null_count:
            return None
        colons = _count(np.frombuffer(data, np.uint8))
        for k in self.texts:
            colons -= _count(column_bytes(columns[k])[0])
        if colons != n * (2 + self.offset.count(":")):
            return None
        if self.offset and _times_in(data, self.offset.encode()) != n:
            return None
        seconds = self.seconds(times)
        if int(seconds.min()) < _FIRST_S or int(seconds.max()) >= _END_S:
            return None
        if not self.alone and bool((seconds % _DAY_S == 0).any()):
            return None
        return seconds

    def moments(self, seconds: Int) -> Moments:
        """Return what reading the cells as text gives, for a column that holds."""
        n = len(seconds)
        low, high = int(seconds.min()) // _DAY_S, int(seconds.max()) // _DAY_S
        if low == high:
            clock_s = seconds - low * _DAY_S
            parts = [throughout(part, n) for part in _calendar(low)]
        else:
            days = seconds // _DAY_S
            clock_s = seconds - days * _DAY_S
            dates = days.astype("datetime64[D]")
            months = dates.astype("datetime64[M]")
            years = months.astype("datetime64[Y]")
            parts = [
                years.astype(np.int64) + 1970,
                (months - years).astype(np.int64) + 1,
                (dates - months).astype(np.int64) + 1,
            ]
        offset = NO_OFFSET if self.moment.offset_min is None else self.moment.offset_min
        return Moments(
            np.ones(n, bool),
            throughout(CERTAIN, n, np.int8),
            parts[0],
            parts[1],
            parts[2],
            clock_s * 1000,
            throughout(offset, n),
            throughout(True, n, np.bool_),
            separators={self.moment.separator},
            fields_seen={f for f, _, _ in self.moment.spans},
            year_first=True,
        )


def _calendar(day: int) -> tuple[int, int, int]:
    """Return year, month and day of a count of days since 1970."""
    found = date.fromordinal(day + _EPOCH)
    return found.year, found.month, found.day


def stamp_of(table: Table, roles: Roles, wanted: list[int], floats: set[int]) -> Stamp | None:
    """Return how the column of times is written, where Arrow can read it, or None."""
    time = roles.time
    if time.mode != "moments" or len(time.columns) != 1 or not table.sample:
        return None
    if time.half_column is not None or time.offset_column is not None:
        return None
    k = time.columns[0]
    example = table.sample[0][k]
    form = _FORM.fullmatch(example)
    if form is None:
        return None
    offset = form[1]
    if not table.alike:
        forms = [_FORM.fullmatch(row[k]) for row in table.sample]
        if any(other is None or other[1] != offset for other in forms):
            return None
    elif offset and not all(row[k].endswith(offset) for row in table.sample):
        return None
    if not table.alike or "text" in table.kinds:
        # Numbers in one form have no colons.
        for row in table.sample:
            if any(":" in cell for other, cell in enumerate(row) if other != k):
                return None
    moment = understand(example)
    if moment is None or moment.abbreviation:
        return None
    texts = tuple(c for c in wanted if c != k and c not in floats)
    return Stamp(k, example, offset, moment, texts, len(wanted) == table.columns)


def _times_in(data: bytes, text: bytes) -> int:
    """Return how often text of at most 8 bytes stands in bytes, where many are looked for."""
    view = np.frombuffer(data, np.uint8)
    if len(text) == 1:
        return int(np.count_nonzero(view == text[0]))
    at = np.flatnonzero(view == text[0])
    if len(at) == 0 or int(at[-1]) + 8 > len(data):
        return data.count(text)
    # Eight bytes from each place on, those behind the text masked.
    eight = np.ndarray((len(data) - 7,), "<i8", data, 0, (1,))[at]
    mask = (1 << 8 * len(text)) - 1
    return int(np.count_nonzero(eight & mask == int.from_bytes(text, "little")))


def _count(data: NDArray[np.uint8]) -> int:
    """Return the number of colons."""
    return int(np.count_nonzero(data == 58))
