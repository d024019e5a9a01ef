"""Tables as layers of immutable files.

A night adds one file a table, holding its rows for all units and, in the
footer, the cuts: for a unit, the time from which older layers no longer count.
So a night writes what is new, whatever came before. Layers are merged in steps
of ``FAN``, which bounds their number and rewrites a row only a few times.
"""

from __future__ import annotations

import hashlib
import json
from bisect import bisect_left
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from .entries import RunFile
from .location import Location
from .specs import AT, Spec

ALL = -(2**62)
"""A cut from the beginning of time."""
FAN = 8
"""Layers that are merged into one (8 or 10 is common practice in layered stores)."""
MERGE_ROWS = 400_000
MERGE_BYTES = 256_000_000
"""Rows, and bytes in files, that a merge may hold in memory. Larger layers are left as they
are, but for tables of which each key has one row: these are merged by ranges of keys."""
FILE_ROWS = 200_000
FILE_BYTES = 1_000_000_000
"""Rows, and bytes in memory, after which a layer is split into another file."""
GROUP_ROWS = 4096
GROUP_BYTES = 4_000_000
"""Rows, and bytes in memory, of a row group: what a read of one unit has to decode."""
SPLIT_ROWS = 4 * GROUP_ROWS
"""Rows from which a layer is split by month, so that a read of the last weeks leaves the
files of earlier months alone, however long the history."""

Cuts = dict[str, int]


@dataclass(frozen=True)
class Layer:
    """Rows and cuts that are in memory, newer than every file."""

    rows: pa.Table
    cuts: Cuts = field(default_factory=dict)


def write_layer(
    place: Location, spec: Spec, rows: pa.Table, cuts: Cuts, *, order: int, level: int
) -> list[RunFile]:
    """Write a layer as one or more files, each with its own months and range of keys.

    Parameters
    ----------
    rows
        In the spec's file schema; sorted here.
    cuts
        Key to ms; ``ALL`` hides all older rows of the key.
    order, level
        Place of the layer among the others.
    """
    rows = sort(rows, spec)
    months = _by_month(rows)
    files = []
    for part in months[:-1]:
        files += _write_keys(place, spec, part, {}, order, level)
    return files + _write_keys(place, spec, months[-1], cuts, order, level)


def _by_month(rows: pa.Table) -> list[pa.Table]:
    """Split many rows by the month of their time; rows without one are in the last part."""
    at = rows.column(AT)
    if len(rows) < SPLIT_ROWS or at.null_count == len(rows):
        return [rows]
    values = pc.fill_null(at, pc.max(at)).combine_chunks().to_numpy(zero_copy_only=False)
    month = values.astype("datetime64[ms]").astype("datetime64[M]").astype(np.int64)
    return [rows.filter(pa.array(month == m)) for m in np.unique(month).tolist()]


def _write_keys(
    place: Location, spec: Spec, rows: pa.Table, cuts: Cuts, order: int, level: int
) -> list[RunFile]:
    """Write sorted rows as one or more files, each with its own range of keys."""
    keys = rows.column(spec.key)
    bounds = [0]
    most = _most(rows, FILE_ROWS, FILE_BYTES)
    while len(rows) - bounds[-1] > most:
        end = bounds[-1] + most
        last = keys[end - 1].as_py()
        same = pc.sum(pc.equal(keys.slice(end), last)).as_py()
        end += int(same or 0)  # a key is never split over two files
        bounds.append(end)
    if bounds[-1] < len(rows) or len(bounds) == 1:
        bounds.append(len(rows))
    files = []
    left = sorted(cuts.items())
    for i in range(len(bounds) - 1):
        part = rows.slice(bounds[i], bounds[i + 1] - bounds[i])
        last_part = i == len(bounds) - 2
        limit = part.column(spec.key)[-1].as_py() if len(part) else ""
        mine = {k: v for k, v in left if last_part or k <= limit}
        left = [(k, v) for k, v in left if k not in mine]
        files.append(_write_file(place, spec, part, mine, order, level))
    return files


def _write_file(
    place: Location, spec: Spec, rows: pa.Table, cuts: Cuts, order: int, level: int
) -> RunFile:
    schema = rows.schema.with_metadata({b"cuts": json.dumps(cuts, sort_keys=True).encode()})
    sink = pa.BufferOutputStream()
    with pq.ParquetWriter(
        sink, schema, compression="zstd", write_statistics=True, use_dictionary=True
    ) as writer:
        most = _most(rows, GROUP_ROWS, GROUP_BYTES)
        writer.write_table(rows.cast(schema), row_group_size=most)
    data = sink.getvalue()
    digest = hashlib.sha256(data).hexdigest()
    # equal bytes in two layers must be two files, since one may be withdrawn
    path = f"{spec.name}/{order:010d}-{level}-{digest[:16]}.parquet"
    place.write(path, data)
    keys = rows.column(spec.key).to_pylist() if len(rows) else []
    names = ([keys[0], keys[-1]] if keys else []) + (sorted(cuts)[:1] + sorted(cuts)[-1:])
    timed = len(rows) and not rows.column(AT).null_count
    span = pc.min_max(rows.column(AT)).as_py() if timed else {"min": None, "max": None}
    return RunFile(
        table=spec.name,
        path=path,
        rows=len(rows),
        bytes=len(data),
        sha256=digest,
        order=order,
        level=level,
        first=min(names),
        last=max(names),
        low=span["min"],
        high=span["max"],
        cuts=len(cuts),
    )


def _most(rows: pa.Table, most_rows: int, most_bytes: int) -> int:
    """Return how many of these rows stay within a bound on rows and on bytes."""
    per_row = max(int(rows.nbytes), 1) / max(len(rows), 1)
    return max(1, min(most_rows, int(most_bytes / per_row)))


def sort(rows: pa.Table, spec: Spec) -> pa.Table:
    """Return rows in the order that every layer and every answer has."""
    return rows.sort_by([(name, "ascending") for name in spec.order()])


def read(
    place: Location,
    spec: Spec,
    files: Sequence[RunFile],
    *,
    keys: Collection[str] | None = None,
    since: int | None = None,
    columns: Sequence[str] | None = None,
    top: Layer | None = None,
    raw: bool = False,
) -> pa.Table:
    """Return the rows that count, sorted.

    Parameters
    ----------
    keys
        Only these keys; files and row groups without them are not read.
    since
        Only rows at or after this time (ms); rows without a time are kept.
    columns
        Only these columns (those needed for cuts and order are added).
    top
        A layer in memory above all files.
    raw
        Keep the physical column of the row's time.
    """
    names = spec.schema().names
    if columns is not None:
        needed = {*columns, spec.key, AT, *spec.table.key}
        names = [n for n in names if n in needed]
    wanted = None if keys is None else sorted(set(keys))
    cuts: Cuts = {}
    parts: list[pa.Table] = []
    if top is not None:
        parts.append(pick(top.rows.select(names), spec, wanted, since, {}))
        _lower(cuts, top.cuts)
    for group in _newest_first(files):
        if wanted is not None:  # what a newer layer replaced whole need not be looked for
            wanted = [k for k in wanted if cuts.get(k) != ALL]
            if not wanted:
                break
        below: Cuts = {}
        for file in group:
            if wanted is not None and not _any_between(wanted, file.first, file.last):
                continue
            if not file.cuts and since is not None and file.high is not None and file.high < since:
                continue
            rows, own = _read_file(place, spec, file, names, wanted, since)
            parts.append(pick(rows, spec, wanted, since, cuts))
            below.update(own)
        _lower(cuts, below)
    empty = pa.schema([spec.schema().field(n) for n in names]).empty_table()
    merged = sort(pa.concat_tables([empty, *parts]), spec)
    shown = [n for n in names if (columns is None and n != AT) or (columns and n in columns)]
    return merged if raw else merged.select(shown)


def all_cuts(place: Location, files: Sequence[RunFile]) -> Cuts:
    """Return the cuts of some files together."""
    cuts: Cuts = {}
    for file in files:
        with place.open_file(file.path) as source:
            _lower(cuts, _cuts(pq.ParquetFile(source)))
    return cuts


def mergeable(files: Sequence[RunFile], *, whole: bool = False) -> list[list[RunFile]]:
    """Return groups of adjacent layers that are due to be merged.

    Parameters
    ----------
    whole
        The table has one row a key, so that layers of any size are merged.
    """
    groups = list(reversed(_newest_first(files)))
    due = []
    start = 0
    while start < len(groups):
        level = groups[start][0].level
        end = start
        while end < len(groups) and groups[end][0].level == level:
            end += 1
        run = groups[start:end]
        small = [g for g in run if whole or sum(f.rows for f in g) < MERGE_ROWS // FAN]
        if len(small) >= FAN and run[-len(small) :] == small:
            due.append([f for g in small[:FAN] for f in g])
        start = end
    return due


def merge(place: Location, spec: Spec, files: Sequence[RunFile], *, bottom: bool) -> list[RunFile]:
    """Merge adjacent layers into one of the next level.

    Parameters
    ----------
    bottom
        True when no older layer exists, so that cuts have nothing left to hide.
    """
    cuts = {} if bottom else all_cuts(place, files)
    order = max(f.order for f in files)
    level = max(f.level for f in files) + 1
    total = sum(f.rows for f in files)
    size = max(sum(f.bytes for f in files), 1)
    most = min(MERGE_ROWS, max(1, MERGE_BYTES * total // size))
    if total <= most or not spec.whole:
        rows = read(place, spec, files, raw=True)
        if not len(rows) and not cuts:
            return []
        return write_layer(place, spec, rows, cuts, order=order, level=level)
    keys = read(place, spec, files, columns=[spec.key]).column(spec.key).to_pylist()
    keys = sorted({*keys, *cuts})
    made: list[RunFile] = []
    for start in range(0, len(keys), most):
        own = keys[start : start + most]
        rows = read(place, spec, files, keys=own, raw=True)
        cut = {k: cuts[k] for k in own if k in cuts}
        made += write_layer(place, spec, rows, cut, order=order, level=level)
    return made


def _newest_first(files: Sequence[RunFile]) -> list[list[RunFile]]:
    """Return files by layer, newest layer first."""
    layers: dict[int, list[RunFile]] = {}
    for file in files:
        layers.setdefault(file.order, []).append(file)
    return [sorted(layers[o], key=lambda f: f.first) for o in sorted(layers, reverse=True)]


def _any_between(wanted: list[str], first: str, last: str) -> bool:
    index = bisect_left(wanted, first)
    return index < len(wanted) and wanted[index] <= last


def _read_file(
    place: Location,
    spec: Spec,
    file: RunFile,
    names: list[str],
    wanted: list[str] | None,
    since: int | None,
) -> tuple[pa.Table, Cuts]:
    with place.open_file(file.path) as source:
        parquet = pq.ParquetFile(source)
        cuts = _cuts(parquet)
        schema = pa.schema([spec.schema().field(n) for n in names])
        too_old = since is not None and file.high is not None and file.high < since
        groups = [] if too_old else _groups(parquet, spec, wanted)
        present = [n for n in names if n in parquet.schema_arrow.names]
        if not groups:
            return schema.empty_table(), cuts
        rows = parquet.read_row_groups(groups, columns=present, use_threads=False)
    arrays = [
        rows.column(f.name).cast(f.type) if f.name in present else pa.nulls(len(rows), f.type)
        for f in schema
    ]
    return pa.Table.from_arrays(arrays, schema=schema), cuts


def _groups(parquet: pq.ParquetFile, spec: Spec, wanted: list[str] | None) -> list[int]:
    """Return the row groups that may hold wanted keys."""
    meta = parquet.metadata
    every = [i for i in range(meta.num_row_groups) if meta.row_group(i).num_rows]
    if wanted is None:
        return every
    column = parquet.schema_arrow.names.index(spec.key)
    kept = []
    for i in every:
        stats = meta.row_group(i).column(column).statistics
        if stats is None or not stats.has_min_max or _any_between(wanted, stats.min, stats.max):
            kept.append(i)
    return kept


def _cuts(parquet: pq.ParquetFile) -> Cuts:
    raw = (parquet.schema_arrow.metadata or {}).get(b"cuts", b"{}")
    return dict(json.loads(raw))


def _lower(cuts: Cuts, more: Cuts) -> None:
    for key, time in more.items():
        cuts[key] = min(time, cuts.get(key, time))


def pick(
    rows: pa.Table,
    spec: Spec,
    wanted: list[str] | None = None,
    since: int | None = None,
    cuts: Cuts | None = None,
) -> pa.Table:
    """Return the rows of wanted keys and times that no newer layer hides."""
    if not len(rows):
        return rows
    keep = None
    if wanted is not None:
        keep = pc.is_in(rows.column(spec.key), value_set=pa.array(wanted, pa.string()))
    if since is not None:
        at = rows.column(AT)
        late = pc.or_kleene(pc.is_null(at), pc.greater_equal(at, since))
        keep = late if keep is None else pc.and_(keep, late)
    if cuts:
        names = sorted(cuts)
        index = pc.index_in(rows.column(spec.key), value_set=pa.array(names, pa.string()))
        limit = pc.take(pa.array([cuts[n] for n in names], pa.int64()), index)
        at = pc.fill_null(rows.column(AT), ALL)
        hidden = pc.fill_null(
            pc.or_kleene(pc.equal(limit, ALL), pc.greater_equal(at, limit)), False
        )
        shown = pc.invert(hidden)
        keep = shown if keep is None else pc.and_(keep, shown)
    return rows if keep is None else rows.filter(keep)
