"""A row of the cycles table in the making, and what every kind of cycle has."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from ..shared.config import Unit
from ..shared.steam import STANDARD_ATMOSPHERE_KPA, t_sat_c
from . import saturation
from .crossing import median, noise_sd, resolution
from .quick import diff, share_of, true_at
from .samples import FloatArray, Samples

AT_REST_C: Final = float(t_sat_c(101.0))
LONG_IDLE_S: Final = 3.0 * 3600.0
"""Idle after which an open chamber reads the room (no source)."""

SOON_S: Final = 900.0
"""Samples up to this long after an exhaust are seen before a cycle is final [s]."""

NEEDS_PRESSURE: Final = (
    "equilibration_s",
    "saturation_deviation_k",
    "superheat_k",
    "open_pressure_kpa",
    "exhaust_s",
    "exhaust_tau_s",
    "vacuum_min_kpa",
    "air_removal_vacuum_kpa",
    "pulse_evacuation_s",
    "air_inlet_s",
    "drying_vacuum_kpa",
    "pressure_max_kpa",
)
SAWTOOTH: Final = (
    "rise_k_per_min",
    "fall_k_per_min",
    "heater_duty",
    "power_over_capacity_k_per_min",
    "loss_over_capacity_k_per_min",
    "sawtooth_period_s",
)
EXPOSURE: Final = (
    "exposure_s",
    "below_band_s",
    "above_band_s",
    "overband_k",
    "exposure_min_c",
    "exposure_max_c",
    "exposure_mean_c",
    "exposure_sd_c",
    "exposure_slope_k_per_min",
    "overshoot_k",
    "exposure_gap_s",
)


@dataclass
class Row:
    """A row in the making: values, and why the others are null."""

    values: dict[str, Any] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)

    def null(self, names: tuple[str, ...], reason: str) -> None:
        """Note why columns have no value, unless they have one or a reason."""
        for name in names:
            if name not in self.values:
                self.reasons.setdefault(name, reason)

    def put(self, name: str, value: float, reason: str = "not_seen") -> None:
        """Store a value, or a reason where it is not finite."""
        if math.isfinite(value):
            self.values[name] = float(value)
        else:
            self.reasons.setdefault(name, reason)


@dataclass(frozen=True)
class Place:
    """Where a cycle may lie: indices of its context, and what is known before it."""

    left: int
    """First sample that no earlier cycle owns."""
    right: int
    """First sample of the next cycle's events, or the number of samples."""
    last: bool
    """No events follow."""
    previous_end_s: float
    """End of the cycle before [s]; NaN for none."""
    pumped_kpa: float = float("nan")
    """Vacuum of the last drying before [kPa]; NaN for none."""
    stopped: tuple[tuple[float, float], ...] = ()
    """Ends [s] and plateaus [°C] of the last climbs before that were broken off."""


def begin(samples: Samples, start: int, end: int, unit: Unit, place: Place) -> Row:
    """Return a row with identity, circumstances and logger facts."""
    row = Row()
    time = samples.time_s
    ms = int(samples.time_ms[start])
    row.values.update(
        cycle_id=f"{unit.id}@{np.datetime64(ms // 1000, 's')}Z",
        unit_id=unit.id,
        started_at=ms,
        ended_at=int(samples.time_ms[end]),
    )
    logger = None if samples.logger_id is None else samples.logger_id[start]
    if isinstance(logger, str):
        row.values["logger_id"] = logger
    part = time[start : end + 1]
    steps = diff(part)
    if len(steps):
        row.put("sample_interval_s", median(steps))
        row.put("gap_s", float(steps.max()))
    if np.isfinite(place.previous_end_s):
        row.put("idle_before_s", float(time[start]) - place.previous_end_s)
    else:
        row.reasons["idle_before_s"] = "first_cycle_of_the_trace"
    return row


def add_circumstances(row: Row, samples: Samples, place: Place, start: int) -> None:
    """Add the open chamber, the atmosphere, the room and the mains."""
    time = samples.time_s
    first = max(place.left, int(time.searchsorted(time[start] - 7200.0)))
    calm = slice(first, start)
    pressure, warm = saturation.open_chamber(
        time[calm], samples.pressure_kpa[calm], samples.temp_c[calm]
    )
    row.put("open_pressure_kpa", pressure, "chamber_not_seen_open")
    row.put("open_temperature_c", warm, "chamber_not_seen_open")
    stated = samples.atmosphere_kpa
    if stated is not None and np.isfinite(stated[start]):
        row.values["atmosphere_kpa"] = float(stated[start])
        row.values["atmosphere_assumed"] = bool(
            samples.assumed is not None and samples.assumed[start]
        )
    elif np.isfinite(samples.pressure_kpa[first : start + 4]).any():
        # An absolute channel: what it reads with the chamber open is the atmosphere.
        row.put("atmosphere_kpa", pressure, "chamber_not_seen_open")
        row.values["atmosphere_assumed"] = False
    else:
        row.values["atmosphere_kpa"] = STANDARD_ATMOSPHERE_KPA
        row.values["atmosphere_assumed"] = True
    idle = row.values.get("idle_before_s", np.nan)
    if samples.ambient_c is not None:
        row.put("ambient_c", median(finite(samples.ambient_c[start : start + 60])))
    elif np.isfinite(warm) and warm < 45.0 and idle >= LONG_IDLE_S:
        row.put("ambient_c", median(samples.temp_c[max(first, start - 60) : start + 1]))
    else:
        row.reasons["ambient_c"] = "no_long_idle"


def finite(values: FloatArray) -> FloatArray:
    """Return the values [any unit] that are numbers."""
    return values[np.isfinite(values)]


def add_channel(row: Row, samples: Samples, start: int, end: int) -> tuple[float, float]:
    """Add noise, resolution and stuck time; return noise of temperature and pressure."""
    temp = samples.raw_c[start : end + 1]
    noise = noise_sd(temp)
    row.put("noise_k", noise, "too_coarse")
    row.put("resolution_k", resolution(temp), "never_moved")
    row.put("stuck_s", _stuck(samples, start, end))
    noise_p = noise_sd(finite(samples.pressure_kpa[start : end + 1]))
    return (noise if np.isfinite(noise) else 0.0), (noise_p if np.isfinite(noise_p) else 0.0)


def _stuck(samples: Samples, start: int, end: int) -> float:
    """Return the longest run [s] of one temperature in which it should have changed.

    With a pressure channel: while saturation moved by a kelvin, or three steps
    of the channel, under steam. Without: on the way up, where water does not boil.
    """
    time, temp = samples.time_s[start : end + 1], samples.raw_c[start : end + 1]
    pressure = samples.pressure_kpa[start : end + 1]
    if len(temp) < 3:
        return 0.0
    first = np.concatenate(([0], true_at(diff(temp) != 0.0) + 1))
    seconds = diff(np.concatenate((time[first], [time[-1]])))
    if share_of(np.isfinite(pressure)) > 0.5:
        # Under steam alone: at atmosphere and in a vacuum walls need not follow.
        boiling = np.where(pressure > 109.0, samples.boiling_c[start : end + 1], AT_REST_C)
        step = resolution(temp)
        moved = np.maximum.reduceat(boiling, first) - np.minimum.reduceat(boiling, first)
        due = moved > max(1.0, 3.0 * step if np.isfinite(step) else 0.0)
    else:
        level = temp[first]
        due = (level > 40.0) & (level < temp.max() - 4.0) & ~((level > 95.0) & (level < 102.0))
    return float(seconds[due].max()) if due.any() else 0.0


def local_atmosphere(row: Row, samples: Samples, exhaust: int, right: int) -> float:
    """Return the atmosphere by the channel's own reading [kPa].

    That of the open chamber before the cycle, else that within a quarter of an
    hour after its exhaust, else the stated one. No later sample enters, so that
    a cycle stays as it was found.
    """
    if "open_pressure_kpa" in row.values:
        return float(row.values["open_pressure_kpa"])
    soon = int(samples.time_s.searchsorted(samples.time_s[min(exhaust, right - 1)] + SOON_S))
    tail = samples.pressure_kpa[exhaust : min(right, soon)]
    calm = tail[(tail > 68.0) & (tail < 112.0)]
    if len(calm) >= 5:
        return median(calm[len(calm) // 2 :])
    return float(row.values.get("atmosphere_kpa", STANDARD_ATMOSPHERE_KPA))


def noise_of(values: FloatArray) -> float:
    """Return the noise in the values' own unit; 0 where it can't be told."""
    noise = noise_sd(values)
    return noise if np.isfinite(noise) else 0.0


def finish(rows: list[Row]) -> list[dict[str, Any]]:
    """Return plain dictionaries with the reasons as JSON."""
    return [{**r.values, "null_reasons": json.dumps(r.reasons, sort_keys=True)} for r in rows]
