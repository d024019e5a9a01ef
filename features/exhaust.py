"""Exhaust from pressure: time from 80 to 20 % of gauge, and the fitted constant."""

from __future__ import annotations

import numpy as np

from .crossing import line
from .quick import diff, true_at
from .samples import FloatArray


def exhaust_times(
    time: FloatArray, pressure: FloatArray, atmosphere_kpa: float
) -> tuple[float, float, str]:
    """Return (seconds from 80 to 20 % of gauge, fitted time constant [s], reason if null).

    Parameters
    ----------
    time, pressure
        From the last sample before the fall on, shape (n,).
    atmosphere_kpa
        Pressure of the open chamber by the same channel [kPa].

    Notes
    -----
    The gauge pressure at the end of exposure is that of the first sample.
    Between samples an exponential is drawn, so that coarse sampling does not
    bias the crossings; the constant is a least-squares line of the logarithm
    of gauge pressure over the span.
    """
    nan = float("nan")
    keep = np.isfinite(pressure)
    time, gauge = time[keep], pressure[keep] - atmosphere_kpa
    if len(gauge) < 3 or gauge[0] < 20.0:
        return nan, nan, "no_gauge_pressure"
    share = gauge / gauge[0]
    low = true_at(share < 0.2)
    if not len(low):
        return nan, nan, "exhaust_not_seen"
    stop = int(low[0])
    high = true_at(share[:stop] >= 0.8)
    if not len(high):
        return nan, nan, "too_coarse"
    start = int(high[-1])
    if float(np.max(diff(time[start : stop + 1]))) > 60.0:
        return nan, nan, "gap"
    begin = _exponential_crossing(time, share, start, 0.8)
    end = _exponential_crossing(time, share, stop - 1, 0.2)
    seconds = end - begin
    inner = np.arange(start + 1, stop)
    if len(inner) >= 3:
        x = np.concatenate(([begin], time[inner], [end]))
        y = np.log(np.concatenate(([0.8], share[inner], [0.2])))
        slope, _ = line(x, y)
        tau = -1.0 / slope if slope < 0.0 else nan
    else:
        tau = seconds / float(np.log(4.0))
    return seconds, tau, ""


def _exponential_crossing(time: FloatArray, share: FloatArray, k: int, level: float) -> float:
    high, low = float(share[k]), float(share[k + 1])
    if low <= 0.0 or high <= 0.0 or high == low:
        part = (high - level) / (high - low) if high != low else 0.0
    else:
        part = np.log(high / level) / np.log(high / low)
    return float(time[k] + np.clip(part, 0.0, 1.0) * (time[k + 1] - time[k]))
