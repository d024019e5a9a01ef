"""Start of heating and the fixed windows of heat-up."""

from __future__ import annotations

from typing import Final

import numpy as np

from .crossing import first_above, knee, last_upward, median, smooth, usual_fall, width_for
from .quick import diff, true_at
from .samples import FloatArray, Samples

FOOT_C: Final = 85.0
"""The start of heating is looked for below this, under any boil-off plateau [°C]."""
LONGEST_S: Final = 10800.0
"""Heating is not looked for further back than this [s]."""
FOOT_WINDOW_S: Final = 60.0
FOOT_RISE_K: Final = 0.6
"""Heating rises at least this much in FOOT_WINDOW_S (no source)."""
EDGE_S: Final = 20.0
EDGE_CALM_S: Final = 60.0
EDGE_LATEST_S: Final = 400.0
COOLED_S: Final = 120.0
COOLED_K: Final = 0.3
EDGE_TIMES: Final = 1.4
EDGE_LASTS: Final = 1.15
EDGE_SHARP: Final = 0.95
"""See ``_heat_on``: the spans of the first rate and of those before and after, how long a chamber
may warm by itself, how far it cooled before, and how much faster a heater is (no source)."""


def heating_start(time: FloatArray, temp: FloatArray, noise: float) -> int:
    """Return the index of the start of heating in samples that end in steam.

    Parameters
    ----------
    time, temp
        From some time before the start up to the first steam, shape (n,).
    noise
        SD of the temperature's noise [K].
    """
    n = len(temp)
    if n < 4:
        return 0
    interval = float(time[-1] - time[0]) / (n - 1)
    width = min(15, max(1, 2 * int(10.0 / max(interval, 0.1) / 2.0) + 1))
    even = smooth(temp, width) if noise > 0.05 else temp
    cool = true_at(even < FOOT_C)
    if not len(cool):
        low = float(even.min())
        return int(true_at(even <= low + max(2.0 * noise, 0.1))[-1])
    last = int(cool[-1])
    mean_rise = _mean_rise(time, even, last)
    rise = max(FOOT_RISE_K, 0.4 * mean_rise * FOOT_WINDOW_S, 4.0 * noise / np.sqrt(width))
    ahead = np.minimum(time.searchsorted(time[: last + 1] + FOOT_WINDOW_S), n - 1)
    whole = time[-1] - time[: last + 1] >= FOOT_WINDOW_S
    lazy = true_at((even[ahead] - even[: last + 1] < rise) & whole)
    if not len(lazy):
        return 0
    k = int(lazy[-1])
    inside = min(max(int(ahead[k]), k + 2), n - 1)
    back = max(0, int(time.searchsorted(time[k] - 90.0)))
    usual = usual_fall(time[back : k + 1], -temp[back : k + 1], noise, 0.1 * mean_rise + 0.005)
    k = min(knee(time, -temp, inside, noise, back, usual), max(last, k + 1))
    k = _heat_on(time, even, k, last, noise / np.sqrt(width))
    return nearest_onset(time, temp, k, noise)


def _heat_on(time: FloatArray, even: FloatArray, k: int, last: int, noise: float) -> int:
    """Return where the heater comes on in a chamber that warms already, else ``k``.

    A load that was put in takes heat from the walls of a chamber that had been cooling: a steady
    rise, until the heater's begins. That is told by its edge: the rate is at its highest at once
    and was not rising before. Where nothing cooled, the first rise is the heater's, and what comes
    later the steam that reaches the sensor.
    """
    first = int(time.searchsorted(time[k] - 2.0 * COOLED_S))
    low = first + int(np.argmin(even[first : k + 1]))
    span = min(float(time[low] - time[first]), COOLED_S)
    fell = float(np.interp(time[low] - span, time, even) - even[low])
    if time[k] - time[low] > EDGE_CALM_S or fell < max(COOLED_K * span / COOLED_S, 4.0 * noise):
        return k
    interval = float(time[-1] - time[0]) / (len(time) - 1)
    soon = max(EDGE_S, 2.0 * interval)
    place = np.arange(k, last + 1)
    since = time[place] - time[k]
    place = place[(since >= EDGE_CALM_S) & (since <= EDGE_LATEST_S)]
    place = place[time[place] + EDGE_CALM_S <= time[-1]]
    if not len(place):
        return k
    at, level = time[place], even[place]

    def rise(a: FloatArray, b: FloatArray) -> FloatArray:
        return (np.interp(b, time, even) - np.interp(a, time, even)) / (b - a)

    before = rise(at - EDGE_CALM_S, at)
    late = rise(at - 0.5 * EDGE_CALM_S, at)
    after = (np.interp(at + EDGE_CALM_S, time, even) - level) / EDGE_CALM_S
    at_once = (np.interp(at + soon, time, even) - level) / soon
    error = 1.5 * noise / soon
    edge = (
        (before > 0.0)
        & (at_once > EDGE_TIMES * np.maximum(before, late) + 4.0 * error)
        & (after > EDGE_LASTS * before)
        & (at_once > EDGE_SHARP * after)
        & (late < EDGE_TIMES * before + 2.0 * error)
    )
    found = true_at(edge)
    if not len(found):
        return k
    jump = at_once[found] - late[found]
    return int(place[found[int(np.argmax(jump))]])


def nearest_onset(time: FloatArray, values: FloatArray, k: int, noise: float) -> int:
    """Return the sample nearest to an onset between samples k and k + 1.

    The next interval's line is drawn back to the level of sample k.
    """
    if k + 2 >= len(values):
        return k
    later = float(values[k + 2] - values[k + 1])
    first = float(values[k + 1] - values[k])
    if abs(later) < 5.0 * noise or later * first <= 0.0 or abs(first) > 1.2 * abs(later):
        return k
    back = first / later * float(time[k + 2] - time[k + 1])
    return k + 1 if back < 0.5 * float(time[k + 1] - time[k]) else k


def _mean_rise(time: FloatArray, even: FloatArray, last: int) -> float:
    """Return the rise [K/s] on the way to the last cool sample, from 15 K under it."""
    low = true_at(even[: last + 1] < even[last] - 15.0)
    if not len(low):
        return 0.0
    k = int(low[-1])
    return max(0.0, float(even[last] - even[k]) / max(float(time[last] - time[k]), 1.0))


def evacuation_start(
    time: FloatArray, pressure: FloatArray, inside: int, back: int, noise_p: float
) -> int:
    """Return the last sample at atmosphere before the pressure falls to vacuum."""
    back = max(back, int(time.searchsorted(time[inside] - 600.0)))
    if not np.isfinite(pressure[back : inside + 3]).all():
        return inside
    k = knee(time, pressure, inside, noise_p, back)
    return nearest_onset(time, pressure, k, noise_p)


def windows(
    samples: Samples, start: int, exposure: int, limit_c: float, noise: float
) -> tuple[dict[str, float], dict[str, str]]:
    """Return the rates [K/min] and times [s] of heat-up's fixed windows, and why some are null.

    Parameters
    ----------
    samples
        Of the unit.
    start, exposure
        First sample of the cycle, and of its exposure (or the last before its fall).
    limit_c
        Lower limit of the program [°C].
    noise
        SD of the temperature's noise [K].
    """
    time, temp = samples.time_s[start : exposure + 1], samples.temp_c[start : exposure + 1]
    values: dict[str, float] = {}
    why: dict[str, str] = {}
    if len(temp) < 3:
        return values, dict.fromkeys(
            ("heat_rate_k_per_min", "heat_rate_pressurised_k_per_min", "seat_s"), "too_coarse"
        )
    interval = float(time[-1] - time[0]) / (len(time) - 1)
    span = max(float(time[-1] - time[0]), 1.0)
    even = smooth(temp, min(9, width_for(noise, float(temp[-1] - temp[0]) / span, interval)))
    if even[0] >= 60.0:
        why["heat_rate_k_per_min"] = "started_above_60"
    else:
        low = last_upward(time, even, 60.0)
        high = _after(time, even, low, 100.0)
        _rate(values, why, "heat_rate_k_per_min", low, high, 40.0)
    low = last_upward(time, even, 105.0)
    top = limit_c - 2.0
    high = _after(time, even, low, top)
    if top - 105.0 < 4.0:
        why["heat_rate_pressurised_k_per_min"] = "window_too_narrow"
    else:
        _rate(values, why, "heat_rate_pressurised_k_per_min", low, high, top - 105.0)
    low = last_upward(time, even, 102.0)
    high = _after(time, even, low, 110.0)
    if not np.isfinite(high - low):
        why["seat_s"] = "window_not_seen"
    elif not _pressure_rose(samples, start, exposure, low, high):
        why["seat_s"] = "pressure_not_rising"
    else:
        values["seat_s"] = high - low
    return values, why


def _after(time: FloatArray, temp: FloatArray, since: float, level: float) -> float:
    if not np.isfinite(since):
        return float("nan")
    k = int(time.searchsorted(since))
    return first_above(time[max(0, k - 1) :], temp[max(0, k - 1) :], level)


def _rate(
    values: dict[str, float], why: dict[str, str], name: str, low: float, high: float, rise: float
) -> None:
    if np.isfinite(low) and np.isfinite(high) and high > low:
        values[name] = rise / (high - low) * 60.0
    else:
        why[name] = "window_not_seen"


def _pressure_rose(samples: Samples, start: int, exposure: int, low: float, high: float) -> bool:
    time = samples.time_s[start : exposure + 1]
    pressure = samples.pressure_kpa[start : exposure + 1]
    if not np.isfinite(pressure).any():
        return True  # without a channel the temperature alone shows the seating
    a, b = time.searchsorted((low, high))
    first = pressure[max(0, a - 1) : a + 2]
    last = pressure[max(0, b - 1) : b + 2]
    first, last = first[np.isfinite(first)], last[np.isfinite(last)]
    if not len(first) or not len(last):
        return True
    return median(last) > median(first)


def boil_plateau(time: FloatArray, temp: FloatArray) -> float:
    """Return the temperature [°C] of a boil-off plateau below 103 °C; NaN without one.

    The most frequent kelvin between 85 and 103 °C, by pairs of half-kelvin bins: a minute at
    least in it, all at about one time, and three times as frequent as the others' median.
    """
    near = (temp > 85.0) & (temp < 103.0)
    if near.sum() < 4:
        return float("nan")
    rows = true_at(near)
    part, when = temp[rows], time[rows]
    counts = np.bincount((2.0 * (part - 85.0)).astype(np.int64), minlength=36)
    edges = np.arange(85.0, 103.5, 0.5)
    interval = median(diff(time))
    pairs = counts[:-1] + counts[1:]
    k = int(pairs.argmax())
    chosen = (part >= edges[k]) & (part <= edges[k + 2])
    if pairs[k] * interval < 60.0 or float(np.ptp(when[chosen])) > 3.0 * pairs[k] * interval:
        return float("nan")
    others = np.delete(pairs, slice(max(0, k - 2), k + 3))
    if len(others) and pairs[k] < 3.0 * max(median(others.astype(np.float64)), 1.0):
        return float("nan")
    return median(part[chosen])
