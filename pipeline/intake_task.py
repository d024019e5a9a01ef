"""Reading some exports in one process: bytes to trace files, outcomes as data.

A task carries paths and small tables. What it writes is referenced by nothing
until the run commits.
"""

from __future__ import annotations

import errno
import hashlib
import json
import mmap
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import pyarrow as pa

from ..shared.config import Config
from ..shared.errors import ExportRefusedError, StoreError
from .ingest.reading import Facts, Known
from .intake_spool import FLUSH_ROWS, ExportSpool, write_together
from .read_basis import basis_of, basis_text, own_facts
from .store.entries import TraceFile
from .store.keys import unit_key
from .store.location import LocalLocation, Location, open_location
from .store.precedence import Export

WHOLE_BYTES: Final = 64_000_000
"""Exports up to this size are read into memory once; larger ones are hashed, then streamed."""
HASH_BLOCK: Final = 1 << 20
EDGE_BYTES: Final = 1 << 12
OUR_FAULT: Final = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EMFILE, errno.ENFILE})
"""Failures that are the store's or the machine's, not the export's: they end the run."""


@dataclass(frozen=True)
class ExportFile:
    """One file to read."""

    index: int
    """Place among all files of the run; the order of arrival within it."""
    path: str
    """Below the inbox, or the quarantined bytes' path below the store."""
    name: str
    stamp: tuple[int, int, int]
    """Size, modification time and file number when the inbox was looked through."""
    known: frozenset[str]
    """sha256 of exports of the same size that the store has already."""
    quarantined: str = ""
    """sha256 when the bytes come from quarantine, else empty."""


@dataclass(frozen=True)
class ReadTask:
    """Some files to read together."""

    store: str
    inbox: str
    files: tuple[ExportFile, ...]
    config: Config
    facts: Facts | None = None
    today_days: int | None = None


@dataclass(frozen=True)
class Outcome:
    """What became of one file."""

    index: int
    name: str
    kind: str
    """accepted, duplicate, refused, changing or vanished"""
    sha256: str = ""
    bytes: int = 0
    stamp: tuple[int, int, int] = (0, 0, 0)
    quarantined: str = ""
    layout: str = ""
    unit_ids: tuple[str, ...] = ()
    rows_read: int = 0
    rows_kept: int = 0
    rows_dropped: int = 0
    dropped_by_reason: Mapping[str, int] = field(default_factory=dict)
    samples: int = 0
    first: int | None = None
    last: int | None = None
    created: int | None = None
    cause: str = ""
    message: str = ""
    question: str = ""
    toml: str = ""
    layout_key: str = ""
    read_with: str = ""
    """What the configuration told, as the intake table holds it."""
    learned: Mapping[str, Known] = field(default_factory=dict)
    """By unit, what the export settled for others of its layout."""

    def export(self) -> Export:
        """Return what decides between this export and others."""
        assert self.last is not None
        return Export(self.sha256, self.created, self.last, self.samples)


@dataclass(frozen=True)
class ReadResult:
    """What a task made."""

    outcomes: tuple[Outcome, ...]
    files: tuple[tuple[str, str, TraceFile], ...]
    """Unit, month and trace file."""
    shared: dict[str, int]
    conflicts: dict[str, int]


class _ChangingError(Exception):
    """The file is still being written."""


def hash_file(place: Location, file: ExportFile) -> str:
    """Return the sha256 of a file, or nothing when it changed or can't be read now."""
    try:
        digest = _hash_stream(place, file.path)
        return digest if _stamp(place, file) == file.stamp else ""
    except OSError:
        return ""


def edge_of(place: Location, file: ExportFile) -> bytes:
    """Return a file's last bytes, or nothing where they can't be read now.

    Exports of one size are seldom copies, and their last rows say so: over a slow share
    that spares reading them twice.
    """
    if not isinstance(place, LocalLocation):
        return b""
    try:
        number = os.open(place.full(file.path), os.O_RDONLY | getattr(os, "O_BINARY", 0))
    except OSError:
        return b""
    try:
        os.lseek(number, max(file.stamp[0] - EDGE_BYTES, 0), os.SEEK_SET)
        return os.read(number, EDGE_BYTES)
    except OSError:
        return b""
    finally:
        os.close(number)


def read_exports(task: ReadTask) -> ReadResult:
    """Read the files of a task and write their samples; never raises for a bad export."""
    store = open_location(task.store)
    inbox = open_location(task.inbox)
    outcomes: list[Outcome] = []
    files: list[tuple[str, str, TraceFile]] = []
    shared: dict[str, int] = {}
    conflicts: dict[str, int] = {}
    held: dict[str, list[pa.Table]] = {}
    exports: dict[str, Export] = {}
    arrival: dict[str, int] = {}
    held_rows = 0

    def flush() -> None:
        nonlocal held_rows
        take(write_together(store, held, exports, arrival))
        held.clear()
        exports.clear()
        held_rows = 0

    def take(
        made: tuple[list[tuple[str, str, TraceFile]], dict[str, int], dict[str, int]],
    ) -> None:
        files.extend(made[0])
        for total, more in ((shared, made[1]), (conflicts, made[2])):
            for key, count in more.items():
                total[key] = total.get(key, 0) + count

    for file in task.files:
        spool = ExportSpool()
        try:
            outcome = _read_one(task, file, inbox, store, spool)
            outcomes.append(outcome)
            if outcome.kind != "accepted":
                continue
            export = outcome.export()
            arrival[export.source] = file.index
            if spool.spilled:
                take(spool.write(store, export, file.index))
                continue
            exports[export.source] = export
            for unit, tables in spool.units():
                held.setdefault(unit, []).extend(tables)
            held_rows += spool.rows
            if held_rows > FLUSH_ROWS:
                flush()
        finally:
            spool.close()
    flush()
    return ReadResult(tuple(outcomes), tuple(files), shared, conflicts)


def _read_one(
    task: ReadTask, file: ExportFile, inbox: Location, store: Location, spool: ExportSpool
) -> Outcome:
    place = store if file.quarantined else inbox
    base = Outcome(file.index, file.name, "", stamp=file.stamp, quarantined=file.quarantined)
    try:
        stamp = _stamp(place, file)
        base = replace(base, bytes=stamp[0], stamp=stamp)
        source, sha256 = _load(place, file, stamp)
        base = replace(base, sha256=sha256)
        if sha256 in file.known:
            return replace(base, kind="duplicate")
        outcome = _parse(task, file, source, spool, base)
        if _stamp(place, file) != stamp:
            raise _ChangingError
        if outcome.kind == "refused" and not file.quarantined:
            _keep_bytes(store, source, sha256)
    except FileNotFoundError:
        return replace(base, kind="vanished", message=f"{file.name} vanished while it was read")
    except _ChangingError:
        return replace(
            base,
            kind="changing",
            message=f"{file.name} was still being written; it is left for the next run",
        )
    except OSError as error:
        if error.errno in OUR_FAULT:
            raise
        reason = os.strerror(error.errno) if error.errno else type(error).__name__
        return replace(base, kind="changing", message=f"{file.name} can't be read now ({reason})")
    return outcome


def _load(place: Location, file: ExportFile, stamp: tuple[int, int, int]) -> tuple[Any, str]:
    """Return what the reader gets, bytes or a path, and the hash of those bytes."""
    if stamp[0] <= WHOLE_BYTES or not isinstance(place, LocalLocation):
        data = place.read(file.path)
        if len(data) != stamp[0]:
            raise _ChangingError
        return data, hashlib.sha256(data).hexdigest()
    return place.full(file.path), _hash_stream(place, file.path)


def _hash_stream(place: Location, path: str) -> str:
    digest = hashlib.sha256()
    if isinstance(place, LocalLocation):
        with open(place.full(path), "rb") as local:
            return hashlib.file_digest(local, "sha256").hexdigest()
    with place.open_file(path) as stream:
        while block := stream.read(HASH_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _stamp(place: Location, file: ExportFile) -> tuple[int, int, int]:
    if isinstance(place, LocalLocation):
        found = os.stat(place.full(file.path))
        inode = found.st_ino % 2**63 if file.stamp[2] else 0  # Windows' listings tell none
        return (found.st_size, found.st_mtime_ns, inode)
    return (place.size(file.path), *file.stamp[1:])


def _parse(
    task: ReadTask, file: ExportFile, source: Any, spool: ExportSpool, base: Outcome
) -> Outcome:
    from .ingest import read_export

    try:
        reading = read_export(
            source,
            name=file.name,
            config=task.config,
            facts=task.facts,
            sha256=base.sha256,
            today_days=task.today_days,
        )
        units: set[str] = set()
        for table in reading.tables:
            _check(table)
            spool.add(table)
            units.update(table.column("unit_id").unique().to_pylist())
        for unit in units:
            unit_key(unit)
        if spool.last is None:
            raise ExportRefusedError(
                "no_rows",
                f"{file.name}: no row could be read as a sample; look at it with "
                "'chamberdrift probe' and pin its layout",
            )
        created = reading.created_at
        return replace(
            base,
            kind="accepted",
            layout=str(reading.layout),
            unit_ids=tuple(sorted(units)),
            rows_read=int(reading.rows_read),
            rows_kept=int(reading.rows_kept),
            rows_dropped=int(reading.rows_dropped),
            dropped_by_reason=dict(reading.dropped_by_reason),
            samples=spool.rows,
            first=spool.first,
            last=spool.last,
            created=None if created is None else _ms(created),
            layout_key=reading.layout_key,
            read_with=basis_text(basis_of(reading.evidence, task.config, file.name)),
            learned=own_facts(reading.learned, reading.evidence),
            message="; ".join(reading.notices),
        )
    except ExportRefusedError as error:
        return replace(
            base,
            kind="refused",
            cause=error.cause,
            message=error.message,
            question=error.question,
            toml=error.toml,
        )
    except StoreError as error:
        return replace(base, kind="refused", cause="unit_id", message=f"{file.name}: {error}")
    except Exception as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise
        # one export that the reader stumbles over must not stop the others
        return replace(
            base,
            kind="refused",
            cause="reader_failed",
            message=(
                f"{file.name}: the reader stumbled ({type(error).__name__}); the bytes are kept, "
                "please report the file's first lines as a fault"
            ),
        )


def _check(table: pa.Table) -> None:
    for name in ("unit_id", "time"):
        if table.column(name).null_count:
            raise ValueError(f"{name} is null")


def _ms(time: Any) -> int:
    from .store.specs import to_ms

    value = to_ms(time)
    assert value is not None
    return value


def _keep_bytes(store: Location, source: Any, sha256: str) -> None:
    """Copy a refused export's bytes into quarantine; harmless if the run never commits."""
    target = f"quarantine/{sha256}/export"
    if store.exists(target) and _hash_stream(store, target) == sha256:
        return  # else a machine that lost its power left it without its bytes
    if isinstance(source, bytes):
        store.write(target, source)
        return
    with (
        open(source, "rb") as large,
        mmap.mmap(large.fileno(), 0, access=mmap.ACCESS_READ) as mapped,
    ):
        store.write(target, mapped)
    if _hash_stream(store, target) != sha256:
        store.delete(target)
        raise _ChangingError


def dropped_text(reasons: Mapping[str, int]) -> str:
    """Return counts by reason as the intake table holds them."""
    return json.dumps(dict(sorted(reasons.items())), ensure_ascii=False)
