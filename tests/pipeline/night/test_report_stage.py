"""Reports in the store: for whom, where, and not twice from the same data."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pandas as pd
import pypdf
import pytest
from chamberdrift.pipeline.report_stage import attention, find_cycle, run_report
from chamberdrift.pipeline.settings import read_settings
from chamberdrift.pipeline.store import Snapshot, Store
from chamberdrift.pipeline.views import FLEET_WINDOW, fleet_view, tables_at, traces, unit_view_at
from chamberdrift.shared.errors import ChamberdriftError
from chamberdrift.shared.schema import FLAGS

from .conftest import Fleet


def test_the_fleet_and_flagged_units_are_drawn_once(store_copy: Path, fleet: Fleet) -> None:
    result = run_report(str(store_copy), as_of=fleet.end)
    folder = store_copy / "reports" / fleet.end.strftime("%Y-%m-%d")
    flagged = fleet.units[0].unit.id
    name = f"unit-u-{flagged.encode().hex()}.pdf"
    assert [Path(p).name for p in result.paths] == ["fleet.pdf", name]
    before = {p.name: p.stat().st_mtime_ns for p in folder.iterdir()}
    text = pypdf.PdfReader(io.BytesIO((folder / name).read_bytes())).pages[0].extract_text()
    assert flagged in text
    pages = pypdf.PdfReader(io.BytesIO((folder / "fleet.pdf").read_bytes())).pages
    assert name in "".join(p.extract_text() for p in pages)  # who opens the folder finds it
    again = run_report(str(store_copy), as_of=fleet.end)
    assert again.paths == result.paths
    assert again.drawn == 0
    assert {p.name: p.stat().st_mtime_ns for p in folder.iterdir()} == before


def test_an_open_stop_flag_is_told_also_where_nothing_is_drawn_again(
    store_copy: Path, fleet: Fleet
) -> None:
    store = Store.open(str(store_copy))
    flags = store.snapshot().table("flags")
    unit = str(flags["unit_id"].iloc[0])
    own = flags[flags["unit_id"] == unit].assign(severity="stop", closed_at=pd.NaT)
    with store.lock():
        txn = store.begin()
        txn.replace("flags", unit, FLAGS.conform(own.head(1)))
        txn.commit("stop")
    for drawn in (True, False):
        result = run_report(str(store_copy), as_of=fleet.end)
        assert bool(result.drawn) == drawn
        assert result.stop_open
    assert run_report(str(store_copy), units=[unit], as_of=fleet.end).stop_open
    first = own["first_seen"].min()
    before = run_report(str(store_copy), units=[unit], as_of=first - pd.Timedelta(days=1))
    assert not before.stop_open


def test_two_moments_of_one_day_are_drawn_apart(store_copy: Path, fleet: Fleet) -> None:
    day = pd.Timestamp(fleet.end).normalize() - pd.Timedelta(days=2)
    early = run_report(str(store_copy), as_of=day + pd.Timedelta(hours=1))
    late = run_report(str(store_copy), as_of=day + pd.Timedelta(hours=23))
    assert early.paths[0] == late.paths[0]
    assert early.drawn
    assert late.drawn


def test_the_same_data_give_the_same_bytes(store_copy: Path, fleet: Fleet) -> None:
    import shutil

    paths = [Path(p) for p in run_report(str(store_copy), as_of=fleet.end).paths]
    first = [p.read_bytes() for p in paths]
    shutil.rmtree(store_copy / "reports")
    run_report(str(store_copy), as_of=fleet.end)
    assert [p.read_bytes() for p in paths] == first


def test_a_unit_and_a_cycle_are_drawn_by_name(store_copy: Path, fleet: Fleet) -> None:
    unit = fleet.units[2].unit.id
    cycles = Store.open(str(store_copy)).snapshot().table("cycles", units=[unit])
    cycle_id = str(cycles["cycle_id"].iloc[1])
    result = run_report(str(store_copy), units=[unit], cycles=[cycle_id], as_of=fleet.end)
    assert result.drawn == 2
    for path in result.paths:
        assert Path(path).read_bytes().startswith(b"%PDF-")
    moment = cycles["started_at"].iloc[1].strftime("%Y%m%dT%H%M%SZ")
    assert Path(result.paths[1]).name == f"cycle-u-{unit.encode().hex()}-{moment}.pdf"


def test_unknown_names_are_messages(store_copy: Path, fleet: Fleet) -> None:
    with pytest.raises(ChamberdriftError, match="did you mean"):
        run_report(str(store_copy), units=[fleet.units[0].unit.id + "0"])
    with pytest.raises(ChamberdriftError, match="table cycles"):
        run_report(str(store_copy), cycles=["X@2026-01-01"])


def test_the_nearest_cycle_of_the_unit_is_offered(judged_store: Path) -> None:
    snapshot = Store.open(str(judged_store)).snapshot()
    known = str(snapshot.table("cycles")["cycle_id"].iloc[0])
    typed = known[:-2] + "_Z"  # one wrong character in the seconds
    with pytest.raises(ChamberdriftError, match=f"did you mean '{known}'") as told:
        find_cycle(snapshot, typed)
    assert typed in str(told.value)


def test_an_earlier_id_of_a_cycle_is_found(store_copy: Path, fleet: Fleet) -> None:
    unit = fleet.units[0].unit.id
    store = Store.open(str(store_copy))
    cycles = store.snapshot().table("cycles", units=[unit])
    cycles["aliases"] = [f"{unit}@old", *cycles["aliases"].iloc[1:]]
    with store.lock():
        txn = store.begin()
        txn.replace("cycles", unit, cycles)
        txn.commit("alias")
    assert find_cycle(store.snapshot(), f"{unit}@old") == unit


def test_units_that_need_attention(judged_store: Path, fleet: Fleet) -> None:
    store = Store.open(str(judged_store))
    view = fleet_view(store.snapshot(), read_settings(store.place), fleet.end)
    service, watch, none = (u.unit.id for u in fleet.units)
    assert set(attention(view, [])) == {service}
    assert set(attention(view, [watch, none])) == {service, watch}


def test_a_units_view_is_its_part_of_the_fleets(judged_store: Path, fleet: Fleet) -> None:
    store = Store.open(str(judged_store))
    snapshot, config = store.snapshot(), read_settings(store.place)
    unit = fleet.units[0].unit.id
    own = unit_view_at(snapshot, config, unit, fleet.end)
    whole = fleet_view(snapshot, config, fleet.end)
    for name in ("cycles", "flags", "residuals", "service"):
        part = getattr(whole, name)
        part = part[part["unit_id"] == unit].reset_index(drop=True)
        seen = [c for c in part.columns if part[c].notna().any()]
        pd.testing.assert_frame_equal(getattr(own, name)[seen], part[seen])
    assert {"verdict", "kind", "ended_at"} <= set(whole.cycles.dropna(axis=1, how="all").columns)
    assert {"verdict", "exposure_s"} <= set(own.cycles.columns)


def test_the_fleets_view_reads_the_last_weeks(
    judged_store: Path, fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    snapshot = Store.open(str(judged_store)).snapshot()
    config = read_settings(Store.open(str(judged_store)).place)
    assert not config.service_intervals
    read: dict[str, object] = {}
    original = Snapshot.table

    def noted(of: Snapshot, name: str, **how: Any) -> pd.DataFrame:
        read[name] = how.get("since")
        return original(of, name, **how)

    monkeypatch.setattr(Snapshot, "table", noted)
    view = fleet_view(snapshot, config, fleet.end, drawn=False)
    assert len(view.cycles) > 20
    assert view.residuals.empty
    assert read["cycles"] == read["judgements"] == read["intake"] == fleet.end - FLEET_WINDOW
    assert "residuals" not in read


def test_samples_of_a_cycle_come_with_a_margin(judged_store: Path, fleet: Fleet) -> None:
    snapshot = Store.open(str(judged_store)).snapshot()
    unit = fleet.units[0]
    cycles = snapshot.table("cycles", units=[unit.unit.id])
    row = cycles.iloc[3]
    samples = traces(snapshot, fleet.plan.config, unit.unit.id)(str(row["cycle_id"]))
    inside = unit.trace[
        (unit.trace["time"] >= row["started_at"]) & (unit.trace["time"] <= row["ended_at"])
    ]
    assert len(inside) > 10
    assert len(samples) >= len(inside)
    assert samples["time"].min() >= row["started_at"] - pd.Timedelta(minutes=30)
    assert samples["time"].max() <= row["ended_at"] + pd.Timedelta(minutes=30)


def test_an_earlier_moment_is_judged_anew(judged_store: Path, fleet: Fleet) -> None:
    store = Store.open(str(judged_store))
    snapshot, config = store.snapshot(), read_settings(store.place)
    early = fleet.end - pd.Timedelta(days=4)
    tables = tables_at(snapshot, config, early)
    cycles = snapshot.table("cycles")
    assert len(tables.judgements) == int((cycles["ended_at"] <= early).sum())
    assert not tables.flags["flag_id"].isin(["f-service", "f-watch"]).any()
