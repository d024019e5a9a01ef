"""What reading an export gives: samples, where each came from, and why it was read so."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

Int = NDArray[np.int64]

MOST_TURNS: Final = 1000
"""Turns from one member of an archive to another that a unit's samples are followed through."""


class Evidence(NamedTuple):
    """One decision on how an export was read: what, which value, and why."""

    decision: str
    value: str
    why: str


@dataclass(frozen=True)
class Known:
    """What an export of a layout settled, for the unit's other exports in that layout."""

    day_first: bool | None = None
    pressure_reference: str | None = None
    temperature_unit: str | None = None
    pressure_unit: str | None = None
    full_clock: bool | None = None
    """That the clock has 24 hours."""
    steam: bool | None = None
    """That hot steam agreed with saturation, read so; None where none was seen."""


@dataclass(frozen=True)
class Facts:
    """What other exports settled, by unit id and layout key."""

    known: Mapping[tuple[str, str], Known] = field(default_factory=dict)

    def of(self, unit_id: str, layout_key: str) -> Known:
        """Return what is known of a unit's exports in a layout."""
        return self.known.get((unit_id, layout_key), Known())

    def learn(self, unit_id: str, layout_key: str, known: Known) -> Facts:
        """Return these facts with one more export's; a contradiction forgets that fact."""
        old = self.known.get((unit_id, layout_key))
        if old is None:
            merged = known
        else:
            pairs = {
                name: (getattr(old, name), getattr(known, name))
                for name in (
                    "day_first",
                    "pressure_reference",
                    "temperature_unit",
                    "pressure_unit",
                    "full_clock",
                    "steam",
                )
            }
            merged = Known(
                **{
                    n: b if a is None else a if b in {None, a} else None
                    for n, (a, b) in pairs.items()
                }
            )
        return Facts({**self.known, (unit_id, layout_key): merged})


@dataclass(frozen=True)
class LineMap:
    """Which lines of which member each sample came from, as runs.

    Row ``k`` of the concatenated tables lies in the run with ``row[r] <= k <
    row[r + 1]``; each sample of a run came from ``step`` lines, right below those of
    the one before (-1: from one line right above; 0: all samples of the run came
    from somewhere in its lines).
    """

    row: Int
    line: Int
    last: Int
    step: Int
    member: tuple[str, ...]
    member_of: Int

    def lines_of(self, row: int) -> tuple[str, int, int]:
        """Return the member's name and the first and last line that sample ``row`` came from."""
        r = int(np.searchsorted(self.row, row, side="right")) - 1
        if r < 0:
            raise IndexError(f"no sample {row}")
        name = self.member[int(self.member_of[r])]
        step = int(self.step[r])
        if step == 0:
            return name, int(self.line[r]), int(self.last[r])
        first = int(self.line[r]) + (row - int(self.row[r])) * step
        return name, first, first + max(step, 1) - 1


class LineMapBuilder:
    """Gathers runs while samples are put out."""

    def __init__(self) -> None:
        self._parts: list[tuple[Int, ...]] = []
        self._members: list[str] = []
        self._rows = 0

    def add(self, member: str, first: Int, last: Int) -> None:
        """Add samples in output order with the first and last line of each, shape (n,)."""
        n = len(first)
        if n == 0:
            return
        if member not in self._members:
            self._members.append(member)
        index = self._members.index(member)
        single = first is last or bool((first == last).all())
        if single:
            at_once = int(first[-1]) - int(first[0]) == n - 1 and bool(
                (first[1:] > first[:-1]).all()
            )
            if at_once:
                # Row after row, as nearly all exports are read.
                run = np.array([self._rows, first[0], last[-1], 1, index], np.int64)
                self._parts.append(tuple(run[k : k + 1] for k in range(5)))
                self._rows += n
                return
            step = -1 if int(first[-1]) < int(first[0]) else 1
            turns = first[1:] - first[:-1] != step
            if np.count_nonzero(turns) >= max(1000, n // 2):
                self._scattered(first, last, index)
                return
            jump = np.flatnonzero(turns) + 1
            starts = np.concatenate(([0], jump))
            ends = np.concatenate((jump, [n])) - 1
            steps = np.full(len(starts), step, np.int64)
        else:
            width = last - first + 1
            jump = np.flatnonzero((first[1:] != last[:-1] + 1) | (width[1:] != width[:-1])) + 1
            starts = np.concatenate(([0], jump))
            ends = np.concatenate((jump, [n])) - 1
            steps = width[starts]
        if len(starts) > max(1000, n // 2):
            self._scattered(first, last, index)
            return
        self._parts.append(
            (
                starts + self._rows,
                first[starts],
                last[ends],
                steps,
                np.full(len(starts), index),
            )
        )
        self._rows += n

    def _scattered(self, first: Int, last: Int, index: int) -> None:
        """Add scattered rows (units in turns, a long layout out of order) as one run."""
        run = np.array([self._rows, first.min(), last.max(), 0, index], np.int64)
        self._parts.append(tuple(run[k : k + 1] for k in range(5)))
        self._rows += len(first)

    def add_several(
        self, archive: str, members: Sequence[str], member_of: Int, first: Int, last: Int
    ) -> None:
        """Add samples that came from several members, ``member_of`` by sample, shape (n,).

        Where they change about too often, the samples lead back to the archive alone.
        """
        turns = np.flatnonzero(np.diff(member_of)) + 1
        if len(turns) > MOST_TURNS:
            self.add(archive, first, last)
            return
        for a, b in pairwise([0, *turns.tolist(), len(member_of)]):
            self.add(members[int(member_of[a])], first[a:b], last[a:b])

    def build(self) -> LineMap:
        """Return the map of all samples added."""
        if not self._parts:
            empty = np.zeros(0, np.int64)
            return LineMap(empty, empty, empty, empty, (), empty)
        columns = (
            list(self._parts[0])
            if len(self._parts) == 1
            else [np.concatenate([p[k] for p in self._parts]) for k in range(5)]
        )
        return LineMap(
            columns[0], columns[1], columns[2], columns[3], tuple(self._members), columns[4]
        )


@dataclass
class Reading:
    """An export as read.

    ``tables`` yields Arrow tables in the columns of the ``traces`` table. Where
    an export is too large for memory the counts, times and the line map are
    complete only once ``tables`` has been consumed, and consuming it may still
    raise ``ExportRefusedError``: publish nothing before its end.
    """

    name: str
    sha256: str
    layout: str
    layout_key: str
    evidence: tuple[Evidence, ...]
    created_at: datetime | None
    learned: Mapping[str, Known]
    """By unit id."""
    unit_ids: tuple[str, ...] = ()
    rows_read: int = 0
    rows_kept: int = 0
    dropped_by_reason: dict[str, int] = field(default_factory=dict)
    cells_blanked: dict[str, int] = field(default_factory=dict)
    """Single spoilt cells in kept rows, by ``channel: reason``."""
    samples: int = 0
    first_time: datetime | None = None
    last_time: datetime | None = None
    complete: bool = True
    line_map: LineMap | None = None
    zone: str = ""
    pins: tuple[Callable[[], str], ...] = ()
    """Make the layout entries that pin this reading."""
    notices: tuple[str, ...] = ()
    """What an accepted export held that was left out: files of an archive, columns."""
    _tables: Any = field(default=None, repr=False)

    @property
    def toml(self) -> str:
        """The layout entry that pins this reading."""
        return "\n\n".join(dict.fromkeys(make() for make in self.pins))

    @property
    def tables(self) -> Iterable[Any]:
        """Arrow tables in the columns of the traces table."""
        return self._tables if self._tables is not None else ()

    @property
    def rows_dropped(self) -> int:
        """Rows read and not kept."""
        return sum(self.dropped_by_reason.values())

    def table(self) -> Any:
        """Return all samples as one Arrow table."""
        import pyarrow as pa

        from .output import TRACE_SCHEMA

        parts: list[Any] = list(self.tables)
        if not parts:
            return TRACE_SCHEMA.empty_table()
        return parts[0] if len(parts) == 1 else pa.concat_tables(parts)
