"""Kill a night at chosen steps and see what is left: a program of its own.

``python crash_runs.py FOLDER SEED COUNT`` prints one JSON line. It forks a
process a night, which counts its steps on the disk and kills itself with
signal 9 at one of them: before the step, or for a write in its midst.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1]))

import pandas as pd
import plain_reader  # type: ignore[import-not-found]
from chamberdrift.pipeline import ingest
from chamberdrift.pipeline.compact import compact, find_orphans
from chamberdrift.pipeline.intake import ingest_inbox
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.verify import verify
from chamberdrift.shared.config import Config, Defaults
from kill_steps import Steps, in_child, kill_each  # type: ignore[import-not-found]

ingest.read_export = plain_reader.read_export
setattr(os, "fsync", lambda handle: None)  # noqa: B010 - kill -9 loses nothing that the system holds

TABLES = ("intake", "refused", "cycles", "states")


def write(path: Path, unit: str, start: str, count: int, value: float, first: str = "") -> None:
    at = pd.date_range(start, periods=count, freq="s", tz="UTC")
    text = first + "unit,time,temperature,pressure\n"
    text += "".join(f"{unit},{t.isoformat()},{value},\n" for t in at)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    os.utime(path, (1_700_000_000, 1_700_000_000))


def prepare(root: Path) -> None:
    """Make a store with one night and an inbox with a second night's news."""
    inbox = root / "inbox"
    write(inbox / "a/1.csv", "a", "2026-01-31 23:59:50", 20, 20.0)
    write(inbox / "b/1.csv", "b", "2026-01-31", 20, 20.0)
    write(inbox / "c/1.csv", "c", "2026-01-31", 20, 20.0, "refuse zone\n")
    night(root, Config())
    write(inbox / "a/2.csv", "a", "2026-02-01 00:00:05", 20, 21.0)
    write(inbox / "a/copy.csv", "a", "2026-02-01 00:00:05", 20, 21.0)
    write(inbox / "b/2.csv", "b", "2026-02-01", 20, 20.0)
    write(inbox / "d/1.csv", "d", "2026-02-01", 20, 20.0, "refuse other\n")
    (inbox / "bad.csv").write_text("stumble")
    os.utime(inbox / "bad.csv", (1_700_000_000, 1_700_000_000))


def night(root: Path, config: Config) -> None:
    store = Store.open(root / "store", create=True)
    with store.lock():
        snapshot = store.snapshot()
        txn = store.begin(snapshot)
        result = ingest_inbox(
            root / "inbox",
            store,
            config,
            txn=txn,
            snapshot=snapshot,
            recorded_at=pd.Timestamp("2026-03-01", tz="UTC"),
        )
        for unit in result.units:
            trace = txn.preview().trace(unit)
            rows = {
                "cycle_id": [f"{unit}@{trace['time'].iloc[0].isoformat()}"],
                "unit_id": [unit],
                "kind": ["unknown"],
                "started_at": [trace["time"].iloc[0]],
                "exposure_s": [float(len(trace))],
            }
            txn.replace("cycles", unit, pd.DataFrame(rows))
            txn.put_state(f"resume-{unit}", {"rows": len(trace)})
        txn.commit("night")


def content(root: Path) -> dict[str, Any]:
    snapshot = Store.open(root / "store").snapshot()
    found = {n: snapshot.table(n).to_csv(index=False) for n in TABLES}
    for unit in snapshot.unit_ids():
        found[f"trace {unit}"] = snapshot.trace(unit, provenance=True).to_csv(index=False)
    return found


def report(folder: Path, seed: int, count: int) -> dict[str, Any]:
    base = folder / "base"
    config = Config(defaults=Defaults(zone="Europe/Oslo"))
    in_child(lambda: prepare(base))
    clean = folder / "clean"
    shutil.copytree(base, clean, copy_function=shutil.copy2)
    steps = folder / "steps"

    def counted_night() -> None:
        counter = Steps(-1)
        counter.install()
        night(clean, config)
        steps.write_text(str(counter.done))

    assert in_child(counted_night) == 0
    total = int(steps.read_text())

    def judge(root: Path) -> tuple[str, list[str]]:
        """What is seen after the kill, and after the next run."""
        seen = content(root)
        state = (
            "before" if seen == content(base) else "after" if seen == content(clean) else "mixed"
        )
        night(root, config)
        problems = list(verify(Store.open(root / "store")).problems)
        if content(root) != content(clean):
            problems.append("the next run does not lead to the tables of a clean run")
        from datetime import timedelta

        store = Store.open(root / "store")
        compact(store, keep=timedelta(seconds=-3600))
        if content(root) != content(clean):
            problems.append("compaction changed the tables")
        problems += [f"orphan {o[0]}" for o in find_orphans(store.snapshot())]
        problems += [f"left over {p}" for p in (root / "store").rglob("*.tmp")]
        return state, problems

    counts: dict[str, Any] = kill_each(
        folder, base, total, seed, count, lambda root: night(root, config), judge
    )
    return counts


if __name__ == "__main__":
    print(json.dumps(report(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))
