"""One night of a large fleet on one machine, against the floor of reading the same bytes.

Run by hand::

    python tests/benchmarks/bench_night.py --units 1000 --workers 2

Prints seconds a stage, rows a second, the greatest memory of the run with all
its workers, the ratio to pyarrow reading the same CSV bytes and writing the same
Parquet in one core in the same run, and what a night without news costs.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd
import psutil
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from chamberdrift.pipeline.night import run_night
from night_exports import templates, write_night


class Memory:
    """Watch the resident memory of this process and its children."""

    def __init__(self) -> None:
        self.most = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Memory:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        own = psutil.Process()
        while not self._stop.wait(0.1):
            total = 0
            for process in [own, *own.children(recursive=True)]:
                try:
                    total += process.memory_info().rss
                except psutil.NoSuchProcess:
                    continue
            self.most = max(self.most, total)


def processor_s() -> float:
    """Return the processor time of this process and of children that have ended [s]."""
    own, others = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return own.ru_utime + own.ru_stime + others.ru_utime + others.ru_stime


def floor(inbox: Path, out: Path) -> float:
    """Return the processor seconds pyarrow takes to read all exports and write them as Parquet."""
    types = {
        "time_utc": pa.timestamp("ms", tz="UTC"),
        "chamber_temperature_degC": pa.float64(),
        "chamber_pressure_kPa_abs": pa.float64(),
    }
    convert = pa_csv.ConvertOptions(column_types=types)
    read = pa_csv.ReadOptions(use_threads=False)
    begin = time.process_time()
    for path in sorted(inbox.rglob("*.csv")):
        table = pa_csv.read_csv(path, read_options=read, convert_options=convert)
        pq.write_table(
            table,
            out / (path.stem + ".parquet"),
            compression="zstd",
            use_dictionary=False,
            column_encoding={"time_utc": "DELTA_BINARY_PACKED"},
        )
    return time.process_time() - begin


def main() -> None:
    """Run the benchmark and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=1000)
    parser.add_argument("--cycles", type=int, default=6)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--nights", type=int, default=2)
    options = parser.parse_args()
    made = templates()
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        inbox, store, plain = root / "inbox", root / "store", root / "plain"
        inbox.mkdir()
        plain.mkdir()
        first = pd.Timestamp("2026-03-02", tz="UTC")
        for night in range(options.nights):
            day = first + pd.Timedelta(days=night)
            rows = write_night(
                inbox, made, units=options.units, cycles=options.cycles, day=day, seed=night
            )
            as_of = datetime.fromtimestamp((day + pd.Timedelta(days=1)).timestamp(), UTC)
            with Memory() as memory:
                begin, worked = time.perf_counter(), processor_s()
                summary = run_night(
                    str(inbox), str(store), as_of=as_of, workers=options.workers, draw=False
                )  # fmt: skip
                spent, busy = time.perf_counter() - begin, processor_s() - worked
            stages = {k: round(v, 1) for k, v in summary.seconds.items()}
            print(
                f"night {night + 1}: {rows:,} rows in {spent:.1f} s, {rows / spent:,.0f} rows/s, "
                f"processor {busy:.1f} s, "
                f"memory {memory.most / 2**20:,.0f} MiB, stages [s]: {stages}",
                flush=True,
            )
            if night == 0:
                least = floor(inbox, plain)
                print(
                    f"floor (pyarrow, one core): processor {least:.1f} s; the night took "
                    f"{busy / least:.1f} times as much processor time, {spent / least:.1f} times "
                    f"as long with {options.workers} workers",
                    flush=True,
                )
        begin = time.perf_counter()
        run_night(str(inbox), str(store), as_of=as_of, workers=options.workers, draw=False)
        print(f"a night without news: {time.perf_counter() - begin:.2f} s")
        print(f"cycles found in the last night: {summary.new_cycles}")


if __name__ == "__main__":
    main()
