"""Trace files: how samples are written and read."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from ...shared.schema import TRACES, arrow_type, to_pandas
from .entries import TraceFile
from .keys import trace_folder
from .location import Location
from .precedence import Export

CHANNEL_SOURCES = "channel_sources"
"""Extra column of trace files: ``channel=source`` pairs, by comma, for the channels of a
row that come from another export than ``source``; else null."""

SCHEMA: Final = pa.schema(
    [pa.field(c.name, arrow_type(c.dtype)) for c in TRACES.columns]
    + [pa.field(CHANNEL_SOURCES, pa.string())]
)

FILE_ROWS = 4_000_000
"""Samples after which a month is split into another file (about 0.5 GB in memory)."""
GROUP_ROWS = 131_072
"""Samples a row group: a day and a half at one a second."""


def conform(table: pa.Table | pd.DataFrame) -> pa.Table:
    """Return samples in the schema of trace files; absent columns become null."""
    if isinstance(table, pd.DataFrame):
        table = pa.Table.from_pandas(TRACES.conform(table), preserve_index=False)
    names = set(table.schema.names)
    arrays = [
        table.column(f.name).cast(f.type) if f.name in names else pa.nulls(len(table), f.type)
        for f in SCHEMA
    ]
    return pa.Table.from_arrays([_without_nan(a) for a in arrays], schema=SCHEMA)


def _without_nan(array: Any) -> Any:
    """Return a column with NaN as null, so that absent values have one form."""
    if array.type != pa.float64() or array.null_count == len(array):
        return array
    nan = pc.is_nan(array)
    if not pc.any(nan).as_py():
        return array
    return pc.if_else(nan, pa.scalar(None, pa.float64()), array)


def times_ms(table: pa.Table) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Return the samples' times as ms since 1970 UTC."""
    column = table.column("time").cast(pa.int64()).combine_chunks()
    values: np.ndarray[Any, np.dtype[np.int64]] = column.to_numpy(zero_copy_only=False)
    return values


def month_of(ms: int) -> str:
    """Return the UTC month ``YYYY-MM`` of a time."""
    return str(np.datetime64(ms, "ms").astype("datetime64[M]"))


def split_months(table: pa.Table) -> list[tuple[str, pa.Table]]:
    """Split samples sorted by time into UTC months."""
    if not len(table):
        return []
    at = times_ms(table)
    first, last = month_of(int(at[0])), month_of(int(at[-1]))
    if first == last:
        return [(first, table)]
    months = at.astype("datetime64[ms]").astype("datetime64[M]")
    starts = np.concatenate([[0], np.flatnonzero(months[1:] != months[:-1]) + 1, [len(at)]])
    return [(str(months[a]), table.slice(int(a), int(b - a))) for a, b in pairwise(starts)]


def write(
    place: Location, unit_id: str, month: str, table: pa.Table, exports: Mapping[str, Export]
) -> list[TraceFile]:
    """Write one unit's samples of one month, sorted by time, as immutable files.

    Parameters
    ----------
    table
        In ``SCHEMA``, times strictly increasing.
    exports
        By source, what decides between exports that differ; kept in the footer.
    """
    files = []
    for start in range(0, len(table), FILE_ROWS):
        part = table.slice(start, FILE_ROWS)
        sources = _sources(part)
        facts = {s: exports[s].to_json() for s in sorted(sources) if s in exports}
        data = _encode(part, facts)
        digest = hashlib.sha256(data).hexdigest()
        path = f"{trace_folder(unit_id, month)}/{digest[:20]}.parquet"
        place.write(path, data)
        at = part.column("time").cast(pa.int64())
        files.append(TraceFile(path, len(part), len(data), digest, at[0].as_py(), at[-1].as_py()))
    return files


def _encode(part: pa.Table, facts: Mapping[str, Any]) -> Any:
    metadata = {b"exports": json.dumps(facts, sort_keys=True).encode()}
    schema = part.schema.with_metadata(metadata)
    sink = pa.BufferOutputStream()
    with pq.ParquetWriter(
        sink,
        schema,
        compression="zstd",
        write_statistics=True,
        use_dictionary=[n for n in schema.names if n != "time"],
        column_encoding={"time": "DELTA_BINARY_PACKED"},
        store_schema=True,
    ) as writer:
        writer.write_table(part.cast(schema), row_group_size=GROUP_ROWS)
    return sink.getvalue()


def _sources(table: pa.Table) -> set[str]:
    found = {s for s in pc.unique(table.column("source")).to_pylist() if s}
    pairs = table.column(CHANNEL_SOURCES)
    if pairs.null_count < len(pairs):
        for text in pc.unique(pairs).to_pylist():
            found |= {p.partition("=")[2] for p in (text or "").split(",") if p}
    return found


def read_file(
    place: Location,
    path: str,
    start: int | None = None,
    end: int | None = None,
    columns: Sequence[str] | None = None,
) -> pa.Table:
    """Return the samples of one file with start <= time <= end (ms)."""
    with place.open_file(path) as source:
        parquet = pq.ParquetFile(source)
        names = parquet.schema_arrow.names
        position = names.index("time")
        meta = parquet.metadata
        groups = []
        for i in range(meta.num_row_groups):
            stats = meta.row_group(i).column(position).statistics
            if stats is not None and stats.has_min_max:
                low, high = _stat_ms(stats.min), _stat_ms(stats.max)
                if (start is not None and high < start) or (end is not None and low > end):
                    continue
            groups.append(i)
        wanted = SCHEMA.names if columns is None else [n for n in SCHEMA.names if n in columns]
        schema = pa.schema([SCHEMA.field(n) for n in wanted])
        if not groups:
            return schema.empty_table()
        needed = sorted({*wanted, "time"} & set(names))
        rows = parquet.read_row_groups(groups, columns=needed, use_threads=False)
    if start is not None or end is not None:
        at = rows.column("time").cast(pa.int64())
        low_ok = pc.greater_equal(at, start) if start is not None else None
        high_ok = pc.less_equal(at, end) if end is not None else None
        keep = low_ok if high_ok is None else high_ok
        if low_ok is not None and high_ok is not None:
            keep = pc.and_(low_ok, high_ok)
        if not pc.all(keep).as_py():
            rows = rows.filter(keep)
    arrays = [
        rows.column(f.name).cast(f.type) if f.name in names else pa.nulls(len(rows), f.type)
        for f in schema
    ]
    return pa.Table.from_arrays(arrays, schema=schema)


def _stat_ms(value: Any) -> int:
    return int(pd.Timestamp(value).value // 1_000_000)  # .value is in ns whatever the unit


def read_exports(place: Location, path: str) -> dict[str, Export]:
    """Return what a file's footer says about the exports in it, by source."""
    with place.open_file(path) as source:
        raw = (pq.ParquetFile(source).schema_arrow.metadata or {}).get(b"exports", b"{}")
    return {s: Export.from_json(e) for s, e in json.loads(raw).items()}


def read_files(
    place: Location,
    files: Iterable[TraceFile],
    start: int | None = None,
    end: int | None = None,
    columns: Sequence[str] | None = None,
) -> pa.Table:
    """Return the samples of several files of one unit, by time."""
    ordered = sorted(
        (f for f in files if f.overlaps(start, end)), key=lambda f: (f.low, f.high, f.path)
    )
    wanted = SCHEMA.names if columns is None else [n for n in SCHEMA.names if n in columns]
    empty = pa.schema([SCHEMA.field(n) for n in wanted]).empty_table()
    parts = [read_file(place, f.path, start, end, columns) for f in ordered]
    rows = pa.concat_tables([empty, *parts])
    if any(b.low <= a.high for a, b in pairwise(ordered)) and "time" in wanted:
        # An earlier version joined files on both sides of a third: put their samples in order.
        return rows.take(pa.array(np.argsort(times_ms(rows), kind="stable")))
    return rows


def to_frame(table: pa.Table, *, provenance: bool = False) -> pd.DataFrame:
    """Return samples as a frame in the columns of TRACES.

    Parameters
    ----------
    provenance
        Add the column that names the source of each channel of a combined row.
    """
    names = [*TRACES.names, CHANNEL_SOURCES] if provenance else TRACES.names
    return to_pandas(table.select([n for n in names if n in table.schema.names]))
