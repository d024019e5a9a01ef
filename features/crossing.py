"""Instants in noisy samples: crossings of a level, knees, noise, resolution."""

from __future__ import annotations

from typing import Final

import numpy as np

from .samples import FloatArray

_MAD_TO_SD: Final = 1.4826  # normal distribution
_SECOND_DIFFERENCE: Final = float(np.sqrt(6.0))  # SD of x[i-1] - 2 x[i] + x[i+1] for unit noise


def median(values: FloatArray) -> float:
    """Return the median of finite values; NaN for none. Faster than numpy's on short arrays."""
    n = len(values)
    if n == 0:
        return float("nan")
    k = n // 2
    if n % 2:
        return float(np.partition(values, k)[k])
    pair = np.partition(values, (k - 1, k))
    return 0.5 * float(pair[k - 1] + pair[k])


def noise_sd(values: FloatArray) -> float:
    """Return the white noise [unit of the values] of a smooth signal.

    Median absolute second difference, so corners and ramps do not count.
    """
    if len(values) < 5:
        return float("nan")
    bend = np.abs(values[2:] - 2.0 * values[1:-1] + values[:-2])
    return _MAD_TO_SD * median(bend) / _SECOND_DIFFERENCE


def resolution(values: FloatArray) -> float:
    """Return the smallest step of a channel; NaN where it never moves.

    The fifth percentile of the steps that are not zero, so that rounding in a
    change of units does not look like a finer step.
    """
    step = np.abs(np.diff(values))
    step = step[step > 1e-6]
    if not len(step):
        return float("nan")
    k = len(step) // 20
    return float(np.partition(step, k)[k])


def smooth(values: FloatArray, width: int) -> FloatArray:
    """Return centred moving means over ``width`` (odd) samples, ends by shorter windows."""
    if width <= 1 or len(values) < width:
        return values
    half = width // 2
    total = np.concatenate(([0.0], np.cumsum(values - values[0])))
    left = np.maximum(np.arange(len(values)) - half, 0)
    right = np.minimum(np.arange(len(values)) + half + 1, len(values))
    reach = np.minimum(np.arange(len(values)) - left, right - 1 - np.arange(len(values)))
    left, right = np.arange(len(values)) - reach, np.arange(len(values)) + reach + 1
    return np.asarray((total[right] - total[left]) / (right - left) + values[0])


def width_for(noise: float, rate_per_s: float, interval_s: float) -> int:
    """Return the odd width of a moving mean under which a ramp crosses a level once.

    Wide enough that noise after smoothing is a third of the ramp's step over
    the window, at most 31 samples.
    """
    step = abs(rate_per_s) * interval_s
    if not (noise > 0.0) or step <= 0.0:
        return 1
    width = (3.0 * noise / step) ** (2.0 / 3.0)
    return 1 if width <= 1.5 else min(31, 2 * int(np.ceil(width / 2.0)) + 1)


def first_above(time: FloatArray, values: FloatArray, level: float) -> float:
    """Return when values first reach a level, by a straight line between samples."""
    at = np.flatnonzero(values >= level)
    if not len(at):
        return float("nan")
    return _between(time, values, int(at[0]), level)


def last_upward(time: FloatArray, values: FloatArray, level: float) -> float:
    """Return when values last rose through a level; NaN if they never did."""
    at = np.flatnonzero((values[1:] >= level) & (values[:-1] < level))
    if not len(at):
        return float("nan")
    return _between(time, values, int(at[-1]) + 1, level)


def _between(time: FloatArray, values: FloatArray, k: int, level: float) -> float:
    if k == 0:
        return float("nan")
    low, high = values[k - 1], values[k]
    share = (level - low) / (high - low) if high != low else 1.0
    return float(time[k - 1] + share * (time[k] - time[k - 1]))


def knee(time: FloatArray, values: FloatArray, inside: int, noise: float, back: int = 0) -> int:
    """Return the last sample before a sustained fall.

    Parameters
    ----------
    time, values
        Shape (n,).
    inside
        Index of a sample within the fall.
    noise
        SD of the values' noise.
    back
        Earliest index to go back to.

    Returns
    -------
    int
        Index k: values fall from k on at more than a quarter of the fall's
        greatest rate, and did not before.
    """
    last = min(inside + 2, len(values) - 1)
    first = max(back, 0)
    if last - first < 1:
        return inside
    t, y = time[first : last + 1], values[first : last + 1]
    interval = (t[-1] - t[0]) / (len(t) - 1)
    rate = -np.diff(y) / np.diff(t)
    near = max(0, inside - first - 2)
    top = float(rate[near:].max())
    width = 1
    while width < 31 and 3.5 * noise / (width**1.5 * interval) > 0.25 * top:
        width += 2
    if width > 1 and len(y) > 2 * width:
        y = smooth(y, width)
        rate = -np.diff(y) / np.diff(t)
        top = float(rate[max(0, near - width) :].max())
    calm = np.flatnonzero(rate[: max(1, inside - first)] <= 0.25 * top)
    return first + (int(calm[-1]) + 1 if len(calm) else 0)


def share_below(time: FloatArray, values: FloatArray, level: float) -> float:
    """Return the time [s] that straight lines between samples spend below a level."""
    if len(values) < 2:
        return 0.0
    low = np.minimum(values[1:], values[:-1])
    high = np.maximum(values[1:], values[:-1])
    span = np.diff(time)
    part = np.clip((level - low) / np.maximum(high - low, 1e-12), 0.0, 1.0)
    return float(np.sum(span * part))


def line(time: FloatArray, values: FloatArray) -> tuple[float, float]:
    """Return slope and its standard error by least squares; NaN with under 3 samples."""
    n = len(time)
    if n < 3:
        return float("nan"), float("nan")
    x = time - time.mean()
    y = values - values.mean()
    sxx = float(x @ x)
    if sxx <= 0.0:
        return float("nan"), float("nan")
    slope = float(x @ y) / sxx
    rest = y - slope * x
    return slope, float(np.sqrt(max(float(rest @ rest), 0.0) / (n - 2) / sxx))
