"""Tries of weak heaters, coarse starts and wide swings, on drawn traces.

Ramps and saw-teeth: starts, set points and how far a try came are known by construction.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.shared.config import Unit

START = pd.Timestamp("2026-03-02T08:00:00Z")
PREVACUUM = Unit("u1", air_removal="prevacuum", programs=("prevacuum-134x3.5",))
GRAVITY = Unit("u1", air_removal="gravity", programs=("gravity-121x15", "gravity-126x10"))


@pytest.mark.parametrize(("seconds", "top_kpa"), [(300, 119.0), (8, 116.5)])
def test_a_try_that_never_got_hot_after_its_vacuum_makes_a_row(
    traces: ModuleType, seconds: int, top_kpa: float
) -> None:
    """Steam with air in it fills the chamber for an hour: 119 kPa at 99 °C, then given up."""
    s = traces.Sketch().idle(1200, 22.0).evacuate(17.0, 60, 22.0)
    s.admit(114.0, 3600, 98.5).admit(top_kpa, seconds, 99.0).admit(traces.ATMOSPHERE, 60, 95.0)
    s.cool(3600, 22.0, 600.0)
    (row,) = extract(s.trace(interval_s=5.0), PREVACUUM).cycles.to_dict("records")
    assert row["kind"] != "leak_test"
    assert row["completion"] == "aborted"
    assert (row["started_at"] - START).total_seconds() == pytest.approx(1200.0, abs=10.0)


@pytest.mark.parametrize("vacuum", [False, True])
@pytest.mark.parametrize("offset_s", [0, 4, 8, 12])
def test_a_start_is_found_to_the_sample_where_the_saw_tooth_is_too_fast_for_it(
    traces: ModuleType, vacuum: bool, offset_s: int
) -> None:
    """15 s sampling of swings of 30 s: what looks like noise in exposure is none before it."""
    s = traces.Sketch().idle(1200 + offset_s, 22.0)
    if vacuum:
        s.evacuate(12.0, 120, 60.0).admit(150.0, 60, 110.0).evacuate(12.0, 120, 75.0)
        s.admit(110.0, 60, 102.0).ramp(134.5, 8.0)
    else:
        s.ramp(134.5, 8.0)
    s.sawtooth(300, 134.5, 136.5, 12.0, 6.0).blow_down(25.0, 240).cool(3600, 22.0, 900.0)
    trace = s.trace(interval_s=15.0, noise_k=0.05, noise_kpa=0.15)
    (row,) = extract(trace, PREVACUUM).cycles.to_dict("records")
    found = (row["started_at"] - START).total_seconds()
    assert found == pytest.approx(1200.0 + offset_s, abs=15.0)


def test_a_hold_that_swings_widely_belongs_to_the_middle_of_its_swings(traces: ModuleType) -> None:
    """118 to 127 °C around 122.5 °C is a 121 °C program under a bad thermostat."""
    s = traces.Sketch().idle(1200, 22.0).ramp(122.0, 6.0)
    phase = np.arange(1, 1301)
    temp = 122.4 + 4.3 * np.sin(phase / 30.0)
    s.add(temp, traces.p_sat_kpa(temp)).blow_down(25.0, 240).cool(3600, 22.0, 900.0)
    (row,) = extract(s.trace(interval_s=10.0), GRAVITY).cycles.to_dict("records")
    assert row["program"] == "gravity-121x15"
