"""A hold that climbs out of its band keeps its set point, and teaches nothing about it.

Straight lines and saw-teeth: which set point a cycle held first is known by construction.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
from chamberdrift.features import extract
from chamberdrift.shared.config import Unit
from chamberdrift.shared.steam import p_sat_kpa

UNIT = Unit("u1", air_removal="gravity", programs=("gravity-121x20", "gravity-134x4"))


def ran_away(traces: ModuleType) -> Any:
    """Held at 121 °C for a moment, driven on at 0.7 K/min for 20 min, kept at 135.5 °C."""
    s = traces.Sketch().idle(1200, 22.0).ramp(121.5, 6.0).ramp(134.7, 0.7)
    s.sawtooth(7200, 134.8, 136.3, 2.0, 1.0)
    return s.blow_down(25.0, 240).cool(3600, 22.0, 900.0)


def sound(traces: ModuleType) -> Any:
    return traces.gravity(setpoint=134.3, hold_s=260)


def cycles_of(*sketches: Any) -> pd.DataFrame:
    whole = sketches[0]
    for more in sketches[1:]:
        for temp, pressure in zip(more.temp, more.pressure, strict=True):
            whole.add(temp, pressure)
    return extract(whole.trace(interval_s=5.0), UNIT).cycles


def test_a_slow_climb_out_of_the_band_keeps_its_set_point(traces: ModuleType) -> None:
    (row,) = cycles_of(ran_away(traces)).to_dict("records")
    assert row["program"] == "gravity-121x20"
    assert row["overband_k"] > 9.0


def test_a_climb_that_ends_a_little_over_the_band_is_one_as_well(traces: ModuleType) -> None:
    """Held at 121 °C, driven on to 127.2 °C at 0.35 K/min, and at an end there."""
    s = traces.Sketch().idle(1200, 22.0).ramp(121.8, 6.0).ramp(127.4, 0.35)
    s.blow_down(25.0, 240).cool(3600, 22.0, 900.0)
    (row,) = cycles_of(s).to_dict("records")
    assert row["program"] == "gravity-121x20"
    assert 2.0 < row["overband_k"] < 2.6


def test_a_weak_heater_that_levels_off_there_is_none(traces: ModuleType) -> None:
    """An exponential approach to 127.5 °C, given up after 50 min."""
    s = traces.Sketch().idle(1200, 22.0).ramp(105.0, 4.0)
    temp = 127.5 - 22.5 * np.exp(-np.arange(1, 3001) / 600.0)
    s.add(temp, np.maximum(p_sat_kpa(temp), 101.3))
    s.blow_down(25.0, 240).cool(3600, 22.0, 900.0)
    (row,) = cycles_of(s).to_dict("records")
    assert row["completion"] == "aborted"
    assert pd.isna(row["setpoint_c"])


def test_it_does_not_move_the_set_point_of_the_cycles_after_it(traces: ModuleType) -> None:
    """The median plateau of 121 °C would be 135.5 °C, were it learnt from such cycles."""
    found = cycles_of(ran_away(traces), ran_away(traces), *(sound(traces) for _ in range(3)))
    assert found["setpoint_c"].tolist() == [121.0, 121.0, 134.0, 134.0, 134.0]
    assert found["completion"].tolist()[2:] == ["complete"] * 3


def test_a_climb_that_was_interrupted_is_no_runaway(traces: ModuleType) -> None:
    """Mains fail at 125 and at 127 °C on the way to 134 °C, for four minutes each."""
    s = traces.Sketch().idle(1200, 22.0).ramp(125.0, 8.0).ramp(122.8, 0.5).ramp(127.0, 8.0)
    s.ramp(124.8, 0.5).ramp(134.5, 8.0)
    s.sawtooth(260, 134.5, 136.0, 2.0, 1.0)
    s.blow_down(25.0, 240).cool(3600, 22.0, 900.0)
    (row,) = cycles_of(s).to_dict("records")
    assert row["setpoint_c"] == 134.0
    assert row["overband_k"] == 0.0
