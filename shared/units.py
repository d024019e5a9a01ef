"""Conversion of the units that exports carry to °C, kPa and seconds.

Gauge or absolute is not a unit but a reference, and is settled elsewhere.
Factors: NIST SP 811 (2008), appendix B.8 (from memory, exact by definition
for °F, K, bar and atm; psi to the digits printed there).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

PRESSURE_TO_KPA: Final[dict[str, float]] = {
    "Pa": 0.001,
    "hPa": 0.1,
    "kPa": 1.0,
    "MPa": 1000.0,
    "mbar": 0.1,
    "bar": 100.0,
    "psi": 6.894757293168361,
    "atm": 101.325,
    "mmHg": 0.1333223684210526,
    "inHg": 3.386388640341,
    "kgf/cm2": 98.0665,
}
"""Factor from a pressure unit to kPa."""

TEMPERATURE_TO_C: Final[dict[str, Callable[[FloatArray], FloatArray]]] = {
    "°C": lambda x: x,
    "°F": lambda x: (x - 32.0) / 1.8,
    "K": lambda x: x - 273.15,
}
"""Function from a temperature unit to °C."""


def to_celsius(values: ArrayLike, unit: str) -> FloatArray:
    """Convert temperatures in ``unit`` (``°C``, ``°F`` or ``K``) to °C, same shape.

    Raises
    ------
    KeyError
        If the unit is not known.
    """
    return TEMPERATURE_TO_C[unit](np.asarray(values, dtype=np.float64))


def to_kpa(values: ArrayLike, unit: str) -> FloatArray:
    """Convert pressures in ``unit`` to kPa with the reference unchanged, same shape.

    Raises
    ------
    KeyError
        If the unit is not known.
    """
    return np.asarray(values, dtype=np.float64) * PRESSURE_TO_KPA[unit]
