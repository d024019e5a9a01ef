"""A hold high in its band, slowly approached, in a unit's very first cycle."""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.shared.config import Unit
from chamberdrift.shared.steam import p_sat_kpa

UNIT = Unit("u", air_removal="gravity", programs=("gravity-134x6", "gravity-121x15"))


@pytest.mark.parametrize(("held_min", "program"), [(15.2, "gravity-121x15"), (9.0, None)])
def test_a_programs_own_time_tells_its_timer(
    traces: ModuleType, held_min: float, program: str | None
) -> None:
    """123.9 °C in a band of 121 to 125 for 15 min is 121x15; for 9 min it may have been given up.

    The exponential approach looks like that of a weak heater on its way to 134 °C.
    """
    sketch = traces.Sketch().idle(1200, 22.0).ramp(112.0, 6.0)
    level = 123.9 - 11.9 * np.exp(-np.arange(1, 601) / 70.0)
    level = level[level < 123.2]
    sketch.add(level, p_sat_kpa(level))
    hot_s = np.count_nonzero(level >= 121.0)
    sketch.sawtooth(round(held_min * 60.0) - hot_s, 123.4, 124.4, 2.0, 1.0)
    trace = sketch.blow_down(25.0, 240).cool(3600, 22.0, 900.0).trace(interval_s=10.0)
    (row,) = extract(trace, UNIT).cycles.to_dict("records")
    assert (row["program"] if pd.notna(row["program"]) else None) == program
    assert row["completion"] == ("complete" if program else "aborted")
