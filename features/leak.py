"""The vacuum leak test: finding its hold, and the slope that is air."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, nan
from typing import Final

import numpy as np

from ..shared.steam import KELVIN, p_sat_kpa, t_sat_c
from .crossing import line, median, noise_sd, resolution, smooth
from .quick import diff, true_at
from .samples import FloatArray

WINDOW_S: Final = 600.0
"""The slope is taken over the last 10 min of the hold (EN 285, read on secondary pages)."""
LEAST_HOLD_S: Final = 600.0
"""A shorter hold is none of a leak test: it has no 10 min to take the slope over."""
SMOOTH_S: Final = 60.0
"""Longest moving mean [s] by which a hold's ends are found (no source)."""
SETTLED_KPA_PER_MIN: Final = 0.08
"""A levelling rise faster than this at the window's start has not settled (no source)."""
SETTLING_TAU_S: Final = (40.0, 70.0, 110.0, 160.0, 230.0, 320.0)
"""Time constants tried for the drying of walls [s] (no source)."""
SETTLING_GAIN: Final = 16.0
"""Least F ratio at which the levelling term counts (about four standard errors)."""
DRIFT_K: Final = 2.0
"""Temperature drift over the window [K] beyond which the slope is not air alone (the contract)."""
NEAR_SATURATION_K: Final = 3.0
"""A hold that starts this close to the boiling point of wet walls holds vapour (no source)."""
DRY_WALLS_K: Final = 10.0
"""So far above boiling no vapour condenses while walls cool: it hides no leak (no source)."""
GAS_SHARE: Final = 2.0
"""The gas may change its temperature so many times as much as the probe in a wall (no source)."""
STOPS: Final = (36.0, 6.0, 1.0)
STOPPED_SHARE: Final = 0.5
"""See ``pump_stopped`` [kPa above the hold; share of the time before] (no source)."""
LOST_FROM_KPA: Final = 20.0
LOST_TO_KPA: Final = 50.0
LOST_LEAST_S: Final = 120.0
LOST_SAMPLES: Final = 5
LOST_STEP_S: Final = 60.0
LOST_AIR_KPA: Final = 5.0
LOST_BEND_KPA: Final = 2.0
"""A vacuum is lost by a leak where pressure takes so long between these two, seen by so many
samples no further apart, ends so far above what warm walls could boil to, and bends no more (no
source: an inlet takes 3 to 20 s for it, one with a clogged filter up to a minute)."""
BOUND_ERRORS: Final = 2.0
"""Standard errors of a slope that a bound is given."""


@dataclass(frozen=True)
class Leak:
    """A leak test's figures."""

    rate_kpa_per_min: float
    error_kpa_per_min: float
    reason: str
    low_kpa_per_min: float = nan
    high_kpa_per_min: float = nan
    """Between these lies a rate that can't be read; NaN where nothing bounds it."""


def hold_bounds(time: FloatArray, pressure: FloatArray) -> tuple[int, int]:
    """Return first and last sample of the hold within a vacuum.

    The hold begins at the deepest point that pumping reaches and ends before
    the pressure is let up faster than any leak.
    """
    noise = noise_sd(pressure)
    noise = noise if np.isfinite(noise) else 0.0
    interval = float(time[-1] - time[0]) / max(len(time) - 1, 1)
    most = 2 * int(0.5 * SMOOTH_S / max(interval, 0.1)) + 1
    width = 1
    while width < min(31, most) and noise > 0.15 * np.sqrt(width):
        width += 2
    even = smooth(pressure, width)
    rate = diff(even) / np.maximum(diff(time), 1e-9)
    deep = float(even.min())
    span = float(even.max()) - deep
    own = noise / np.sqrt(width)
    first = int(true_at(even <= deep + max(0.3, 4.0 * own))[0])
    still = max(0.05, 4.0 * own / interval)
    fast = true_at((rate[first:] > 2.0 * still) & (even[first + 1 :] > deep + 0.35 * span))
    last = first + int(fast[0]) if len(fast) else len(pressure) - 1
    while last > first + 1 and rate[last - 1] > still:
        last -= 1
    return first, max(first, last - width // 2)


def leak_rate(
    time: FloatArray,
    temp: FloatArray,
    pressure: FloatArray,
    *,
    start_limit_kpa: float,
    steps: FloatArray | None = None,
) -> Leak:
    """Return the air leakage over the last 10 min of a hold.

    Pressure is corrected to the mean temperature of the window (p/T constant
    for a closed dry vessel). Residual water rises and levels off while air
    rises in a straight line: where the hold shows both, the straight part is
    the leakage, unless the other has not settled by the window.

    Parameters
    ----------
    time, temp, pressure
        The hold, shape (n,) [s, °C, kPa].
    start_limit_kpa
        Pressure above which a test that starts is not judged.
    steps
        Steps of time that hide something [s], shape (n - 1,): see ``on_change``. None: all.

    Notes
    -----
    Correction after ISO 17665:2024 annex C.6, read in a web summary: about
    0.1 kPa per 10 K for a closed vessel at 4 kPa.
    """
    if len(time) < 5 or time[-1] - time[0] < LEAST_HOLD_S:
        return Leak(nan, nan, "hold_too_short")
    start = median(pressure[: max(3, len(pressure) // 50)])
    if start > start_limit_kpa:
        return Leak(nan, nan, "start_pressure_too_high")
    window = time >= time[-1] - WINDOW_S
    if window.sum() < 5:
        return Leak(nan, nan, "too_coarse")
    steps = diff(time) if steps is None else steps
    if float(np.max(steps[window[1:] & window[:-1]])) > 120.0:
        return Leak(nan, nan, "gap")
    x = time - time[window].mean()
    drift, _ = line(time[window], temp[window])
    if abs(drift) * WINDOW_S > DRIFT_K:
        return _bounded("temperature_drift", time[window], temp[window], pressure[window])
    mean = float(temp[window].mean()) + KELVIN
    even = pressure * (mean / (mean + drift * x))
    slope, error = line(x[window], even[window])
    step = resolution(pressure)
    noise = noise_sd(pressure)
    stairs = np.isfinite(step) and not noise > 0.5 * step
    if stairs:  # few steps over the window: each may come half a step early or late
        error = float(np.hypot(error, 0.5 * step / WINDOW_S))
    settling = None
    if not stairs:
        settling = _settling(time - time[0], even, float(time[window][0] - time[0]))
    if settling is not None:
        slope, error, rest = settling
        if rest * 60.0 > SETTLED_KPA_PER_MIN:
            wet = float(t_sat_c(max(start, 0.62))) < float(temp[0]) + NEAR_SATURATION_K
            why = "wet_walls" if wet else "curvature"
            return _bounded(why, time[window], temp[window], pressure[window])
    elif _bent(x[window], even[window], slope):
        return _bounded("curvature", time[window], temp[window], pressure[window])
    return Leak(slope * 60.0, error * 60.0, "")


def _bounded(reason: str, time: FloatArray, temp: FloatArray, pressure: FloatArray) -> Leak:
    """Return what the slope alone says of a leak whose rate is not read.

    Water that evaporates only adds to the rise, and adds less the later: the
    slope of the window's second half is the most that air makes, once what a
    change of temperature hides (p dT/T) is added, and as long as nothing
    condenses. The least is known of a straight rise alone.
    """
    half = len(time) // 2
    coolest, warmest = float(temp.min()), float(temp.max())
    dry = coolest > float(t_sat_c(max(float(pressure.max()), 0.62))) + DRY_WALLS_K
    slope, error = line(time, pressure)
    late, late_error = line(time[half:], pressure[half:])
    span = max(float(time[-1] - time[0]), 1.0)
    swing = GAS_SHARE * (warmest - coolest) / (float(temp.mean()) + KELVIN)
    hidden = swing * float(pressure.mean()) / span
    step = resolution(pressure)
    coarse = float(step) / span if np.isfinite(step) else 0.0
    most = hidden + max(
        slope + BOUND_ERRORS * hypot(error, coarse),
        late + BOUND_ERRORS * hypot(late_error, 2.0 * coarse),
    )
    if not dry:
        most += float(p_sat_kpa(warmest) - p_sat_kpa(coolest)) / span
    least = slope - BOUND_ERRORS * hypot(error, coarse) - hidden
    straight = reason == "temperature_drift" and not _bent(time, pressure, slope)
    return Leak(nan, nan, reason, 60.0 * least if straight and dry else nan, 60.0 * most)


def pump_stopped(time: FloatArray, pressure: FloatArray, first: int) -> bool:
    """Return whether pumping was broken off at ``first``, and did not fade into its own limit.

    A pump that goes on at its limit looks like a hold without a leak: such a fall is one
    exponential, which takes as long from 36 to 6 kPa above its end as from 6 to 1 kPa.
    """
    rest = median(pressure[first : first + 6])
    fall = pressure[: first + 1] - rest
    late = [int(true_at(fall > level)[-1]) if (fall > level).any() else -1 for level in STOPS]
    if min(late) < 0:
        return False
    at = []
    for k, level in zip(late, STOPS, strict=True):
        high, low = fall[k], fall[min(k + 1, first)]
        share = (high - level) / (high - low) if high > low else 0.0
        at.append(time[k] + share * (time[min(k + 1, first)] - time[k]))
    return bool(at[2] - at[1] < STOPPED_SHARE * (at[1] - at[0]))


def lost_vacuum(time: FloatArray, temp: FloatArray, pressure: FloatArray) -> Leak | None:
    """Return the leakage of a vacuum that was lost in minutes; None where it was let up or held.

    Flow through a leak is choked, so pressure rises in a straight line, up to half of the
    atmosphere. An inlet is faster, though its filter be clogged; vapour can't rise beyond the
    boiling pressure of walls that don't warm.

    Parameters
    ----------
    time, temp, pressure
        A vacuum from its pumping on, shape (n,) [s, °C, kPa].
    """
    above = true_at(pressure >= LOST_TO_KPA)
    low = int(np.argmin(pressure))
    above = above[above > low]
    if pressure[low] > LOST_FROM_KPA or not len(above):
        return None
    last = int(above[0])
    first = low + int(true_at(pressure[low:last] <= LOST_FROM_KPA)[-1])
    part = slice(first, last + 1)
    t, p = time[part], pressure[part]
    if len(t) < LOST_SAMPLES or t[-1] - t[0] < LOST_LEAST_S or diff(t).max() > LOST_STEP_S:
        return None
    warm = float(temp[part].max())
    if warm - temp[first] > DRIFT_K or p_sat_kpa(warm) > LOST_TO_KPA - LOST_AIR_KPA:
        return None
    slope, error = line(t, p)
    rest = p - p.mean() - slope * (t - t.mean())
    if float(np.abs(rest).max()) > LOST_BEND_KPA + 4.0 * noise_sd(p):
        return None
    return Leak(slope * 60.0, error * 60.0, "")


def _settling(
    time: FloatArray, pressure: FloatArray, since: float
) -> tuple[float, float, float] | None:
    """Fit a straight rise and one that levels off over the whole hold.

    Returns the straight slope, its standard error, and the other's slope at
    ``since``, all per second; None where the second term does not show.
    """
    n = len(time)
    flat = np.column_stack((np.ones(n), time))
    _, rest, _, _ = np.linalg.lstsq(flat, pressure, rcond=None)
    if n < 12 or not len(rest):
        return None
    best: tuple[float, float, np.ndarray] | None = None
    for tau in SETTLING_TAU_S:
        table = np.column_stack((flat, 1.0 - np.exp(-time / tau)))
        shape, left, _, _ = np.linalg.lstsq(table, pressure, rcond=None)
        if len(left) and (best is None or float(left[0]) < best[0]):
            best = (float(left[0]), tau, shape)
    if best is None or best[2][2] <= 0.0:
        return None
    power, tau, shape = best
    gain = (float(rest[0]) - power) / max(power / (n - 3), 1e-12)
    if gain < SETTLING_GAIN:
        return None
    table = np.column_stack((flat, 1.0 - np.exp(-time / tau)))
    cover = np.linalg.inv(table.T @ table)
    error = float(np.sqrt(cover[1, 1] * power / (n - 3)))
    return float(shape[1]), error, float(shape[2]) / tau * float(np.exp(-since / tau))


def _bent(time: FloatArray, pressure: FloatArray, slope: float) -> bool:
    """Return whether the slope changes over the window by more than its error allows."""
    half = len(time) // 2
    early, early_error = line(time[:half], pressure[:half])
    late, late_error = line(time[half:], pressure[half:])
    bend = abs(early - late) * 60.0
    doubt = 60.0 * float(np.hypot(early_error, late_error))
    return bend > max(3.0 * doubt, SETTLED_KPA_PER_MIN) and bend > 0.25 * abs(slope) * 60.0
