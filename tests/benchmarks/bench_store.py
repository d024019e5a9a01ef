"""What a night costs the store as history grows, and a look through an unchanged inbox.

Run by hand: ``python tests/benchmarks/bench_store.py [UNITS] [FOLDER]``. Every
figure stands beside a floor measured in the same run: the same samples written
by pyarrow into one file, and a bare look at the same files.
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from chamberdrift.pipeline.inbox import find_news, inbox_key, scan, seen_rows
from chamberdrift.pipeline.store import Export, Store
from chamberdrift.pipeline.store.location import LocalLocation

START = pd.Timestamp("2023-01-01", tz="UTC")
HISTORIES = (30, 365, 1095)
SAMPLES_A_NIGHT = 4000
CYCLES_A_NIGHT = 6
INBOX_FILES = 20_000
MEASURED_NIGHTS = 5


class Counter:
    """Counts files opened for reading."""

    def __init__(self) -> None:
        self.opened = 0
        read, open_file = LocalLocation.read, LocalLocation.open_file

        def counted_read(place: LocalLocation, path: str) -> bytes:
            self.opened += 1
            return read(place, path)

        def counted_open(place: LocalLocation, path: str) -> Any:
            self.opened += 1
            return open_file(place, path)

        setattr(LocalLocation, "read", counted_read)  # noqa: B010
        setattr(LocalLocation, "open_file", counted_open)  # noqa: B010


def samples_of(unit: str, day: int, rng: np.random.Generator) -> pd.DataFrame:
    """One unit's samples of one day."""
    time_ms = (START + pd.Timedelta(days=day)).value // 10**6
    at = time_ms + 8 * 3_600_000 + np.arange(SAMPLES_A_NIGHT) * 1000
    swing = 60 + 50 * np.sin(np.arange(SAMPLES_A_NIGHT) / 200)
    return pd.DataFrame(
        {
            "unit_id": unit,
            "time": pd.to_datetime(at, unit="ms", utc=True).astype("datetime64[ms, UTC]"),
            "temperature_c": np.round(swing + rng.normal(0, 0.1, SAMPLES_A_NIGHT), 1),
            "pressure_kpa": np.round(101 + swing + rng.normal(0, 0.2, SAMPLES_A_NIGHT), 1),
            "source": f"{day:016x}",
        }
    )


def cycles_of(units: list[str], day: int) -> pd.DataFrame:
    """All units' cycles of one day."""
    starts = [
        START + pd.Timedelta(days=day, hours=8, minutes=70 * k) for k in range(CYCLES_A_NIGHT)
    ]
    rows = [(u, s) for u in units for s in starts]
    return pd.DataFrame(
        {
            "cycle_id": [f"{u}@{s.isoformat()}" for u, s in rows],
            "unit_id": [u for u, _ in rows],
            "kind": "sterilization",
            "started_at": [s for _, s in rows],
            "f0_min": np.arange(len(rows), dtype=float),
            "exposure_s": np.arange(len(rows), dtype=float),
        }
    )


def night(store: Store, units: list[str], day: int) -> tuple[float, float, pa.Table]:
    """Add a day; return seconds, processor seconds and the samples."""
    rng = np.random.default_rng([1, day])
    frames = {u: samples_of(u, day, rng) for u in units}
    cycles = cycles_of(units, day)
    began, worked = time.perf_counter(), time.process_time()
    store = Store.open(store.location)
    with store.lock():
        snapshot = store.snapshot()
        txn = store.begin(snapshot)
        for unit, frame in frames.items():
            source = frame["source"].iloc[0]
            txn.add_trace(unit, frame, {source: Export(source, None, 0, len(frame))})
        view = txn.preview()
        states = view.states([f"resume-{u}" for u in units])
        since = START + pd.Timedelta(days=day, hours=-12)
        today = since + pd.Timedelta(hours=12)
        for unit in units:
            view.trace(unit, start=since)
        view.table("cycles", since=since)
        txn.replace_since_many("cycles", cycles, dict.fromkeys(units, today))
        txn.put_states({f"resume-{u}": {"day": day, "was": len(states)} for u in units})
        txn.commit(f"day {day}")
    seconds, busy = time.perf_counter() - began, time.process_time() - worked
    return seconds, busy, pa.Table.from_pandas(pd.concat(frames.values()), preserve_index=False)


def growth(units: list[str], folder: Path) -> None:
    """Print what a night costs after each length of history."""
    store = Store.open(folder / "store", create=True)
    counter = Counter()
    print(
        f"{len(units)} units, {SAMPLES_A_NIGHT} samples and {CYCLES_A_NIGHT} cycles each a night"
    )
    print("history/d  processor/s  floor processor/s  ratio  wall/s  files opened  opening/s")
    fsync = os.fsync
    day = 0
    for history in HISTORIES:
        setattr(os, "fsync", lambda handle: None)  # noqa: B010 - only while history is made
        while day < history:
            night(store, units, day)
            day += 1
        setattr(os, "fsync", fsync)  # noqa: B010
        seconds, busy, opened, floors = [], [], [], []
        for _ in range(MEASURED_NIGHTS):
            counter.opened = 0
            took, worked, table = night(store, units, day)
            day += 1
            seconds.append(took)
            busy.append(worked)
            opened.append(counter.opened)
            began = time.process_time()
            pq.write_table(table, folder / "floor.parquet", compression="zstd")
            floors.append(time.process_time() - began)
        began = time.perf_counter()
        Store.open(store.location).snapshot()
        opening = time.perf_counter() - began
        middle, floor = statistics.median(busy), statistics.median(floors)
        print(
            f"{history:9d}  {middle:11.3f}  {floor:15.3f}  {middle / floor:5.1f}"
            f"  {statistics.median(seconds):7.3f}  {statistics.median(opened):12.0f}"
            f"  {opening:9.4f}",
            flush=True,
        )
    files = len(store.snapshot().all_trace_files())
    size = sum(f.bytes for f in store.place.walk())
    print(f"trace files {files}, store {size / 1e6:.1f} MB, {store.snapshot().commit} commits")


def unchanged_inbox(folder: Path) -> None:
    """Print how fast an unchanged inbox is looked through."""
    inbox = folder / "inbox"
    for i in range(INBOX_FILES):
        path = inbox / f"site-{i % 50:02d}" / f"unit-{i % 500:03d}-{i:06d}.csv"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
        os.utime(path, (1_700_000_000, 1_700_000_000))
    store = Store.open(folder / "store2", create=True)
    key = inbox_key(LocalLocation(str(inbox)))
    looked = scan(inbox)
    with store.lock():
        txn = store.begin()
        rows = seen_rows([(f, f"{i:064x}") for i, f in enumerate(looked.files)], key, 2 * 10**18)
        txn.replace_many("seen", rows, rows["path"])
        txn.commit("seen")
    began = time.perf_counter()
    news = find_news(scan(inbox), key, store.snapshot())
    took = time.perf_counter() - began
    assert news.unchanged == INBOX_FILES
    began = time.perf_counter()
    bare = sum(e.stat().st_size for d in os.scandir(inbox) for e in os.scandir(d.path))
    floor = time.perf_counter() - began
    assert bare == INBOX_FILES
    print(
        f"unchanged inbox: {INBOX_FILES} files in {took:.2f} s, "
        f"{INBOX_FILES / took:,.0f} files/s; "
        f"a bare look {INBOX_FILES / floor:,.0f} files/s, ratio {took / floor:.1f}"
    )


def main() -> None:
    """Run both."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    base = sys.argv[2] if len(sys.argv) > 2 else None
    with tempfile.TemporaryDirectory(dir=base) as folder:
        unchanged_inbox(Path(folder))
        growth([f"unit-{i:03d}" for i in range(count)], Path(folder))


if __name__ == "__main__":
    main()
