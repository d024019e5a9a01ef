"""Days until the first cycle beyond a part's limit, with an interval.

The size of a fault since its onset is taken as ``b (t - t0)^q``: the onset, the
growth and the power are not known, so all of a grid are fitted, weighted by
likelihood and a flat prior, and run on to the limit. The single-cycle scatter
counts: the first cycle beyond the limit comes before the mean gets there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .change import change_point
from .trend import Slope, theil_sen

FloatArray = NDArray[np.float64]

HORIZON_DAYS: Final = 365.0
"""Beyond this the high end is null (the contract)."""
POWERS: Final = (0.7, 1.0, 1.5, 2.0, 2.5)
"""Growth from levelling off to accelerating (design choice)."""
LEAST_DAYS: Final = 5
"""Days with data since the onset before anything is said."""
FIRST_OF_MANY: Final = 1.3
"""The first bad one among the cycles of a few days lies this many standard deviations out
(expected largest of about six normal draws)."""
_QUANTILES: Final = np.array([-1.2816, -0.5244, 0.0, 0.5244, 1.2816])
"""Normal quantiles at 10, 30, 50, 70 and 90 %."""
LEAST_LEFT: Final = 0.5
"""Days left are never said to be fewer than half of one."""
MODEL_ERROR: Final = 0.4
"""Growth may bend: days left are spread by this share, as a standard deviation of their
logarithm (set on tuning fleets for coverage)."""
YOUNG_DAYS: Final = 10.0
"""... and the more the younger the change is: twice as much at its beginning (design choice)."""


@dataclass(frozen=True)
class Forecast:
    """Days from the last cycle, with the 10 % and 90 % ends; NaN high beyond the horizon."""

    days: float
    low: float
    high: float
    slope_per_day: float


def forecast(
    t: ArrayLike, size: ArrayLike, *, limit: float, shares: tuple[float, ...] = (1.0,)
) -> Forecast | None:
    """Run a fault's size on to its limit.

    Parameters
    ----------
    t, size
        Days and sizes, shape (n,), in order; sizes before the onset are about zero.
    limit
        Size at which cycles fail.
    shares
        Where on the way to it they begin to fail; equally likely.

    Returns
    -------
    Forecast or None
        None with too few days since the onset, where the slope's 80 % interval
        spans zero, or when the limit lies beyond the horizon.
    """
    time: FloatArray = np.asarray(t, dtype=np.float64)
    y: FloatArray = np.asarray(size, dtype=np.float64)
    found = change_point(time, y)
    if found is None or not limit > 0:
        return None
    since = slice(found.index if found.kind == "step" else max(found.index - 1, 0), None)
    if time[since].size < LEAST_DAYS:
        return None
    line = theil_sen(time[since], y[since])
    if not line.low > 0.0:
        return None
    noise = _noise(y)
    goals = _goals(limit, shares, noise, float(np.median(y[-3:])))
    if found.kind == "step":
        left, weight = _from_step(y[since], line, goals)
    else:
        left, weight = _from_bend(time, y, float(time[since][0]), noise, goals)
    age = float(time[-1] - time[since][0])
    spread = np.exp(MODEL_ERROR * (1.0 + YOUNG_DAYS / (age + YOUNG_DAYS)) * _QUANTILES)
    days = (np.maximum(left, LEAST_LEFT)[:, None] * spread[None, :]).ravel()
    low, middle, high = _weighted_quantiles(days, np.repeat(weight, spread.size), (0.1, 0.5, 0.9))
    if low > HORIZON_DAYS:
        return None
    return Forecast(
        middle if middle <= HORIZON_DAYS else math.nan,
        low,
        high if high <= HORIZON_DAYS else math.nan,
        line.slope,
    )


def _goals(limit: float, shares: tuple[float, ...], noise: float, now: float) -> FloatArray:
    """Return sizes at which the first cycle may fail, given that none has at the present one."""
    goals = np.array([s * limit - FIRST_OF_MANY * noise for s in shares])
    ahead = goals[goals > now]
    if ahead.size:
        return ahead
    return np.array([1.05, 1.2]) * max(now, 1e-6)


def _from_step(y: FloatArray, line: Slope, goals: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Days left when the size stepped and has grown evenly since."""
    now = float(np.median(y[-5:]))
    half = (line.high - line.low) / 2.0 / 1.2816
    slopes = np.maximum(line.slope + half * _QUANTILES, 1e-9)
    left = np.maximum(goals[None, :] - now, 0.0) / slopes[:, None]
    return left.ravel(), np.ones(left.size)


def _from_bend(
    t: FloatArray, y: FloatArray, onset: float, noise: float, goals: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Days left for each onset, power, growth and goal, with their weights."""
    now = float(t[-1])
    near = t >= onset - 30.0
    x, y = t[near], y[near]
    earliest = max(float(x[0]) - 1.0, onset - 20.0)
    starts = np.linspace(earliest, max(now - 3.0, earliest + 0.5), 16)
    left, error = [], []
    for q in POWERS:
        shape = np.maximum(x[None, :] - starts[:, None], 0.0) ** q
        power = np.maximum((shape * shape).sum(axis=1), 1e-12)
        b = (shape * y[None, :]).sum(axis=1) / power
        missed = np.square(y[None, :] - b[:, None] * shape).sum(axis=1)
        # Neighbouring days are alike: half of them count.
        se = math.sqrt(2.0) * noise / np.sqrt(power)
        slope = np.maximum(b[:, None] + _QUANTILES[None, :] * se[:, None], 1e-9)
        end = (goals[None, None, :] / slope[:, :, None]) ** (1.0 / q)
        left.append((starts[:, None, None] + end - now).reshape(starts.size, -1))
        error.append(missed)
    misfit = np.concatenate(error)
    weight = np.exp(-0.25 * (misfit - misfit.min()) / noise**2)
    days = np.concatenate(left)
    return days.ravel(), np.repeat(weight, days.shape[1])


def _noise(y: FloatArray) -> float:
    """Return the day-to-day scatter from second differences, free of slow growth."""
    if y.size < 5:
        return max(float(np.std(y)), 1e-6)
    second = y[2:] - 2.0 * y[1:-1] + y[:-2]
    return max(float(np.median(np.abs(second))) * 1.4826 / math.sqrt(6.0), 1e-6)


def _weighted_quantiles(x: FloatArray, w: FloatArray, at: tuple[float, ...]) -> tuple[float, ...]:
    order = np.argsort(x, kind="stable")
    total = np.cumsum(w[order])
    place = np.searchsorted(total, np.array(at) * total[-1])
    return tuple(float(x[order[min(int(p), x.size - 1)]]) for p in place)
