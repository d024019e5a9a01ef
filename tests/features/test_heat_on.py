"""Where heating begins in a chamber that its own walls warm first."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pytest
from chamberdrift.features import extract
from chamberdrift.features.heatup import heating_start
from chamberdrift.shared.config import Unit


def _start(before_s: float, warming_s: float, rates: tuple[float, float, float]) -> float:
    """Return the start found for straight runs at rates [K/min] before, between and after."""
    time = np.arange(0.0, before_s + warming_s + 300.0, 5.0)
    corners = np.cumsum([0.0, before_s, warming_s, 600.0])
    steps = np.diff(corners) * np.array(rates) / 60.0
    temp = 50.0 + np.interp(time, corners, np.concatenate(([0.0], np.cumsum(steps))))
    rng = np.random.default_rng(2)
    return float(time[heating_start(time, temp + rng.normal(0.0, 0.03, len(time)), 0.03)])


def test_walls_that_warm_a_new_load_are_no_heating() -> None:
    """The door shuts at 600 s on a chamber that cooled; the heater comes on 150 s later."""
    assert _start(600.0, 150.0, (-1.0, 4.0, 8.0)) == pytest.approx(750.0, abs=5.0)


def test_steam_that_reaches_the_sensor_is_no_start() -> None:
    """Nothing cooled before: the first rise, at 600 s, is the heater's."""
    assert _start(600.0, 150.0, (0.0, 4.0, 8.0)) == pytest.approx(600.0, abs=10.0)


def test_heat_up_counts_from_the_heater(traces: ModuleType) -> None:
    """A whole cycle: the chamber cools, warms for 150 s at 4 K/min, is heated at 8 K/min."""
    sketch = traces.Sketch().idle(300, 60.0).cool(1200, 22.0, 1800.0)
    warmed = sketch.last_c + 10.0
    sketch.ramp(warmed, 4.0).ramp(121.5, 8.0).sawtooth(1200, 121.5, 123.0, 2.0, 1.0)
    trace = sketch.blow_down(25.0, 240).cool(2400, 22.0, 900.0).trace(interval_s=5.0)
    (row,) = extract(trace, Unit("u", air_removal="gravity")).cycles.to_dict("records")
    assert row["heat_up_s"] == pytest.approx((121.0 - warmed) / 8.0 * 60.0, abs=10.0)
