"""Nights on end with everything that goes wrong; at the end all is as if nothing had.

A year of 50 units, by hand (long: leave it in the background):

    python tests/pipeline/night/soak.py --units 50 --nights 365 --folder FOLDER

Where time runs out, kill it and let the nights that were run be looked at:

    python tests/pipeline/night/soak.py --finish --folder FOLDER
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from chamberdrift.fixtures.plan import DEFAULT_START
from chamberdrift.pipeline.compact import compact
from chamberdrift.pipeline.night import run_night
from chamberdrift.pipeline.setup import init_store
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.verify import verify

if __package__:
    from .soak_exports import config_text, stage_exports, write_rubbish, write_service_log
else:
    from soak_exports import (  # type: ignore[import-not-found,no-redef]
        config_text,
        stage_exports,
        write_rubbish,
        write_service_log,
    )

COMPARED = ("cycles", "judgements", "flags", "residuals", "service")
ASLEEP = 7
"""Nights on end in which the machine does not run, once."""

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


@dataclass
class SoakResult:
    """What was done, and how the store ended."""

    units: int
    nights: int
    files: int = 0
    rows: int = 0
    late: int = 0
    sent_again: int = 0
    with_spoilt_rows: int = 0
    rubbish: int = 0
    nights_run: int = 0
    nights_left_out: int = 0
    kills: int = 0
    kills_before_the_end: int = 0
    full_disks: int = 0
    full_disks_that_failed: int = 0
    compactions: int = 0
    commits: int = 0
    cycles: int = 0
    flags: int = 0
    superseded: int = 0
    problems: list[str] = field(default_factory=list)
    unequal: dict[str, str] = field(default_factory=dict)
    """By table, the first difference from a single clean run."""
    seconds: dict[str, float] = field(default_factory=dict)

    @property
    def clean(self) -> bool:
        """Whether nothing that went wrong can be seen."""
        return not self.problems and not self.unequal


def full_disk_night(inbox: Path, store: Path, as_of: pd.Timestamp, after: int) -> bool:
    """Run a night that can write only so many files; return whether it failed, by one line."""
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(after), *night_arguments(inbox, store, as_of)],
        capture_output=True,
        text=True,
    )
    assert "Traceback" not in done.stderr, done.stderr
    if done.returncode != 1:
        return False
    assert done.stderr.startswith("Error: "), done.stderr
    assert len(done.stderr.splitlines()) == 1, done.stderr
    assert "No space left" in done.stderr or "can't be written" in done.stderr, done.stderr
    return True


def killed_night(inbox: Path, store: Path, as_of: pd.Timestamp, after_s: float) -> bool:
    """Start a night as a process of its own and kill it; return whether it was still at it."""
    process = subprocess.Popen(
        [sys.executable, "-m", "chamberdrift", *night_arguments(inbox, store, as_of)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    time.sleep(after_s)
    process.kill()
    return process.wait() < 0


def night_arguments(inbox: Path, store: Path, as_of: pd.Timestamp) -> list[str]:
    """Return the command line of a night."""
    words = ["nightly", str(inbox), "--store", str(store), "--as-of", as_of.isoformat()]
    return [*words, "--workers", "1", "--no-reports"]


def arrive(folder: Path, inbox: Path, night: int) -> None:
    """Move the exports of a night into the inbox."""
    for path in sorted((folder / "staged" / f"{night:04d}").glob("*/*.csv")):
        target = inbox / path.parent.name
        target.mkdir(exist_ok=True)
        path.rename(target / path.name)


def soak(
    folder: Path,
    units: int,
    nights: int,
    *,
    seed: int = 21,
    tell: Callable[[str], None] = lambda _: None,
) -> SoakResult:
    """Run a fleet night by night with faults of every kind, then once without.

    Parameters
    ----------
    folder
        Holds the exports and both stores; empty.
    tell
        Gets a line of progress now and then.
    """
    result = SoakResult(units, nights)
    begun = time.monotonic()
    staged = stage_exports(folder, units, nights, seed)
    result.files, result.rows = staged.files, staged.rows
    result.late, result.sent_again = staged.late, staged.again
    result.with_spoilt_rows = staged.spoilt
    result.seconds["exports"] = time.monotonic() - begun
    tell(f"{staged.files} exports of {staged.rows} rows are made")
    rng = np.random.default_rng(seed)
    inbox, store = folder / "inbox", folder / "store"
    inbox.mkdir()
    settings = folder / "settings.toml"
    settings.write_text(config_text(staged.plan), encoding="utf-8")
    init_store(str(store), {}, settings=str(settings))
    asleep = range(nights // 2, nights // 2 + min(ASLEEP, nights // 4))
    start = pd.Timestamp(staged.plan.start)
    begun = time.monotonic()
    for night in range(nights):
        as_of = start + pd.Timedelta(days=night + 1)
        arrive(folder, inbox, night)
        write_service_log(inbox, staged.service, as_of)
        if night % 3 == 1:
            write_rubbish(inbox, night, rng)
            result.rubbish += 1
        if night in asleep or night % 11 == 8 or not any(inbox.glob("*/*.csv")):
            result.nights_left_out += 1
            continue
        if night % 8 == 3:
            alive = killed_night(inbox, store, as_of, float(rng.uniform(0.4, 6.0)))
            result.kills += 1
            result.kills_before_the_end += alive
        if night % 8 in (2, 6):
            failed = full_disk_night(inbox, store, as_of, int(rng.integers(0, 24)))
            result.full_disks += 1
            result.full_disks_that_failed += failed
        last = time.monotonic()
        run_night(str(inbox), str(store), as_of=as_of, draw=night % 30 == 29)
        result.nights_run += 1
        if night % 40 == 18:
            compact(Store.open(str(store)))
            result.compactions += 1
        if night % 10 == 0:
            tell(f"night {night}: {time.monotonic() - last:.1f} s")
    result.seconds["nights"] = time.monotonic() - begun
    finish(folder, start + pd.Timedelta(days=nights), result, tell)
    return result


def finish(
    folder: Path, end: pd.Timestamp, result: SoakResult, tell: Callable[[str], None]
) -> None:
    """Run a last night, verify, and hold the store against a single clean run."""
    inbox, store = folder / "inbox", folder / "store"
    run_night(str(inbox), str(store), as_of=end, draw=False)
    begun = time.monotonic()
    result.problems = list(verify(Store.open(str(store))).problems)
    result.seconds["verify"] = time.monotonic() - begun
    tell(f"verify: {len(result.problems)} problems")
    begun = time.monotonic()
    clean = folder / "clean"
    shutil.rmtree(clean, ignore_errors=True)
    init_store(str(clean), {}, settings=str(folder / "settings.toml"))
    for path in inbox.glob("rubbish-*"):
        path.unlink()
    run_night(str(inbox), str(clean), as_of=end, draw=False)
    result.seconds["clean run"] = time.monotonic() - begun
    compare(store, clean, result)


def finish_early(folder: Path, tell: Callable[[str], None]) -> SoakResult:
    """Look at the nights that were run before a soak was killed."""
    waiting = [int(p.parts[-3]) for p in folder.glob("staged/*/*/*.csv")]
    nights = min(waiting, default=len(list((folder / "staged").iterdir())))
    result = SoakResult(len(list((folder / "inbox").glob("*/"))), nights)
    result.files = len(list((folder / "inbox").glob("*/*.csv")))
    result.rubbish = len(list((folder / "inbox").glob("rubbish-*")))
    tell(f"{nights} nights were run")
    finish(folder, pd.Timestamp(DEFAULT_START) + pd.Timedelta(days=nights), result, tell)
    return result


def compare(store: Path, clean: Path, result: SoakResult) -> None:
    """Hold the final tables against those of a clean run.

    Flags that were shown before late exports came stay, closed as superseded, and so do the
    lower severities that they rose from.
    """
    snapshot, other = (Store.open(str(s)).snapshot() for s in (store, clean))
    result.commits = snapshot.commit
    for name in COMPARED:
        one, two = snapshot.table(name), other.table(name)
        if name == "cycles":
            result.cycles = len(one)
        if name == "flags":
            superseded = one["close_reason"].fillna("") == "superseded"
            result.superseded = int(superseded.sum())
            taken_back = one.loc[superseded, ["flag_id", "first_seen"]].apply(tuple, axis=1)
            rose = one[["flag_id", "closed_at"]].apply(tuple, axis=1).isin(list(taken_back))
            one = one[~superseded & ~(rose & (one["close_reason"] == "risen").fillna(False))]
            one = one.reset_index(drop=True)
            result.flags = len(one)
        drop = [c for c in ("recorded_at", "aliases") if c in one]
        try:
            pd.testing.assert_frame_equal(one.drop(columns=drop), two.drop(columns=drop))
        except AssertionError as error:
            result.unequal[name] = str(error)[:400]
    for unit in snapshot.unit_ids():
        if not snapshot.trace(unit).equals(other.trace(unit)):
            result.unequal[f"trace of {unit}"] = "samples differ"


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--units", type=int, default=50)
    parser.add_argument("--nights", type=int, default=365)
    parser.add_argument("--seed", type=int, default=21)
    parser.add_argument("--folder", type=Path, required=True)
    parser.add_argument("--finish", action="store_true")
    options = parser.parse_args()
    if options.finish:
        result = finish_early(options.folder, lambda line: print(line, flush=True))
        print(json.dumps(asdict(result), indent=2))
        sys.exit(0 if result.clean else 1)
    shutil.rmtree(options.folder, ignore_errors=True)
    options.folder.mkdir(parents=True)
    result = soak(
        options.folder, options.units, options.nights, seed=options.seed,
        tell=lambda line: print(line, flush=True),
    )  # fmt: skip
    print(json.dumps(asdict(result), indent=2))
    sys.exit(0 if result.clean else 1)


if __name__ == "__main__":
    main()
