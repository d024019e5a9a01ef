"""A tired unit that levels off under its program is not taken for another program.

The approach is the closed form of first-order heating, T = T_end - (T_end - T_0)
exp(-t/tau); pressure follows saturation (IAPWS-IF97 region 4).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.features.setpoints import choose_setpoint
from chamberdrift.shared.config import Unit
from chamberdrift.shared.programs import Program
from chamberdrift.shared.schema import TRACES
from chamberdrift.shared.steam import p_sat_kpa

START = pd.Timestamp("2026-03-02 08:00", tz="UTC")


def cycle(begin_s: float, end_c: float, hold_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Return time [s] and temperature [°C] of heating, hold, exhaust and a long rest.

    Above 130 °C the heater is strong and a controller stops the rise; below, the
    temperature levels off by first order.
    """
    time = np.arange(0.0, 7200.0, 5.0)
    if end_c > 130.0:
        heat = np.minimum(25.0 + time / 12.0, end_c + 0.6 * np.sin(time / 8.0))
        full = (end_c - 25.0) * 12.0
    else:
        heat = end_c - (end_c - 25.0) * np.exp(-time / 600.0)
        full = 1800.0
    fall = np.exp(-np.clip(time - full - hold_s, 0.0, None) / 120.0)
    return begin_s + time, 25.0 + (heat - 25.0) * fall


def trace(cycles: list[tuple[float, float]]) -> pd.DataFrame:
    parts = [cycle(7200.0 * k, end_c, hold) for k, (end_c, hold) in enumerate(cycles)]
    time = np.concatenate([p[0] for p in parts])
    temp = np.concatenate([p[1] for p in parts])
    rng = np.random.default_rng(2)
    frame = pd.DataFrame(
        {
            "unit_id": "U1",
            "time": START + pd.to_timedelta(time, unit="s"),
            "temperature_c": temp + 0.03 * rng.standard_normal(time.size),
            "pressure_kpa": np.maximum(98.0, p_sat_kpa(temp))
            + 0.1 * rng.standard_normal(time.size),
        }
    )
    return TRACES.conform(frame)


@pytest.mark.parametrize("programs", [("gravity-134x4",), ()])
def test_levelling_off_makes_no_program(programs: tuple[str, ...]) -> None:
    unit = Unit("U1", air_removal="gravity", programs=programs)
    cycles = extract(trace([(135.3, 300.0)] * 4 + [(127.6, 1800.0)] * 3), unit).cycles
    assert cycles["setpoint_c"].iloc[:4].tolist() == [134.0] * 4
    tired = cycles.iloc[4:]
    assert len(tired) == 3
    assert tired["program"].isna().all()
    assert tired["exposure_s"].isna().all()
    assert (tired["completion"] == "aborted").all()


def test_a_plateau_between_programs_belongs_to_the_next_above() -> None:
    programs = (Program.parse("prevacuum-121x20"), Program.parse("prevacuum-134x3.5"))
    assert choose_setpoint(127.9, programs[1:], {}) == (134.0, True)
    assert choose_setpoint(122.4, programs, {}) == (121.0, True)
    assert choose_setpoint(141.0, programs, {}) == (134.0, True)
