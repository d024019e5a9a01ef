"""Leak tests and pulses on odd traces: coarse, noisy, shallow, right after drying."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.shared.config import Unit

UNIT = Unit("u1", air_removal="prevacuum", programs=("prevacuum-134x3.5",))


@pytest.mark.parametrize(("interval_s", "noise_kpa"), [(10.0, 0.5), (15.0, 0.8), (30.0, 0.8)])
def test_a_noisy_hold_is_a_leak_test_at_any_sampling(
    traces: ModuleType, interval_s: float, noise_kpa: float
) -> None:
    for seed in range(5):
        sketch = traces.leak_test(leak=0.05, hold_s=900)
        trace = sketch.trace(interval_s=interval_s, noise_kpa=noise_kpa, seed=seed)
        assert extract(trace, UNIT).cycles["kind"].tolist() == ["leak_test"]


def test_a_leak_test_right_after_drying_is_a_row_of_its_own(traces: ModuleType) -> None:
    sketch = traces.Sketch().idle(1200, 60.0)
    for _ in range(3):
        sketch.evacuate(12.0, 120, 60.0).admit(150.0, 60, 110.0)
    sketch.evacuate(12.0, 120, 75.0).admit(110.0, 60, 102.0).ramp(134.5, 8.0)
    sketch.sawtooth(240, 134.5, 136.0, 3.0, 1.5).blow_down(20.0, 100)
    sketch.evacuate(2.5, 180, 105.0).add(np.full(600, 104.0), 2.5).admit(101.3, 15, 103.0)
    sketch.idle(30, 103.0).evacuate(6.0, 60, 102.0).hold(930, 0.005).admit(101.3, 15, 101.0)
    cycles = extract(sketch.cool(3600, 30.0, 900.0).trace(interval_s=5.0, noise_kpa=0.1), UNIT)
    assert cycles.cycles["kind"].tolist() == ["sterilization", "leak_test"]
    assert cycles.cycles["drying_s"].iloc[0] == pytest.approx(780.0, abs=60.0)
    assert cycles.cycles["leak_kpa_per_min"].iloc[1] == pytest.approx(0.005, abs=0.02)


def pulsed(traces: ModuleType, low_kpa: float, high_kpa: float, seconds: int) -> object:
    """Return a prevacuum cycle with four pulses between two pressures."""
    sketch = traces.Sketch().idle(1200, 55.0).evacuate(low_kpa, seconds, 50.0)
    for _ in range(3):
        sketch.admit(high_kpa, seconds, 70.0).evacuate(low_kpa, seconds, 60.0)
    sketch.admit(110.0, 60, 102.0).ramp(134.5, 8.0).sawtooth(240, 134.5, 136.0, 3.0, 1.5)
    return sketch.blow_down(20.0, 240).cool(1800, 40.0, 900.0)


@pytest.mark.parametrize("high_kpa", [60.0, 80.0, 150.0])
def test_pulses_count_by_their_own_depth(traces: ModuleType, high_kpa: float) -> None:
    trace = pulsed(traces, 12.0, high_kpa, 90).trace(interval_s=5.0, noise_kpa=0.2)  # type: ignore[attr-defined]
    assert extract(trace, UNIT).cycles["pulse_count"].tolist() == [4]


def test_pulses_shorter_than_four_samples_are_not_counted(traces: ModuleType) -> None:
    trace = pulsed(traces, 12.0, 80.0, 40).trace(interval_s=30.0, noise_kpa=0.2)  # type: ignore[attr-defined]
    cycles = extract(trace, UNIT).cycles
    assert cycles["pulse_count"].isna().tolist() == [True]
    assert '"pulse_count": "too_coarse"' in cycles["null_reasons"].iloc[0]


def test_a_chamber_filled_with_steam_very_slowly_is_no_leak_test(traces: ModuleType) -> None:
    sketch = traces.Sketch().idle(1200, 22.0).evacuate(24.0, 60, 22.0)
    warm = 108.0 - 86.0 * np.exp(-np.arange(4200) / 1500.0)
    sketch.add(warm, 24.0 + 108.0 * np.arange(4200) / 4200.0).blow_down(20.0, 60)
    cycles = extract(sketch.cool(3600, 30.0, 700.0).trace(interval_s=5.0), UNIT).cycles
    assert "leak_test" not in cycles["kind"].tolist()
    assert len(cycles) == 1


@pytest.mark.parametrize("minutes_before_end", [5, 31])
def test_a_pressure_channel_that_dies_in_a_vacuum_takes_no_later_cycle_along(
    traces: ModuleType, minutes_before_end: int
) -> None:
    """In drying, or in a pulse; the temperature logger goes on for three more cycles."""
    sketch = traces.prevacuum()
    for _ in range(3):
        sketch.temp.append(np.full(5400, sketch.last_c))
        sketch.pressure.append(np.full(5400, traces.ATMOSPHERE))
        later = traces.prevacuum()
        sketch.temp += later.temp
        sketch.pressure += later.pressure
    trace = sketch.trace(interval_s=5.0, noise_k=0.05)
    whole = extract(trace, UNIT).cycles
    died = whole["ended_at"].iloc[0] - pd.Timedelta(minutes=minutes_before_end)
    trace.loc[trace["time"] > died, "pressure_kpa"] = np.nan
    cycles = extract(trace, UNIT).cycles
    assert len(cycles) == len(whole) == 4
    assert (cycles["exposure_s"] - whole["exposure_s"]).abs().max() <= 10.0
    assert (cycles["ended_at"] <= whole["ended_at"]).all()
    assert cycles["heat_up_s"].min() > 300.0


@pytest.mark.parametrize("kpa", [0.0, -3.0, np.inf])
def test_a_dead_pressure_channel_is_no_error(traces: ModuleType, kpa: float) -> None:
    """From the exposure on it reads what no chamber can."""
    trace = traces.prevacuum().trace(interval_s=5.0, noise_k=0.05)
    whole = extract(trace, UNIT).cycles.iloc[0]
    trace.loc[trace["time"] > whole["exhaust_start"], "pressure_kpa"] = kpa
    cycles = extract(trace, UNIT).cycles
    assert cycles["exposure_s"].iloc[0] == pytest.approx(whole["exposure_s"], abs=20.0)
