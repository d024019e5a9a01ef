"""A transaction: everything a run changes, published by one commit or not at all."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pandas as pd
import pyarrow as pa

from ...shared.errors import LockLostError, StoreError
from . import log, runs
from .entries import Commit, RunFile, TraceFile
from .keys import commit_path, trace_parts, trace_shard
from .location import Location
from .lock import Lock
from .pending import Mapper, PendingTraces
from .precedence import Export
from .runs import ALL, Layer
from .snapshot import Snapshot
from .specs import Spec, spec, to_ms

KEEP_WITHDRAWN = timedelta(hours=1)
"""How long files that a commit withdrew stay for readers that still use them (no source)."""


class Txn:
    """Changes to a store on top of a snapshot. Made by ``Store.begin``."""

    def __init__(self, place: Location, lock: Lock, base: Snapshot) -> None:
        self._place = place
        self._lock = lock
        self._base = base
        self._rows: dict[str, list[pa.Table]] = {}
        self._cuts: dict[str, dict[str, int]] = {}
        self._keys: dict[str, set[str]] = {}
        self._traces = PendingTraces(place, base)
        self._withdrawn_runs: list[RunFile] = []
        self._replaced_runs: list[RunFile] = []
        self._written: set[str] = set()
        """Paths of table files that were made on the way."""
        self._facts: dict[str, int] = {}
        self._after: list[Callable[[], None]] = []
        self._beside: list[str] = []
        """Files that no layer names, to be durable before the commit."""
        self.published = 0
        """The number of its commit, once there is one."""
        self._done = False

    @property
    def base(self) -> Snapshot:
        """The snapshot that the transaction started from."""
        return self._base

    # traces

    @property
    def shared(self) -> dict[str, int]:
        """By source: samples whose time the store had already."""
        return self._traces.shared

    @property
    def conflicts(self) -> dict[str, int]:
        """By source: values that differ from those of an earlier arrival."""
        return self._traces.conflicts

    def add_trace(
        self,
        unit_id: str,
        table: pa.Table | pd.DataFrame,
        exports: Mapping[str, Export] | None = None,
    ) -> None:
        """Add samples of one unit, in any order of time; see ``PendingTraces.add``."""
        self._traces.add(unit_id, table, exports)

    def adopt(self, unit_id: str, month: str, file: TraceFile) -> None:
        """Add a trace file that another process wrote below the store."""
        self._traces.adopt(unit_id, month, file)

    def flush_traces(self, mapper: Mapper = map) -> None:
        """Write pending samples, merged with stored ones; see ``PendingTraces.flush``."""
        self._traces.flush(mapper)

    def replace_traces(self, added: Iterable[TraceFile], withdrawn: Iterable[TraceFile]) -> None:
        """Exchange trace files for others (maintenance: the caller answers for the rows)."""
        self._traces.replace(added, withdrawn)

    def respan(self, unit_id: str) -> None:
        """Tell a unit's first and last sample by its files: some were taken out for good."""
        self._traces.respan(unit_id)

    def wrote(self, path: str) -> bool:
        """Tell whether a trace file was written by this transaction."""
        return path in self._traces.added

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
        return replace(self._traces.view(), top=top)

    # quarantine

    def quarantine(self, sha256: str, reason: Mapping[str, Any]) -> None:
        """Keep why an export was refused, beside its bytes."""
        text = json.dumps(reason, indent=2).encode() + b"\n"
        folder = f"quarantine/{sha256}"
        self._place.write(f"{folder}/reason.json", text)
        bytes_there = self._place.exists(f"{folder}/export")
        self._beside += [f"{folder}/reason.json", *([f"{folder}/export"] * bytes_there)]

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
            added_traces=tuple(self._traces.added[p] for p in sorted(self._traces.added)),
            added_runs=tuple(merged),
            withdrawn=tuple(sorted([*self._traces.withdrawn, *(r.path for r in gone)])),
            units=tuple(sorted(self._traces.spans().items())),
            facts=tuple(sorted(self._facts.items())),
            cleaned=cleaned,
        )
        live = [*self._traces.added, *(r.path for r in merged)]
        self._place.sync([*live, *self._beside])
        data = log.dump_commit(commit)
        self._lock.check()
        self._create(number, data)
        self._done = True
        self.published = number
        self._settle(base, replace(commit, bytes=len(data)), self._all_written() - set(live))
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
        return path in self._traces.added or self._in_base(path)

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
                self._remove(self._all_written())

    def _all_written(self) -> set[str]:
        return self._written | self._traces.written

    def _remove(self, paths: Iterable[str]) -> None:
        """Delete files that were written in vain."""
        for path in paths:
            with contextlib.suppress(OSError, StoreError):
                if not self._in_base(path):
                    self._place.delete(path)
