"""What a store holds at one commit: reading, and nothing else."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd
import pyarrow as pa

from ...shared.schema import to_pandas
from . import log, runs, samples
from .entries import RunFile, TraceFile, UnitSpan
from .keys import trace_parts, trace_shard
from .location import Location, open_location
from .runs import Layer
from .specs import spec, to_ms


@dataclass(frozen=True)
class TraceTask:
    """A unit's samples as paths: small, so that it travels to another process."""

    location: str
    unit_id: str
    files: tuple[TraceFile, ...]
    start: int | None = None
    end: int | None = None

    @property
    def rows(self) -> int:
        """At most so many samples."""
        return sum(f.rows for f in self.files)

    def read(self) -> pd.DataFrame:
        """Return the samples, by time, in the columns of TRACES; where exports were combined,
        also what names the source of each channel of a combined row."""
        rows = self.arrow()
        pairs = rows.column(samples.CHANNEL_SOURCES)
        return samples.to_frame(rows, provenance=pairs.null_count < len(pairs))

    def arrow(self) -> pa.Table:
        """Return the samples as an Arrow table."""
        return samples.read_files(open_location(self.location), self.files, self.start, self.end)


@dataclass(frozen=True)
class Snapshot:
    """A store at one commit. Later commits do not change what it shows."""

    place: Location
    manifest: log.Manifest
    top: Mapping[str, Layer] = field(default_factory=dict)
    """Rows of a transaction that is under way, by table."""
    _lists: dict[str, dict[str, TraceFile]] = field(default_factory=dict, repr=False)
    _months: dict[str, list[str]] = field(default_factory=dict, repr=False)

    @property
    def commit(self) -> int:
        """Number of the commit."""
        return self.manifest.commit

    def unit_ids(self) -> list[str]:
        """Return all units that have samples, sorted."""
        return sorted(self.manifest.units)

    def unit_spans(self) -> dict[str, UnitSpan]:
        """Return first and last sample and the count of samples, by unit."""
        return dict(sorted(self.manifest.units.items()))

    def data_through(self) -> pd.Timestamp | None:
        """Return the time of the last sample of all, or None in an empty store."""
        spans = self.manifest.units.values()
        if not spans:
            return None
        return pd.Timestamp(max(s.last for s in spans), unit="ms", tz="UTC").as_unit("ms")

    # tables

    def run_files(self, name: str) -> list[RunFile]:
        """Return the files of a table."""
        return [r for r in self.manifest.runs if r.table == name]

    def table(
        self,
        name: str,
        *,
        units: Sequence[str] | None = None,
        since: pd.Timestamp | None = None,
        columns: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Return a table, sorted by unit, time and key.

        Parameters
        ----------
        name
            ``cycles``, ``judgements``, ``flags``, ``journal``, ``residuals``, ``service``
            or ``intake``.
        units
            Only these units (for ``intake``: only these sha256).
        since
            Only rows whose own time is not earlier: start of the cycle, reaching of the
            severity, time of the work, run that saw the export.
        columns
            Only these columns.
        """
        return to_pandas(self.arrow(name, keys=units, since=since, columns=columns))

    def arrow(
        self,
        name: str,
        *,
        keys: Collection[str] | None = None,
        since: pd.Timestamp | None = None,
        columns: Sequence[str] | None = None,
    ) -> pa.Table:
        """Return a table as an Arrow table; see ``table``."""
        return runs.read(
            self.place,
            spec(name),
            self.run_files(name),
            keys=keys,
            since=to_ms(since),
            columns=columns,
            top=self.top.get(name),
        )

    # documents

    def state(self, key: str) -> dict[str, Any] | None:
        """Return a document, or None when there is none."""
        return self.states([key]).get(key)

    def states(self, keys: Collection[str]) -> dict[str, dict[str, Any]]:
        """Return several documents by key; absent ones are left out."""
        found = self.arrow("states", keys=keys)
        names, texts = found.column("key").to_pylist(), found.column("document").to_pylist()
        return {k: json.loads(t) for k, t in zip(names, texts, strict=True)}

    # traces

    def shard(self, name: str) -> dict[str, TraceFile]:
        """Return one list of trace files, by path."""
        if name not in self._lists:
            self._lists[name] = log.shard_files(self.place, self.manifest, name)
        return self._lists[name]

    def trace_files(
        self, unit_id: str, start: int | None = None, end: int | None = None
    ) -> list[TraceFile]:
        """Return a unit's files that may hold samples of [start, end] (ms), by time."""
        months = self._unit_months(unit_id)
        if start is not None:
            first = samples.month_of(start)
            months = [m for m in months if m >= first]
        if end is not None:
            last = samples.month_of(end)
            months = [m for m in months if m <= last]
        found = [
            f
            for month in months
            for f in self._unit_files(trace_shard(unit_id, month)).get(unit_id, [])
            if f.overlaps(start, end)
        ]
        return sorted(found, key=lambda f: (f.low, f.high, f.path))

    def trace_task(
        self,
        unit_id: str,
        start: pd.Timestamp | None = None,
        end: pd.Timestamp | None = None,
    ) -> TraceTask:
        """Return a unit's samples as a small task that any process can read."""
        low, high = to_ms(start), to_ms(end)
        files = tuple(self.trace_files(unit_id, low, high))
        return TraceTask(self.place.text, unit_id, files, low, high)

    def trace(
        self,
        unit_id: str,
        start: pd.Timestamp | None = None,
        end: pd.Timestamp | None = None,
        *,
        provenance: bool = False,
    ) -> pd.DataFrame:
        """Return a unit's samples with start <= time <= end, by time."""
        task = self.trace_task(unit_id, start, end)
        table = samples.read_files(self.place, task.files, task.start, task.end)
        return samples.to_frame(table, provenance=provenance)

    def all_trace_files(self) -> list[TraceFile]:
        """Return every trace file (reads all lists: for maintenance, not for a night)."""
        names = self.manifest.shard_names()
        return sorted((f for n in names for f in self.shard(n).values()), key=lambda f: f.path)

    def _unit_files(self, name: str) -> dict[str, list[TraceFile]]:
        by_unit: dict[str, dict[str, list[TraceFile]]] = self._by_unit
        if name not in by_unit:
            units: dict[str, list[TraceFile]] = {}
            for file in self.shard(name).values():
                units.setdefault(trace_parts(file.path)[0], []).append(file)
            by_unit[name] = units
        return by_unit[name]

    _by_unit: dict[str, dict[str, list[TraceFile]]] = field(default_factory=dict, repr=False)

    def _unit_months(self, unit_id: str) -> list[str]:
        if not self._months:
            for name in self.manifest.shard_names():
                part, month = name[-2:], name.removeprefix("traces-")[:-3]
                self._months.setdefault(part, []).append(month)
        return self._months.get(trace_shard(unit_id, "")[-2:], [])
