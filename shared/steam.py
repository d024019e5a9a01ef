"""Saturated steam and lethality.

Saturation follows IAPWS R7-97(2012), region 4, equations 30 and 31, whose
closed forms need no iteration and work on whole arrays. Lethality is the
trapezoid of the first-order model with its reference temperature and z value
as parameters, since print does not agree on them.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

# IAPWS R7-97(2012), Table 34.
_N: Final = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)

KELVIN: Final = 273.15
STANDARD_ATMOSPHERE_KPA: Final = 101.325

F0_REFERENCE_C: Final = 121.1
"""Reference temperature of F0 [°C]: one of three in print, stated with each result."""
F0_Z_K: Final = 10.0
"""z value of F0 [K]."""
_LN_10: Final = float(np.log(10.0))


def p_sat_kpa(t_c: ArrayLike) -> FloatArray:
    """Return the saturation pressure of water.

    Parameters
    ----------
    t_c
        Temperature [°C], any shape; valid from 0 °C to the critical point at
        373.946 °C, NaN outside.

    Returns
    -------
    ndarray
        Absolute pressure [kPa], same shape.

    References
    ----------
    IAPWS R7-97(2012), equation 30.
    """
    t = np.asarray(t_c, dtype=np.float64) + KELVIN
    t = np.where((t >= KELVIN) & (t <= 647.096), t, np.nan)
    theta = t + _N[8] / (t - _N[9])
    a = (theta + _N[0]) * theta + _N[1]
    b = (_N[2] * theta + _N[3]) * theta + _N[4]
    c = (_N[5] * theta + _N[6]) * theta + _N[7]
    root = np.square(2.0 * c / (-b + np.sqrt(b * b - 4.0 * a * c)))
    return np.asarray(root * root * 1000.0)  # much faster than a power


def t_sat_c(p_kpa: ArrayLike) -> FloatArray:
    """Return the saturation temperature of water.

    Parameters
    ----------
    p_kpa
        Absolute pressure [kPa], any shape; valid from 0.611213 to 22064 kPa,
        NaN outside.

    Returns
    -------
    ndarray
        Temperature [°C], same shape.

    References
    ----------
    IAPWS R7-97(2012), equation 31.
    """
    p = np.asarray(p_kpa, dtype=np.float64)
    if not (p.size and p.min() >= 0.611212 and p.max() <= 22064.0):
        p = np.where((p >= 0.611212) & (p <= 22064.0), p, np.nan)
    beta = np.sqrt(np.sqrt(p / 1000.0))  # much faster than a power
    e = (beta + _N[2]) * beta + _N[5]
    f = (_N[0] * beta + _N[3]) * beta + _N[6]
    g = (_N[1] * beta + _N[4]) * beta + _N[7]
    d = 2.0 * g / (-f - np.sqrt(f * f - 4.0 * e * g))
    s = _N[9] + d
    return np.asarray((s - np.sqrt(s * s - 4.0 * (_N[8] + _N[9] * d))) / 2.0 - KELVIN)


def lethal_rate(
    t_c: ArrayLike, *, reference_c: float = F0_REFERENCE_C, z_k: float = F0_Z_K
) -> FloatArray:
    """Return the lethal rate [min/min] at temperature ``t_c`` [°C], any shape."""
    t = np.asarray(t_c, dtype=np.float64)
    return np.asarray(np.exp((t - reference_c) * (_LN_10 / z_k)))


def f0_min(
    time_s: ArrayLike,
    t_c: ArrayLike,
    *,
    reference_c: float = F0_REFERENCE_C,
    z_k: float = F0_Z_K,
) -> float:
    """Return the lethality of one trace by the trapezoid rule.

    Parameters
    ----------
    time_s, t_c
        Time [s], in order, and temperature [°C], shape (n,); samples with a
        missing temperature are left out.

    Returns
    -------
    float
        F0 [min]; NaN with fewer than two samples.
    """
    time = np.asarray(time_s, dtype=np.float64)
    rate = lethal_rate(t_c, reference_c=reference_c, z_k=z_k)
    keep = np.isfinite(rate) & np.isfinite(time)
    if int(keep.sum()) < 2:
        return float("nan")
    time, rate = time[keep], rate[keep]
    widths: Any = np.diff(time)
    return float(np.sum(widths * (rate[1:] + rate[:-1])) / 120.0)


def pressure_at_altitude_kpa(altitude_m: float) -> float:
    """Return the mean atmosphere [kPa] at an altitude [m].

    References
    ----------
    ICAO standard atmosphere (ISO 2533:1975), troposphere; constants from memory.
    """
    return float(STANDARD_ATMOSPHERE_KPA * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)
