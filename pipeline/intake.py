"""From an inbox to samples: what is new is read, accounted for, and added to a transaction."""

from __future__ import annotations

import os
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from ..shared.config import Config
from . import inbox as inbox_files
from .executor import run_chunked
from .intake_rows import Account
from .intake_spool import clear_spools
from .intake_task import (
    ExportFile,
    Outcome,
    ReadResult,
    ReadTask,
    edge_of,
    hash_file,
    read_exports,
)
from .quarantine import RefusalGroup, group_refusals, reading_digest

if TYPE_CHECKING:
    import pandas as pd

    from .store import Snapshot, Store, Txn
    from .store.location import Location

TASK_FILES: Final = 64
TASK_BYTES: Final = 32_000_000
"""A task's files and bytes: the same for any number of workers, so that the files
written are too (no source; a few seconds of work)."""
RETRY_ROUNDS: Final = 3
"""How often exports are tried again with what others of the same run told."""

Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class IngestResult:
    """What a run took in."""

    units: tuple[str, ...]
    """Units that got samples."""
    since: dict[str, int]
    """By unit: the earliest new sample, ms; what lies before it is as it was."""
    intake: pd.DataFrame
    """New rows of the intake table."""
    refusals: tuple[RefusalGroup, ...]
    """All exports in quarantine after this run, by cause."""
    quarantined: int
    """Exports set aside in this run."""
    counts: dict[str, int]
    """looked_at, unchanged, read, accepted, duplicate, quarantined, retried, left."""
    messages: tuple[str, ...] = ()
    """Sentences on files that were left for the next run, and the like."""
    ignored: dict[str, int] = field(default_factory=dict)
    service_logs: tuple[str, ...] = ()
    explained: tuple[tuple[str, str], ...] = ()
    """Each file that was read, and why."""


def ingest_inbox(
    inbox: str | os.PathLike[str],
    store: Store,
    config: Config,
    *,
    txn: Txn,
    snapshot: Snapshot,
    recorded_at: pd.Timestamp,
    workers: int = 1,
    scheduler: str | None = None,
    rehash: bool = False,
    progress: Progress | None = None,
) -> IngestResult:
    """Read what is new in an inbox into a transaction.

    Parameters
    ----------
    inbox
        Folder or address with exports in any sub-folders.
    txn, snapshot
        The transaction that takes the samples, and the snapshot it began on.
    recorded_at
        The run's time.
    rehash
        Read every file, changed or not.
    progress
        Called with the stage, the number done and the number in all.

    Returns
    -------
    IngestResult
        Nothing is published before ``txn.commit``.
    """
    from .store.location import open_location

    clear_spools()
    place = open_location(inbox)
    key = inbox_files.inbox_key(place)
    looked = inbox_files.scan(inbox)
    news = inbox_files.find_news(looked, key, snapshot, rehash=rehash)
    account = Account.of(snapshot, [f.bytes for f in news.files], recorded_at)

    files = [
        ExportFile(i, f.path, f.name, f.stamp, account.known(f.bytes, news.hashes.get(f.name)))
        for i, f in enumerate(news.files)
    ]
    run = partial(_run, workers=workers, scheduler=scheduler)
    first, copies = _drop_copies(files, place, run)
    facts = account.facts
    retried = _retries(account, config, len(files))
    today = int(max(recorded_at.timestamp(), time.time()) // 86400.0)
    read = _Reader(store.location, place.text, config, run, txn, progress, today)
    outcomes = read(first + retried, facts)
    outcomes = _again(outcomes, account, read, config, len(files))
    account.take(outcomes, copies, reading_digest(config, account.facts), config)

    since: dict[str, int] = {}
    for result in read.results:
        for unit, _, file in result.files:
            since[unit] = min(file.low, since.get(unit, file.low))
    txn.flush_traces(partial(_map, workers=workers, scheduler=scheduler))
    account.count(read.results, txn)

    kept = [
        (replace(f, bytes=o.stamp[0], mtime_ns=o.stamp[1], inode=o.stamp[2]), o.sha256)
        for f, o in account.remembered(news.files)
    ]
    txn.replace_many(
        "seen",
        inbox_files.seen_rows(kept, key, looked.looked_at_ns),
        [*(f"{key}:{f.name}" for f, _ in kept), *news.vanished],
    ) if kept or news.vanished else None
    account.write(txn)
    return IngestResult(
        units=tuple(sorted(since)),
        since=dict(sorted(since.items())),
        intake=account.rows,
        refusals=group_refusals(account.refused_after, store.location),
        quarantined=account.quarantined,
        counts={
            "looked_at": len(looked.files),
            "unchanged": news.unchanged,
            "read": len(news.files),
            **account.counts,
        },
        messages=account.messages,
        ignored=dict(sorted(looked.ignored.items())),
        service_logs=looked.service_logs,
        explained=tuple(sorted(news.why.items()))
        + tuple((f.name, "in quarantine; an answer may be there now") for f in retried),
    )


@dataclass
class _Reader:
    """Reads files in tasks and keeps what the tasks made."""

    store: str
    inbox: str
    config: Config
    run: Callable[..., Iterable[Any]]
    txn: Txn
    progress: Progress | None
    today_days: int
    results: list[ReadResult] = field(default_factory=list)

    def __call__(self, files: Sequence[ExportFile], facts: Any) -> list[Outcome]:
        """Return an outcome for each file, in their order."""
        tasks = [
            ReadTask(self.store, self.inbox, tuple(part), self.config, facts, self.today_days)
            for part in _parts(files)
        ]
        outcomes: list[Outcome] = []
        for result in self.run(read_exports, tasks, chunk=1, cut_over=2):
            self.results.append(result)
            for unit, month, file in result.files:  # at once, so that a failure removes them
                self.txn.adopt(unit, month, file)
            outcomes += result.outcomes
            if self.progress is not None:
                self.progress("ingest", len(outcomes), len(files))
        return outcomes


def _parts(files: Sequence[ExportFile]) -> list[list[ExportFile]]:
    """Split files into tasks: neighbours stay together, since they tend to share a unit."""
    parts: list[list[ExportFile]] = []
    held = 0
    for file in files:
        full = bool(parts) and (len(parts[-1]) >= TASK_FILES or held + file.stamp[0] > TASK_BYTES)
        if not parts or full:
            parts.append([])
            held = 0
        parts[-1].append(file)
        held += file.stamp[0]
    return parts


def _drop_copies(
    files: Sequence[ExportFile], place: Location, run: Callable[..., Iterable[Any]]
) -> tuple[list[ExportFile], list[tuple[ExportFile, str]]]:
    """Take out files whose bytes an earlier file of this run has too.

    Only files of equal size and end can be equal; those are hashed first.
    """
    sizes: dict[int, int] = {}
    for file in files:
        sizes[file.stamp[0]] = sizes.get(file.stamp[0], 0) + 1
    alike = [f for f in files if sizes[f.stamp[0]] > 1]
    edges = run(partial(edge_of, place), alike, chunk=64, cut_over=256)
    ends = [(f.stamp[0], edge) for f, edge in zip(alike, edges, strict=True)]
    common = Counter(ends)
    alike = [f for f, end in zip(alike, ends, strict=True) if common[end] > 1]
    hashes = run(partial(hash_file, place), alike, chunk=64, cut_over=256)
    by_index = {f.index: h for f, h in zip(alike, hashes, strict=True)}
    first: list[ExportFile] = []
    copies: list[tuple[ExportFile, str]] = []
    met: set[str] = set()
    for file in files:
        sha256 = by_index.get(file.index, "")
        if sha256 and sha256 in met:
            copies.append((file, sha256))
            continue
        met.add(sha256)
        first.append(file)
    return first, copies


def _retries(account: Account, config: Config, start: int) -> list[ExportFile]:
    """Return quarantined exports that may be readable now."""
    digest = reading_digest(config, account.facts)
    rows = account.refused_before
    due = rows[rows["tried_with"].astype(object) != digest].sort_values(["export", "sha256"])
    exports = zip(due["export"], due["sha256"], due["bytes"], strict=True)
    return [
        _from_quarantine(start + i, str(name), str(sha256), int(size))
        for i, (name, sha256, size) in enumerate(exports)
    ]


def _from_quarantine(index: int, name: str, sha256: str, size: int) -> ExportFile:
    path = f"quarantine/{sha256}/export"
    return ExportFile(index, path, name, (size, 0, 0), frozenset(), quarantined=sha256)


def _again(
    outcomes: list[Outcome], account: Account, read: _Reader, config: Config, in_inbox: int
) -> list[Outcome]:
    """Read refused exports again, of this run and of earlier ones, while others of the run
    tell what they lacked: so one night and several lead to the same store."""
    for _ in range(RETRY_ROUNDS):
        if not account.learn(outcomes):
            return outcomes
        refused = [o for o in outcomes if o.kind == "refused"]
        files = [_from_quarantine(o.index, o.name, o.sha256, o.bytes) for o in refused]
        met = {o.sha256 for o in outcomes}
        start = max([in_inbox, *(o.index + 1 for o in outcomes)])
        waiting = [f for f in _retries(account, config, start) if f.quarantined not in met]
        if not files and not waiting:
            return outcomes
        second = {o.index: o for o in read(files + waiting, account.facts)}
        outcomes = [
            replace(second[o.index], stamp=o.stamp, quarantined=o.quarantined)
            if o.index in second and second[o.index].kind in ("accepted", "refused")
            else o
            for o in outcomes
        ]
        outcomes += [second[f.index] for f in waiting]
    return outcomes


def _run(
    function: Callable[[Any], Any],
    items: Sequence[Any],
    *,
    workers: int,
    scheduler: str | None,
    chunk: int,
    cut_over: int,
) -> Iterable[Any]:
    return run_chunked(
        function, items, workers=workers, scheduler=scheduler, chunk=chunk, cut_over=cut_over
    )


def _map(
    function: Callable[[Any], Any], items: Sequence[Any], *, workers: int, scheduler: str | None
) -> Iterable[Any]:
    return run_chunked(
        function, items, workers=workers, scheduler=scheduler, chunk=32, cut_over=64
    )
