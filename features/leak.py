"""The vacuum leak test: finding its hold, and the slope that is air."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ..shared.steam import KELVIN, t_sat_c
from .crossing import line, median
from .samples import FloatArray

WINDOW_S: Final = 600.0
"""The slope is taken over the last 10 min of the hold (EN 285, read on secondary pages)."""
LEAST_HOLD_S: Final = 600.0
DRIFT_K: Final = 2.0
"""Temperature drift over the window beyond which the slope is not air alone."""
NEAR_SATURATION_K: Final = 3.0
"""A hold that starts this close to the boiling point of wet walls holds vapour (no source)."""


@dataclass(frozen=True)
class Leak:
    """A leak test's figures."""

    rate_kpa_per_min: float
    error_kpa_per_min: float
    reason: str


def hold_bounds(time: FloatArray, pressure: FloatArray) -> tuple[int, int]:
    """Return first and last sample of the hold within a vacuum.

    The hold begins at the deepest point that pumping reaches and ends before
    the pressure is let up faster than any leak.
    """
    rate = np.diff(pressure) / np.maximum(np.diff(time), 1e-9)
    deep = float(np.nanmin(pressure))
    low = np.flatnonzero(pressure <= deep + 0.3)
    first = int(low[0])
    span = float(np.nanmax(pressure)) - deep
    fast = np.flatnonzero((rate[first:] > 0.1) & (pressure[first + 1 :] > deep + 0.35 * span))
    last = first + int(fast[0]) if len(fast) else len(pressure) - 1
    while last > first + 1 and rate[last - 1] > 0.05:
        last -= 1
    return first, last


def leak_rate(
    time: FloatArray,
    temp: FloatArray,
    pressure: FloatArray,
    *,
    start_limit_kpa: float,
) -> Leak:
    """Return the air leakage over the last 10 min of a hold.

    Pressure is corrected to the mean temperature of the window (p/T constant
    for a closed dry vessel). Residual water rises and levels off, so a slope
    that falls from the first to the second half of the window by more than its
    error is not air alone.

    Parameters
    ----------
    time, temp, pressure
        The hold, shape (n,) [s, °C, kPa].
    start_limit_kpa
        Pressure above which a test that starts is not judged.

    Notes
    -----
    Correction after ISO 17665:2024 annex C.6, read in a web summary: about
    0.1 kPa per 10 K for a closed vessel at 4 kPa.
    """
    nan = float("nan")
    if len(time) < 5 or time[-1] - time[0] < LEAST_HOLD_S:
        return Leak(nan, nan, "hold_too_short")
    start = median(pressure[: max(3, len(pressure) // 50)])
    if start > start_limit_kpa:
        return Leak(nan, nan, "start_pressure_too_high")
    window = time >= time[-1] - WINDOW_S
    t, warm, p = time[window], temp[window], pressure[window]
    if len(t) < 5:
        return Leak(nan, nan, "too_coarse")
    if float(np.max(np.diff(t))) > 120.0:
        return Leak(nan, nan, "gap")
    drift, _ = line(t, warm)
    if abs(drift) * (t[-1] - t[0]) > DRIFT_K:
        return Leak(nan, nan, "temperature_drift")
    kelvin = warm + KELVIN
    mean = float(kelvin.mean())
    even = p * (mean / (mean + drift * (t - t.mean())))
    slope, error = line(t, even)
    minute, minute_error = slope * 60.0, error * 60.0
    half = len(t) // 2
    early, early_error = line(t[:half], even[:half])
    late, late_error = line(t[half:], even[half:])
    bend = (early - late) * 60.0
    doubt = 60.0 * float(np.hypot(early_error, late_error))
    if abs(bend) > max(3.0 * doubt, 0.03) and abs(bend) > 0.25 * abs(minute):
        wet = float(t_sat_c(max(start, 0.62))) > float(warm.mean()) - NEAR_SATURATION_K
        return Leak(nan, nan, "wet_walls" if wet and bend > 0.0 else "curvature")
    return Leak(minute, minute_error, "")
