"""Instants in noisy samples: crossings of a level, knees, noise, resolution."""

from __future__ import annotations

from typing import Final

import numpy as np

from .quick import diff, mean_of, nth, true_at
from .samples import FloatArray

_MAD_TO_SD: Final = 1.4826  # normal distribution
_SECOND_DIFFERENCE: Final = float(np.sqrt(6.0))  # SD of x[i-1] - 2 x[i] + x[i+1] for unit noise


def median(values: FloatArray) -> float:
    """Return the median of values that are all finite; NaN for none.

    Faster than numpy's on short arrays. A NaN among them would count as a high value.
    """
    n = len(values)
    if n == 0:
        return float("nan")
    k = n // 2
    if n % 2:
        return nth(values, k)
    pair = values.copy()
    pair.partition((k - 1, k))
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
    step = np.abs(diff(values))
    step = step[step > 1e-6]
    if not len(step):
        return float("nan")
    k = len(step) // 20
    return nth(step, k)


def smooth(values: FloatArray, width: int) -> FloatArray:
    """Return centred moving means over ``width`` (odd) samples, ends by shorter windows."""
    if width <= 1 or len(values) < width:
        return values
    half, n = width // 2, len(values)
    total = np.empty(n + 1)
    total[0] = 0.0
    np.cumsum(values - values[0], out=total[1:])
    means = np.empty(n)
    np.subtract(total[width:], total[:-width], out=means[half : n - half])
    means[half : n - half] /= width
    reach = np.arange(half)  # the shorter windows of either end, still centred
    means[:half] = total[2 * reach + 1] / (2 * reach + 1)
    means[n - half :] = ((total[n] - total[n - 1 - 2 * reach]) / (2 * reach + 1))[::-1]
    means += values[0]
    return means


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
    above = values >= level
    k = int(above.argmax()) if len(above) else 0
    if not len(above) or not above[k]:
        return float("nan")
    return _between(time, values, k, level)


def last_upward(time: FloatArray, values: FloatArray, level: float) -> float:
    """Return when values last rose through a level; NaN if they never did."""
    at = true_at((values[1:] >= level) & (values[:-1] < level))
    if not len(at):
        return float("nan")
    return _between(time, values, int(at[-1]) + 1, level)


def _between(time: FloatArray, values: FloatArray, k: int, level: float) -> float:
    if k == 0:
        return float("nan")
    low, high = values[k - 1], values[k]
    share = (level - low) / (high - low) if high != low else 1.0
    return float(time[k - 1] + share * (time[k] - time[k - 1]))


def knee(
    time: FloatArray,
    values: FloatArray,
    inside: int,
    noise: float,
    back: int = 0,
    calm_rate: float = 0.0,
) -> int:
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
    calm_rate
        Fastest fall per second that is usual before, such as a saw-tooth's.

    Returns
    -------
    int
        Index k: from k on values fall faster than a bound that lies between
        the usual rate and the fall's greatest, and before k they did not.
    """
    last = min(inside + 2, len(values) - 1)
    first = max(back, 0)
    if last - first < 1:
        return inside
    t, y = time[first : last + 1], values[first : last + 1]
    interval = (t[-1] - t[0]) / (len(t) - 1)
    rate = -diff(y) / diff(t)
    top = float(rate[max(0, inside - first - 2) :].max())
    bound = _bound(top, calm_rate)
    room = 0.3 * max(bound - calm_rate, 0.0)
    width = slope_width(noise, room, interval)
    if width == 1 or len(y) < width + 2:
        calm = true_at(rate[: max(1, inside - first)] <= bound)
        return min(first + (int(calm[-1]) + 1 if len(calm) else 0), last)
    rate = -slopes(t, y, width)
    top = float(rate[max(0, inside - first - width) :].max())
    bound = _bound(top, calm_rate)
    calm = true_at(rate[: max(1, inside - first + 1)] <= bound)
    return min(first + (int(calm[-1]) + 1 if len(calm) else 0), last)


def fall_start(
    time: FloatArray, values: FloatArray, floor: float, noise: float, back: int
) -> int | None:
    """Return the last sample before a sustained fall, from the fall's own shape.

    The logarithm is fitted by a line where the fall is beyond doubt (85 to 55 %
    of the height above ``floor``) and drawn back in time: samples of the
    plateau lie under that curve, those of the fall on it. This holds for
    coarse sampling, where the first interval of a fall is only partly fallen.
    The logarithm of absolute pressure falls in a line while the flow is choked.

    Parameters
    ----------
    time, values
        Shape (n,), the fall at the end.
    floor
        Level that the fall tends to.
    noise
        SD of the values' noise.
    back
        Earliest index to go back to; the value there is the plateau's.

    Returns
    -------
    int or None
        None where the fall is too short or too coarse to draw.
    """
    start = median(values[back : back + max(3, (len(values) - back) // 8)]) - floor
    height = values - floor
    low = true_at(height[back:] < 0.85 * start)
    if not len(low) or start <= 0.0:
        return None
    anchor = back + int(low[0])
    deep = true_at(height[anchor:] < 0.55 * start)
    if len(deep):  # a dip that came back before, such as cold feed water's, is no exhaust
        high = true_at(height[anchor : anchor + int(deep[0])] >= 0.85 * start)
        again = int(high[-1]) + 1 if len(high) else 0
        anchor, deep = anchor + again, deep - again
    stop = min(max(anchor + (int(deep[0]) if len(deep) else 0), anchor + 2), len(values))
    if stop - anchor < 2:
        return None
    if float(values[anchor:stop].min()) <= 0.0:
        return None  # no logarithm: the channel is off, or has failed
    t0 = float(time[anchor])
    x, y = time[anchor:stop] - t0, np.log(values[anchor:stop])
    middle, level = mean_of(x), mean_of(y)
    even = x - middle
    slope = float(even @ (y - level)) / float(even @ even)
    if slope >= 0.0:
        return None
    early = slice(back, anchor)
    curve = np.exp(np.minimum(level + slope * (time[early] - t0 - middle), 7.0))
    under = true_at(curve - values[early] > 2.0 * noise + 0.006 * start)
    if not len(under):
        return None
    # A fall often begins steeper than it goes on (steam leaves before water flashes),
    # so the curve meets the plateau too early: the bend is looked for after that.
    guess = back + int(under[-1])
    begin = max(back, min(guess - 1, int(time.searchsorted(time[guess] - 8.0))))
    bend, _ = farthest(time, values, begin, anchor)
    later, gap = farthest(time, values, bend, anchor)
    return later if gap > max(3.0 * noise, 0.008 * start) else bend


def farthest(time: FloatArray, values: FloatArray, first: int, last: int) -> tuple[int, float]:
    """Return the sample farthest above the chord between two samples, and by how much."""
    if last - first < 2:
        return first, 0.0
    t, y = time[first : last + 1], values[first : last + 1]
    gap = y - (y[0] + (y[-1] - y[0]) * (t - t[0]) / (t[-1] - t[0]))
    k = int(np.argmax(gap))
    return first + k, float(gap[k])


def slope_width(noise: float, room: float, interval: float) -> int:
    """Return the odd width under which a local slope's noise stays within ``room``, to 41."""
    if not (noise > 0.0) or room <= 0.0:
        return 1
    if 2.0 * noise * float(np.sqrt(2.0)) / interval <= room:
        return 1
    width = 3
    while width < 41 and 2.5 * noise * float(np.sqrt(12.0)) / (width**1.5 * interval) > room:
        width += 2
    return width


def slopes(time: FloatArray, values: FloatArray, width: int) -> FloatArray:
    """Return centred least-squares slopes over ``width`` (odd) samples, ends repeated."""
    half = width // 2
    place = np.arange(-half, half + 1, dtype=np.float64)
    kernel = place[::-1] / float(place @ place)
    inner = np.convolve(values, kernel, mode="valid") / np.convolve(time, kernel, mode="valid")
    return np.concatenate((np.full(half, inner[0]), inner, np.full(half, inner[-1])))


def _bound(top: float, calm_rate: float) -> float:
    """Return the rate that tells a sustained fall from what is usual before it."""
    if calm_rate >= 0.8 * top:
        return 0.25 * top
    return max(0.25 * top, calm_rate + 0.35 * (top - calm_rate))


def usual_fall(time: FloatArray, values: FloatArray, noise: float, room: float) -> float:
    """Return the 95th percentile of falls per second, by slopes smooth to ``room``."""
    if len(values) < 4:
        return 0.0
    width = slope_width(noise, room, float(time[-1] - time[0]) / (len(time) - 1))
    width = min(width, 2 * ((len(values) - 1) // 4) + 1)
    rate = -slopes(time, values, width) if width >= 3 else -diff(values) / diff(time)
    k = min(len(rate) - 1, int(0.95 * len(rate)))
    return max(0.0, nth(rate, k))


def share_below(time: FloatArray, values: FloatArray, level: float) -> float:
    """Return the time [s] that straight lines between samples spend below a level."""
    if len(values) < 2:
        return 0.0
    low = np.minimum(values[1:], values[:-1])
    high = np.maximum(values[1:], values[:-1])
    span = diff(time)
    part = (level - low) / np.maximum(high - low, 1e-12)
    part = np.minimum(np.maximum(part, 0.0), 1.0)
    return float(np.sum(span * part))


def line(time: FloatArray, values: FloatArray) -> tuple[float, float]:
    """Return slope and its standard error by least squares; NaN with under 3 samples."""
    n = len(time)
    if n < 3:
        return float("nan"), float("nan")
    x = time - mean_of(time)
    y = values - mean_of(values)
    sxx = float(x @ x)
    if sxx <= 0.0:
        return float("nan"), float("nan")
    slope = float(x @ y) / sxx
    rest = y - slope * x
    return slope, float(np.sqrt(max(float(rest @ rest), 0.0) / (n - 2) / sxx))
