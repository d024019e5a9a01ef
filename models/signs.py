"""The signs: features on the scale on which parts act on them, and circumstances.

A rate, a time or a share is taken as a logarithm, so that a weak heater or a
heavy load adds the same amount everywhere; a temperature or a pressure stays in
its unit. Each sign carries what is known before any data: how much it scatters
from cycle to cycle, how far a healthy unit's level wanders from week to week,
and how it follows its circumstances by physics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.programs import Program
from ..shared.steam import t_sat_c

FloatArray = NDArray[np.float64]

CIRCUMSTANCES: Final = ("start", "start_hot", "idle", "ambient", "mains")
"""start: (heat_start_c - 40)/20; start_hot: its part above 80 °C, in 20 K; idle: log of
hours idle; ambient: (ambient - 22)/10; mains: 2 log(V / unit's usual V)."""


@dataclass(frozen=True)
class Sign:
    """One sign of health."""

    name: str
    column: str
    """Feature it is made of."""
    scale: str
    """``log`` or ``linear``."""
    words: str
    unit: str
    scatter: float
    """Standard deviation from cycle to cycle, on the sign's own scale, before data."""
    wander: float
    """Standard deviation of a healthy unit's level over weeks, before data."""
    slopes: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    """Prior slope on each circumstance, from physics."""
    slope_sd: tuple[float, float, float, float, float] = (0.02, 0.02, 0.02, 0.02, 0.1)
    memory: float = 1.0
    """Factor on the charts' time constants: weekly tests need a longer memory."""
    reach: float = 10.0
    """Bound on one cycle's residual in the charts, in standard deviations of scatter and wander:
    an odd cycle moves them by a bounded step, while the shifts of faults that have not failed yet
    stay below it (design choice)."""
    other: float = math.inf
    """Distance from the usual, on the sign's own scale, from which a cycle was run another way."""
    shown: bool = True
    """Whether its residuals are kept as those of its column: each column is shown once."""


# Scatter and wander: orders of magnitude from the tuning fleets (seeds 1-99, robust SD of
# healthy units rounded up), replaced by the fleet's own once it has enough units. Slopes on
# ambient: losses go with T - T_room, that is -0.10 a decade of kelvin at 121 °C (first
# principles); on mains: power goes with V squared.
_K: Final = (0.02, 0.02, 0.02, 0.03, 0.1)
_T: Final = (0.05, 0.05, 0.03, 0.05, 0.05)

SIGNS: Final = (
    Sign(
        "power",
        "power_over_capacity_k_per_min",
        "log",
        "heater power over heat capacity",
        "K/min",
        0.06,
        0.025,
        (0.0, 0.0, 0.0, 0.0, 1.0),
        _K,
    ),
    Sign(
        "loss",
        "loss_over_capacity_k_per_min",
        "log",
        "loss over heat capacity",
        "K/min",
        0.07,
        0.03,
        (0.0, 0.0, 0.0, -0.10, 0.0),
        _K,
    ),
    Sign(
        "duty",
        "heater_duty",
        "log",
        "duty in exposure",
        "1",
        0.06,
        0.025,
        (0.0, 0.0, 0.0, -0.10, -1.0),
        _K,
    ),
    Sign(
        "current_duty",
        "current_duty",
        "log",
        "share of exposure with heater current",
        "1",
        0.05,
        0.025,
        (0.0, 0.0, 0.0, -0.10, -1.0),
        _K,
    ),
    Sign(
        "heat_rate",
        "heat_rate_k_per_min",
        "log",
        "heat-up rate from 60 to 100 °C",
        "K/min",
        0.07,
        0.03,
        (0.0, 0.0, 0.0, 0.02, 1.0),
        (0.05, 0.05, 0.03, 0.03, 0.2),
    ),
    Sign(
        "heat_rate_pressurised",
        "heat_rate_pressurised_k_per_min",
        "log",
        "heat-up rate above 105 °C",
        "K/min",
        0.06,
        0.022,
        (0.0, 0.0, 0.0, 0.04, 1.5),
        (0.05, 0.05, 0.03, 0.03, 0.3),
    ),
    Sign(
        "heat_up",
        "heat_up_s",
        "log",
        "heat-up time at equal start temperature",
        "s",
        0.06,
        0.022,
        (0.0, 0.0, 0.0, -0.02, -1.1),
        (0.1, 0.1, 0.04, 0.03, 0.3),
    ),
    Sign(
        "seat",
        "seat_s",
        "log",
        "time from 102 to 110 °C",
        "s",
        0.08,
        0.05,
        (0.0, 0.0, 0.0, -0.03, -1.3),
        (0.05, 0.05, 0.03, 0.03, 0.3),
    ),
    Sign(
        "saturation",
        "saturation_deviation_k",
        "linear",
        "T - Tsat(p) in exposure",
        "K",
        0.08,
        0.08,
        slope_sd=_T,
    ),
    Sign(
        "superheat",
        "superheat_k",
        "linear",
        "superheat over the mean in exposure",
        "K",
        0.12,
        0.1,
        slope_sd=_T,
    ),
    Sign(
        "boil",
        "boil_plateau_c",
        "linear",
        "boil-off plateau against site pressure",
        "K",
        0.25,
        0.12,
        slope_sd=_T,
    ),
    Sign(
        "plateau",
        "exposure_mean_c",
        "linear",
        "mean temperature in exposure",
        "K",
        0.08,
        0.06,
        slope_sd=_T,
    ),
    Sign(
        "overshoot", "overshoot_k", "linear", "overshoot in exposure", "K", 0.12, 0.08, slope_sd=_T
    ),
    Sign(
        "dip",
        "exposure_min_c",
        "linear",
        "lowest temperature in exposure against the set point",
        "K",
        0.2,
        0.1,
        slope_sd=_T,
    ),
    Sign(
        "period",
        "sawtooth_period_s",
        "log",
        "period of the heater's switching",
        "s",
        0.08,
        0.05,
        slope_sd=_K,
    ),
    Sign(
        "spread",
        "exposure_sd_c",
        "log",
        "scatter of temperature in exposure",
        "K",
        0.1,
        0.06,
        slope_sd=_K,
    ),
    Sign(
        "fade",
        "exposure_slope_k_per_min",
        "linear",
        "slope of temperature in exposure",
        "K/min",
        0.02,
        0.01,
        slope_sd=(0.01,) * 5,
    ),
    Sign(
        "equilibration",
        "equilibration_s",
        "linear",
        "delay of temperature behind Tsat(p)",
        "s",
        2.0,
        1.5,
        slope_sd=(0.5,) * 5,
    ),
    Sign(
        "open_pressure",
        "open_pressure_kpa",
        "linear",
        "pressure reading with the chamber open",
        "kPa",
        0.8,
        0.4,
        slope_sd=_T,
    ),
    Sign(
        "exhaust",
        "exhaust_s",
        "log",
        "exhaust time",
        "s",
        0.08,
        0.035,
        slope_sd=(0.1, 0.1, 0.06, 0.03, 0.05),
        other=1.8,  # six times: liquids are let out slowly, which no vent that narrows begins with
    ),
    Sign(
        "leak",
        "leak_kpa_per_min",
        "linear",
        "leak rate",
        "kPa/min",
        0.008,
        0.006,
        slope_sd=(0.003,) * 5,
        memory=2.0,
    ),
    Sign(
        "vacuum",
        "air_removal_vacuum_kpa",
        "log",
        "deepest vacuum",
        "kPa",
        0.08,
        0.035,
        slope_sd=_K,
    ),
    Sign(
        "evacuation",
        "pulse_evacuation_s",
        "log",
        "time to evacuate from 100 to 30 kPa",
        "s",
        0.06,
        0.03,
        slope_sd=_K,
    ),
    Sign(
        "air_inlet",
        "air_inlet_s",
        "log",
        "time of the vacuum break",
        "s",
        0.1,
        0.06,
        slope_sd=_K,
    ),
    Sign(
        "drying_vacuum",
        "drying_vacuum_kpa",
        "log",
        "pressure in drying",
        "kPa",
        0.1,
        0.06,
        slope_sd=_K,
    ),
    Sign(
        "noise",
        "noise_k",
        "log",
        "noise of the temperature channel",
        "K",
        0.2,
        0.12,
        slope_sd=_K,
    ),
    # Without a pressure channel the end of a cycle is one span: exhaust, drying, vacuum break.
    Sign(
        "closing",
        "closing_s",
        "linear",
        "time from the end of exposure to the end of the cycle",
        "s",
        8.0,
        5.0,
        slope_sd=(3.0,) * 5,
        reach=6.0,  # a door opened late; what is farther off is another habit
        other=300.0,  # dried twice, or not at all: one cycle of four on some units
    ),
    # 1 where a heat-up paused at boiling, 0 where it ran through: its mean is a share.
    Sign(
        "boiling",
        "boil_plateau_c",
        "linear",
        "share of heat-ups that pause at boiling",
        "1",
        0.4,
        0.15,
        slope_sd=_T,
        reach=30.0,
        memory=2.0,  # a cycle says yes or no: a share needs many
        shown=False,
    ),
    # A timer is a clock: the hold of one program comes out alike to the sampling interval, cycle
    # after cycle, whatever load and mains do (healthy tuning units: 0.1 % beside that interval).
    Sign(
        "hold",
        "exposure_s",
        "log",
        "length of exposure over the program's",
        "1",
        0.004,
        0.002,
        slope_sd=(0.002,) * 5,
        other=0.2,  # extended on purpose, or broken off
    ),
)
"""Signs in the order of all arrays below."""

NAMES: Final = tuple(s.name for s in SIGNS)
INDEX: Final = {name: i for i, name in enumerate(NAMES)}
SCATTER: Final = np.array([s.scatter for s in SIGNS])
WANDER: Final = np.array([s.wander for s in SIGNS])
MEMORY: Final = np.array([s.memory for s in SIGNS])
REACH: Final = np.array([s.reach for s in SIGNS])
OTHER: Final = np.array([s.other for s in SIGNS])
PRIOR_SLOPES: Final = np.array([s.slopes for s in SIGNS]).T
PRIOR_SLOPE_SD: Final = np.array([s.slope_sd for s in SIGNS]).T

LEAST_CURRENT_DUTY: Final = 0.1
"""Below this a current channel does not show switching: proportioned heat stays under its
threshold most of the time (no source)."""

LEAST_INTERVALS: Final = 2.5
"""A time of fewer sampling intervals says more about the sampling than about the unit: it is
taken as so many, which it is at most. Not left out, for then one that slows has no level to rise
from (an exhaust of 29 s at samples 20 s apart, which a blocked vent made 53 and 117 s)."""

FINE_TIMES: Final = ("seat", "exhaust", "evacuation", "air_inlet")
FINE_RATES: Final = {"heat_rate": 40.0, "heat_rate_pressurised": 14.0}
"""Rates, with the kelvin of the window that they are taken over."""
AT_LEAST: Final = np.array([n in ("seat", "exhaust", "evacuation", *FINE_RATES) for n in NAMES])
"""Signs that no healthy unit repeats exactly, but where sampling hides them; a vacuum break is
timed in whole intervals anyway."""

RESOLUTION: Final = 0.3
"""Standard error of a time in sampling intervals: a uniform error of half an interval either
way is 1/sqrt(12)."""

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
    interval = np.nan_to_num(_numbers(cycles, "sample_interval_s"))
    for i, sign in enumerate(SIGNS):
        value = _numbers(cycles, sign.column)
        if sign.name == "heat_up":
            gap = _numbers(cycles, "setpoint_c") - _numbers(cycles, "heat_start_c")
            value = value / np.where(gap > LEAST_START_GAP_K, gap, np.nan)
        elif sign.name == "heat_rate":
            # Across pulses it is the pump that lets steam in and out, from a boiler at pressure.
            value = np.where(_numbers(cycles, "pulse_evacuation_s") > 0.0, np.nan, value)
        elif sign.name == "boil":
            value = value - t_sat_c(_numbers(cycles, "atmosphere_kpa"))
        elif sign.name == "boiling":
            # A start near boiling, or a heat-up not seen, shows no pause either way.
            value = np.where(np.isfinite(_numbers(cycles, "heat_rate_k_per_min")), 0.0, np.nan) + (
                np.isfinite(value)
            )
        elif sign.name == "closing":
            # With a pressure channel its parts are timed one by one.
            value = np.where(np.isfinite(_numbers(cycles, "pressure_max_kpa")), np.nan, value)
        elif sign.name == "current_duty":
            value = np.where(value > LEAST_CURRENT_DUTY, value, np.nan)
        elif sign.name == "superheat":
            value = value - _numbers(cycles, "saturation_deviation_k")
        elif sign.name in ("plateau", "dip"):
            value = value - _numbers(cycles, "setpoint_c")
        elif sign.name == "noise":
            # Swings of a few samples each bend as noise does: a faster swing is no worse logger.
            swings = _numbers(cycles, "exposure_sd_c") > SWINGS_K
            hidden = (interval >= SWINGS_HIDDEN_S) & swings
            # Second differences that are all nothing, to rounding: no noise was seen.
            value = np.where(hidden | ~(value > LEAST_NOISE_K), np.nan, value)
        elif sign.name == "hold":
            # Samples lost at either end would shorten it.
            whole = ~(_numbers(cycles, "gap_s") > HOLD_GAP_INTERVALS * interval)
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
    interval = _numbers(cycles, "sample_interval_s")
    for i, sign in enumerate(SIGNS):
        value = _as_seen(sign.name, _numbers(cycles, sign.column), np.nan_to_num(interval))
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
            out[:, i] = _numbers(cycles, "leak_se") / RESOLUTION
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
    period, duty = _numbers(cycles, "sawtooth_period_s"), _numbers(cycles, "heater_duty")
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
    start = _numbers(cycles, "heat_start_c")
    idle = np.clip(_numbers(cycles, "idle_before_s") / 3600.0, 0.1, 24.0)
    volts = _numbers(cycles, "mains_v")
    return np.column_stack(
        [
            (start - 40.0) / 20.0,
            np.maximum(start - 80.0, 0.0) / 20.0,
            np.log(idle),
            (_numbers(cycles, "ambient_c") - 22.0) / 10.0,
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


def _numbers(cycles: pd.DataFrame, column: str) -> FloatArray:
    if column not in cycles.columns:
        return np.full(len(cycles), np.nan)
    return cycles[column].to_numpy(dtype=np.float64, na_value=np.nan)
