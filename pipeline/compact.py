"""Joining the small files of many nights, and removing files that no commit names."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Container, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from .work import Progress

if TYPE_CHECKING:
    from .store import Snapshot, Store, Txn
    from .store.entries import RunFile, TraceFile
    from .store.location import Location


@dataclass(frozen=True)
class CompactResult:
    """What compaction did."""

    trace_files_before: int
    trace_files_after: int
    table_files_before: int
    table_files_after: int
    orphans_removed: int
    orphan_bytes: int

    def text(self) -> str:
        """Return the result as a person reads it."""
        return (
            f"Trace files: {self.trace_files_before}, now {self.trace_files_after}. "
            f"Table files: {self.table_files_before}, now {self.table_files_after}. "
            f"Removed {self.orphans_removed} files that no commit names "
            f"({self.orphan_bytes / 1e6:.1f} MB). "
            "Files that were joined are deleted by a later run, an hour on at the earliest."
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values."""
        return dict(vars(self))


def compact(
    store: Store,
    *,
    keep: timedelta | None = None,
    workers: int = 1,
    progress: Progress | None = None,
) -> CompactResult:
    """Join each unit's files of a month, and the layers of tables; what is read is the same.

    Parameters
    ----------
    keep
        How long files that no commit names are kept for readers; an hour by default.
    workers
        Processes that join months.

    Raises
    ------
    StoreBusyError
        If another run holds the store's lock.
    """
    from .store.txn import KEEP_WITHDRAWN

    with store.lock():
        started_ns = time.time_ns()
        snapshot = store.snapshot()
        traces = snapshot.all_trace_files()
        runs = list(snapshot.manifest.runs)
        txn = store.begin(snapshot)
        try:
            changed = _join_traces(txn, snapshot, traces, workers, progress)
            changed |= _join_tables(txn, snapshot)
            if changed:
                txn.commit("compacted")
        except BaseException:
            txn.abort()
            raise
        after = store.snapshot()
        limit_ns = started_ns - int(
            (KEEP_WITHDRAWN if keep is None else keep).total_seconds() * 1e9
        )
        orphans = [f for f in find_orphans(after) if f[1] < limit_ns]
        for path, _, _ in orphans:
            store.place.delete(path)
        for folder in {p.rpartition("/")[0] for p, _, _ in orphans}:
            store.place.prune(folder)
    return CompactResult(
        len(traces),
        len(after.all_trace_files()),
        len(runs),
        len(after.manifest.runs),
        len(orphans),
        sum(size for _, _, size in orphans),
    )


@dataclass(frozen=True)
class MonthFiles:
    """Files of a unit's month that become one."""

    location: str
    unit_id: str
    month: str
    files: tuple[TraceFile, ...]


def _join_traces(
    txn: Txn,
    snapshot: Snapshot,
    files: Sequence[TraceFile],
    workers: int,
    progress: Progress | None,
) -> bool:
    from .executor import run_chunked
    from .store.keys import trace_parts
    from .store.samples import FILE_ROWS

    months: dict[tuple[str, str], list[TraceFile]] = {}
    for file in files:
        months.setdefault(trace_parts(file.path), []).append(file)
    tasks = []
    for (unit, month), group in sorted(months.items()):
        small = {f.path for f in group if f.rows < FILE_ROWS}
        for part in adjacent(group, small, FILE_ROWS):
            tasks.append(MonthFiles(snapshot.place.text, unit, month, tuple(part)))
    for i, (task, added) in enumerate(
        zip(tasks, run_chunked(join_month, tasks, workers=workers), strict=True)
    ):
        txn.replace_traces(added, task.files)
        if progress is not None:
            progress("compact", i + 1, len(tasks))
    return bool(tasks)


def adjacent(
    files: Sequence[TraceFile], joinable: Container[str], rows_limit: int
) -> list[list[TraceFile]]:
    """Group files that follow each other in time, two or more, up to a count of samples.

    Parameters
    ----------
    files
        All files of a unit's month.
    joinable
        Paths of those that may be joined. What lies on both sides of another stays apart:
        a file that spans a stored one would put its samples out of order.
    rows_limit
        Samples that a group holds at most.
    """
    parts: list[list[TraceFile]] = []
    rows, broken = 0, True
    for file in sorted(files, key=lambda f: f.low):
        if file.path not in joinable:
            broken = True
            continue
        if broken or rows + file.rows > rows_limit:
            parts.append([])
            rows, broken = 0, False
        parts[-1].append(file)
        rows += file.rows
    return [part for part in parts if len(part) > 1]


def join_month(task: MonthFiles) -> list[TraceFile]:
    """Write a month's files as one, or a few where they are large; return them."""
    from .store import samples
    from .store.location import open_location
    from .store.precedence import Export

    place = open_location(task.location)
    exports: dict[str, Export] = {}
    for file in task.files:
        exports.update(samples.read_exports(place, file.path))
    table = samples.read_files(place, task.files)
    return samples.write(place, task.unit_id, task.month, table, exports)


def _join_tables(txn: Txn, snapshot: Snapshot) -> bool:
    from .store import runs
    from .store.specs import spec

    changed = False
    for name in sorted({r.table for r in snapshot.manifest.runs}):
        layers: dict[int, list[RunFile]] = {}
        for file in snapshot.run_files(name):
            layers.setdefault(file.order, []).append(file)
        group: list[RunFile] = []
        rows = 0
        bottom = True
        for order in [*sorted(layers), None]:
            layer = layers[order] if order is not None else []
            size = sum(f.rows for f in layer)
            large = rows + size > runs.MERGE_ROWS and not spec(name).whole
            if order is None or large:
                if len({f.order for f in group}) > 1:
                    new = runs.merge(snapshot.place, spec(name), group, bottom=bottom)
                    txn.replace_runs(new, group)
                    changed = True
                bottom = bottom and not group
                group, rows = [], 0
            group += layer
            rows += size
    return changed


def find_orphans(snapshot: Snapshot) -> list[tuple[str, int, int]]:
    """Return files of the store that nothing names: path, modification time (ns), size.

    They come from runs that were killed, and from files that later commits replaced.
    """
    place = snapshot.place
    live = {f.path for f in snapshot.all_trace_files()}
    live |= {r.path for r in snapshot.manifest.runs}
    live |= set(snapshot.manifest.shards.values())
    refused = set(snapshot.table("refused", columns=["sha256"])["sha256"].astype(object))
    found = []
    folders = ["traces", "commits", "quarantine", "lock", "reports", *_table_folders()]
    for folder in folders:
        for file in _walk(place, folder):
            if file[0] in live or _needed(file[0], snapshot, refused):
                continue
            found.append(file)
    return sorted(found)


def _walk(place: Location, folder: str) -> list[tuple[str, int, int]]:
    with contextlib.suppress(FileNotFoundError):
        return [(f.path, f.mtime_ns, f.bytes) for f in place.walk(folder)]
    return []


def _table_folders() -> list[str]:
    from .store.specs import SPECS

    return sorted(SPECS)


def _needed(path: str, snapshot: Snapshot, refused: set[str]) -> bool:
    """Tell whether a file that no list names is needed all the same."""
    parts = path.split("/")
    base = parts[-1]
    if base.startswith(".") and base.endswith(".tmp"):
        return False
    if parts[0] in ("lock", "reports"):
        return True
    if parts[0] == "commits":
        if parts[1] == "checkpoints":
            number = base.removesuffix(".json")
            return number.isdigit() and int(number) >= snapshot.manifest.checkpoint
        return parts[1] != "lists"
    if parts[0] == "quarantine":
        return parts[1] in refused
    return False
