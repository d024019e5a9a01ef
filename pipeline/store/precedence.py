"""Which of two exports is believed where they differ, and how their rows become one.

The order is total and rests on the exports alone, so that the samples kept do
not depend on which export arrived first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa

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


def _resolve(
    table: pa.Table, exports: Mapping[str, Export], arrival: Mapping[str, int]
) -> tuple[pa.Table, dict[str, int], dict[str, int]]:
    """Combine rows, each of whose times is there at least twice."""
    frame = table.to_pandas(types_mapper={pa.bool_(): pd.BooleanDtype()}.get)
    frame["time"] = table.column("time").cast(pa.int64()).to_numpy()
    sources = _channel_sources(frame)
    known = sorted({s for column in sources.values() for s in column if s})
    ranked = sorted(
        known, key=lambda s: exports[s].rank() if s in exports else (-(2**62), 0, 0, s)
    )
    rank = {s: i for i, s in enumerate(ranked)}
    place = {s: arrival.get(s, -1) for s in known}

    pieces = {}
    winners = {}
    shared: dict[str, int] = {}
    conflicts: dict[str, int] = {}
    times = np.unique(frame["time"].to_numpy())
    row_place = frame["source"].map(place).fillna(-1).to_numpy()
    _count_shared(frame, row_place, shared)
    for channel, columns in CHANNELS.items():
        have = frame[channel].notna().to_numpy()
        part = pd.DataFrame(
            {
                "time": frame["time"].to_numpy()[have],
                "value": frame[channel].to_numpy()[have],
                "source": sources[channel][have],
                "row": np.flatnonzero(have),
            }
        )
        part["rank"] = part["source"].map(rank).fillna(-1).astype("int64")
        part["place"] = part["source"].map(place).fillna(-1).astype("int64")
        _count_conflicts(part, conflicts)
        # a value decides between equal ranks, so that the order of rows never does
        best = part.sort_values(["time", "rank", "value"]).drop_duplicates("time", keep="last")
        best = best.set_index("time").reindex(times)
        picked = best["row"].to_numpy()
        found = ~np.isnan(picked.astype(float))
        index = pa.array(picked.astype(float), mask=~found, from_pandas=False).cast(pa.int64())
        for column in columns:
            pieces[column] = table.column(column).take(index)
        winners[channel] = best["source"].astype(object).where(found, None).to_numpy()

    top = np.full(len(times), -1)
    for channel in CHANNELS:
        ranks = pd.Series(winners[channel]).map(rank).fillna(-1).to_numpy().astype("int64")
        top = np.maximum(top, ranks)
    source = np.array([ranked[i] if i >= 0 else None for i in top], dtype=object)
    pieces["source"], pieces["logger_id"], source = _row_columns(frame, times, source, rank)
    out = {
        "unit_id": pa.array([frame["unit_id"].iloc[0]] * len(times), pa.string()),
        "time": pa.array(times, pa.int64()).cast(table.schema.field("time").type),
        "channel_sources": _pairs(winners, source),
        **pieces,
    }
    arrays = [_flat(out[f.name]).cast(f.type) for f in table.schema]
    return pa.Table.from_arrays(arrays, schema=table.schema), shared, conflicts


def _flat(array: Any) -> Any:
    return array.combine_chunks() if isinstance(array, pa.ChunkedArray) else array


def _channel_sources(frame: pd.DataFrame) -> dict[str, Any]:
    """Return, by channel, the source of each row's value."""
    base = frame["source"].astype(object).where(frame["source"].notna(), "").to_numpy()
    found = {channel: base.copy() for channel in CHANNELS}
    codes, texts = pd.factorize(frame["channel_sources"])
    for code, text in enumerate(texts):
        for pair in str(text).split(","):
            channel, _, source = pair.partition("=")
            if channel in found:
                found[channel][codes == code] = source
    return found


def _row_columns(
    frame: pd.DataFrame, times: Any, source: Any, rank: Mapping[str, int]
) -> tuple[Any, Any, Any]:
    """Return the source and the logger of each combined row."""
    rows = pd.DataFrame(
        {
            "time": frame["time"].to_numpy(),
            "source": frame["source"].astype(object).to_numpy(),
            "logger_id": frame["logger_id"].astype(object).to_numpy(),
        }
    )
    rows["rank"] = rows["source"].map(rank).fillna(-1).astype("int64")
    # rows without any value still name the export they came from
    rows = rows.sort_values(["time", "rank", "logger_id"], na_position="first")
    best = rows.drop_duplicates("time", keep="last").set_index("time").reindex(times)
    chosen = np.where(pd.isna(source), best["source"].to_numpy(), source)
    own = rows.drop_duplicates(["time", "source"], keep="last").set_index(["time", "source"])
    wanted = pd.MultiIndex.from_arrays([times, chosen])
    logger = own["logger_id"].reindex(wanted).to_numpy()
    # where the row's source was already merged into another, its logger went with it
    logger = np.where(pd.isna(logger), best["logger_id"].to_numpy(), logger)
    return (
        pa.array([None if pd.isna(s) else s for s in chosen], pa.string()),
        pa.array([None if pd.isna(s) else s for s in logger], pa.string()),
        chosen,
    )


def _pairs(winners: Mapping[str, Any], source: Any) -> pa.Array:
    """Return ``channel=source`` for each channel that another export gave, else null."""
    texts = np.full(len(source), "", dtype=object)
    for channel, names in winners.items():
        other = pd.notna(names) & (names != source)
        if other.any():
            comma = np.where(texts[other] == "", "", ",")
            texts[other] = texts[other] + comma.astype(object) + (f"{channel}=" + names[other])
    return pa.array([t or None for t in texts], pa.string())


def _count_shared(frame: pd.DataFrame, place: Any, shared: dict[str, int]) -> None:
    rows = pd.DataFrame(
        {"time": frame["time"].to_numpy(), "place": place, "source": frame["source"].to_numpy()}
    ).sort_values(["time", "place"], kind="stable")
    later = rows["time"].duplicated(keep="first")
    for source, count in rows.loc[later, "source"].value_counts().items():
        shared[str(source)] = shared.get(str(source), 0) + int(count)


def _count_conflicts(part: pd.DataFrame, conflicts: dict[str, int]) -> None:
    """Count values of later arrivals that differ from any earlier one's at that time."""
    rows = part.sort_values(["time", "place"], kind="stable")
    groups = rows.groupby("time")["value"]
    least = groups.cummin().groupby(rows["time"]).shift()
    most = groups.cummax().groupby(rows["time"]).shift()
    differs = least.notna() & ((rows["value"] != least) | (rows["value"] != most))
    counted = rows.loc[differs & (rows["place"] >= 0), "source"].value_counts()
    for source, count in counted.items():
        conflicts[str(source)] = conflicts.get(str(source), 0) + int(count)
