"""Overlapping exports: what is kept does not depend on the order of arrival."""

from __future__ import annotations

from itertools import pairwise, permutations
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from chamberdrift.pipeline.store import Export, Store, samples
from chamberdrift.pipeline.store.precedence import CHANNELS, combine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

MINUTE = 60_000


def export(letter: str, created: int | None = None, last: int = 0, rows: int = 1) -> Export:
    return Export(letter * 64, created, last, rows)


def ranked(*exports: Export) -> str:
    return "".join(e.sha256[0] for e in sorted(exports, key=Export.rank))


@pytest.mark.parametrize(
    ("loser", "winner"),
    [
        # the order rule, one step at a time; each later step favours the loser
        (export("b", created=1, last=9, rows=9), export("a", created=2, last=1, rows=1)),
        (export("b", created=2, last=1, rows=9), export("a", created=2, last=2, rows=1)),
        (export("b", last=1, rows=9), export("a", last=2, rows=1)),
        (export("b", last=2, rows=1), export("a", last=2, rows=2)),
        (export("a", last=2, rows=2), export("b", last=2, rows=2)),
        # one that states nothing was made at its last sample at the earliest
        (export("b", created=3, last=1), export("a", last=4)),
        (export("b", last=2), export("a", created=3, last=1)),
    ],
)
def test_the_order_rule(loser: Export, winner: Export) -> None:
    assert loser.rank() < winner.rank()


EXPORT = st.builds(
    export,
    st.sampled_from("abcdef"),
    st.none() | st.integers(0, 3),
    st.integers(0, 3),
    st.integers(1, 3),
)


@given(st.lists(EXPORT, min_size=3, max_size=3, unique_by=lambda e: e.sha256))
def test_the_order_is_total(exports: list[Export]) -> None:
    orders = {ranked(*p) for p in permutations(exports)}
    assert len(orders) == 1


def build(folder: Path, parts: list[tuple[Export, pd.DataFrame]], together: bool) -> Any:
    """Store parts in this order, in one commit or in one each; return what is read."""
    store = Store.open(folder, create=True)
    groups = [parts] if together else [[p] for p in parts]
    conflicts = 0
    for group in groups:
        with store.lock():
            txn = store.begin()
            for fact, frame in group:
                txn.add_trace("u", frame, {fact.source: fact})
            txn.commit("n")
            conflicts += sum(txn.conflicts.values())
    snapshot = store.snapshot()
    files = snapshot.trace_files("u")
    spans = sorted((f.low, f.high) for f in files)
    assert all(a[1] < b[0] for a, b in pairwise(spans))
    return snapshot.trace("u", provenance=True), conflicts


def frame_of(fact: Export, at: list[int], **channels: list[float | None]) -> pd.DataFrame:
    time = pd.to_datetime(pd.Series(at, dtype="int64") * MINUTE, unit="ms", utc=True)
    values = {n: pd.Series(v, dtype="float64") for n, v in channels.items()}
    return pd.DataFrame(
        {
            "unit_id": "u",
            "logger_id": f"logger-{fact.sha256[0]}",
            "time": time.astype("datetime64[ms, UTC]"),
            "source": fact.source,
            **values,
        }
    )


CELL = st.none() | st.integers(0, 2).map(float)
ROW = st.tuples(st.integers(0, 6), CELL, CELL)


@st.composite
def overlapping(draw: Any) -> list[tuple[Export, pd.DataFrame]]:
    facts = draw(st.lists(EXPORT, min_size=2, max_size=4, unique_by=lambda e: e.sha256))
    parts = []
    for fact in facts:
        rows = draw(st.lists(ROW, min_size=1, max_size=5, unique_by=lambda r: r[0]))
        rows = [r for r in rows if r[1] is not None or r[2] is not None] or [(0, 1.0, None)]
        at, temperature, pressure = zip(*rows, strict=True)
        parts.append(
            (
                fact,
                frame_of(
                    fact,
                    list(at),
                    temperature_c=list(temperature),
                    pressure_kpa=list(pressure),
                ),
            )
        )
    return parts


def believed(parts: list[tuple[Export, pd.DataFrame]]) -> dict[tuple[int, str], tuple[float, str]]:
    """The order rule written down plainly: by time and channel, the value and its source."""
    kept: dict[tuple[int, str], tuple[float, str]] = {}
    for fact, frame in sorted(parts, key=lambda p: p[0].rank()):
        for _, row in frame.iterrows():
            for channel in ("temperature_c", "pressure_kpa"):
                if not np.isnan(row[channel]):
                    kept[(row["time"].value, channel)] = (row[channel], fact.source)
    return kept


def values_of(frame: pd.DataFrame) -> dict[tuple[int, str], tuple[float, str]]:
    """What is stored: by time and channel, the value and its source."""
    found = {}
    for _, row in frame.iterrows():
        text = row["channel_sources"]
        pairs = {} if pd.isna(text) else dict(p.split("=") for p in text.split(","))
        for channel in ("temperature_c", "pressure_kpa"):
            if not np.isnan(row[channel]):
                source = pairs.get(channel, row["source"])
                found[(row["time"].value, channel)] = (row[channel], source)
    return found


def check_every_order_in_memory(parts: list[tuple[Export, pd.DataFrame]]) -> None:
    wanted = believed(parts)
    facts = {f.source: f for f, _ in parts}
    tables = [samples.conform(frame) for _, frame in parts]
    first = None
    for order in permutations(tables):
        held = combine([order[0].sort_by("time")], facts, {}).table
        for table in order[1:]:
            held = combine([held, table], facts, {}).table
        once = combine(list(order), facts, {}).table
        first = held if first is None else first
        assert held.equals(first)
        assert once.equals(first)
    assert first is not None
    assert values_of(samples.to_frame(first, provenance=True)) == wanted


@settings(max_examples=8, deadline=None)
@given(overlapping())
def test_every_order_of_arrival_keeps_the_believed_samples(
    parts: list[tuple[Export, pd.DataFrame]],
) -> None:
    check_every_order_in_memory(parts)


@pytest.mark.slow
@settings(max_examples=1000, deadline=None)
@given(overlapping())
def test_every_order_of_arrival_keeps_the_believed_samples_at_length(
    parts: list[tuple[Export, pd.DataFrame]],
) -> None:
    check_every_order_in_memory(parts)


@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
@given(overlapping())
def test_every_order_of_arrival_gives_the_same_store(
    tmp_path_factory: pytest.TempPathFactory, parts: list[tuple[Export, pd.DataFrame]]
) -> None:
    folder = tmp_path_factory.mktemp("p")
    parts = parts[:3]
    first = None
    for i, order in enumerate(permutations(parts)):
        for together in (False, True):
            got, _ = build(folder / f"{i}-{together}", list(order), together)
            first = got if first is None else first
            pd.testing.assert_frame_equal(got, first)
    assert first is not None
    assert values_of(first) == believed(parts)


def test_conflicts_are_counted_by_sample(tmp_path: Path) -> None:
    a, b = export("a", last=1), export("b", last=2)
    one = frame_of(a, [0, 1, 2], temperature_c=[1.0, 2.0, 3.0], pressure_kpa=[5.0, None, 5.0])
    two = frame_of(b, [1, 2, 3], temperature_c=[2.0, 9.0, 4.0], pressure_kpa=[6.0, 7.0, 8.0])
    for together in (False, True):
        got, conflicts = build(tmp_path / f"{together}", [(a, one), (b, two)], together)
        # at 1: temperature equal, pressure only in one; at 2: both differ
        assert conflicts == 2
        assert got["temperature_c"].tolist() == [1.0, 2.0, 9.0, 4.0]
        assert got["pressure_kpa"].tolist() == [5.0, 6.0, 7.0, 8.0]


def test_separate_loggers_for_temperature_and_pressure_keep_both_channels(tmp_path: Path) -> None:
    a, b = export("a", last=1), export("b", last=2)
    one = frame_of(a, [0, 2, 4], temperature_c=[20.0, 21.0, 22.0])
    two = frame_of(b, [1, 2, 3], pressure_kpa=[101.0, 102.0, 103.0])
    got, conflicts = build(tmp_path / "s", [(a, one), (b, two)], together=False)
    assert conflicts == 0
    assert got["temperature_c"].fillna(-1).tolist() == [20.0, -1, 21.0, -1, 22.0]
    assert got["pressure_kpa"].fillna(-1).tolist() == [-1, 101.0, 102.0, 103.0, -1]
    both = got.iloc[2]
    assert both["source"] == b.source
    assert both["channel_sources"] == f"temperature_c={a.source}"
    assert got["channel_sources"].isna().tolist() == [True, True, False, True, True]


def test_a_pressure_keeps_the_atmosphere_that_was_added_to_it(tmp_path: Path) -> None:
    a, b = export("a", last=1), export("b", last=2)
    one = frame_of(a, [0], pressure_kpa=[101.0]).assign(
        atmosphere_kpa=101.325, atmosphere_assumed=True
    )
    two = frame_of(b, [0], temperature_c=[20.0])
    for name, order in (("x", [(a, one), (b, two)]), ("y", [(b, two), (a, one)])):
        got, _ = build(tmp_path / name, order, together=False)
        assert got["atmosphere_kpa"].tolist() == [101.325]
        assert got["atmosphere_assumed"].tolist() == [True]


def test_only_overlapping_files_are_rewritten(tmp_path: Path) -> None:
    store = Store.open(tmp_path / "s", create=True)
    for i, letter in enumerate("abc"):
        fact = export(letter, last=i)
        with store.lock():
            txn = store.begin()
            at = [10 * i, 10 * i + 1, 10 * i + 2]
            frame = frame_of(fact, at, temperature_c=[1.0, 1.0, 1.0])
            txn.add_trace("u", frame, {fact.source: fact})
            txn.commit("n")
    before = [f.path for f in store.snapshot().trace_files("u")]
    assert len(before) == 3
    with store.lock():
        txn = store.begin()
        fact = export("d", last=11)
        txn.add_trace("u", frame_of(fact, [11], temperature_c=[2.0]), {fact.source: fact})
        txn.commit("n")
    after = [f.path for f in store.snapshot().trace_files("u")]
    assert [a == b for a, b in zip(after, before, strict=True)] == [True, False, True]


def test_channels_cover_the_schema() -> None:
    from chamberdrift.shared.schema import TRACES

    covered = {c for columns in CHANNELS.values() for c in columns}
    assert covered == set(TRACES.names) - {"unit_id", "logger_id", "time", "source"}
