"""Slopes and trends by rank: Theil-Sen with an interval, Mann-Kendall."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Slope:
    """A robust line ``y = intercept + slope * t`` with the slope's interval."""

    slope: float
    low: float
    high: float
    intercept: float
    n: int


@dataclass(frozen=True)
class Kendall:
    """Mann-Kendall's trend test."""

    s: int
    variance: float
    z: float
    p_two_sided: float


def theil_sen(t: ArrayLike, y: ArrayLike, *, quantile_z: float = 1.2815515655446004) -> Slope:
    """Return the median of pairwise slopes with Sen's rank interval.

    Parameters
    ----------
    t, y
        Shape (n,); rows with NaN are left out. Equal times make no pair.
    quantile_z
        Normal quantile of the interval's upper end: 1.2816 for 80 %, 1.96 for 95 %.

    Returns
    -------
    Slope
        NaN throughout with fewer than two distinct times.

    References
    ----------
    Sen 1968, J. Am. Stat. Assoc. 63 (from memory).
    """
    time: FloatArray = np.asarray(t, dtype=np.float64)
    value: FloatArray = np.asarray(y, dtype=np.float64)
    keep = np.isfinite(time) & np.isfinite(value)
    time, value = time[keep], value[keep]
    first, second = np.triu_indices(time.size, 1)
    run = time[second] - time[first]
    use = run != 0.0
    if not bool(use.any()):
        return Slope(math.nan, math.nan, math.nan, math.nan, int(time.size))
    slopes = np.sort((value[second] - value[first])[use] / run[use])
    middle = float(np.median(slopes))
    reach = quantile_z * math.sqrt(kendall_variance(value))
    # Ranks count from one: the ends are those of ranks (N - C)/2 and (N + C)/2 + 1.
    low = round((slopes.size - reach) / 2.0) - 1
    high = round((slopes.size + reach) / 2.0)
    last = slopes.size - 1
    return Slope(
        middle,
        float(slopes[min(max(low, 0), last)]),
        float(slopes[min(max(high, 0), last)]),
        float(np.median(value) - middle * np.median(time)),
        int(time.size),
    )


def mann_kendall(y: ArrayLike) -> Kendall:
    """Test for a monotone trend; ties corrected, continuity corrected.

    References
    ----------
    Mann 1945, Kendall 1975; the worked example of EPA QA/G-9S is in the tests.
    """
    value: FloatArray = np.asarray(y, dtype=np.float64)
    value = value[np.isfinite(value)]
    first, second = np.triu_indices(value.size, 1)
    s = int(np.sign(value[second] - value[first]).sum())
    variance = kendall_variance(value)
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s and variance > 0 else 0.0
    return Kendall(s, variance, z, math.erfc(abs(z) / math.sqrt(2.0)))


def kendall_variance(y: ArrayLike) -> float:
    """Return the variance of Kendall's S with ties."""
    values = np.asarray(y, dtype=np.float64)
    n = values.size
    _, ties = np.unique(values, return_counts=True)
    tied = float((ties * (ties - 1) * (2 * ties + 5)).sum())
    return (n * (n - 1) * (2 * n + 5) - tied) / 18.0
