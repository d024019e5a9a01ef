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
from numpy.typing import NDArray

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


FINE_TIMES: Final = ("seat", "exhaust", "evacuation", "air_inlet")
FINE_RATES: Final = {"heat_rate": 40.0, "heat_rate_pressurised": 14.0}
"""Rates, with the kelvin of the window that they are taken over."""
AT_LEAST: Final = np.array([n in ("seat", "exhaust", "evacuation", *FINE_RATES) for n in NAMES])
"""Signs that no healthy unit repeats exactly, but where sampling hides them; a vacuum break is
timed in whole intervals anyway."""

RESOLUTION: Final = 0.3
"""Standard error of a time in sampling intervals: a uniform error of half an interval either
way is 1/sqrt(12)."""
