"""Adding samples to a unit's months: new files where times are new, merged where not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import pyarrow as pa

from . import samples
from .entries import TraceFile
from .location import Location, open_location
from .precedence import Export, combine

JOIN_ROWS: Final = 500_000
"""Samples up to which new parts that follow each other become one file; larger ones stay as
they are, since writing them again would cost more than an extra file."""


@dataclass(frozen=True)
class NewPart:
    """New samples of one unit and month: a file that is written already, or a table."""

    low: int
    high: int
    rows: int
    place: int
    """Its place in the order of arrival."""
    file: TraceFile | None = None
    """Its footer tells what decides between its exports."""
    table: pa.Table | None = None
    exports: tuple[Export, ...] = ()
    """The exports of a table."""


@dataclass(frozen=True)
class MonthTask:
    """New samples of a unit's month, and the stored files that they may meet."""

    location: str
    unit_id: str
    month: str
    parts: tuple[NewPart, ...]
    stored: tuple[TraceFile, ...]


@dataclass(frozen=True)
class MonthChange:
    """What a month's new samples change."""

    unit_id: str
    added: tuple[TraceFile, ...] = ()
    withdrawn: tuple[TraceFile, ...] = ()
    shared: dict[str, int] = field(default_factory=dict)
    conflicts: dict[str, int] = field(default_factory=dict)


def month_parts(
    table: pa.Table, exports: tuple[Export, ...], place: int
) -> list[tuple[str, NewPart]]:
    """Split one unit's samples, sorted by time, into parts by month."""
    found = []
    for month, part in samples.split_months(table):
        at = part.column("time").cast(pa.int64())
        low, high = at[0].as_py(), at[-1].as_py()
        found.append((month, NewPart(low, high, len(part), place, table=part, exports=exports)))
    return found


def add_month(task: MonthTask) -> MonthChange:
    """Write a month's new samples; a pure function of the task and the files it names.

    New parts that follow each other become one file. A stored file is rewritten
    only when new samples lie within its span.
    """
    place = open_location(task.location)
    added: list[TraceFile] = []
    withdrawn: list[TraceFile] = []
    shared: dict[str, int] = {}
    conflicts: dict[str, int] = {}
    for parts, stored in _groups(task.parts, task.stored):
        if not parts:
            continue
        if len(parts) == 1 and not stored and parts[0].file is not None:
            added.append(parts[0].file)
            continue
        tables, exports, arrival = _load(place, parts, stored)
        combined = combine(tables, exports, arrival)
        files = samples.write(place, task.unit_id, task.month, combined.table, exports)
        kept = {f.path for f in files}
        added += [f for f in files if f.path not in {s.path for s in stored}]
        withdrawn += [s for s in stored if s.path not in kept]
        _add(shared, combined.shared)
        _add(conflicts, combined.conflicts)
    return MonthChange(task.unit_id, tuple(added), tuple(withdrawn), shared, conflicts)


def _groups(
    parts: Sequence[NewPart], stored: Sequence[TraceFile]
) -> list[tuple[list[NewPart], list[TraceFile]]]:
    """Group what overlaps in time, and new parts that follow each other."""
    items: list[NewPart | TraceFile] = sorted(
        [*parts, *stored], key=lambda i: (i.low, i.high, isinstance(i, NewPart))
    )
    groups: list[tuple[list[NewPart], list[TraceFile]]] = []
    high: int | None = None
    for item in items:
        new = isinstance(item, NewPart)
        overlapping = high is not None and item.low <= high
        following = (
            new
            and bool(groups)
            and not groups[-1][1]
            and sum(p.rows for p in groups[-1][0]) + item.rows <= JOIN_ROWS
        )
        if not groups or not (overlapping or following):
            groups.append(([], []))
        if isinstance(item, NewPart):
            groups[-1][0].append(item)
        else:
            groups[-1][1].append(item)
        high = item.high if high is None else max(high, item.high)
    return groups


def _load(
    place: Location, parts: Sequence[NewPart], stored: Sequence[TraceFile]
) -> tuple[list[pa.Table], dict[str, Export], dict[str, int]]:
    """Return samples, what decides between their exports, and the order of arrival."""
    exports: dict[str, Export] = {}
    arrival: dict[str, int] = {}
    tables = []
    for file in stored:
        exports.update(samples.read_exports(place, file.path))
        tables.append(samples.read_file(place, file.path))
    for part in sorted(parts, key=lambda p: p.place):
        known = {e.source: e for e in part.exports}
        if part.file is not None:
            known = samples.read_exports(place, part.file.path)
            tables.append(samples.read_file(place, part.file.path))
        elif part.table is not None:
            tables.append(part.table)
        for source in known:
            if source not in exports:
                arrival[source] = part.place
        exports.update(known)
    return tables, exports, arrival


def _add(total: dict[str, int], more: Mapping[str, int]) -> None:
    for key, count in more.items():
        total[key] = total.get(key, 0) + count
