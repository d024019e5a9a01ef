"""Whatever comes late, and however late: the tables end as those of one clean run."""

from __future__ import annotations

import importlib
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chamberdrift.models import recall
from chamberdrift.pipeline import judge_stage
from chamberdrift.pipeline.night import publish, run_judge, working
from chamberdrift.pipeline.settings import write_settings
from chamberdrift.pipeline.store import Store
from chamberdrift.shared.config import Config, Site, Unit
from chamberdrift.shared.config_template import render_config
from chamberdrift.shared.schema import CYCLES, FLAGS, JUDGEMENTS, RESIDUALS, SERVICE

START = pd.Timestamp("2025-01-01", tz="UTC")
DAYS = 125
SITES = ("s", "s", "s", "s", "r", "r", "r", "", "")
NAMES = tuple(f"u{i}" for i in range(len(SITES)))
CONFIG = Config(
    sites=(Site("s"), Site("r")),
    units=tuple(
        Unit(n, site=s, type="flat" if i % 3 else "tall")
        for i, (n, s) in enumerate(zip(NAMES, SITES, strict=True))
    ),
)


def fleet_cycles(a_day: int = 2) -> pd.DataFrame:
    """Return cycles of units of which some weaken; mains of one site sag for a while."""
    rng = np.random.default_rng(1)
    n = DAYS * a_day
    frames = []
    for u, name in enumerate(NAMES):
        day = np.repeat(np.arange(DAYS), a_day) + 0.3 + np.tile(np.arange(a_day) * 0.1, DAYS)
        begun = START + pd.to_timedelta(day + 0.001 * u, unit="D").round("s")
        weak = 1.0 - (0.006 * np.maximum(day - 60.0, 0.0) if u in (1, 5) else 0.0)
        mains = np.where((SITES[u] == "s") & (day > 80) & (day < 95), 0.88, 1.0)
        power = 10.0 * np.clip(weak, 0.6, 1.0) * mains * np.exp(0.03 * rng.standard_normal(n))
        loss = 4.0 * np.exp(0.03 * rng.standard_normal(n))
        cold = (u == 2) & (day > 100) & (day < 104)
        frames.append(
            pd.DataFrame(
                {
                    "cycle_id": [f"{name}@{s:%Y%m%dT%H%M%SZ}" for s in begun],
                    "unit_id": name,
                    "logger_id": np.where((u == 6) & (day > 70), "m", "l"),
                    "program": "gravity-121x20",
                    "program_source": "configuration",
                    "kind": "sterilization",
                    "completion": "complete",
                    "setpoint_c": 121.0,
                    "started_at": begun,
                    "ended_at": begun + pd.Timedelta(minutes=50),
                    "exposure_s": 1205.0,
                    "exposure_min_c": np.where(cold, 119.0, 121.5),
                    "exposure_max_c": 123.3,
                    "exposure_mean_c": 122.5 + 0.03 * rng.standard_normal(n),
                    "exposure_sd_c": 0.4,
                    "overband_k": 0.0,
                    "overshoot_k": 2.3 + 0.1 * rng.standard_normal(n),
                    "heater_duty": np.clip(loss / power, 0.0, 1.0),
                    "power_over_capacity_k_per_min": power,
                    "loss_over_capacity_k_per_min": loss,
                    "heat_rate_k_per_min": power - 0.6 * loss,
                    "superheat_k": 0.3 + 0.1 * rng.standard_normal(n),
                    "exhaust_s": 90.0 * np.exp(0.06 * rng.standard_normal(n)),
                    "noise_k": 0.05 * np.exp(0.1 * rng.standard_normal(n)),
                    "sample_interval_s": 5.0,
                    "gap_s": 5.0,
                    "stuck_s": 10.0,
                    "atmosphere_kpa": 101.3,
                    "atmosphere_assumed": False,
                }
            )
        )
    frame = pd.concat(frames, ignore_index=True)
    for name in ("started_at", "ended_at"):
        frame[name] = frame[name].astype("datetime64[ms, UTC]")
    return CYCLES.conform(frame)


@pytest.fixture(scope="module")
def cycles() -> pd.DataFrame:
    return fleet_cycles()


def service_rows(*rows: tuple[str, float, str]) -> pd.DataFrame:
    made = [
        {
            "service_id": f"{unit}-{day:.3f}",
            "unit_id": unit,
            "time": (START + pd.Timedelta(days=day)).round("s"),
            "part": part,
            "action": "replaced",
            "undone": False,
        }
        for unit, day, part in rows
    ]
    return SERVICE.conform(pd.DataFrame(made)) if made else SERVICE.empty()


def make(path: Path) -> Store:
    store = Store.open(str(path), create=True)
    write_settings(store.place, render_config(CONFIG))
    return store


def arrive(store: Store, cycles: pd.DataFrame, service: pd.DataFrame) -> None:
    """Put cycles beside those that are there, as extraction does, and service rows."""
    with store.lock(), working(store, None) as work:
        for unit, new in cycles.groupby("unit_id"):
            name = str(unit)
            old = CYCLES.conform(work.snapshot.table("cycles", units=[name]))
            both = pd.concat([old, new]) if len(old) else new
            both = both.sort_values("started_at", ignore_index=True)
            work.txn.replace("cycles", name, both)
            work.rejudge[name] = int(new["ended_at"].min().value // 1_000_000)
        if len(service):
            work.txn.append("service", service)
        work.changed = True
        judge_stage.note_rejudge(work)
        publish(work, "arrived")


def remove(store: Store, unit: str, gone: pd.Series) -> None:
    """Take cycles of a unit away, as late samples do that show them to be others."""
    with store.lock(), working(store, None) as work:
        old = CYCLES.conform(work.snapshot.table("cycles", units=[unit]))
        out = old["cycle_id"].isin(gone)
        work.txn.replace("cycles", unit, old[~out.to_numpy()].reset_index(drop=True))
        work.rejudge[unit] = int(old.loc[out.to_numpy(), "ended_at"].min().value // 1_000_000)
        work.changed = True
        judge_stage.note_rejudge(work)
        publish(work, "removed")


def night(path: Path, day: float, why: Counter[str]) -> None:
    done = run_judge(str(path), as_of=START + pd.Timedelta(days=day))
    for _, item, text in done.explained:
        if item == "fleet":
            kind = "again" if "judged again" in text else "on" if "last night" in text else text
            why[kind] += 1


def same(one: Path, other: Path) -> None:
    """Compare what two stores hold; flags that were taken back stay, closed."""
    for table in (JUDGEMENTS, RESIDUALS):
        found = [
            table.conform(Store.open(str(p)).snapshot().table(table.name)) for p in (one, other)
        ]
        pd.testing.assert_frame_equal(found[0], found[1])
    shown, whole = (
        FLAGS.conform(Store.open(str(p)).snapshot().table("flags")).drop(columns="recorded_at")
        for p in (one, other)
    )
    key = list(FLAGS.key)
    stands = pd.MultiIndex.from_frame(shown[key]).isin(pd.MultiIndex.from_frame(whole[key]))
    assert len(whole)
    pd.testing.assert_frame_equal(shown[stands].reset_index(drop=True), whole)
    assert shown.loc[~stands, "closed_at"].notna().all()


def clean(path: Path, cycles: pd.DataFrame, service: pd.DataFrame, day: float) -> Path:
    store = make(path)
    arrive(store, cycles, service)
    night(path, day, Counter())
    return path


# Unit, first and last day, the day on which they come: in a month, of the day before at a
# site, over one month's end and over two.
LATE = {
    "in a month, and a day after the site": [("u1", 92.0, 93.0, 97.0), ("u3", 95.0, 97.0, 101.0)],
    "over a month's end, then over two": [("u0", 85.0, 89.5, 97.0), ("u5", 55.0, 58.0, 101.0)],
    "two sites at once as a month begins": [("u2", 88.0, 92.5, 94.0), ("u4", 61.0, 66.0, 94.0)],
    "a unit's first months": [("u0", 0.0, 76.0, 97.0), ("u7", 0.0, 93.0, 101.0)],
}
NIGHTS = (75.0, 89.0, 94.0, 97.0, 101.0)


@pytest.mark.parametrize("case", LATE)
def test_late_cycles_end_as_one_clean_run(tmp_path: Path, cycles: pd.DataFrame, case: str) -> None:
    comes = cycles["ended_at"].copy()
    for unit, first, last, at in LATE[case]:
        begun = (cycles["started_at"] - START) / pd.Timedelta(days=1)
        out = (cycles["unit_id"] == unit) & (begun >= first) & (begun < last)
        comes[out] = START + pd.Timedelta(days=at)
    why: Counter[str] = Counter()
    path = tmp_path / "late"
    store = make(path)
    before = START
    for day in NIGHTS:
        now = START + pd.Timedelta(days=day)
        own = cycles[(comes > before) & (comes <= now)]
        arrive(store, own, service_rows())
        night(path, day, why)
        before = now
    assert why["nothing was judged before"] == 1
    assert why["again"] == len({at for *_, at in LATE[case]}), why
    assert why.total() == 1 + why["again"] + why["on"]
    seen = cycles[cycles["ended_at"] <= now]
    same(path, clean(tmp_path / "clean", seen, service_rows(), NIGHTS[-1]))


@pytest.mark.parametrize("dated", [72.0, 95.0])
def test_service_dated_back_and_cycles_that_are_gone_end_as_one_clean_run(
    tmp_path: Path, cycles: pd.DataFrame, dated: float
) -> None:
    why: Counter[str] = Counter()
    path = tmp_path / "late"
    store = make(path)
    seen = cycles[cycles["ended_at"] <= START + pd.Timedelta(days=100)]
    arrive(store, seen, service_rows())
    night(path, 100.0, why)
    repair = service_rows(("u1", dated, "heater"))
    arrive(store, seen.iloc[:0], repair)
    night(path, 101.0, why)
    of_unit = cycles[cycles["unit_id"] == "u4"]
    gone = of_unit.loc[of_unit["started_at"].dt.strftime("%m-%d") == "03-31", "cycle_id"]
    remove(store, "u4", gone)
    night(path, 102.0, why)
    assert why == Counter({"nothing was judged before": 1, "again": 2})
    left = seen[~seen["cycle_id"].isin(gone)]
    same(path, clean(tmp_path / "clean", left, repair, 102.0))


def test_a_month_that_had_no_cycles_gets_some(tmp_path: Path, cycles: pd.DataFrame) -> None:
    why: Counter[str] = Counter()
    path = tmp_path / "late"
    store = make(path)
    seen = cycles[cycles["ended_at"] <= START + pd.Timedelta(days=100)]
    march = (seen["ended_at"].dt.month == 3).to_numpy()
    arrive(store, seen[~march], service_rows())
    night(path, 100.0, why)
    some = march & seen["unit_id"].isin(["u0", "u6"]).to_numpy()
    arrive(store, seen[some], service_rows())
    night(path, 101.0, why)
    assert why["again"] == 1
    same(path, clean(tmp_path / "clean", seen[~march | some], service_rows(), 101.0))


def test_older_than_what_is_kept_all_is_judged_anew(
    tmp_path: Path, cycles: pd.DataFrame, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.import_module("chamberdrift.models.judge"), "KEPT_MONTHS", 2)
    why: Counter[str] = Counter()
    path = tmp_path / "late"
    store = make(path)
    seen = cycles[cycles["ended_at"] <= START + pd.Timedelta(days=100)]
    begun = (seen["started_at"] - START) / pd.Timedelta(days=1)
    late = ((seen["unit_id"] == "u1") & (begun > 20) & (begun < 30)).to_numpy()
    arrive(store, seen[~late], service_rows())
    night(path, 100.0, why)
    arrive(store, seen[late], service_rows())
    night(path, 101.0, why)
    assert any("not kept" in k for k in why)
    same(path, clean(tmp_path / "clean", seen, service_rows(), 101.0))


@pytest.mark.parametrize("late", ["u0", "u8"])
def test_units_that_fits_do_not_read_are_judged_again_alone(
    tmp_path: Path, cycles: pd.DataFrame, monkeypatch: pytest.MonkeyPatch, late: str
) -> None:
    """u8 is beyond the sample: no reference depends on it, so its site's units are all."""
    monkeypatch.setattr(recall, "UNITS_A_TYPE", 1)
    why: Counter[str] = Counter()
    path = tmp_path / "late"
    store = make(path)
    seen = cycles[cycles["ended_at"] <= START + pd.Timedelta(days=100)]
    begun = (seen["started_at"] - START) / pd.Timedelta(days=1)
    out = ((seen["unit_id"] == late) & (begun > 70) & (begun < 72)).to_numpy()
    arrive(store, seen[~out], service_rows())
    night(path, 100.0, why)
    arrive(store, seen[out], service_rows())
    done = run_judge(str(path), as_of=START + pd.Timedelta(days=101))
    said = [text for _, item, text in done.explained if item == "fleet"]
    assert said[0].startswith(f"cycles of {late} changed")
    assert f"{1 if late == 'u8' else 9} units judged again from 2025-03" in said[0]
    same(path, clean(tmp_path / "clean", seen, service_rows(), 101.0))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(12))
def test_anything_late_at_random_moments(tmp_path: Path, cycles: pd.DataFrame, seed: int) -> None:
    rng = np.random.default_rng(seed)
    comes = cycles["ended_at"].copy()
    begun = (cycles["started_at"] - START) / pd.Timedelta(days=1)
    for _ in range(6):
        unit = str(rng.choice(NAMES))
        first = float(rng.uniform(0.0, 105.0))
        last = first + float(rng.choice([0.5, 2.0, 9.0, 40.0]))
        out = (cycles["unit_id"] == unit) & (begun >= first) & (begun < last)
        wait = float(rng.choice([1.0, 4.0, 12.0, 35.0, 70.0]))
        end = cycles.loc[out, "ended_at"].max() + pd.Timedelta(days=wait)
        comes[out] = min(end, START + pd.Timedelta(days=120))
    repairs = [
        (str(rng.choice(NAMES)), float(rng.uniform(40.0, 115.0)), "heater") for _ in range(2)
    ]
    told = [min(day + float(rng.choice([0.0, 5.0, 40.0])), 119.0) for _, day, _ in repairs]
    path = tmp_path / "late"
    store = make(path)
    why: Counter[str] = Counter()
    before = 0.0
    for day in [*np.sort(rng.uniform(20.0, 119.0, 14)).tolist(), 121.0]:
        low, high = (START + pd.Timedelta(days=d) for d in (before, day))
        own = cycles[((comes > low) & (comes <= high)).to_numpy()]
        rows = [r for r, t in zip(repairs, told, strict=True) if before < t <= day]
        arrive(store, own, service_rows(*rows))
        night(path, day, why)
        before = day
    assert why["again"] >= 1
    seen = cycles[(cycles["ended_at"] <= START + pd.Timedelta(days=121)).to_numpy()]
    same(path, clean(tmp_path / "clean", seen, service_rows(*repairs), 121.0))
