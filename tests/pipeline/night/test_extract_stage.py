"""Extraction in the store: any order of arrival gives the cycles of the whole trace."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.pipeline.cycle_changes import keep_aliases
from chamberdrift.pipeline.extract_stage import note_pending, settings_digest
from chamberdrift.pipeline.night import publish, run_extract, working
from chamberdrift.pipeline.resume_points import next_points, resume_point
from chamberdrift.pipeline.retention import STATE as RETENTION
from chamberdrift.pipeline.settings import write_settings
from chamberdrift.pipeline.store import Store
from chamberdrift.shared.config import Limits, Unit
from chamberdrift.shared.config_template import render_config
from chamberdrift.shared.schema import CYCLES

from .conftest import Fleet

Part = tuple[str, pd.DataFrame]


def take_in(store: Store, parts: list[Part]) -> None:
    """Add samples as an ingest would, and nothing more."""
    with store.lock(), working(store, None) as work:
        touched: dict[str, int] = {}
        for unit, trace in parts:
            work.txn.add_trace(unit, trace)
            first = int(trace["time"].iloc[0].value // 1_000_000)
            touched[unit] = min(first, touched.get(unit, first))
        note_pending(work, touched)
        work.changed = True
        publish(work, "samples")


def days(trace: pd.DataFrame, unit: str, offset_h: float) -> list[Part]:
    """Cut a trace into days that begin at an hour; the cut may lie within a cycle."""
    shifted = trace["time"] - pd.Timedelta(hours=offset_h)
    return [(unit, part) for _, part in trace.groupby(shifted.dt.floor("D"), sort=True)]


def make(path: Path, fleet: Fleet) -> Store:
    store = Store.open(str(path), create=True)
    write_settings(store.place, render_config(fleet.plan.config))
    return store


def whole(fleet: Fleet) -> pd.DataFrame:
    tables = [extract(u.trace, u.unit).cycles for u in fleet.units]
    return CYCLES.conform(pd.concat(tables, ignore_index=True))


def stored(store: Store) -> pd.DataFrame:
    return CYCLES.conform(store.snapshot().table("cycles"))


@pytest.mark.parametrize("offset_h", [0.0, 12.9])
def test_day_by_day_equals_the_whole(tmp_path: Path, fleet: Fleet, offset_h: float) -> None:
    store = make(tmp_path / "s", fleet)
    by_unit = [days(u.trace, u.unit.id, offset_h) for u in fleet.units]
    for k in range(max(len(d) for d in by_unit)):
        take_in(store, [d[k] for d in by_unit if k < len(d)])
        run_extract(str(tmp_path / "s"))
    pd.testing.assert_frame_equal(stored(store), whole(fleet))


def test_late_days_give_the_same_cycles(tmp_path: Path, fleet: Fleet) -> None:
    store = make(tmp_path / "s", fleet)
    parts = [p for u in fleet.units for p in days(u.trace, u.unit.id, 12.0)]
    order = np.random.default_rng(1).permutation(len(parts))
    for chunk in np.array_split(order, 6):
        take_in(store, [parts[i] for i in chunk])
        run_extract(str(tmp_path / "s"))
    found = stored(store).assign(aliases=None)
    pd.testing.assert_frame_equal(CYCLES.conform(found), whole(fleet))


def test_a_second_run_changes_nothing(tmp_path: Path, fleet: Fleet) -> None:
    store = make(tmp_path / "s", fleet)
    unit = fleet.units[0]
    take_in(store, [(unit.unit.id, unit.trace)])
    first = run_extract(str(tmp_path / "s"))
    assert first.published
    assert first.new_cycles > 5
    second = run_extract(str(tmp_path / "s"))
    assert not second.published
    assert second.commit == first.commit


def test_only_touched_units_run_and_changed_settings_run_all(tmp_path: Path, fleet: Fleet) -> None:
    store = make(tmp_path / "s", fleet)
    parts = [days(u.trace, u.unit.id, 0.0) for u in fleet.units]
    take_in(store, [p[0] for p in parts])
    run_extract(str(tmp_path / "s"))
    take_in(store, [parts[1][1]])
    ran = run_extract(str(tmp_path / "s")).explained
    assert [item for stage, item, _ in ran if stage == "extract"] == [fleet.units[1].unit.id]
    text = render_config(fleet.plan.config) + "\n[limits]\nband_width_k = 3.0\n"
    write_settings(store.place, text)
    ran = run_extract(str(tmp_path / "s")).explained
    assert {why for _, _, why in ran} == {"settings or program changed"}
    assert len(ran) == len(fleet.units)


def test_cycles_stay_when_their_samples_were_removed(tmp_path: Path, fleet: Fleet) -> None:
    store = make(tmp_path / "s", fleet)
    unit = fleet.units[0]
    take_in(store, [(unit.unit.id, unit.trace)])
    run_extract(str(tmp_path / "s"))
    before = stored(store)
    with store.lock():
        txn = store.begin()
        files = store.snapshot().trace_files(unit.unit.id)
        rest = unit.trace[unit.trace["time"] >= unit.trace["time"].iloc[0] + pd.Timedelta(days=4)]
        txn.replace_traces([], files)
        txn.add_trace(unit.unit.id, rest)
        limit = int(rest["time"].iloc[0].value // 1_000_000)
        txn.put_state(RETENTION, {"before_ms": limit})
        txn.commit("forgotten")
    run_extract(str(tmp_path / "s"), everything=True)
    assert list(stored(store)["cycle_id"]) == list(before["cycle_id"])


def test_a_moved_start_leaves_an_alias() -> None:
    def cycle(start: str, completion: str = "complete") -> pd.DataFrame:
        begun = pd.Timestamp(start)
        return CYCLES.conform(
            pd.DataFrame(
                [
                    {
                        "cycle_id": f"A@{begun.isoformat()}",
                        "unit_id": "A",
                        "kind": "sterilization",
                        "completion": completion,
                        "started_at": begun,
                        "ended_at": pd.Timestamp("2026-05-01T11:00Z"),
                    }
                ]
            )
        )

    old, new = cycle("2026-05-01T10:05Z"), cycle("2026-05-01T10:00Z")
    assert list(keep_aliases(new, old)["aliases"]) == ["A@2026-05-01T10:05:00+00:00"]
    # found again from the start, the alias stays
    once = keep_aliases(new, old)
    assert list(keep_aliases(new, once)["aliases"]) == ["A@2026-05-01T10:05:00+00:00"]
    cut = cycle("2026-05-01T10:05Z", "cut_off")
    assert keep_aliases(new, cut)["aliases"].isna().all()


def test_resume_points_hold_until_late_data_pass_them() -> None:
    points = [[100, 80], [200, 170], [300, 250]]
    assert resume_point(points, 301) == pd.Timestamp(250, unit="ms", tz="UTC")
    assert resume_point(points, 300) == pd.Timestamp(170, unit="ms", tz="UTC")
    assert resume_point(points, 50) is None
    start = pd.Timestamp(170, unit="ms", tz="UTC")
    after = next_points(points, start, 250, 300, pd.Timestamp(260, unit="ms", tz="UTC"))
    assert after == [[100, 80], [200, 170], [300, 260]]
    assert next_points(points, None, None, 300, None) == []


def test_the_site_does_not_make_cycles_anew() -> None:
    digest = settings_digest(Unit("A", site="n"), Limits())
    assert settings_digest(Unit("A", site="s"), Limits()) == digest
    assert settings_digest(Unit("A", programs=("gravity-121x30",)), Limits()) != digest
    assert settings_digest(Unit("A"), Limits(band_width_k=3.0)) != digest
