"""The numbers of a steam cycle whose phases are known."""

from __future__ import annotations

from typing import Final

import numpy as np

from ..shared.config import Limits
from . import exhaust as exhaust_module
from . import heatup, saturation, sawtooth, vacuum
from .crossing import line, median, resolution, share_below
from .events import Event
from .on_change import Recorded
from .quick import true_at
from .row import NEEDS_PRESSURE, SAWTOOTH, Row, finite, noise_of
from .samples import Samples

GENERATOR_K_PER_MIN: Final = 15.0
"""A tabletop unit's own heater can't raise steam, water and load faster (no source: 3 kW on
12 kJ/K of metal and water make 15 K/min)."""
SAWTOOTH_ERRORS: Final = ("heater_duty_se", "power_over_capacity_se", "loss_over_capacity_se")
LOST_S: Final = 45.0
LOST_INTERVALS: Final = 5.0
"""A step beside the exposure longer than both is a gap in it (no source)."""
MOST_AFTER: Final = 120
"""Samples after an exposure that may still be in its band (no source)."""
LAG_SHARE: Final = 0.06
"""A sensor's lag beyond this share of the period rounds the saw-tooth (no source)."""


def add_exposure(
    row: Row,
    samples: Samples,
    recorded: Recorded,
    first: int,
    last: int,
    setpoint: float,
    limits: Limits,
    noise: float,
) -> None:
    """Add the exposure's statistics and its saw-tooth."""
    part = slice(first, last + 1)
    time, temp = samples.time_s[part], samples.temp_c[part]
    upper = setpoint + limits.band_width_k
    row.values["exposure_start"] = int(samples.time_ms[first])
    row.values["exposure_end"] = int(samples.time_ms[last])
    row.put("exposure_s", float(time[-1] - time[0]))
    row.put("exposure_gap_s", _longest_gap(samples, recorded, first, last, setpoint))
    row.put("below_band_s", share_below(time, temp, setpoint))
    row.put("above_band_s", share_below(time, -temp, -upper))
    top = float(temp.max())
    row.put("overband_k", max(0.0, top - upper))
    row.put("exposure_min_c", float(temp.min()))
    row.put("exposure_max_c", top)
    row.put("exposure_mean_c", float(temp.mean()))
    row.put("exposure_sd_c", float(temp.std(ddof=1)) if len(temp) > 1 else np.nan, "too_coarse")
    row.put("exposure_slope_k_per_min", line(time, temp)[0] * 60.0, "too_coarse")
    row.put("overshoot_k", top - setpoint)
    boil = samples.boiling_c[part]
    tau = saturation.sensor_lag(time, temp, boil, noise)
    row.put("sensor_lag_s", tau, "no_pressure_or_no_swings")
    step = row.values.get("resolution_k", 0.0)
    tooth = sawtooth.measure(time, temp, noise, step, tau if np.isfinite(tau) else 0.0)
    if np.isfinite(tau) and not tau < LAG_SHARE * tooth.period_s:
        # Pressure has no lag: its saw-tooth is the chamber's.
        quick = sawtooth.measure(time, boil, noise_of(boil), resolution(boil))
        tooth = tooth if quick.reason else quick
    if tooth.reason:
        row.null(SAWTOOTH, tooth.reason)
        row.values["sawtooth_count"] = 0
    else:
        row.put("rise_k_per_min", tooth.rise)
        row.put("fall_k_per_min", tooth.fall)
        row.put("heater_duty", tooth.duty)
        row.put("heater_duty_se", tooth.duty_error)
        row.put("power_over_capacity_k_per_min", tooth.rise + tooth.fall)
        row.put("power_over_capacity_se", float(np.hypot(tooth.rise_error, tooth.fall_error)))
        row.put("loss_over_capacity_k_per_min", tooth.fall)
        row.put("loss_over_capacity_se", tooth.fall_error)
        row.put("sawtooth_period_s", tooth.period_s)
        row.values["sawtooth_count"] = tooth.count
    if samples.current_a is not None:
        amps = samples.current_a[part]
        known = np.isfinite(amps)
        peak = float(amps[known].max()) if known.any() else 0.0
        if known.sum() > 3 and peak > 0.2:
            row.put("current_duty", float(np.mean(amps[known] > 0.5 * peak)))
    row.null(("current_duty",), "no_current_channel")


def _longest_gap(
    samples: Samples, recorded: Recorded, first: int, last: int, limit_c: float
) -> float:
    """Return the longest time between samples in an exposure, or lost beside its ends.

    The end that was found may be a swing of the hold that went on in the gap:
    samples lost before the chamber left its band count as beside the end.
    """
    steps = recorded.steps(first, last)
    longest = float(steps.max()) if len(steps) else 0.0
    usual = median(steps) if len(steps) else 0.0
    below = true_at(samples.temp_c[last + 1 : last + 1 + MOST_AFTER] < limit_c)
    left = last + 1 + int(below[0]) if len(below) else last + 1
    beside = recorded.steps(max(first - 1, 0), first).tolist()
    beside += recorded.steps(last, left).tolist()
    lost = [s for s in beside if s > max(LOST_S, LOST_INTERVALS * usual)]
    return float(max([longest, *lost]))


def add_heat_up(
    row: Row,
    samples: Samples,
    start: int,
    arrival: int,
    setpoint: float,
    noise: float,
    exposed: bool,
) -> None:
    """Add start temperature, heat-up time and the windows' rates."""
    time, temp = samples.time_s, samples.temp_c
    row.put("heat_start_c", median(temp[start : start + 3]))
    if exposed:
        row.put("heat_up_s", float(time[arrival] - time[start]))
    else:
        row.reasons["heat_up_s"] = "set_point_not_reached"
    values, why = heatup.windows(samples, start, arrival, setpoint, noise)
    for name, value in values.items():
        row.put(name, value)
    for name, reason in why.items():
        row.reasons[name] = reason
    if row.values.get("heat_rate_pressurised_k_per_min", 0.0) > GENERATOR_K_PER_MIN:
        # Steam let in from a generator: what swings is a valve, not a heater.
        for name in (*SAWTOOTH, *SAWTOOTH_ERRORS):
            row.values.pop(name, None)
        row.null(SAWTOOTH, "no_sawtooth")
        if exposed:
            row.values["sawtooth_count"] = 0
    part = slice(start, arrival + 1)
    row.put("boil_plateau_c", heatup.boil_plateau(time[part], temp[part]), "no_plateau")
    if samples.mains_v is not None:
        row.put("mains_v", median(finite(samples.mains_v[part])))
    else:
        row.reasons["mains_v"] = "no_mains_channel"


def add_pressure_features(
    row: Row,
    samples: Samples,
    before: list[Event],
    left: int,
    start: int,
    arrival: int,
    last: int,
    exhaust: int,
    end: int,
    atmosphere: float,
    recorded: Recorded,
) -> None:
    """Add what needs a pressure channel; nothing before ``left`` is looked at."""
    time, temp, pressure = samples.time_s, samples.temp_c, samples.pressure_kpa
    boiling = samples.boiling_c
    part = pressure[start : end + 1]
    if np.isfinite(part).sum() < 0.5 * len(part):
        reason = "no_pressure" if not np.isfinite(part).any() else "pressure_drop_out"
        for name in NEEDS_PRESSURE:
            row.values.pop(name, None)
            row.reasons[name] = reason
        return
    row.put("pressure_max_kpa", float(np.nanmax(part)))
    if "exposure_s" in row.values:
        even = recorded.held(arrival, last)
        mean, error, hot = saturation.deviation(time[even], temp[even], boiling[even])
        row.put("saturation_deviation_k", mean, "too_coarse")
        row.put("saturation_deviation_se", error, "too_coarse")
        row.put("superheat_k", hot, "too_coarse")
        back = max(start, int(time.searchsorted(time[arrival] - 600.0)))
        ahead = min(exhaust, int(time.searchsorted(time[arrival] + 600.0))) + 1
        row.put(
            "equilibration_s",
            saturation.equilibration(
                time[back:ahead],
                temp[back:ahead],
                boiling[back:ahead],
                row.values["setpoint_c"],
            ),
            "band_not_reached_by_both",
        )
    else:
        row.null(
            ("saturation_deviation_k", "superheat_k", "equilibration_s"), "set_point_not_reached"
        )
    out = slice(exhaust, min(end + 2, len(time)))
    seconds, tau, why = exhaust_module.exhaust_times(time[out], pressure[out], atmosphere)
    row.put("exhaust_s", seconds, why)
    row.put("exhaust_tau_s", tau, why)
    count, evacuation, deepest = vacuum.pulses(samples, before, left, arrival, atmosphere)
    if np.isfinite(count):
        row.values["pulse_count"] = int(count)
    else:
        row.reasons["pulse_count"] = "too_coarse"
    row.put("pulse_evacuation_s", evacuation, "no_pulses")
    row.put("air_removal_vacuum_kpa", deepest, "no_vacuum")
    if "drying_vacuum_kpa" in row.values:
        deepest = float(np.fmin(deepest, np.nanmin(pressure[exhaust : end + 1])))
    row.put("vacuum_min_kpa", deepest, "no_vacuum")
