"""Many nights with everything that goes wrong; at the end all is as if nothing had.

The long run is slow: ``CHAMBERDRIFT_SOAK=50x365 pytest -m slow tests/pipeline/night``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chamberdrift.fixtures.plan import plan_fleet
from chamberdrift.fixtures.simulator import simulate_unit
from chamberdrift.pipeline.night import run_night
from chamberdrift.pipeline.setup import init_store
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.verify import verify

from .conftest import assert_equal_tables

OVERLAP = pd.Timedelta(hours=12)
CONFIG = '[defaults]\nzone = "UTC"\npressure_reference = "absolute"\n'


def write_day(inbox: Path, unit: str, trace: pd.DataFrame, day: pd.Timestamp) -> None:
    """Write a unit's export of a day; it repeats the last half of the day before."""
    rows = trace[(trace["time"] >= day - OVERLAP) & (trace["time"] < day + pd.Timedelta(days=1))]
    if not len(rows):
        return
    text = ["time,temperature (°C)" + (",pressure (kPa abs)" if rows["pressure_kpa"].notna().any()
                                       else "")]  # fmt: skip
    stamps = rows["time"].dt.strftime("%Y-%m-%d %H:%M:%S")
    for at, t, p in zip(stamps, rows["temperature_c"], rows["pressure_kpa"], strict=True):
        text.append(f"{at},{t:.2f}" + ("" if np.isnan(p) else f",{p:.2f}"))
    folder = inbox / unit
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{unit}_{day:%Y-%m-%d}.csv").write_text("\n".join(text) + "\n", encoding="utf-8")


def write_rubbish(inbox: Path, night: int, rng: np.random.Generator) -> None:
    kinds = (
        rng.integers(0, 256, 400, dtype=np.uint8).tobytes(),
        b"time,temperature\n2026-03-02 10:00:00\n",
        b"",
        "Dear all,\nthe logger is broken.\n".encode("utf-16"),
    )
    (inbox / f"rubbish-{night}.csv").write_bytes(kinds[night % len(kinds)])


FULL_DISK = """
import errno, os, sys
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.store.location import LocalLocation

left = int(sys.argv.pop(1))

def failing(real):
    def write(self, path, data):
        global left
        left -= 1
        if left < 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(self, path, data)
    return write

LocalLocation.write = failing(LocalLocation.write)
LocalLocation.create = failing(LocalLocation.create)
cli(prog_name="chamberdrift")
"""
"""Runs the command line on a disk that is full after some files."""


def full_disk_night(inbox: Path, store: Path, as_of: pd.Timestamp, after: int) -> int:
    """Run a night that can write only so many files; return its exit code."""
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(after), "nightly", str(inbox), "--store",
         str(store), "--as-of", as_of.isoformat(), "--workers", "1", "--no-reports"],
        capture_output=True, text=True,
    )  # fmt: skip
    assert "Traceback" not in done.stderr
    if done.returncode == 1:
        assert done.stderr.startswith("Error: ")
        assert len(done.stderr.splitlines()) == 1
        assert "No space left" in done.stderr or "can't be written" in done.stderr
    return done.returncode


def killed_night(inbox: Path, store: Path, as_of: pd.Timestamp, after_s: float) -> None:
    """Start a night as a process of its own and kill it."""
    process = subprocess.Popen(
        [sys.executable, "-m", "chamberdrift", "nightly", str(inbox), "--store", str(store),
         "--as-of", as_of.isoformat(), "--workers", "1"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    time.sleep(after_s)
    process.kill()
    process.wait()


def soak(folder: Path, units: int, days: int, *, kills: int, seed: int = 21) -> None:
    rng = np.random.default_rng(seed)
    plan = plan_fleet(units, days, seed, no_pressure_share=0.0)
    traces = {u.unit.id: u.trace for u in (simulate_unit(plan, i) for i in range(units))}
    start = pd.Timestamp(plan.start)
    inbox, store = folder / "inbox", folder / "store"
    inbox.mkdir()
    settings = folder / "settings.toml"
    settings.write_text(CONFIG, encoding="utf-8")
    init_store(str(store), {}, settings=str(settings))
    kill_nights = set(rng.choice(days, min(kills, days), replace=False).tolist())
    failed = 0
    for night in range(days):
        as_of = start + pd.Timedelta(days=night + 1)
        for unit, trace in traces.items():
            write_day(inbox, unit, trace, start + pd.Timedelta(days=night))
        if night % 3 == 1:
            write_rubbish(inbox, night, rng)
        if night in kill_nights:
            killed_night(inbox, store, as_of, float(rng.uniform(0.5, 2.5)))
        if night % 4 == 2:
            failed += full_disk_night(inbox, store, as_of, int(rng.integers(0, 9))) == 1
        if night % 5 != 3:  # now and then a night is left out altogether
            run_night(str(inbox), str(store), as_of=as_of, draw=night % 7 == 6)
    end = start + pd.Timedelta(days=days)
    run_night(str(inbox), str(store), as_of=end)
    assert failed
    assert verify(Store.open(str(store))).problems == ()
    clean = folder / "clean"
    init_store(str(clean), {}, settings=str(settings))
    for path in inbox.glob("rubbish-*"):
        path.unlink()
    run_night(str(inbox), str(clean), as_of=end, draw=False)
    assert len(Store.open(str(clean)).snapshot().table("cycles")) > units * days / 2
    assert_equal_tables(store, clean)


def test_a_week_with_faults_ends_as_one_clean_run(tmp_path: Path) -> None:
    soak(tmp_path, units=2, days=8, kills=1)


@pytest.mark.slow
def test_a_long_time_with_faults_ends_as_one_clean_run(tmp_path: Path) -> None:
    units, days = (int(n) for n in os.environ.get("CHAMBERDRIFT_SOAK", "6x90").split("x"))
    soak(tmp_path, units, days, kills=days // 20)
