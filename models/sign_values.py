"""The signs of cycles as arrays, what sampling hides of them, and the circumstances."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.programs import Program
from ..shared.steam import t_sat_c
from .columns import numbers
from .signs import FINE_RATES, FINE_TIMES, RESOLUTION, SIGNS

FloatArray = NDArray[np.float64]

LEAST_CURRENT_DUTY: Final = 0.1
"""Below this a current channel does not show switching: proportioned heat stays under its
threshold most of the time (no source)."""

LEAST_INTERVALS: Final = 2.5
"""A time of fewer sampling intervals says more about the sampling than about the unit: it is
taken as so many, which it is at most. Not left out, for then one that slows has no level to rise
from (an exhaust of 29 s at samples 20 s apart, which a blocked vent made 53 and 117 s)."""

SWITCHED: Final = ("power", "loss", "duty", "period")
SWITCHED_SHARE: Final = 0.5
"""Signs of the saw-tooth, and how much of an interval's share enters its period: over several
teeth part of it averages out (design choice). Not so its slopes: a machine that keeps time and a
logger that keeps time meet at the same phases tooth after tooth."""

SWINGS_HIDDEN_S: Final = 6.0
"""Interval from which a saw-tooth (periods from 25 s, common practice) may have fewer than four
samples a period."""
SWINGS_K: Final = 0.3
"""Scatter in exposure from which a controller swings (common practice, no source)."""

HOLD_GAP_INTERVALS: Final = 2.5
"""A longer step may have hidden an end of the hold."""
HOLD_SHARE: Final = 0.01
"""Share of a hold that a sampling interval may be. Machine and logger both keep time, so a hold
may read one interval shorter for weeks: that must stay below what is worth a visit. It also keeps
a short program's rounding out of the level of a long one."""

LEAST_NOISE_K: Final = 1e-3
"""A finer noise is that of arithmetic (no logger resolves a hundredth of it; a value of 1e-14 put
a unit's usual noise far below what it reads)."""

LEAST_START_GAP_K: Final = 20.0
"""Below this distance from start to set point, a heat-up time says nothing."""


def sign_matrix(cycles: pd.DataFrame) -> FloatArray:
    """Return the signs of each cycle, shape (cycles, signs), NaN where a feature is null."""
    out = np.full((len(cycles), len(SIGNS)), np.nan)
    interval = np.nan_to_num(numbers(cycles, "sample_interval_s"))
    for i, sign in enumerate(SIGNS):
        value = numbers(cycles, sign.column)
        if sign.name == "heat_up":
            gap = numbers(cycles, "setpoint_c") - numbers(cycles, "heat_start_c")
            value = value / np.where(gap > LEAST_START_GAP_K, gap, np.nan)
        elif sign.name == "heat_rate":
            # Across pulses it is the pump that lets steam in and out, from a boiler at pressure.
            value = np.where(numbers(cycles, "pulse_evacuation_s") > 0.0, np.nan, value)
        elif sign.name == "boil":
            value = value - t_sat_c(numbers(cycles, "atmosphere_kpa"))
        elif sign.name == "boiling":
            # A start near boiling, or a heat-up not seen, shows no pause either way.
            value = np.where(np.isfinite(numbers(cycles, "heat_rate_k_per_min")), 0.0, np.nan) + (
                np.isfinite(value)
            )
        elif sign.name == "closing":
            # With a pressure channel its parts are timed one by one.
            value = np.where(np.isfinite(numbers(cycles, "pressure_max_kpa")), np.nan, value)
        elif sign.name == "current_duty":
            value = np.where(value > LEAST_CURRENT_DUTY, value, np.nan)
        elif sign.name == "superheat":
            value = value - numbers(cycles, "saturation_deviation_k")
        elif sign.name in ("plateau", "dip"):
            value = value - numbers(cycles, "setpoint_c")
        elif sign.name == "noise":
            # Swings of a few samples each bend as noise does: a faster swing is no worse logger.
            swings = numbers(cycles, "exposure_sd_c") > SWINGS_K
            hidden = (interval >= SWINGS_HIDDEN_S) & swings
            # Second differences that are all nothing, to rounding: no noise was seen.
            value = np.where(hidden | ~(value > LEAST_NOISE_K), np.nan, value)
        elif sign.name == "hold":
            # Samples lost at either end would shorten it.
            whole = ~(numbers(cycles, "gap_s") > HOLD_GAP_INTERVALS * interval)
            value = np.where(whole & (interval <= HOLD_SHARE * value), value, np.nan)
            value = value / _set_seconds(cycles)
        value = _as_seen(sign.name, value, interval)
        if sign.scale == "log":
            value = np.log(np.where(value > 0.0, value, np.nan))
        out[:, i] = value
    return out


def resolution_matrix(cycles: pd.DataFrame) -> FloatArray:
    """Return one sampling interval of each time or rate, on its sign's scale.

    Shape (cycles, signs); 0 for signs that are no times, NaN where unseen. A machine that
    keeps time and a logger that keeps time share their rounding: it does not average out.
    A leak rate has a standard error of its own, given in the same measure.
    """
    out = np.zeros((len(cycles), len(SIGNS)))
    interval = numbers(cycles, "sample_interval_s")
    for i, sign in enumerate(SIGNS):
        value = _as_seen(sign.name, numbers(cycles, sign.column), np.nan_to_num(interval))
        if sign.name in FINE_TIMES:
            out[:, i] = interval / np.where(value > 0.0, value, np.nan)
        elif sign.name in FINE_RATES:
            out[:, i] = interval * value / (60.0 * FINE_RATES[sign.name])
        elif sign.name in ("equilibration", "closing"):
            out[:, i] = interval
        elif sign.name == "hold":
            out[:, i] = interval / np.where(value > 0.0, value, np.nan)
        elif sign.name == "period":
            out[:, i] = SWITCHED_SHARE * interval / np.where(value > 0.0, value, np.nan)
        elif sign.name == "leak":
            out[:, i] = numbers(cycles, "leak_se") / RESOLUTION
        elif sign.name in SWITCHED:
            out[:, i] = interval * _swing_error(cycles, sign.name)
    return out


def _as_seen(name: str, value: FloatArray, interval: FloatArray) -> FloatArray:
    """Return times at least, and rates at most, as what the sampling interval [s] can show."""
    if name in FINE_TIMES:
        return np.where(value > 0.0, np.maximum(value, LEAST_INTERVALS * interval), np.nan)
    if name in FINE_RATES:
        least = np.where(interval > 0.0, LEAST_INTERVALS * interval, np.nan)
        return np.fmin(value, 60.0 * FINE_RATES[name] / least) + 0.0 * value
    return value


def _swing_error(cycles: pd.DataFrame, name: str) -> FloatArray:
    """Return the error of a saw-tooth's sign by one second in each of its slopes, shape (cycles,).

    A slope over a run of t seconds is off by a share 1/t for each second that its ends are off.
    With duty d and period T the runs are d T and (1 - d) T long; P/C = rise + fall has rise in a
    share 1 - d and fall in a share d, L/C = fall, and d ln(duty) = (1 - d)(d ln fall - d ln rise).
    """
    period, duty = numbers(cycles, "sawtooth_period_s"), numbers(cycles, "heater_duty")
    known = (period > 0.0) & (duty > 0.0) & (duty < 1.0)
    period, duty = np.where(known, period, np.nan), np.where(known, duty, np.nan)
    rise, fall = 1.0 / (duty * period), 1.0 / ((1.0 - duty) * period)
    if name == "power":
        return np.asarray((1.0 - duty) * rise + duty * fall)
    return fall if name == "loss" else np.asarray((1.0 - duty) * (rise + fall))


def circumstance_matrix(cycles: pd.DataFrame) -> FloatArray:
    """Return the circumstances of each cycle, shape (cycles, circumstances), NaN if unknown.

    Mains is the raw ``2 log V``; it is centred on the unit's baseline later.
    """
    start = numbers(cycles, "heat_start_c")
    idle = np.clip(numbers(cycles, "idle_before_s") / 3600.0, 0.1, 24.0)
    volts = numbers(cycles, "mains_v")
    return np.column_stack(
        [
            (start - 40.0) / 20.0,
            np.maximum(start - 80.0, 0.0) / 20.0,
            np.log(idle),
            (numbers(cycles, "ambient_c") - 22.0) / 10.0,
            2.0 * np.log(np.where(volts > 0.0, volts, np.nan)),
        ]
    )


def _set_seconds(cycles: pd.DataFrame) -> FloatArray:
    """Return the exposure that each cycle's program sets [s], NaN where none is known."""
    if "program" not in cycles.columns:
        return np.full(len(cycles), np.nan)
    program = cycles["program"].fillna("")
    known = {name: Program.known(name) for name in program.unique().tolist()}
    seconds = {n: p.hold_min * 60.0 if p and p.hold_min else math.nan for n, p in known.items()}
    return program.map(seconds).to_numpy(dtype=np.float64)
