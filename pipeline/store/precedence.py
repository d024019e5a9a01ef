"""Which of two exports is believed where they differ, and how their rows become one.

The order is total and rests on the exports alone, so that the samples kept do
not depend on which export arrived first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

IntArray = NDArray[np.int64]

CHANNELS: Final[dict[str, tuple[str, ...]]] = {
    "temperature_c": ("temperature_c",),
    "pressure_kpa": ("pressure_kpa", "atmosphere_kpa", "atmosphere_assumed"),
    "temperature2_c": ("temperature2_c",),
    "current_a": ("current_a",),
    "mains_v": ("mains_v",),
    "ambient_c": ("ambient_c",),
}
"""Channels, each with the columns that belong to its value."""


@dataclass(frozen=True)
class Export:
    """What decides between exports that differ."""

    sha256: str
    created: int | None
    """When the export was made by its own statement, ms; None when it says nothing."""
    last: int
    """Its last sample, ms."""
    rows: int

    @property
    def source(self) -> str:
        """The mark that its samples carry."""
        return self.sha256[:16]

    def rank(self) -> tuple[int, int, int, str]:
        """Return the sort key: the greatest is believed.

        An export that does not state when it was made can't be older than its
        last sample, which stands in. (Comparing the statement only where both
        have one would let three exports beat each other in a circle.)
        """
        made = self.last if self.created is None else self.created
        return (made, self.last, self.rows, self.sha256)

    def to_json(self) -> list[Any]:
        """Return the export as a footer holds it."""
        return [self.sha256, self.created, self.last, self.rows]

    @classmethod
    def from_json(cls, data: Sequence[Any]) -> Export:
        """Read an export from a footer."""
        return cls(*data)


@dataclass(frozen=True)
class Combined:
    """Samples of several exports, each time once."""

    table: pa.Table
    shared: dict[str, int]
    """By source: its rows whose time an earlier arrival has too, made one with it."""
    conflicts: dict[str, int]
    """By source: its values that differ from an earlier arrival's."""


def combine(
    tables: Sequence[pa.Table], exports: Mapping[str, Export], arrival: Mapping[str, int]
) -> Combined:
    """Combine samples of one unit: each (channel, time) once, the believed value.

    Parameters
    ----------
    tables
        In the schema of trace files, in any order.
    exports
        By source. A source that is not there ranks below all others.
    arrival
        By source, the place in the order of arrival; absent for what is stored
        already. Only the counts depend on it.
    """
    table = pa.concat_tables(tables)
    at = table.column("time").cast(pa.int64()).combine_chunks().to_numpy(zero_copy_only=False)
    step = np.diff(at)
    if np.all(step > 0):
        return Combined(table, {}, {})
    by_time = np.argsort(at, kind="stable")
    ordered = at[by_time]
    same = ordered[1:] == ordered[:-1]
    if not same.any():
        return Combined(table.take(pa.array(by_time)), {}, {})
    in_group = np.concatenate([[False], same]) | np.concatenate([same, [False]])
    alone = table.take(pa.array(by_time[~in_group]))
    several = table.take(pa.array(by_time[in_group]))
    merged, shared, conflicts = _resolve(several, exports, arrival)
    out = pa.concat_tables([alone, merged])
    at = out.column("time").cast(pa.int64()).combine_chunks().to_numpy(zero_copy_only=False)
    out = out.take(pa.array(np.argsort(at, kind="stable")))
    return Combined(out, shared, conflicts)


@dataclass(frozen=True)
class _Rows:
    """Rows of which each time is there at least twice, as arrays."""

    group: IntArray
    """Index of the row's time among the distinct times, shape (n,)."""
    times: IntArray
    """Distinct times, ms, ascending."""
    sources: list[str]
    """Sources from the least to the most believed; codes below are positions here."""
    own: IntArray
    """Code of each row's source, shape (n,)."""
    by_channel: dict[str, IntArray]
    """Code of the source of each channel's value, shape (n,)."""
    place: IntArray
    """By code: place in the order of arrival, -1 for what is stored."""


def _resolve(
    table: pa.Table, exports: Mapping[str, Export], arrival: Mapping[str, int]
) -> tuple[pa.Table, dict[str, int], dict[str, int]]:
    """Combine rows, each of whose times is there at least twice."""
    table = table.combine_chunks()
    rows = _arrays(table, exports, arrival)
    count = len(rows.times)
    shared = _tally(_later(rows, np.arange(len(table)), rows.own), rows.own, rows)
    conflicts: dict[str, int] = {}
    pieces: dict[str, Any] = {}
    winners: dict[str, IntArray] = {}
    top = np.full(count, -1)
    for channel, columns in CHANNELS.items():
        values = table.column(channel).to_numpy()
        have = np.flatnonzero(~np.isnan(values))
        codes = rows.by_channel[channel]
        differing = _differing(rows, have, values, codes)
        for source, n in _tally(differing, codes, rows).items():
            conflicts[source] = conflicts.get(source, 0) + n
        # the value decides between equal ranks, so that the order of rows never does
        picked = _last(rows.group[have], (values[have], codes[have]), have, count)
        for column in columns:
            pieces[column] = table.column(column).take(_index(picked))
        winners[channel] = np.where(picked >= 0, codes[picked], -1)
        top = np.maximum(top, winners[channel])

    everything = np.arange(len(table))
    logger = table.column("logger_id").to_pandas().fillna("").to_numpy(dtype=object)
    logger_code = np.unique(logger.astype(str), return_inverse=True)[1]
    best = _last(rows.group, (logger_code, rows.own), everything, count)
    # rows without any value still name the export they came from
    chosen = np.where(top >= 0, top, rows.own[best])
    match = np.flatnonzero(rows.own == chosen[rows.group])
    named = _last(rows.group[match], (logger_code[match],), match, count)
    pieces["logger_id"] = table.column("logger_id").take(_index(np.where(named >= 0, named, best)))
    pieces["source"] = _names(chosen, rows.sources)
    pieces["channel_sources"] = _pairs(winners, chosen, rows.sources)
    pieces["unit_id"] = pa.array([table.column("unit_id")[0].as_py()] * count, pa.string())
    pieces["time"] = pa.array(rows.times, pa.int64())
    arrays = [_flat(pieces[f.name]).cast(f.type) for f in table.schema]
    return pa.Table.from_arrays(arrays, schema=table.schema), shared, conflicts


def _arrays(table: pa.Table, exports: Mapping[str, Export], arrival: Mapping[str, int]) -> _Rows:
    times = table.column("time").cast(pa.int64()).to_numpy()
    distinct, group = np.unique(times, return_inverse=True)
    own_index, own_names = _encoded(table.column("source"))
    pair_index, pair_texts = _encoded(table.column("channel_sources"))
    pairs = [dict(p.partition("=")[::2] for p in t.split(",") if p) for t in pair_texts]
    names = {*own_names, *(s for held in pairs for s in held.values())}
    lowest = -(2**62)
    sources = sorted(names, key=lambda s: exports[s].rank() if s in exports else (lowest, 0, 0, s))
    code = {s: i for i, s in enumerate(sources)}
    own = np.array([code[s] for s in own_names], dtype=np.int64)[own_index]
    by_channel = {}
    for channel in CHANNELS:
        other = np.array([code[h[channel]] if channel in h else -1 for h in pairs], np.int64)
        theirs = other[pair_index]
        by_channel[channel] = np.where(theirs >= 0, theirs, own)
    place = np.array([arrival.get(s, -1) for s in sources], dtype=np.int64)
    return _Rows(group, distinct, sources, own, by_channel, place)


def _encoded(column: Any) -> tuple[IntArray, list[str]]:
    """Return codes and distinct texts of a column; null is the empty text."""
    encoded = _flat(pc.dictionary_encode(pc.fill_null(column, "")))
    return encoded.indices.to_numpy().astype(np.int64), encoded.dictionary.to_pylist()


def _flat(array: Any) -> Any:
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


def _last(group: IntArray, by: tuple[Any, ...], rows: IntArray, count: int) -> IntArray:
    """Return, for each group, the row that is greatest in ``by`` (last key first); -1 for none."""
    order = np.lexsort((*by, group))
    sorted_group = group[order]
    ends = np.flatnonzero(np.append(sorted_group[1:] != sorted_group[:-1], len(order) > 0))
    picked = np.full(count, -1)
    picked[sorted_group[ends]] = rows[order[ends]]
    return picked


def _index(rows: IntArray) -> pa.Array:
    return pa.array(rows, pa.int64(), mask=rows < 0)


def _later(rows: _Rows, among: IntArray, codes: IntArray) -> IntArray:
    """Return the rows before which another of the same time arrived."""
    order = among[np.lexsort((rows.place[codes[among]], rows.group[among]))]
    again = np.append(False, rows.group[order][1:] == rows.group[order][:-1])
    later: IntArray = order[again]
    return later


def _differing(rows: _Rows, have: IntArray, values: Any, codes: IntArray) -> IntArray:
    """Return the rows whose value differs from any that arrived earlier for that time."""
    order = have[np.lexsort((values[have], rows.place[codes[have]], rows.group[have]))]
    group, value = rows.group[order], values[order]
    differs = np.zeros(len(order), dtype=bool)
    step = 1
    while step < len(order):
        same = group[step:] == group[:-step]
        if not same.any():
            break
        differs[step:] |= same & (value[step:] != value[:-step])
        step += 1
    found: IntArray = order[differs]
    return found[rows.place[codes[found]] >= 0]


def _tally(found: IntArray, codes: IntArray, rows: _Rows) -> dict[str, int]:
    """Count rows by the source that codes name."""
    counts = np.bincount(codes[found], minlength=len(rows.sources))
    return {rows.sources[i]: int(counts[i]) for i in np.flatnonzero(counts)}


def _names(codes: IntArray, sources: Sequence[str]) -> pa.Array:
    values = pa.array([s or None for s in sources], pa.string())
    return values.take(pa.array(codes))


def _pairs(winners: Mapping[str, IntArray], chosen: IntArray, sources: Sequence[str]) -> pa.Array:
    """Return ``channel=source`` for each channel that another export gave, else null."""
    texts = np.full(len(chosen), "", dtype=object)
    names = np.array(sources, dtype=object)
    for channel, codes in winners.items():
        other = (codes >= 0) & (codes != chosen)
        if other.any():
            comma = np.where(texts[other] == "", "", ",").astype(object)
            texts[other] = texts[other] + comma + (f"{channel}=" + names[codes[other]])
    return pa.array(texts, pa.string(), mask=texts == "")
