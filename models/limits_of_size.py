"""How large a fault may grow before cycles fail, in its signature's own size.

The limit is stated per part: heater and lost steam, where the duty reaches 1;
an offset of the controller's sensor or a wider swing, where exposure leaves its
band; air or superheat, the limit on saturation; a leak test, its configured
limit. Where nothing makes a cycle fail (a slow exhaust, a slow pump, the
logger), there is none.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..shared.config import Limits
from .signatures import SIGNATURES
from .signs import INDEX

FloatArray = NDArray[np.float64]

USUAL_DUTY: Final = 0.45
"""Duty taken where no saw-tooth shows it (middle of tabletop units, no source)."""


def size_limit(signature: int, expected: FloatArray, growing: float, limits: Limits) -> float:
    """Return the size at which cycles fail, on the growth scale; NaN for none.

    Parameters
    ----------
    signature
        Index of the signature.
    expected
        Healthy level of each sign on its own scale, shape (signs,).
    growing
        Sign of the present size, for two-sided signatures.
    limits
        The configuration's.
    """
    sig = SIGNATURES[signature]
    duty = _duty(expected)
    dip = _or(expected[INDEX["dip"]], 0.5)
    top = limits.band_width_k - _or(expected[INDEX["overshoot"]], limits.band_width_k / 2)
    saturation = _or(expected[INDEX["saturation"]], 0.0)
    if sig.part == "heater" and sig.mode == "element weak":
        return 1.0 - duty
    if sig.part == "door_seal" and "loss" in sig.changes:
        return 1.0 / duty - 1.0
    if sig.part == "door_seal":
        return max(limits.leak_kpa_per_min - _or(expected[INDEX["leak"]], 0.0), 1e-3)
    if sig.part == "temperature_sensor":
        return max(dip if growing < 0 else top, 0.1)
    if sig.part == "heater":
        return max(top, 0.1)
    if sig.part == "controller":
        return max(min(dip, top), 0.1)
    if sig.part == "air_removal" and "saturation" in sig.changes:
        return max(limits.saturation_k + saturation, 0.2)
    if sig.part == "water_fill":
        return max((limits.saturation_k - saturation) / 0.6, 0.2)
    return math.nan


def growth_scale(signature: int, size: FloatArray) -> FloatArray:
    """Turn sizes of logarithmic signatures into shares that wear makes grow evenly."""
    sig = SIGNATURES[signature]
    if sig.part == "heater" and sig.mode == "element weak":
        return np.asarray(1.0 - np.exp(-size))
    if sig.part == "door_seal" and "loss" in sig.changes:
        return np.asarray(np.expm1(size))
    return np.asarray(np.abs(size) if sig.two_sided else size)


def _duty(expected: FloatArray) -> float:
    for name in ("current_duty", "duty"):
        value = float(expected[INDEX[name]])
        if math.isfinite(value):
            return min(max(math.exp(value), 0.05), 0.95)
    return USUAL_DUTY


def _or(value: float, otherwise: float) -> float:
    return float(value) if math.isfinite(value) else otherwise
