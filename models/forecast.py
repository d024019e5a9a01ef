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

from .trend import theil_sen

FloatArray = NDArray[np.float64]

HORIZON_DAYS: Final = 365.0
"""Beyond this the high end is null (the contract)."""
POWERS: Final = (0.7, 1.0, 1.5, 2.0, 2.5)
"""Growth from levelling off to accelerating (design choice)."""
LEAST_DAYS: Final = 5
"""Days with data since the onset before anything is said."""
LIMIT_SHARES: Final = (0.75, 0.87, 1.0)
"""Where on the way to the physical limit cycles begin to fail: heat-up times out and heavy
loads fail before the mean duty is 1 (no source; widened until the interval's coverage on
tuning fleets came to its nominal value)."""
FIRST_OF_MANY: Final = 1.3
"""The first bad one among the cycles of a few days lies this many standard deviations out
(expected largest of about six normal draws)."""
MODEL_ERROR: Final = 0.35
"""Growth may bend: days left are spread by this share, as a standard deviation of their
logarithm (set on tuning fleets for coverage)."""


@dataclass(frozen=True)
class Forecast:
    """Days from the last cycle, with the 10 % and 90 % ends; NaN high beyond the horizon."""

    days: float
    low: float
    high: float
    slope_per_day: float


def forecast(t: ArrayLike, size: ArrayLike, *, onset: float, limit: float) -> Forecast | None:
    """Run a fault's size on to its limit.

    Parameters
    ----------
    t, size
        Days and sizes, shape (n,), in order.
    onset
        Estimated day of the onset.
    limit
        Size at which cycles fail.

    Returns
    -------
    Forecast or None
        None with too few days since the onset, where the slope's 80 % interval
        spans zero, or without a limit.
    """
    t = np.asarray(t, dtype=np.float64)
    y = np.asarray(size, dtype=np.float64)
    late = t >= onset - 0.5
    if not math.isfinite(limit) or limit <= 0 or int(late.sum()) < LEAST_DAYS:
        return None
    line = theil_sen(t[late], y[late])
    if not line.low > 0.0:
        return None
    now = float(t[-1])
    near = t >= onset - 30.0
    x, y = t[near], y[near]
    noise = _noise(y)
    earliest = max(float(x[0]) - 1.0, onset - 20.0)
    starts = np.linspace(earliest, max(now - 3.0, earliest + 0.5), 16)
    left, mass = [], []
    quantiles = (-1.2816, -0.5244, 0.0, 0.5244, 1.2816)
    for q in POWERS:
        shape = np.maximum(x[None, :] - starts[:, None], 0.0) ** q
        power = np.maximum((shape * shape).sum(axis=1), 1e-12)
        b = (shape * y[None, :]).sum(axis=1) / power
        error = np.square(y[None, :] - b[:, None] * shape).sum(axis=1)
        se = noise / np.sqrt(power)
        # Half the days count: neighbouring days are alike.
        weight = np.exp(-0.25 * (error - error.min()) / noise**2)
        evidence = -0.25 * error.min() / noise**2
        for u in quantiles:
            slope = np.maximum(b + u * 1.4 * se, 1e-9)
            for share in LIMIT_SHARES:
                goal = max(share * limit - FIRST_OF_MANY * noise, 1e-6)
                end = starts + (goal / slope) ** (1.0 / q)
                left.append(np.maximum(end - now, 0.0))
                mass.append(np.column_stack([weight, np.full(weight.size, evidence)]))
    days = np.concatenate(left)
    table = np.concatenate(mass)
    w = table[:, 0] * np.exp(table[:, 1] - table[:, 1].max())
    spread = np.exp(MODEL_ERROR * np.array(quantiles))
    days = (np.maximum(days, 0.5)[:, None] * spread[None, :]).ravel()
    w = np.repeat(w, spread.size)
    low, middle, high = _weighted_quantiles(days, w, (0.1, 0.5, 0.9))
    if low > HORIZON_DAYS:
        return None
    return Forecast(
        middle if middle <= HORIZON_DAYS else math.nan,
        low,
        high if high <= HORIZON_DAYS else math.nan,
        line.slope,
    )


def _noise(y: FloatArray) -> float:
    """Return the day-to-day scatter from second differences, free of slow growth."""
    if y.size < 5:
        return max(float(np.std(y)), 1e-6)
    second = y[2:] - 2.0 * y[1:-1] + y[:-2]
    return max(float(np.median(np.abs(second))) * 1.4826 / math.sqrt(6.0), 1e-6)


def _weighted_quantiles(
    x: FloatArray, w: FloatArray, at: tuple[float, ...]
) -> tuple[float, ...]:
    order = np.argsort(x, kind="stable")
    total = np.cumsum(w[order])
    place = np.searchsorted(total, np.array(at) * total[-1])
    return tuple(float(x[order][min(int(p), x.size - 1)]) for p in place)
