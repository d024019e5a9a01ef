"""Samples that a transaction adds and takes out, until its commit names their files."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from . import samples
from .entries import Commit, TraceFile, UnitSpan
from .keys import trace_parts, unit_key
from .location import Location
from .precedence import Export
from .snapshot import Snapshot
from .traces import MonthChange, MonthTask, NewPart, add_month, month_parts

Mapper = Callable[[Callable[[MonthTask], MonthChange], list[MonthTask]], Iterable[MonthChange]]


class PendingTraces:
    """Trace files on top of a snapshot: those that come and those that go."""

    def __init__(self, place: Location, base: Snapshot) -> None:
        self._place = place
        self._base = base
        self._parts: dict[tuple[str, str], list[NewPart]] = {}
        self._arrived = 0
        self._respanned: set[str] = set()
        self.added: dict[str, TraceFile] = {}
        """By path."""
        self.withdrawn: dict[str, TraceFile] = {}
        self.written: set[str] = set()
        """Paths of all files that were made on the way, in use or not."""
        self.shared: dict[str, int] = {}
        """By source: samples whose time the store had already."""
        self.conflicts: dict[str, int] = {}
        """By source: values that differ from those of an earlier arrival."""

    def add(
        self,
        unit_id: str,
        table: pa.Table | pd.DataFrame,
        exports: Mapping[str, Export] | None = None,
    ) -> None:
        """Add samples of one unit, in any order of time.

        Parameters
        ----------
        table
            Columns of TRACES; absent ones become null.
        exports
            By source, what decides where exports differ. Sources that are not in it
            count as exports without a statement of their own, made of these rows.
        """
        unit_key(unit_id)
        rows = samples.conform(table)
        if not len(rows):
            return
        at = samples.times_ms(rows)
        if np.any(at[1:] < at[:-1]):
            rows = rows.take(pa.array(np.argsort(at, kind="stable")))
        known = dict(exports or {})
        for source, own in _by_source(rows):
            if source not in known:
                last = int(samples.times_ms(own).max())
                known[source] = Export(source, None, last, len(own))
        for month, part in month_parts(rows, tuple(known.values()), self._next_place()):
            self._parts.setdefault((unit_id, month), []).append(part)

    def _next_place(self) -> int:
        self._arrived += 1
        return self._arrived

    def adopt(self, unit_id: str, month: str, file: TraceFile) -> None:
        """Add a trace file that another process wrote below the store."""
        self.written.add(file.path)
        part = NewPart(file.low, file.high, file.rows, self._next_place(), file=file)
        self._parts.setdefault((unit_id, month), []).append(part)

    def flush(self, mapper: Mapper = map) -> None:
        """Write pending samples, merged with stored ones where they overlap.

        Parameters
        ----------
        mapper
            Shaped like ``map``; a pool's, to spread months over processes.
        """
        parts, self._parts = self._parts, {}
        tasks = []
        snapshot = self.view()
        for (unit_id, month), new in sorted(parts.items(), key=lambda p: p[0]):
            low, high = min(p.low for p in new), max(p.high for p in new)
            stored = snapshot.trace_files(unit_id, low, high)
            tasks.append(MonthTask(self._place.text, unit_id, month, tuple(new), tuple(stored)))
        simple = [t for t in tasks if len(t.parts) == 1 and t.parts[0].file and not t.stored]
        for task in simple:
            self._apply(MonthChange(task.unit_id, added=(task.parts[0].file,)))  # type: ignore[arg-type]
        held = {id(t) for t in simple}
        for change in mapper(add_month, [t for t in tasks if id(t) not in held]):
            self._apply(change)

    def _apply(self, change: MonthChange) -> None:
        for file in change.added:
            self.added[file.path] = file
            self.written.add(file.path)
        for file in change.withdrawn:
            if self.added.pop(file.path, None) is None:
                self.withdrawn[file.path] = file
        for counts, more in ((self.shared, change.shared), (self.conflicts, change.conflicts)):
            for source, count in more.items():
                counts[source] = counts.get(source, 0) + count

    def replace(self, added: Iterable[TraceFile], withdrawn: Iterable[TraceFile]) -> None:
        """Exchange trace files for others (maintenance: the caller answers for the rows)."""
        for file in withdrawn:
            self.withdrawn[file.path] = file
        for file in added:
            if file.path in self.withdrawn:
                del self.withdrawn[file.path]
                continue
            self.added[file.path] = file
            self.written.add(file.path)

    def respan(self, unit_id: str) -> None:
        """Tell a unit's first and last sample by its files: some were taken out for good."""
        self._respanned.add(unit_id)

    def view(self) -> Snapshot:
        """Return the store as it would be, as to samples that were flushed."""
        if not (self.added or self.withdrawn):
            return self._base
        commit = Commit(
            number=self._base.commit,
            lock=0,
            recorded_at=self._base.manifest.recorded_at,
            note="",
            checkpoint=self._base.manifest.checkpoint,
            added_traces=tuple(self.added.values()),
            withdrawn=tuple(self.withdrawn),
            units=tuple(self.spans().items()),
            cleaned=self._base.manifest.cleaned,
        )
        return Snapshot(self._place, self._base.manifest.apply(commit))

    def spans(self) -> dict[str, UnitSpan]:
        """Return the spans of units whose samples changed."""
        spans: dict[str, UnitSpan] = {}
        known = self._base.manifest.units
        for sign, files in ((1, self.added), (-1, self.withdrawn)):
            for file in files.values():
                unit = trace_parts(file.path)[0]
                old = spans.get(unit, known.get(unit, UnitSpan(file.low, file.high, 0)))
                spans[unit] = UnitSpan(
                    min(old.first, file.low), max(old.last, file.high), old.rows + sign * file.rows
                )
        for unit in self._respanned & spans.keys():
            files = {f.path: f for f in self._base.trace_files(unit)}
            own = [f for p, f in files.items() if p not in self.withdrawn]
            own += [f for f in self.added.values() if trace_parts(f.path)[0] == unit]
            if own:
                low, high = min(f.low for f in own), max(f.high for f in own)
                spans[unit] = UnitSpan(low, high, sum(f.rows for f in own))
        return spans


def _by_source(rows: pa.Table) -> list[tuple[str, pa.Table]]:
    names = [s for s in pc.unique(rows.column("source")).to_pylist() if s]
    if len(names) == 1:
        return [(names[0], rows)]
    return [(n, rows.filter(pc.equal(rows.column("source"), n))) for n in sorted(names)]
