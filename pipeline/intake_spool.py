"""Samples of exports on their way into trace files, in bounded memory."""

from __future__ import annotations

import contextlib
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from .store import samples
from .store.entries import TraceFile
from .store.location import Location
from .store.precedence import Export, combine

SPILL_ROWS: Final = 1_000_000
"""Samples held in memory before they go to disk (about 130 MB)."""
FLUSH_ROWS: Final = 1_000_000
"""Samples of several exports that are written together at most."""

PREFIX: Final = "chamberdrift-spool-"
IN_USE: Final = "in-use"
"""A file that is locked while the folder's process lives."""
YOUNG_S: Final = 60.0
"""Folders younger than that may be about to be locked [s]."""
DAY_MS: Final = 86_400_000


class ExportSpool:
    """The samples of one export, unit by unit, until it is known to be good."""

    def __init__(self) -> None:
        self.rows = 0
        self.last: int | None = None
        self.first: int | None = None
        self._held: list[pa.Table] = []
        self._held_rows = 0
        self._folder: Path | None = None
        self._hold: IO[bytes] | None = None
        self._pieces: dict[tuple[str, int], list[Path]] = {}
        self._written = 0

    @property
    def spilled(self) -> bool:
        """True when samples have gone to disk."""
        return self._folder is not None

    def add(self, table: pa.Table) -> None:
        """Take samples in the columns of TRACES."""
        rows = samples.conform(table)
        if not len(rows):
            return
        span = pc.min_max(rows.column("time").cast(pa.int64())).as_py()
        self.first = span["min"] if self.first is None else min(self.first, span["min"])
        self.last = span["max"] if self.last is None else max(self.last, span["max"])
        self.rows += len(rows)
        self._held.append(rows)
        self._held_rows += len(rows)
        if self._held_rows > SPILL_ROWS:
            self._spill()

    def units(self) -> Iterator[tuple[str, list[pa.Table]]]:
        """Yield the samples held in memory, unit by unit."""
        if not self._held:
            return
        yield from split_units(pa.concat_tables(self._held))

    def _spill(self) -> None:
        if not self._held:
            return
        if self._folder is None:
            self._folder = Path(tempfile.mkdtemp(prefix=PREFIX))
            self._hold = open(self._folder / IN_USE, "wb")  # noqa: SIM115 - held till close
            _lock(self._hold)
        for unit, tables in split_units(pa.concat_tables(self._held)):
            table = pa.concat_tables(tables)
            at = samples.times_ms(table)
            if np.any(at[1:] < at[:-1]):
                order = np.argsort(at, kind="stable")
                table, at = table.take(pa.array(order)), at[order]
            days = at // DAY_MS
            starts = np.concatenate([[0], np.flatnonzero(np.diff(days)) + 1, [len(days)]])
            for a, b in zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True):
                path = self._folder / f"{self._written}.arrow"
                self._written += 1
                part = table.slice(a, b - a)
                with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, part.schema) as out:
                    out.write_table(part)
                self._pieces.setdefault((unit, int(days[a])), []).append(path)
        self._held = []
        self._held_rows = 0

    def write(
        self, place: Location, export: Export, arrival: int
    ) -> tuple[list[tuple[str, str, TraceFile]], dict[str, int], dict[str, int]]:
        """Write spilled samples as trace files; return them, rows shared and conflicts."""
        self._spill()
        files: list[tuple[str, str, TraceFile]] = []
        shared: dict[str, int] = {}
        conflicts: dict[str, int] = {}
        facts = {export.source: export}
        order = {export.source: arrival}
        held: list[pa.Table] = []
        rows = 0
        keys = sorted(self._pieces)
        for i, (unit, day) in enumerate(keys):
            tables = [_read_piece(p) for p in self._pieces[(unit, day)]]
            done = combine(tables, facts, order)
            _add(shared, done.shared)
            _add(conflicts, done.conflicts)
            held.append(done.table)
            rows += len(done.table)
            month = samples.month_of(day * DAY_MS)
            following = keys[i + 1] if i + 1 < len(keys) else None
            ends = (
                following is None
                or following[0] != unit
                or samples.month_of(following[1] * DAY_MS) != month
            )
            if ends or rows > FLUSH_ROWS:
                table = pa.concat_tables(held)
                new = samples.write(place, unit, month, table, facts)
                files += [(unit, month, f) for f in new]
                held, rows = [], 0
        return files, shared, conflicts

    def close(self) -> None:
        """Drop everything."""
        self._held = []
        self._pieces = {}
        if self._hold is not None:
            self._hold.close()
            self._hold = None
        if self._folder is not None:
            shutil.rmtree(self._folder, ignore_errors=True)
            self._folder = None


def clear_spools() -> int:
    """Remove what killed runs left in the temporary folder; return how many folders went.

    A folder goes when nobody holds its lock, which ends with the process that took it.
    """
    removed = 0
    with contextlib.suppress(OSError):
        for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
            with contextlib.suppress(OSError):
                if time.time() - folder.stat().st_mtime < YOUNG_S:
                    continue
                mark = folder / IN_USE
                if mark.exists():
                    with open(mark, "rb+") as hold:
                        _lock(hold)
                mark.unlink(missing_ok=True)
                shutil.rmtree(folder)
                removed += 1
    return removed


def _lock(file: IO[bytes]) -> None:
    """Lock an open file for this process; OSError where another one holds it.

    Where there are no such locks (Windows) a file that is open can't be removed instead.
    """
    try:
        import fcntl
    except ImportError:
        return
    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _read_piece(path: Path) -> pa.Table:
    with pa.OSFile(str(path), "rb") as source:
        return pa.ipc.open_file(source).read_all()


def split_units(table: pa.Table) -> Iterator[tuple[str, list[pa.Table]]]:
    """Yield each unit's rows."""
    column = table.column("unit_id")
    names = sorted(pc.unique(column).to_pylist())
    if len(names) == 1:
        yield names[0], [table]
        return
    for name in names:
        yield name, [table.filter(pc.equal(column, name))]


def write_together(
    place: Location,
    tables: Mapping[str, list[pa.Table]],
    exports: Mapping[str, Export],
    arrival: Mapping[str, int],
) -> tuple[list[tuple[str, str, TraceFile]], dict[str, int], dict[str, int]]:
    """Write samples of several exports, a file a unit and month.

    Returns
    -------
    files
        Unit, month and file.
    shared, conflicts
        See ``Combined``.
    """
    files: list[tuple[str, str, TraceFile]] = []
    shared: dict[str, int] = {}
    conflicts: dict[str, int] = {}
    for unit in sorted(tables):
        done = combine(tables[unit], exports, arrival)
        _add(shared, done.shared)
        _add(conflicts, done.conflicts)
        for month, part in samples.split_months(done.table):
            files += [(unit, month, f) for f in samples.write(place, unit, month, part, exports)]
    return files, shared, conflicts


def _add(total: dict[str, int], more: Mapping[str, Any]) -> None:
    for key, count in more.items():
        total[key] = total.get(key, 0) + count
