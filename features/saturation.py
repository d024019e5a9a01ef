"""Temperature against the saturation temperature of the measured pressure."""

from __future__ import annotations

from typing import Final

import numpy as np

from .crossing import first_above, median
from .quick import diff, mean_of, nth
from .samples import FloatArray


def deviation(
    time: FloatArray, temp: FloatArray, boiling: FloatArray
) -> tuple[float, float, float]:
    """Return mean of T - Tsat(p) [K], its standard error, and the 95th percentile.

    Over the last two thirds of the exposure, whose samples and saturation temperatures [°C]
    are given. The
    standard error allows for neighbours that resemble each other (lag-one
    correlation).
    """
    late = (time >= time[0] + (time[-1] - time[0]) / 3.0) & np.isfinite(boiling)
    gap = temp[late] - boiling[late]
    n = len(gap)
    if n < 3:
        nan = float("nan")
        return nan, nan, nan
    mean = mean_of(gap)
    rest = gap - mean
    power = float(rest @ rest)
    like = float(rest[1:] @ rest[:-1]) / power if power > 0.0 else 0.0
    like = min(max(like, 0.0), 0.98)
    error = float(np.sqrt(power / (n - 1) / n * (1.0 + like) / (1.0 - like)))
    k = min(n - 1, int(np.ceil(0.95 * n)) - 1)
    return mean, error, nth(gap, k)


LAG_STEP_S: Final = 8.0
"""Steps of temperature are taken over about this long, so that they stand out of noise [s]."""


def sensor_lag(time: FloatArray, temp: FloatArray, boiling: FloatArray, noise: float) -> float:
    """Return the time constant by which temperature follows Tsat(p) [s]; NaN if not seen.

    A first-order sensor moves by dT/dt = (Tsat - T + offset)/tau. Least squares
    of the steps of T on the mean difference over each step, where the swings
    stand out of the noise.
    """
    nan = float("nan")
    if len(time) < 30 or not np.isfinite(boiling).all():
        return nan
    gap = boiling - temp
    drive = 0.5 * diff(time) * (gap[1:] + gap[:-1])
    stride = max(1, int(LAG_STEP_S * (len(time) - 1) / float(time[-1] - time[0])))
    whole = len(drive) // stride * stride
    drive = drive[:whole].reshape(-1, stride).sum(axis=1)
    step = diff(temp[: whole + 1 : stride])
    if len(step) < 12:
        return nan
    x, y = drive - mean_of(drive), step - mean_of(step)
    power, both = float(x @ x), float(x @ y)
    own = 2.0 * noise * noise * len(y)
    if both <= 0.0 or float(y @ y) < 1.5 * own:
        return nan
    rate = both / power
    left = y - rate * x
    error = float(np.sqrt(float(left @ left) / (len(x) - 2) / power))
    return 1.0 / rate if error < 0.2 * rate else nan


def equilibration(
    time: FloatArray, temp: FloatArray, boiling: FloatArray, limit_c: float
) -> float:
    """Return the time [s] from Tsat(p) in band to T in band; negative when T leads.

    The samples are those of the climb to the exposure and its first minutes.
    """
    known = np.isfinite(boiling)
    if not known.any():
        return float("nan")
    return first_above(time, temp, limit_c) - first_above(time[known], boiling[known], limit_c)


def open_chamber(time: FloatArray, pressure: FloatArray, temp: FloatArray) -> tuple[float, float]:
    """Return median pressure [kPa] and temperature [°C] while the chamber is open.

    The samples are those between two cycles; a chamber counts as open while its
    pressure stands still near an atmosphere. NaN with under 5 samples or a minute.
    """
    calm = (pressure > 68.0) & (pressure < 115.0) if np.isfinite(pressure).any() else temp < 80.0
    if calm.sum() < 5 or time[calm][-1] - time[calm][0] < 60.0:
        return float("nan"), float("nan")
    level = median(pressure[calm])
    if np.isfinite(level):
        calm &= np.abs(pressure - level) < 3.0
        if calm.sum() < 5:
            return float("nan"), float("nan")
        level = median(pressure[calm])
    return level, median(temp[calm])
