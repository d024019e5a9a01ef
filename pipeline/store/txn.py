"""A transaction: everything a run changes, published by one commit or not at all."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from ...shared.errors import LockLostError, StoreError
from . import log, runs, samples
from .entries import Commit, RunFile, TraceFile, UnitSpan
from .keys import commit_path, trace_parts, trace_shard, unit_key
from .location import Location
from .lock import Lock
from .precedence import Export
from .runs import ALL, Layer
from .snapshot import Snapshot
from .specs import Spec, spec, to_ms
from .traces import MonthChange, MonthTask, NewPart, add_month, month_parts

KEEP_WITHDRAWN = timedelta(hours=1)
"""How long files that a commit withdrew stay for readers that still use them (no source)."""

Mapper = Callable[[Callable[[MonthTask], MonthChange], list[MonthTask]], Iterable[MonthChange]]


class Txn:
    """Changes to a store on top of a snapshot. Made by ``Store.begin``."""

    def __init__(self, place: Location, lock: Lock, base: Snapshot) -> None:
        self._place = place
        self._lock = lock
        self._base = base
        self._rows: dict[str, list[pa.Table]] = {}
        self._cuts: dict[str, dict[str, int]] = {}
        self._keys: dict[str, set[str]] = {}
        self._parts: dict[tuple[str, str], list[NewPart]] = {}
        self._arrived = 0
        self._added: dict[str, TraceFile] = {}
        self._withdrawn: dict[str, TraceFile] = {}
        self._withdrawn_runs: list[RunFile] = []
        self._replaced_runs: list[RunFile] = []
        self._written: set[str] = set()
        self._respanned: set[str] = set()
        self._facts: dict[str, int] = {}
        self._after: list[Callable[[], None]] = []
        self.shared: dict[str, int] = {}
        """By source: samples whose time the store had already."""
        self.conflicts: dict[str, int] = {}
        """By source: values that differ from those of an earlier arrival."""
        self.published = 0
        """The number of its commit, once there is one."""
        self._done = False

    @property
    def base(self) -> Snapshot:
        """The snapshot that the transaction started from."""
        return self._base

    # traces

    def add_trace(
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
        self._written.add(file.path)
        part = NewPart(file.low, file.high, file.rows, self._next_place(), file=file)
        self._parts.setdefault((unit_id, month), []).append(part)

    def flush_traces(self, mapper: Mapper = map) -> None:
        """Write pending samples, merged with stored ones where they overlap.

        Parameters
        ----------
        mapper
            Shaped like ``map``; a pool's, to spread months over processes.
        """
        parts, self._parts = self._parts, {}
        tasks = []
        snapshot = self._trace_view()
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
            self._added[file.path] = file
            self._written.add(file.path)
        for file in change.withdrawn:
            if self._added.pop(file.path, None) is None:
                self._withdrawn[file.path] = file
        for counts, more in ((self.shared, change.shared), (self.conflicts, change.conflicts)):
            for source, count in more.items():
                counts[source] = counts.get(source, 0) + count

    def replace_traces(self, added: Iterable[TraceFile], withdrawn: Iterable[TraceFile]) -> None:
        """Exchange trace files for others (maintenance: the caller answers for the rows)."""
        for file in withdrawn:
            self._withdrawn[file.path] = file
        for file in added:
            if file.path in self._withdrawn:
                del self._withdrawn[file.path]
                continue
            self._added[file.path] = file
            self._written.add(file.path)

    def respan(self, unit_id: str) -> None:
        """Tell a unit's first and last sample by its files: some were taken out for good."""
        self._respanned.add(unit_id)

    def wrote(self, path: str) -> bool:
        """Tell whether a trace file was written by this transaction."""
        return path in self._added

    def _trace_view(self) -> Snapshot:
        commit = Commit(
            number=self._base.commit,
            lock=0,
            recorded_at=self._base.manifest.recorded_at,
            note="",
            checkpoint=self._base.manifest.checkpoint,
            added_traces=tuple(self._added.values()),
            withdrawn=tuple(self._withdrawn),
            units=tuple(self._spans().items()),
            cleaned=self._base.manifest.cleaned,
        )
        if not (self._added or self._withdrawn):
            return self._base
        return Snapshot(self._place, self._base.manifest.apply(commit))

    def _spans(self) -> dict[str, UnitSpan]:
        """Return the spans of units whose samples changed."""
        spans: dict[str, UnitSpan] = {}
        known = self._base.manifest.units
        for sign, files in ((1, self._added), (-1, self._withdrawn)):
            for file in files.values():
                unit = trace_parts(file.path)[0]
                old = spans.get(unit, known.get(unit, UnitSpan(file.low, file.high, 0)))
                spans[unit] = UnitSpan(
                    min(old.first, file.low), max(old.last, file.high), old.rows + sign * file.rows
                )
        for unit in self._respanned & spans.keys():
            files = {f.path: f for f in self._base.trace_files(unit)}
            own = [f for p, f in files.items() if p not in self._withdrawn]
            own += [f for f in self._added.values() if trace_parts(f.path)[0] == unit]
            if own:
                low, high = min(f.low for f in own), max(f.high for f in own)
                spans[unit] = UnitSpan(low, high, sum(f.rows for f in own))
        return spans

    # tables

    def replace(self, name: str, unit_id: str, frame: pd.DataFrame) -> None:
        """Make these the only rows of a unit in a table (``intake``: of a sha256)."""
        self.replace_many(name, frame, [unit_id])

    def replace_since(
        self, name: str, unit_id: str, since: pd.Timestamp, frame: pd.DataFrame
    ) -> None:
        """Make these the only rows of a unit whose time is ``since`` or later."""
        self.replace_since_many(name, frame, {unit_id: since})

    def append(self, name: str, frame: pd.DataFrame) -> None:
        """Add rows to a table."""
        self._add_rows(spec(name), frame, None)

    def replace_many(self, name: str, frame: pd.DataFrame, keys: Iterable[str]) -> None:
        """Make these the only rows of many units in a table: one call for a whole fleet."""
        wanted = list(keys)
        self._cut(spec(name), dict.fromkeys(wanted, ALL))
        self._add_rows(spec(name), frame, set(wanted) if name != "intake" else None)

    def replace_since_many(
        self, name: str, frame: pd.DataFrame, since: Mapping[str, pd.Timestamp]
    ) -> None:
        """Make these the only rows of many units, for each from its own time on."""
        cuts = {key: to_ms(at) for key, at in since.items()}
        self._cut(spec(name), {key: at for key, at in cuts.items() if at is not None})
        self._add_rows(spec(name), frame, since)

    def put_state(self, key: str, document: Mapping[str, Any]) -> None:
        """Keep a small JSON document under a key."""
        self.put_states({key: document})

    def put_states(self, documents: Mapping[str, Mapping[str, Any]]) -> None:
        """Keep several documents."""
        texts = [
            json.dumps(d, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
            for d in documents.values()
        ]
        frame = pd.DataFrame({"key": list(documents), "document": texts})
        self.replace_many("states", frame, documents)

    def count(self, fact: str, amount: int) -> None:
        """Add to one of the store's running counts."""
        self._facts[fact] = self._facts.get(fact, 0) + amount

    def _cut(self, wanted: Spec, cuts: dict[str, int]) -> None:
        """Hide rows of some keys from a time on, in the store and in this transaction."""
        name = wanted.name
        if not self._keys.get(name, set()).isdisjoint(cuts):
            held = self._pending(name)
            if held is not None:
                self._rows[name] = [runs.pick(held, wanted, cuts=cuts)]
        mine = self._cuts.setdefault(name, {})
        for key, at in cuts.items():
            mine[key] = min(at, mine.get(key, at))

    def _add_rows(self, wanted: Spec, frame: pd.DataFrame, keys: Iterable[str] | None) -> None:
        if not len(frame):
            return
        rows = wanted.prepare(frame)
        found = set(rows.column(wanted.key).unique().to_pylist())
        if keys is not None and not found.issubset(keys):
            wrong = sorted(found.difference(keys))[0]
            raise StoreError(f"table {wanted.name}: a row names {wanted.key} {wrong!r}, another")
        self._keys.setdefault(wanted.name, set()).update(found)
        self._rows.setdefault(wanted.name, []).append(rows)

    def _pending(self, name: str) -> pa.Table | None:
        parts = self._rows.get(name)
        if not parts:
            return None
        if len(parts) > 1:
            self._rows[name] = [pa.concat_tables(parts)]
        return self._rows[name][0]

    def preview(self) -> Snapshot:
        """Return the store as it would be after the commit."""
        self.flush_traces()
        top = {}
        for name in self._rows.keys() | self._cuts.keys():
            held = self._pending(name)
            rows = spec(name).schema().empty_table() if held is None else held
            top[name] = Layer(rows, dict(self._cuts.get(name, {})))
        return replace(self._trace_view(), top=top)

    # quarantine

    def quarantine(self, sha256: str, data: Any, reason: Mapping[str, Any]) -> None:
        """Keep the bytes of a refused export and why.

        Parameters
        ----------
        data
            The bytes, or None when they are kept already.
        """
        folder = f"quarantine/{sha256}"
        if data is not None and not self._place.exists(f"{folder}/export"):
            self._place.write(f"{folder}/export", data)
        self._place.write(f"{folder}/reason.json", json.dumps(reason, indent=2).encode() + b"\n")

    def unquarantine(self, sha256: str) -> None:
        """Drop the bytes of an export that was accepted at last, once this is published."""

        def drop() -> None:
            folder = f"quarantine/{sha256}"
            self._place.delete(f"{folder}/export")
            self._place.delete(f"{folder}/reason.json")
            self._place.prune(folder)

        self._after.append(drop)

    def delete_after(self, paths: Iterable[str]) -> None:
        """Delete files as soon as this is published, without regard to older readers."""
        doomed = list(paths)

        def drop() -> None:
            for path in doomed:
                self._place.delete(path)

        self._after.append(drop)

    # end

    def commit(self, note: str) -> int:
        """Publish all changes as one commit; return its number.

        Raises
        ------
        LockLostError
            If another run took over the lock: nothing is published.
        """
        if self._done:
            raise StoreError("the transaction has ended already")
        try:
            number = self._publish(note)
        except BaseException:
            self.abort()
            raise
        return number

    def _publish(self, note: str) -> int:
        self.flush_traces()
        base = self._base.manifest
        number = base.commit + 1
        layers = self._write_layers(number)
        merged, gone = self._merge_layers(layers)
        now = datetime.now(UTC)
        cleaned = self._clean(base, now)
        commit = Commit(
            number=number,
            lock=self._lock.number,
            recorded_at=now.isoformat(timespec="milliseconds"),
            note=note,
            checkpoint=base.checkpoint,
            added_traces=tuple(self._added[p] for p in sorted(self._added)),
            added_runs=tuple(merged),
            withdrawn=tuple(sorted([*self._withdrawn, *(r.path for r in gone)])),
            units=tuple(sorted(self._spans().items())),
            facts=tuple(sorted(self._facts.items())),
            cleaned=cleaned,
        )
        live = [*self._added, *(r.path for r in merged)]
        self._place.sync(live)
        data = log.dump_commit(commit)
        self._lock.check()
        self._create(number, data)
        self._done = True
        self.published = number
        self._settle(base, replace(commit, bytes=len(data)), self._written - set(live))
        return number

    def _create(self, number: int, data: bytes) -> None:
        path = commit_path(number)
        try:
            self._place.create(path, data)
        except FileExistsError:
            if log.read_commit(self._place, number) is not None:
                raise LockLostError(
                    f"another run published to {self._place.text} meanwhile: "
                    "nothing of this run was published; run it again"
                ) from None
            # left incomplete by a kill on a filesystem without hard links
            self._place.delete(path)
            self._place.create(path, data)

    def _settle(self, base: log.Manifest, commit: Commit, unneeded: set[str]) -> None:
        """Do what follows a commit; its failure can't take the commit back."""
        with contextlib.suppress(OSError, StoreError):
            self._remove(unneeded)
            self._place.write(log.HINT, str(commit.number).encode())
            for step in self._after:
                step()
            manifest = base.apply(commit)
            if log.due(manifest):
                log.write_checkpoint(self._place, manifest)

    def _write_layers(self, number: int) -> list[RunFile]:
        files: list[RunFile] = []
        for name in sorted(self._rows.keys() | self._cuts.keys()):
            held = self._pending(name)
            rows = spec(name).schema().empty_table() if held is None else held
            cuts = self._cuts.get(name, {})
            if len(rows) or cuts:
                files += runs.write_layer(
                    self._place, spec(name), rows, cuts, order=number, level=0
                )
        self._written.update(f.path for f in files)
        return files

    def _merge_layers(self, fresh: list[RunFile]) -> tuple[list[RunFile], list[RunFile]]:
        """Merge layers that are due; return files to add and files to withdraw."""
        added = list(fresh) + self._replaced_runs
        gone = list(self._withdrawn_runs)
        for name in sorted({f.table for f in fresh}):
            dropped = {r.path for r in self._withdrawn_runs}
            files = [r for r in self._base.run_files(name) if r.path not in dropped]
            files += [r for r in self._replaced_runs if r.table == name]
            for group in runs.mergeable(files, whole=spec(name).whole):
                oldest = min(f.order for f in files)
                bottom = min(f.order for f in group) == oldest
                new = runs.merge(self._place, spec(name), group, bottom=bottom)
                self._written.update(f.path for f in new)
                added += new
                gone += group
        return added, gone

    def replace_runs(self, added: Iterable[RunFile], withdrawn: Iterable[RunFile]) -> None:
        """Exchange files of tables for others (maintenance)."""
        self._withdrawn_runs += withdrawn
        self._replaced_runs += added
        self._written.update(f.path for f in self._replaced_runs)

    def _clean(self, base: log.Manifest, now: datetime) -> int:
        """Delete what commits of more than an hour ago withdrew; return the last of them."""
        cleaned = base.cleaned
        while cleaned < base.commit:
            old = log.read_commit(self._place, cleaned + 1)
            if old is None or datetime.fromisoformat(old.recorded_at) > now - KEEP_WITHDRAWN:
                break
            doomed = [p for p in old.withdrawn if not self._live(p)]
            if doomed:  # a run that took the lock over may have added them again
                self._lock.check()
            for path in doomed:
                self._place.delete(path)
            cleaned += 1
        return cleaned

    def _live(self, path: str) -> bool:
        """Tell whether a file is in use: what was withdrawn once may have been added again."""
        return path in self._added or self._in_base(path)

    def _in_base(self, path: str) -> bool:
        """Tell whether a file was there before: equal samples are written to equal paths."""
        if any(r.path == path for r in self._base.manifest.runs):
            return True
        return path.startswith("traces/") and path in self._base.shard(
            trace_shard(*trace_parts(path))
        )

    def abort(self) -> None:
        """Give up: remove what was written. Does nothing once the transaction has ended.

        Where it can't be told that nobody else uses a file, all stay for ``compact``: the run
        that took the lock over writes equal samples to equal paths.
        """
        if self._done:
            return
        self._done = True
        with contextlib.suppress(OSError, StoreError):
            published = log.read_commit(self._place, self._base.commit + 1)
            if published is not None and published.lock == self._lock.number:
                return  # interrupted just after the commit: the files are in use
            if self._lock.held():
                self._remove(self._written)

    def _remove(self, paths: Iterable[str]) -> None:
        """Delete files that were written in vain."""
        for path in paths:
            with contextlib.suppress(OSError, StoreError):
                if not self._in_base(path):
                    self._place.delete(path)


def _by_source(rows: pa.Table) -> list[tuple[str, pa.Table]]:
    import pyarrow.compute as pc

    names = [s for s in pc.unique(rows.column("source")).to_pylist() if s]
    if len(names) == 1:
        return [(names[0], rows)]
    return [(n, rows.filter(pc.equal(rows.column("source"), n))) for n in sorted(names)]
