"""Small simulated fleets and stores, made once."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pytest
from chamberdrift.fixtures.fleet_files import write_fleet
from chamberdrift.fixtures.plan import FleetPlan, plan_fleet
from chamberdrift.fixtures.simulator import SimulatedUnit, simulate_unit
from chamberdrift.pipeline.extract_stage import note_pending
from chamberdrift.pipeline.night import publish, run_extract, run_judge, run_night, working
from chamberdrift.pipeline.settings import write_settings
from chamberdrift.pipeline.setup import init_store
from chamberdrift.pipeline.store import Store
from chamberdrift.shared.config_template import render_config
from chamberdrift.shared.schema import FLAGS

DAYS = 10
START = pd.Timestamp("2026-03-02T00:00Z")
END = START + pd.Timedelta(days=DAYS)
COMPARED = ("cycles", "judgements", "flags", "residuals", "service")


@dataclass(frozen=True)
class Fleet:
    """A plan and its units."""

    plan: FleetPlan
    units: tuple[SimulatedUnit, ...]

    @property
    def end(self) -> pd.Timestamp:
        """The end of the simulation."""
        return pd.Timestamp(self.plan.start) + pd.Timedelta(days=self.plan.days)


@pytest.fixture(scope="session")
def fleet() -> Fleet:
    """Three units over eight days; a tuning seed."""
    plan = plan_fleet(3, 8, 5)
    return Fleet(plan, tuple(simulate_unit(plan, i) for i in range(3)))


@pytest.fixture(scope="session")
def judged_store(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the fleet's samples, cycles and judgements, and two made-up flags."""
    path = tmp_path_factory.mktemp("judged") / "store"
    store = Store.open(str(path), create=True)
    write_settings(store.place, render_config(fleet.plan.config))
    with store.lock(), working(store, None) as work:
        touched = {}
        for unit in fleet.units:
            work.txn.add_trace(unit.unit.id, unit.trace)
            touched[unit.unit.id] = int(unit.trace["time"].iloc[0].value // 1_000_000)
        note_pending(work, touched)
        work.changed = True
        publish(work, "samples")
    run_extract(str(path))
    run_judge(str(path), as_of=fleet.end)
    with store.lock():
        txn = store.begin()
        txn.append("flags", made_up_flags(fleet))
        txn.commit("made-up flags")
    return path


@pytest.fixture
def store_copy(judged_store: Path, tmp_path: Path) -> Path:
    """A copy of the judged store that a test may change."""
    return Path(shutil.copytree(judged_store, tmp_path / "store"))


def made_up_flags(fleet: Fleet) -> pd.DataFrame:
    """A ``service`` flag of the first unit and a ``watch`` flag of the second."""
    at = fleet.end - pd.Timedelta(days=2)
    rows = [
        {
            "flag_id": f"f-{severity}",
            "unit_id": unit.unit.id,
            "part": "heater",
            "mode": "element weak",
            "severity": severity,
            "first_seen": at,
            "last_seen": at,
            "recorded_at": at,
            "layer": "drift",
            "feature": "heater_duty",
            "evidence": "made up for a test",
        }
        for unit, severity in zip(fleet.units, ("service", "watch"), strict=False)
    ]
    return FLAGS.conform(pd.DataFrame(rows))


@pytest.fixture(scope="session")
def exports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Exports of four units over ten days, in several layouts; a tuning seed."""
    folder = tmp_path_factory.mktemp("fleet")
    write_fleet(plan_fleet(4, DAYS, 11), folder)
    return folder


@pytest.fixture(scope="session")
def at_once(exports: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store that took everything in one night."""
    store = tmp_path_factory.mktemp("once") / "store"
    init_store(str(store), {}, settings=str(exports / "chamberdrift.toml"))
    run_night(str(exports / "inbox"), str(store), as_of=END)
    return store


def tables(store: Path) -> dict[str, pd.DataFrame]:
    snapshot = Store.open(str(store)).snapshot()
    found = {}
    for name in COMPARED:
        frame = snapshot.table(name)
        found[name] = frame.drop(columns=[c for c in ("recorded_at", "aliases") if c in frame])
    return found


def assert_equal_tables(one: Path, other: Path, *, withdrawn: bool = False) -> None:
    """Compare the final tables; ``withdrawn`` lets the first hold flags closed as superseded.

    Those were shown before late data came, and stay to be seen.
    """
    first, second = tables(one), tables(other)
    if withdrawn:
        kept = first["flags"]["close_reason"].fillna("") != "superseded"
        first["flags"] = first["flags"][kept].reset_index(drop=True)
    for name in COMPARED:
        pd.testing.assert_frame_equal(first[name], second[name], obj=name)
