"""Units with a boiler or a regulator of their own kind, and sites where the barometer is low.

Straight lines, saw-teeth and exponentials: what happened is known by construction.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from chamberdrift.features import assign_programs, extract
from chamberdrift.shared.config import Unit
from chamberdrift.shared.steam import p_sat_kpa

GRAVITY = Unit("u1", air_removal="gravity", programs=("gravity-121x30",))
PREVACUUM = Unit("u1", air_removal="prevacuum", programs=("prevacuum-134x3.5", "prevacuum-134x5"))


def test_cold_feed_water_in_heat_up_is_no_power_cut(traces: ModuleType) -> None:
    """A boiler's pump lets cold water in: 126 °C falls to 122 °C in 70 s and rises again."""
    sketch = traces.Sketch().idle(1200, 22.0).ramp(126.3, 6.0).ramp(122.2, 3.5).ramp(134.5, 6.0)
    sketch.sawtooth(225, 134.5, 136.0, 3.0, 1.5).blow_down(25.0, 240).cool(3600, 22.0, 900.0)
    unit = Unit("u1", air_removal="gravity", programs=("gravity-134x3.5",))
    assert extract(sketch.trace(interval_s=5.0), unit).cycles["completion"].tolist() == [
        "complete"
    ]


def test_one_overshoot_of_a_regulator_is_no_power_cut(traces: ModuleType) -> None:
    """A damped overshoot to 123.8 °C and back, never under the set point, then a full hold."""
    sketch = traces.Sketch().idle(1200, 22.0).ramp(123.8, 6.0).ramp(121.5, 0.7)
    level = 122.2 - 0.7 * np.exp(-np.arange(1, 1801) / 120.0)
    sketch.add(level, p_sat_kpa(level)).blow_down(25.0, 240).cool(3600, 22.0, 900.0)
    trace = sketch.trace(interval_s=30.0, noise_k=0.03)
    assert extract(trace, GRAVITY).cycles["completion"].tolist() == ["complete"]


def test_a_slow_approach_does_not_name_the_longer_of_two_programs(traces: ModuleType) -> None:
    """Of 3.5 and 5 min the exposure's 225 s tell, not what lies 3 K under it as well."""
    sketch = traces.Sketch().idle(1200, 55.0)
    for _ in range(3):
        sketch.evacuate(12.0, 120, 60.0).admit(150.0, 60, 110.0)
    sketch.evacuate(12.0, 120, 75.0).admit(110.0, 60, 102.0).ramp(131.5, 8.0).ramp(134.3, 2.2)
    sketch.sawtooth(225, 134.3, 135.5, 3.0, 1.5).blow_down(20.0, 100)
    sketch.evacuate(8.0, 180, 80.0).add(np.full(420, 80.0), 8.0).admit(101.3, 60, 82.0)
    trace = sketch.cool(1800, 40.0, 900.0).trace(interval_s=5.0)
    cycles = assign_programs(extract(trace, PREVACUUM).cycles, PREVACUUM)
    assert cycles["program"].tolist() == ["prevacuum-134x3.5"]


@pytest.mark.parametrize("atmosphere", [101.3, 99.6, 93.0, 82.0])
def test_a_pump_is_timed_alike_at_any_barometer(traces: ModuleType, atmosphere: float) -> None:
    """From 100 to 30 kPa: ln(100 / 30) time constants, wherever the chamber started (closed form).

    Half an hour at rest before is no part of it, even where the weather crosses 100 kPa then.
    """
    tau_s = 40.0
    sketch = traces.Sketch()
    rest = np.full(2400, atmosphere) + 0.6 * np.cos(np.arange(2400) / 2400.0 * np.pi)
    sketch.add(np.full(2400, 55.0), rest)
    for _ in range(3):
        fall = float(sketch.pressure[-1][-1]) * np.exp(-np.arange(1, 101) / tau_s)
        sketch.add(np.linspace(sketch.last_c, 60.0, 100), fall).admit(atmosphere, 60, 95.0)
    sketch.evacuate(12.0, 120, 75.0).admit(110.0, 60, 102.0).ramp(134.5, 8.0)
    sketch.sawtooth(240, 134.5, 136.0, 3.0, 1.5).blow_down(20.0, 240)
    unit = Unit("u1", air_removal="prevacuum", programs=("prevacuum-134x3.5",))
    cycle = extract(sketch.cool(1800, 40.0, 900.0).trace(), unit).cycles.iloc[0]
    assert cycle["pulse_evacuation_s"] == pytest.approx(np.log(100.0 / 30.0) * tau_s, abs=3.0)


def test_samples_that_begin_within_a_vacuum_time_no_pump(traces: ModuleType) -> None:
    """A gap ends deep in the pulse: when the pump began is not recorded, the next pulses tell."""
    tau_s = 40.0
    sketch = traces.Sketch().idle(2400, 55.0)
    for _ in range(3):
        fall = float(sketch.pressure[-1][-1]) * np.exp(-np.arange(1, 101) / tau_s)
        sketch.add(np.linspace(sketch.last_c, 60.0, 100), fall).admit(101.3, 60, 95.0)
    sketch.evacuate(12.0, 120, 75.0).admit(110.0, 60, 102.0).ramp(134.5, 8.0)
    sketch.sawtooth(240, 134.5, 136.0, 3.0, 1.5).blow_down(20.0, 240)
    trace = sketch.cool(1800, 40.0, 900.0).trace(interval_s=5.0)
    cut = trace.iloc[(2400 + 60) // 5 :]
    unit = Unit("u1", air_removal="prevacuum", programs=("prevacuum-134x3.5",))
    cycle = extract(cut, unit).cycles.iloc[0]
    assert cycle["pulse_evacuation_s"] == pytest.approx(np.log(100.0 / 30.0) * tau_s, abs=4.0)


def test_a_vacuum_within_one_step_of_the_channel_beside_a_warm_jacket(traces: ModuleType) -> None:
    """The channel's step hides the leak, and the jacket's 116 °C look like steam: one event."""
    sketch = traces.Sketch().idle(1200, 80.0).evacuate(11.0, 200, 78.0)
    sketch.add(118.0 - 40.0 * np.exp(-np.arange(1, 901) / 200.0), 11.0).admit(101.3, 60, 112.0)
    trace = sketch.cool(3600, 80.0, 1800.0).trace(interval_s=5.0, step_k=0.1)
    trace["pressure_kpa"] = trace["pressure_kpa"].round()
    unit = Unit("u1", air_removal="prevacuum", programs=("prevacuum-134x4",))
    cycles = extract(trace, unit).cycles
    assert len(cycles) <= 1
    assert cycles["exposure_s"].isna().all()


def test_cold_feed_water_just_before_the_hold_is_no_exhaust(traces: ModuleType) -> None:
    """Two samples over the limit, 15 s below it, then the hold: by definition dips stay in."""
    sketch = traces.Sketch().idle(1200, 22.0).ramp(134.9, 10.0)
    sketch.add(np.linspace(134.0, 131.0, 5), np.linspace(300.0, 262.0, 5)).ramp(135.5, 15.0)
    sketch.sawtooth(210, 135.2, 135.6, 3.0, 3.0).blow_down(12.0, 60)
    sketch.evacuate(10.0, 300, 85.0).admit(101.3, 60, 85.0).cool(3600, 22.0, 900.0)
    cycle = extract(sketch.trace(interval_s=5.0, noise_k=0.03), PREVACUUM).cycles.iloc[0]
    assert cycle["completion"] == "complete"
    assert cycle["exposure_s"] == pytest.approx(5 + 5 + 18 + 210, abs=10.0)


@pytest.mark.parametrize("peak_c", [103.0, 107.0, 112.0])
def test_pulses_far_apart_without_pressure_are_one_cycle(
    traces: ModuleType, peak_c: float
) -> None:
    """A pump takes four minutes and steam as long again: 107 to 74 °C and back to the hold."""
    sketch = traces.Sketch().idle(1200, 30.0).ramp(102.5, 15.0)
    for _ in range(2):
        sketch.ramp(74.0, 8.0).ramp(peak_c, 10.0)
    sketch.ramp(74.0, 8.0).ramp(135.4, 12.0).sawtooth(215, 135.2, 135.6, 3.0, 3.0)
    sketch.blow_down(12.0, 60).ramp(90.0, 30.0).cool(3600, 22.0, 900.0)
    trace = sketch.trace(interval_s=5.0, step_k=0.5, pressure=False)
    cycles = assign_programs(extract(trace, PREVACUUM).cycles, PREVACUUM)
    assert cycles["program"].tolist() == ["prevacuum-134x3.5"]
    assert cycles["completion"].tolist() == ["complete"]


def _content_with_pressure(traces: ModuleType, *, mains: bool) -> str:
    """120.8 °C touched, then a slow fall; swings at 107 to 110 °C follow where mains are there."""
    sketch = traces.Sketch().idle(1200, 30.0)
    air_kpa = 100.0  # what a blocked vent leaves in the chamber
    level = [np.linspace(30.0, 120.8, 480), np.linspace(120.8, 119.0, 30)]
    level.append(119.0 - 12.0 * (np.arange(480) / 480.0) ** 1.6)
    for _ in range(3 if mains else 0):
        level += [np.linspace(107.0, 110.0, 90), np.linspace(110.0, 107.0, 180)]
    level.append(np.linspace(level[-1][-1], 85.0, 900))
    temp = np.concatenate(level)
    sketch.add(temp, p_sat_kpa(temp) + air_kpa * np.clip((temp - 30.0) / 70.0, 0.0, 1.0))
    trace = sketch.blow_down(20.0, 120).cool(3600, 22.0, 900.0).trace(interval_s=2.0, noise_k=0.05)
    return str(extract(trace, GRAVITY).cycles["completion"].iloc[0])


def test_a_regulator_that_swings_below_the_set_point_had_its_mains(traces: ModuleType) -> None:
    assert _content_with_pressure(traces, mains=False) == "power_cut"
    assert _content_with_pressure(traces, mains=True) == "aborted"
