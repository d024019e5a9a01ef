"""Walls heated from outside: pressure, not temperature, says where steam is.

The traces are drawn by hand from saturation (IAPWS-IF97 region 4, checked in
tests/shared) and straight lines; a jacket that stays hot while the chamber is
evacuated is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from chamberdrift.features import extract
from chamberdrift.shared.config import Unit
from chamberdrift.shared.schema import TRACES
from chamberdrift.shared.steam import p_sat_kpa

UNIT = Unit("U1", air_removal="prevacuum", programs=("prevacuum-134x3.5",))
START = pd.Timestamp("2026-03-02 08:00", tz="UTC")


def trace(points: list[tuple[float, float, float]], step_s: float = 5.0) -> pd.DataFrame:
    """Return samples on straight lines between (time [s], temperature, pressure) points."""
    at, temp, pressure = (np.array(column) for column in zip(*points, strict=True))
    time = np.arange(0.0, at[-1], step_s)
    rng = np.random.default_rng(1)
    frame = pd.DataFrame(
        {
            "unit_id": "U1",
            "time": START + pd.to_timedelta(time, unit="s"),
            "temperature_c": np.interp(time, at, temp) + 0.02 * rng.standard_normal(time.size),
            "pressure_kpa": np.interp(time, at, pressure) + 0.1 * rng.standard_normal(time.size),
        }
    )
    return TRACES.conform(frame)


def cycle(begin: float) -> list[tuple[float, float, float]]:
    """Return the points of a cycle on a hot jacket: pulses, hold, evacuated drying."""
    steam = float(p_sat_kpa(135.4))
    line = [(0.0, 60.0, 98.0)]
    at = 60.0
    for _ in range(3):
        line += [(at, 70.0, 20.0), (at + 60.0, 104.0, 118.0)]
        at += 120.0
    line += [(at + 60.0, 80.0, 20.0), (at + 180.0, 135.4, steam)]
    line += [(at + 420.0, 135.4, steam), (at + 440.0, 112.0, 60.0), (at + 480.0, 124.0, 6.0)]
    line += [(at + 1080.0, 126.0, 5.0), (at + 1100.0, 120.0, 98.0), (at + 1130.0, 121.0, 98.0)]
    return [(begin + t, temp, p) for t, temp, p in line]


def test_two_cycles_on_a_hot_jacket_stay_two() -> None:
    idle = [(0.0, 60.0, 98.0), (895.0, 60.0, 98.0)]
    points = [*idle, *cycle(900.0), *cycle(2600.0), (5200.0, 60.0, 98.0), (8000.0, 40.0, 98.0)]
    cycles = extract(trace(points), UNIT).cycles
    assert cycles["kind"].tolist() == ["sterilization", "sterilization"]
    assert cycles["exposure_s"].between(235.0, 265.0).all()
    assert cycles["exposure_mean_c"].between(134.8, 135.6).all()


def test_hot_walls_at_atmosphere_are_no_cycle() -> None:
    points = [
        (0.0, 25.0, 98.0),
        (1800.0, 25.0, 98.0),
        (2400.0, 122.0, 98.5),
        (5400.0, 122.0, 98.0),
        (9000.0, 30.0, 98.0),
    ]
    assert extract(trace(points), UNIT).cycles["exposure_start"].notna().sum() == 0


def test_a_hold_in_vacuum_on_warming_walls_is_a_leak_test_without_a_slope() -> None:
    points = [
        (0.0, 20.0, 98.0),
        (1800.0, 20.0, 98.0),
        (1860.0, 22.0, 7.0),
        (2900.0, 62.0, 8.5),
        (2920.0, 60.0, 98.0),
        (6000.0, 30.0, 98.0),
    ]
    cycles = extract(trace(points), UNIT).cycles
    assert cycles["kind"].tolist() == ["leak_test"]
    assert cycles["leak_kpa_per_min"].isna().all()
    assert "leak_kpa_per_min" in str(cycles["null_reasons"].iloc[0])


def test_a_peak_above_a_long_hold_does_not_name_the_program() -> None:
    unit = Unit("U1", air_removal="gravity", programs=("gravity-121x15", "gravity-126x10"))
    rise = [(1800.0 + 60.0 * k, 25.0 + 5.1 * k) for k in range(20)]
    hold = [(3060.0, 127.5), (3100.0, 138.5), (3150.0, 138.5), (3250.0, 127.6), (3700.0, 127.5)]
    both = [(t, c, max(98.0, float(p_sat_kpa(c)))) for t, c in rise + hold]
    points = [
        (0.0, 25.0, 98.0),
        *both,
        (3760.0, 104.0, 110.0),
        (3800.0, 99.0, 98.0),
        (9000.0, 30.0, 98.0),
    ]
    cycles = extract(trace(points), unit).cycles
    assert cycles["setpoint_c"].tolist() == [126.0]
    assert cycles["overband_k"].iloc[0] > 7.0


def test_a_pressure_channel_that_reads_far_too_low_loses_no_cycle() -> None:
    points = [*[(0.0, 60.0, 98.0), (895.0, 60.0, 98.0)], *cycle(900.0), (6000.0, 40.0, 98.0)]
    odd = trace(points)
    odd["pressure_kpa"] = 98.0 + (odd["pressure_kpa"] - 98.0) * 0.2
    cycles = extract(odd, UNIT).cycles
    assert cycles["exposure_s"].between(235.0, 265.0).sum() == 1


def test_a_hold_that_runs_away_keeps_the_set_point_it_began_at() -> None:
    unit = Unit("U1", air_removal="gravity", programs=("gravity-121x20", "gravity-134x4"))
    way = [(1800.0, 25.0), (2700.0, 100.0), (2960.0, 121.6), (4200.0, 134.5)]
    both = [(t, c, max(98.0, float(p_sat_kpa(c)))) for t, c in way]
    points = [(0.0, 25.0, 98.0), *both, (4260.0, 101.0, 98.0), (9000.0, 30.0, 98.0)]
    cycles = extract(trace(points), unit).cycles
    assert cycles["setpoint_c"].tolist() == [121.0]
    assert 1230.0 <= cycles["exposure_s"].iloc[0] <= 1260.0
    assert cycles["overband_k"].iloc[0] > 9.0


def test_cold_water_let_into_a_hot_chamber_is_no_power_cut() -> None:
    unit = Unit("U1", air_removal="gravity", programs=("gravity-121x20",))
    steam = float(p_sat_kpa(122.3))
    points = [
        (0.0, 30.0, 98.0),
        (900.0, 30.0, 98.0),
        (1500.0, 100.0, 98.5),
        (1800.0, 122.3, steam),
        (3060.0, 122.3, steam),
        (3120.0, 103.0, 98.0),
        (3300.0, 98.0, 98.0),
        (3600.0, 85.0, 98.0),
        (3900.0, 100.0, 98.5),
        (4200.0, 122.3, steam),
        (5460.0, 122.3, steam),
        (5520.0, 100.0, 98.0),
        (5700.0, 75.0, 98.0),
        (9000.0, 30.0, 98.0),
    ]
    cycles = extract(trace(points), unit).cycles
    assert cycles["completion"].tolist() == ["complete", "complete"]


def test_steam_that_comes_back_in_a_shut_drying_is_no_cycle_of_its_own() -> None:
    """A pump too weak to dry: water boils off hot walls behind a shut vent."""
    unit = Unit("U1", air_removal="prevacuum", programs=("prevacuum-134x3.5", "prevacuum-121x20"))
    steam, low = float(p_sat_kpa(135.4)), float(p_sat_kpa(116.0))
    points = [(0.0, 40.0, 98.0), (900.0, 40.0, 98.0), (930.0, 60.0, 20.0), (1000.0, 100.0, 101.0)]
    points += [(1400.0, 135.4, steam), (1620.0, 135.4, steam), (1660.0, 127.2, 131.0)]
    points += [(1672.0, 126.5, 101.0), (1730.0, 122.0, 113.0), (1820.0, 116.0, 150.0)]
    points += [(2000.0, 116.5, low), (2500.0, 116.5, low), (2510.0, 114.0, 98.0)]
    points += [(2600.0, 92.0, 98.0), (3600.0, 50.0, 98.0), (9000.0, 30.0, 98.0)]
    cycles = extract(trace(points), unit).cycles
    assert cycles["program"].tolist() == ["prevacuum-134x3.5"]
    assert cycles["ended_at"].iloc[0] >= START + pd.Timedelta(seconds=2505.0)
    assert cycles["exposure_s"].between(215.0, 240.0).all()
