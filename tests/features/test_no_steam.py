"""Heat without steam, and cycles broken off on their way up: no exposure, but a row.

The traces are drawn by hand from saturation (IAPWS-IF97 region 4, checked in
``tests/shared``): straight lines between points, a sample every ten seconds.
"""

from __future__ import annotations

import json
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.shared.config import Unit
from chamberdrift.shared.schema import TRACES
from chamberdrift.shared.steam import p_sat_kpa

GRAVITY = Unit("u1", air_removal="gravity", programs=("gravity-121x30", "gravity-134x4"))
PREVACUUM = Unit("u1", air_removal="prevacuum", programs=("prevacuum-121x20", "prevacuum-134x3.5"))

Points = list[tuple[float, float, float]]


def trace(points: Points, interval_s: float = 10.0, pressure: bool = True) -> pd.DataFrame:
    """Return straight lines between (seconds, °C, kPa) with a little noise."""
    at = np.asarray(points)
    rng = np.random.default_rng(3)
    t = np.arange(0.0, at[-1, 0], interval_s)
    kpa = np.interp(t, at[:, 0], at[:, 2]) + rng.normal(0.0, 0.15, len(t))
    return TRACES.conform(
        pd.DataFrame(
            {
                "unit_id": "u1",
                "logger_id": "log1",
                "time": pd.Timestamp("2026-03-02T08:00:00Z").as_unit("ms")
                + pd.to_timedelta(t, unit="s"),
                "temperature_c": np.interp(t, at[:, 0], at[:, 1]) + rng.normal(0.0, 0.05, len(t)),
                "pressure_kpa": kpa if pressure else np.nan,
                "source": "0" * 16,
            }
        )
    )


def steam(seconds: float, temp_c: float) -> tuple[float, float, float]:
    """Return a point in saturation."""
    return seconds, temp_c, float(p_sat_kpa(temp_c))


def reason(cycle: pd.Series, name: str) -> str:
    """Return why a column is null."""
    return str(json.loads(cycle["null_reasons"])[name])


@pytest.mark.parametrize("level_c", [122.5, 135.5])
def test_a_chamber_heated_without_water_is_a_row_without_an_exposure(level_c: float) -> None:
    points = [
        (0.0, 24.0, 99.7),
        (1800.0, 24.0, 99.7),
        (2250.0, 98.0, 100.9),  # the last of the water
        (2310.0, 93.0, 99.0),
        (2310.0 + (level_c - 93.0) * 10.0, level_c, 99.7),
        (4600.0, level_c, 99.7),
        (4800.0, 80.0, 99.7),
        (9000.0, 30.0, 99.7),
    ]
    cycles = extract(trace(points), GRAVITY).cycles
    assert len(cycles) == 1
    cycle = cycles.iloc[0]
    assert pd.isna(cycle["exposure_s"])
    assert reason(cycle, "exposure_s") == "no_steam"
    assert cycle["completion"] == "aborted"
    assert cycle["plateau_c"] == pytest.approx(level_c, abs=0.3)
    assert abs((cycle["started_at"] - pd.Timestamp("2026-03-02T08:30:00Z")).total_seconds()) < 40.0
    assert (cycle["ended_at"] - pd.Timestamp("2026-03-02T09:16:40Z")).total_seconds() > -40.0


def test_pulses_of_steam_and_then_dry_heat_in_a_vacuum_are_no_exposure() -> None:
    points = [
        (0.0, 60.0, 99.7),
        (1800.0, 60.0, 99.7),
        (1860.0, 62.0, 25.0),
        (2200.0, 106.0, 145.0),
        (2240.0, 97.0, 25.0),
        (3300.0, 136.0, 30.0),
        (4800.0, 136.0, 33.0),
        (4830.0, 120.0, 99.7),
        (8600.0, 40.0, 99.7),
    ]
    cycles = extract(trace(points), PREVACUUM).cycles
    assert len(cycles) == 1
    assert cycles["exposure_s"].isna().all()


@pytest.mark.parametrize("pressure", [True, False])
@pytest.mark.parametrize("slow_s", [30.0, 100.0])
def test_broken_off_between_two_set_points_is_no_exposure_at_the_lower(
    slow_s: float, pressure: bool
) -> None:
    points = [
        (0.0, 24.0, 101.3),
        (1800.0, 24.0, 101.3),
        (2400.0, 100.0, 101.4),
        steam(2580.0, 121.0),
        steam(2650.0, 128.0),
        steam(2650.0 + slow_s, 122.0),
        (2700.0 + slow_s, 101.0, 101.3),
        (7000.0, 30.0, 101.3),
    ]
    cycles = extract(trace(points, 5.0, pressure), GRAVITY).cycles
    assert len(cycles) == 1
    assert cycles["exposure_s"].isna().all()


def test_walls_heated_for_drying_are_no_longer_plateau_than_a_short_exposure() -> None:
    points = [
        (0.0, 45.0, 101.3),
        (1800.0, 45.0, 101.3),
        (2400.0, 100.0, 101.4),
        steam(2700.0, 135.0),
        steam(2800.0, 135.5),
        (2840.0, 116.0, 101.3),
        (4000.0, 115.0, 101.3),
        (4030.0, 95.0, 101.3),
        (8000.0, 40.0, 101.3),
    ]
    cycles = extract(trace(points, 5.0, pressure=False), PREVACUUM).cycles
    assert len(cycles) == 1
    assert cycles["setpoint_c"].tolist() == [134.0]
    assert cycles["exposure_s"].iloc[0] == pytest.approx(110.0, abs=20.0)


def test_levelling_off_between_two_set_points_is_no_program_of_the_lower(
    traces: ModuleType,
) -> None:
    sketch = traces.Sketch().idle(1200, 40.0).ramp(105.0, 5.0)
    rise = 126.5 - 21.5 * np.exp(-np.arange(2400) / 450.0)
    sketch.add(rise, p_sat_kpa(rise)).blow_down(20.0, 40)
    dry = np.linspace(sketch.last_c, 137.0, 240)
    sketch.add(np.maximum(dry, 126.0), 101.3).cool(3600, 30.0, 700.0)
    cycles = extract(sketch.trace(interval_s=2.0, noise_k=0.03), GRAVITY).cycles
    assert len(cycles) == 1
    assert cycles["exposure_s"].isna().all()
    assert cycles["completion"].tolist() != ["complete"]


def test_tries_without_water_one_after_another_are_a_row_each() -> None:
    points: Points = [(0.0, 24.0, 101.3), (1800.0, 24.0, 101.3)]
    at = 1800.0
    for _ in range(3):
        points += [(at + 400.0, 98.0, 103.0), (at + 900.0, 97.0, 101.3)]
        points += [(at + 1300.0, 150.0, 101.3), (at + 2400.0, 175.0, 101.3)]
        points += [(at + 2700.0, 105.0, 101.3), (at + 3300.0, 80.0, 101.3)]
        at += 3300.0
    cycles = extract(trace([*points, (at + 4000.0, 40.0, 101.3)]), GRAVITY).cycles
    assert len(cycles) == 3
    assert cycles["exposure_s"].isna().all()
