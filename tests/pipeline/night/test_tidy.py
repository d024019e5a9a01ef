"""Months with many small files are joined within a night's commit, a few units a night."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
from chamberdrift.pipeline.compact import adjacent, compact
from chamberdrift.pipeline.night import publish, working
from chamberdrift.pipeline.store import Snapshot, Store
from chamberdrift.pipeline.store.entries import TraceFile
from chamberdrift.pipeline.store.keys import trace_parts
from chamberdrift.pipeline.tidy import MOST_FILES, SHARE, tidy
from chamberdrift.pipeline.verify import verify

UNITS = [f"u{i}" for i in range(8)]
NIGHTS = 40
START = pd.Timestamp("2026-01-20", tz="UTC")


def samples(unit: str, day: int) -> pd.DataFrame:
    time = START + pd.Timedelta(days=day, hours=8) + pd.to_timedelta(np.arange(30), unit="s")
    return pd.DataFrame(
        {
            "unit_id": unit,
            "time": time.astype("datetime64[ms, UTC]"),
            "temperature_c": 20.0 + np.arange(30) + day,
            "source": f"{day:016x}",
        }
    )


def crowd(snapshot: Snapshot) -> dict[tuple[str, str], int]:
    counts: dict[tuple[str, str], int] = {}
    for file in snapshot.all_trace_files():
        counts[trace_parts(file.path)] = counts.get(trace_parts(file.path), 0) + 1
    return counts


def test_months_stay_short_and_samples_as_they_are(tmp_path: Path) -> None:
    store = Store.open(str(tmp_path / "s"), create=True)
    joined = []
    for day in range(NIGHTS):
        with store.lock(), working(store, None) as work:
            for unit in UNITS:
                work.txn.add_trace(unit, samples(unit, day))
            before = len(work.txn.preview().all_trace_files())
            joined.append(tidy(work, UNITS))
            work.changed = True
            publish(work, f"night {day}")
        after = len(store.snapshot().all_trace_files())
        assert before - after < MOST_FILES * 2 * len(UNITS) / SHARE
    snapshot = store.snapshot()
    assert max(crowd(snapshot).values()) <= MOST_FILES + SHARE + 1
    assert sum(n > 0 for n in joined) > SHARE
    for unit in UNITS:
        whole = pd.concat([samples(unit, d) for d in range(NIGHTS)], ignore_index=True)
        found = snapshot.trace(unit)
        assert len(found) == len(whole)
        assert found["temperature_c"].tolist() == whole["temperature_c"].tolist()
        assert found["source"].tolist() == whole["source"].tolist()
    assert snapshot.unit_spans()["u0"].rows == 30 * NIGHTS


def test_a_run_that_fails_after_joining_leaves_all_as_it_was(tmp_path: Path) -> None:
    store = Store.open(str(tmp_path / "s"), create=True)
    for day in range(MOST_FILES):
        with store.lock():
            txn = store.begin()
            txn.add_trace("a", samples("a", day))
            txn.commit("night")
    before = sorted(p for p in (tmp_path / "s" / "traces").rglob("*") if p.is_file())
    try:
        with store.lock(), working(store, None) as work:
            work.txn.add_trace("a", samples("a", MOST_FILES))
            assert tidy(work, ["a"]) == MOST_FILES
            raise KeyboardInterrupt
    except KeyboardInterrupt:
        pass
    assert sorted(p for p in (tmp_path / "s" / "traces").rglob("*") if p.is_file()) == before
    assert len(store.snapshot().trace("a")) == 30 * MOST_FILES


def test_files_on_both_sides_of_a_late_one_stay_apart(tmp_path: Path) -> None:
    """The late file is written in the night that joins the others: it lies between them."""
    store = Store.open(str(tmp_path / "s"), create=True)
    late, days = 4, MOST_FILES + 2
    arrivals = [[d] for d in range(days) if d != late]
    arrivals[-1] = [late, days - 1]
    for number, arrived in enumerate(arrivals):
        with store.lock(), working(store, None) as work:
            for day in arrived:
                work.txn.add_trace("u0", samples("u0", day))
            joined = tidy(work, ["u0"])
            work.changed = True
            publish(work, f"night {number}")
    assert joined == MOST_FILES
    whole = pd.concat([samples("u0", d) for d in range(days)], ignore_index=True)
    assert store.snapshot().trace("u0")["time"].tolist() == whole["time"].tolist()
    compact(store)
    assert store.snapshot().trace("u0")["time"].tolist() == whole["time"].tolist()
    found = verify(store).problems  # these samples came past intake: that it says
    assert not [p for p in found if "order of time" in p or "overlap" in p or "log says" in p]
    files = sorted(store.snapshot().all_trace_files(), key=lambda f: f.low)
    assert all(a.high < b.low for a, b in pairwise(files))


def test_large_files_between_small_ones_keep_them_apart() -> None:
    def file(name: str, rows: int, low: int) -> TraceFile:
        return TraceFile(name, rows, 1, "", low, low + 9)

    files = [file("a", 5, 0), file("b", 5, 10), file("big", 99, 20), file("c", 5, 30)]
    files.append(file("d", 5, 40))
    small = {"a", "b", "c", "d"}
    assert [[f.path for f in g] for g in adjacent(files, small, 50)] == [["a", "b"], ["c", "d"]]
    assert [[f.path for f in g] for g in adjacent(files, small, 5)] == []
