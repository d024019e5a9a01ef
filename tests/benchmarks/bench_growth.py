"""What one whole night costs after 30, 365 and 1,095 days of history.

Run by hand::

    python tests/benchmarks/bench_growth.py [--units 12] [--cycles 4]

History is cycles and intake rows, written straight into the store with a commit
every five days, their samples forgotten (``bench_store.py`` has the growth of samples). What is
measured are whole nights of one day, from the look at the inbox to the fleet's report,
after two that are not. An ordinary night is the median of five; the first night of a
month, which fits references and forests, stands apart, and so do nights with one late
export: of three days before, and of the last day of the month before.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import statistics
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
from bench_judge import table
from chamberdrift.pipeline.night import run_night
from chamberdrift.pipeline.retention import STATE as RETENTION
from chamberdrift.pipeline.settings import write_settings
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.store.location import LocalLocation
from chamberdrift.shared.config import Config, Site, Unit
from chamberdrift.shared.config_template import render_config
from chamberdrift.shared.schema import CYCLES, INTAKE
from night_exports import templates, write_night

FIRST = pd.Timestamp("2023-01-01", tz="UTC")
HISTORIES = (30, 365, 1095)
COMMIT_DAYS = 5
ORDINARY = 5
WARM = 2
LATE_DAYS = 3
KEPT_DAYS = 30
EVERY_S = 10
HELD = "unit-0001"


class Reads:
    """Counts files of the store opened for reading, and folders listed."""

    def __init__(self) -> None:
        self.opened = 0
        self.listed = 0
        for name, counter in (
            ("read", "opened"),
            ("open_file", "opened"),
            ("names", "listed"),
        ):
            self._count(name, counter)

    def _count(self, name: str, counter: str) -> None:
        original = getattr(LocalLocation, name)

        def counted(place: LocalLocation, path: str) -> Any:
            setattr(self, counter, getattr(self, counter) + 1)
            return original(place, path)

        setattr(LocalLocation, name, counted)


@dataclass
class Night:
    """One measured night."""

    seconds: float
    busy: float
    stages: dict[str, float]
    opened: int
    listed: int
    cycles: int


class Fleet:
    """A store with some days of history."""

    def __init__(self, root: Path, units: int, cycles: int, days: int, reads: Reads) -> None:
        self.inbox, self.store = root / "inbox", root / "store"
        self.inbox.mkdir(parents=True)
        self.made, self.units, self.cycles = templates(), units, cycles
        self.day = days
        self.reads = reads
        self.held: list[tuple[Path, bytes]] = []
        names = [f"unit-{i:04d}" for i in range(units)]
        config = Config(
            sites=tuple(Site(f"s{i}") for i in range(-(-units // 4))),
            units=tuple(Unit(n, site=f"s{i // 4}", type="t") for i, n in enumerate(names)),
        )
        store = Store.open(str(self.store), create=True)
        write_settings(store.place, render_config(config))
        self._write_history(store, names)

    def _write_history(self, store: Store, names: list[str]) -> None:
        """Write what nights would have left, a few days a commit."""
        cycles = table(self.units, self.day, self.cycles)
        old = sorted(set(cycles["unit_id"]))
        cycles["unit_id"] = cycles["unit_id"].map(dict(zip(old, names, strict=True)))
        shift = FIRST - cycles["started_at"].min().normalize()
        for column in ("started_at", "ended_at"):
            cycles[column] = cycles[column] + shift
        cycles["cycle_id"] = (
            cycles["unit_id"] + "@" + cycles["started_at"].dt.strftime("%Y%m%dT%H%M%SZ")
        )
        cycles = CYCLES.conform(cycles)
        days = cycles["started_at"].dt.floor(f"{COMMIT_DAYS}D")
        fsync = os.fsync
        setattr(os, "fsync", lambda handle: None)  # noqa: B010 - only while history is made
        with store.lock():
            for day, own in cycles.groupby(days, sort=True):
                txn = store.begin()
                txn.append("cycles", own)
                for k in range(COMMIT_DAYS):
                    at = pd.Timestamp(day) + pd.Timedelta(days=k)
                    txn.append("intake", self._exports(names, at))
                txn.commit("history")
            txn = store.begin()
            txn.put_state(RETENTION, {"before_ms": int(self._today().value // 1_000_000)})
            txn.commit("samples forgotten")
        setattr(os, "fsync", fsync)  # noqa: B010

    @staticmethod
    def _exports(names: list[str], day: pd.Timestamp) -> pd.DataFrame:
        rows = [
            {
                "export": f"{n}/{n}_{day:%Y-%m-%d}.csv",
                "sha256": hashlib.sha256(f"{n}{day}".encode()).hexdigest(),
                "bytes": 30_000,
                "layout": "made up",
                "unit_ids": n,
                "outcome": "accepted",
                "reason": "",
                "rows_read": 1000,
                "rows_kept": 1000,
                "rows_dropped": 0,
                "dropped_by_reason": "{}",
                "conflicts": 0,
                "first_time": day,
                "last_time": day + pd.Timedelta(hours=20),
                "recorded_at": day + pd.Timedelta(days=1),
                "samples": 1000,
                "samples_shared": 0,
            }
            for n in names
        ]
        frame = pd.DataFrame(rows)
        for column in ("first_time", "last_time", "recorded_at"):
            frame[column] = frame[column].astype("datetime64[ms, UTC]")
        return INTAKE.conform(frame)

    def night(self, days: int = 1, *, draw: bool = True, hold: bool = False) -> Night:
        """Write the exports of some days and run a night over them.

        Parameters
        ----------
        hold
            One unit's exports of these days do not come yet; see ``release``.
        """
        for _ in range(days):
            write_night(
                self.inbox,
                self.made,
                units=self.units,
                cycles=self.cycles,
                day=FIRST + pd.Timedelta(days=self.day),
                seed=self.day,
                every_s=EVERY_S,
            )
            if hold:
                self._hold()
            self.day += 1
        end = FIRST + pd.Timedelta(days=self.day)
        for path in self.inbox.rglob("*.csv"):
            stamp = pd.Timestamp(path.stem.rpartition("_")[2], tz="UTC")
            if stamp < end - pd.Timedelta(days=KEPT_DAYS):
                path.unlink()
        self.reads.opened = self.reads.listed = 0
        begun, worked = time.perf_counter(), time.process_time()
        summary = run_night(
            str(self.inbox),
            str(self.store),
            as_of=datetime.fromtimestamp(end.timestamp(), UTC),
            draw=draw,
        )
        return Night(
            time.perf_counter() - begun,
            time.process_time() - worked,
            dict(summary.seconds),
            self.reads.opened,
            self.reads.listed,
            summary.new_cycles,
        )

    def _hold(self) -> None:
        day = FIRST + pd.Timedelta(days=self.day)
        for path in sorted(self.inbox.rglob(f"*{HELD}*{day:%Y-%m-%d}*.csv")):
            self.held.append((path, path.read_bytes()))
            path.unlink()

    def release(self) -> None:
        """Let exports come that were held."""
        assert self.held
        for path, data in self.held:
            path.write_bytes(data)
        self.held = []

    def _today(self) -> pd.Timestamp:
        return FIRST + pd.Timedelta(days=self.day)

    def next_month(self) -> int:
        """Return the number of days until a month's first day is a whole night's news."""
        today = self._today()
        return int((today + pd.offsets.MonthBegin(0) - today) / pd.Timedelta(days=1))


def show(history: int, what: str, nights: list[Night]) -> None:
    """Print one line of the curve."""
    busy = statistics.median(n.busy for n in nights)
    wall = statistics.median(n.seconds for n in nights)
    stages = {k: statistics.median(n.stages.get(k, 0.0) for n in nights) for k in nights[0].stages}
    opened = statistics.median(n.opened for n in nights)
    listed = statistics.median(n.listed for n in nights)
    said = " ".join(f"{k} {v:.2f}" for k, v in stages.items())
    print(
        f"{history:9d}  {what:<14} {busy:8.2f} {wall:8.2f} {opened:8.0f} {listed:6.0f}  {said}",
        flush=True,
    )


def main() -> None:
    """Print the curve."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=12)
    parser.add_argument("--cycles", type=int, default=4)
    parser.add_argument("--histories", type=int, nargs="*", default=list(HISTORIES))
    options = parser.parse_args()
    print(f"{options.units} units, {options.cycles} cycles a day at {EVERY_S} s, one process")
    print("history/d  night            busy/s   wall/s   opened listed  stages [s, wall]")
    reads = Reads()
    for history in options.histories:
        with tempfile.TemporaryDirectory() as name:
            fleet = Fleet(Path(name), options.units, options.cycles, history, reads)
            for _ in range(WARM):
                fleet.night()
            while fleet.next_month() < ORDINARY:
                fleet.night()
            show(fleet.day, "ordinary", [fleet.night() for _ in range(ORDINARY)])
            if fleet.next_month() < LATE_DAYS + 2:  # not over a month's end
                fleet.night(fleet.next_month() + 1)
            fleet.night(hold=True)
            for _ in range(LATE_DAYS - 1):
                fleet.night()
            fleet.release()
            show(fleet.day, "late", [fleet.night()])
            while fleet.next_month() > 1:
                fleet.night(fleet.next_month() - 1)
            fleet.night(hold=True)
            show(fleet.day, "month begins", [fleet.night()])
            fleet.release()
            show(fleet.day, "late by month", [fleet.night()])
            snapshot = Store.open(str(fleet.store)).snapshot()
            count = len(snapshot.table("cycles", columns=["cycle_id"]))
            size = sum(f.bytes for f in snapshot.place.walk())
            print(f"{'':9}  {count:,} cycles, {size / 1e6:.1f} MB, {snapshot.commit} commits")


if __name__ == "__main__":
    main()
