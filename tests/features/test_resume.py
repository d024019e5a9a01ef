"""A trace cut anywhere and resumed gives the same cycles as the whole."""

from __future__ import annotations

import json
from functools import cache
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.features.events import Event
from chamberdrift.features.memory import HOLDS, PLATEAUS, Memory
from chamberdrift.features.vacuum import evacuation_seconds
from chamberdrift.fixtures.simulator import plan_fleet, simulate_unit
from chamberdrift.shared.config import Unit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

UNITS, DAYS = 4, 8


@cache
def simulated(i: int) -> tuple[pd.DataFrame, Unit, pd.DataFrame]:
    """Return a simulated trace, its unit and its cycles as a whole (tuning seed)."""
    done = simulate_unit(plan_fleet(UNITS, DAYS, 21), i)
    return done.trace, done.unit, extract(done.trace, done.unit).cycles


def resumed(
    trace: pd.DataFrame, unit: Unit, cuts: list[int], by_memory: bool = False
) -> pd.DataFrame:
    """Return cycles of a trace that arrives in pieces."""
    kept: pd.DataFrame | None = None
    memory = Memory()
    begin = trace["time"].iloc[0]
    for cut in [*sorted(cuts), len(trace)]:
        part = trace.iloc[:cut]
        fresh = part[part["time"] >= begin].reset_index(drop=True)
        if by_memory:
            found = extract(fresh, unit, memory=memory)
            memory = Memory.from_json(json.loads(json.dumps(found.memory.to_json())))
        else:
            found = extract(fresh, unit, earlier=kept)
        now = found.cycles if kept is None else pd.concat([kept, found.cycles], ignore_index=True)
        assert found.resume_from is not None
        if cut == len(trace):
            return now
        begin = found.resume_from
        kept = now[now["started_at"] < begin].reset_index(drop=True)
    raise AssertionError


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.integers(0, UNITS - 1),
    st.lists(st.floats(0.001, 0.999), min_size=1, max_size=4),
    st.booleans(),
)
def test_any_cuts(i: int, places: list[float], by_memory: bool) -> None:
    """Up to four cuts at any places, with the cycles before or only their memory at hand."""
    trace, unit, whole = simulated(i)
    cuts = [max(2, int(p * len(trace))) for p in places]
    pd.testing.assert_frame_equal(resumed(trace, unit, cuts, by_memory), whole, check_exact=True)


@pytest.mark.parametrize("kind", ["gravity", "prevacuum", "leak_test"])
def test_every_third_minute(traces: ModuleType, kind: str) -> None:
    """Every third minute of a drawn cycle."""
    unit = Unit("u1", air_removal="prevacuum" if kind != "gravity" else "gravity")
    trace = getattr(traces, kind)().trace(interval_s=10.0, noise_k=0.1, noise_kpa=0.2)
    whole = extract(trace, unit).cycles
    assert len(whole) == 1
    for cut in range(6, len(trace), 17):
        for by_memory in (False, True):
            found = resumed(trace, unit, [cut], by_memory)
            pd.testing.assert_frame_equal(found, whole, check_exact=True)


def test_memory_stays_small() -> None:
    """What is carried on does not grow with the cycles behind it."""
    unit = Unit("u1")
    cycles = simulated(1)[2]
    many = pd.concat([cycles] * 40, ignore_index=True)
    trace = simulated(1)[0]
    later = trace.assign(time=trace["time"] + pd.Timedelta(days=400))
    memory = extract(later, unit, earlier=many).memory
    assert len(memory.plateaus) == PLATEAUS
    assert all(len(h) <= HOLDS for h in memory.holds.values())
    assert len(json.dumps(memory.to_json())) < 8000


def test_resume_point_moves_on() -> None:
    """Long after a cycle, what must be read again is hours, not history."""
    trace, unit, _ = simulated(0)
    found = extract(trace, unit)
    assert found.resume_from is not None
    assert trace["time"].iloc[-1] - found.resume_from < pd.Timedelta(hours=8)


def test_weather_after_a_cycle_does_not_change_it(traces: ModuleType) -> None:
    """Without an open chamber before the cycle its atmosphere is read soon after, and stays."""
    unit = Unit("u1", air_removal="gravity")
    sketch = traces.Sketch().idle(20, 60.0).ramp(121.5, 6.0)
    sketch.sawtooth(1200, 121.5, 123.0, 2.0, 1.0).blow_down(25.0, 240).cool(1500, 30.0, 400.0)
    later = sketch.add([30.0] * 20000, 99.3)
    trace = later.trace(interval_s=10.0, noise_k=0.05, noise_kpa=0.1)
    whole = extract(trace, unit).cycles
    assert whole["open_pressure_kpa"].isna().all()
    assert whole["exhaust_s"].notna().all()
    for cut in (500, 700, 1500):
        pd.testing.assert_frame_equal(resumed(trace, unit, [cut]), whole, check_exact=True)


def test_tries_without_water_cut_anywhere(traces: ModuleType) -> None:
    """Two dry heats without cooling in between, cut at every twelfth sample."""
    unit = Unit("u1", air_removal="gravity", programs=("gravity-121x20",))
    sketch = traces.Sketch().idle(1200, 24.0)
    for _ in range(2):
        sketch.add(np.linspace(sketch.last_c, 98.0, 400), 102.0).add(np.full(300, 97.5), 102.0)
        sketch.add(np.linspace(98.0, 165.0, 500), 101.3).add(np.linspace(165.0, 170.0, 700), 101.3)
        sketch.cool(1200, 60.0, 500.0)
    trace = sketch.cool(2400, 25.0, 600.0).trace(interval_s=10.0, noise_k=0.1, noise_kpa=0.1)
    whole = extract(trace, unit).cycles
    assert len(whole) == 2
    for cut in range(100, len(trace), 12):
        pd.testing.assert_frame_equal(resumed(trace, unit, [cut]), whole, check_exact=True)


def test_a_hot_start_right_behind_another_row_is_no_start_of_the_record(
    traces: ModuleType,
) -> None:
    """Without pressure, purges on the way up make a row; the climb goes on from 105 °C."""
    sketch = traces.Sketch().idle(1800, 26.0).ramp(102.0, 8.0)
    for low, high in ((90.0, 106.0), (93.0, 106.0), (80.0, 136.0)):
        sketch.ramp(low, 6.0).ramp(high, 9.0)
    sketch.sawtooth(210, 135.5, 136.5, 6.0, 3.0).ramp(116.0, 6.0).ramp(118.0, 3.0)
    trace = sketch.ramp(85.0, 12.0).cool(7200, 30.0, 1500.0).trace(interval_s=15.0, pressure=False)
    unit = Unit("u1", air_removal="prevacuum")
    whole = extract(trace, unit).cycles
    for cut in range(120, 400, 7):
        for by_memory in (False, True):
            found = resumed(trace, unit, [cut], by_memory)
            pd.testing.assert_frame_equal(found, whole, check_exact=True)


def test_a_pump_is_timed_from_its_own_cycles_samples() -> None:
    """The air inlet of the drying before it may be gone when more data arrive."""
    time = np.arange(0.0, 200.0, 15.0)
    pressure = np.concatenate((np.full(4, 103.0), 95.0 * np.exp(-np.arange(10) / 3.0)))
    whole = evacuation_seconds(time, pressure, Event("vacuum", 6, len(time)), 4)
    rest = evacuation_seconds(time[4:], pressure[4:], Event("vacuum", 2, len(time) - 4), 0)
    assert whole == rest == pytest.approx(45.0 * np.log(100.0 / 30.0), rel=1e-9)
