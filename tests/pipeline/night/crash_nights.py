"""Kill whole nights at chosen steps and see what is left: a program of its own.

``python crash_nights.py FOLDER SEED COUNT`` prints one JSON line. Each kill is of a
process of its own that runs a night from the look at the inbox to the fleet's report,
and that kills itself with signal 9 at one of its steps on the disk: before the step,
or for a write in its midst. With COUNT at or above the number of steps each step is
killed once and the rest are drawn at random, so that every step of the commit is hit.
"""

from __future__ import annotations

import json
import os
import shutil
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import pandas as pd
from chamberdrift.fixtures.fleet_files import write_fleet
from chamberdrift.fixtures.plan import plan_fleet
from chamberdrift.pipeline.compact import compact, find_orphans
from chamberdrift.pipeline.night import run_night
from chamberdrift.pipeline.setup import init_store
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.verify import verify
from kill_steps import Steps, in_child, kill_each  # type: ignore[import-not-found]

setattr(os, "fsync", lambda handle: None)  # noqa: B010 - kill -9 loses nothing that the system holds

DAYS = 3
TABLES = ("intake", "refused", "cycles", "judgements", "residuals", "flags", "service", "recall")
END = pd.Timestamp("2026-03-02", tz="UTC") + pd.Timedelta(days=DAYS)


def prepare(root: Path) -> None:
    """Make a store that has taken in two thirds of an inbox, and the whole inbox."""
    fleet = root / "fleet"
    write_fleet(plan_fleet(2, DAYS, 11), fleet)
    init_store(str(root / "store"), {}, settings=str(fleet / "chamberdrift.toml"))
    files = sorted(p for p in (fleet / "inbox").rglob("*") if p.is_file())
    for path in files:
        os.utime(path, (1_700_000_000, 1_700_000_000))
    late = root / "late"
    for path in files[2::3]:
        target = late / path.relative_to(fleet / "inbox")
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.move(path, target)
    night(root, END - pd.Timedelta(hours=1))
    shutil.copytree(late, fleet / "inbox", dirs_exist_ok=True, copy_function=shutil.copy2)
    (fleet / "inbox" / "bad.csv").write_text("no export\n")
    os.utime(fleet / "inbox" / "bad.csv", (1_700_000_000, 1_700_000_000))


def night(root: Path, as_of: pd.Timestamp = END) -> None:
    run_night(str(root / "fleet" / "inbox"), str(root / "store"), as_of=as_of)


def content(root: Path) -> dict[str, str]:
    """Return all that a reader sees."""
    snapshot = Store.open(root / "store").snapshot()
    found = {n: snapshot.table(n).to_csv(index=False) for n in TABLES}
    states = snapshot.arrow("states")
    found["states"] = json.dumps(states.to_pydict(), default=str)
    for unit in snapshot.unit_ids():
        found[f"trace {unit}"] = snapshot.trace(unit, provenance=True).to_csv(index=False)
    return found


def report(folder: Path, seed: int, count: int) -> dict[str, Any]:
    """Kill nights and return what was found."""
    base, clean = folder / "base", folder / "clean"
    assert in_child(lambda: prepare(base)) == 0
    shutil.copytree(base, clean, copy_function=shutil.copy2)
    steps = folder / "steps"

    def counted_night() -> None:
        counter = Steps(-1)
        counter.install()
        night(clean)
        steps.write_text(str(counter.done))

    assert in_child(counted_night) == 0
    total = int(steps.read_text())
    kept = folder / "kept.json"
    kept.write_text(json.dumps([content(base), content(clean)]))

    def judge(root: Path) -> tuple[str, list[str]]:
        """What is seen after the kill, and after the next run."""
        old, new = json.loads(kept.read_text())
        seen = content(root)
        state = "before" if seen == old else "after" if seen == new else "mixed"
        night(root)
        problems = list(verify(Store.open(root / "store")).problems)
        if content(root) != new:
            problems.append("the next run does not lead to the tables of a clean run")
        for path in (clean / "store" / "reports").rglob("*"):
            twin = root / "store" / path.relative_to(clean / "store")
            if path.is_file() and path.suffix == ".pdf" and not twin.is_file():
                problems.append(f"no report {path.name}")
        store = Store.open(root / "store")
        compact(store, keep=timedelta(seconds=-3600))
        problems += [f"orphan {o[0]}" for o in find_orphans(store.snapshot())]
        problems += [f"left over {p}" for p in (root / "store").rglob("*.tmp")]
        return state, problems

    counts: dict[str, Any] = kill_each(folder, base, total, seed, count, night, judge)
    return counts


if __name__ == "__main__":
    print(json.dumps(report(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))
