"""How large a fault may grow before cycles fail, in its signature's own size.

The limit is stated per part: heater and lost steam, where the duty reaches 1;
an offset of the controller's sensor or a wider swing, where exposure leaves its
band; a shorter hold, its set time; air or superheat, the limit on saturation; a
leak test, its configured limit. Where nothing makes a cycle fail (a slow exhaust, a slow pump, the
logger), there is none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..shared.config import Limits
from .signatures import SERVICE_FLOOR, SIGNATURES
from .signs import INDEX

FloatArray = NDArray[np.float64]

USUAL_SWING_K: Final = 0.8
"""Half the swing of temperature in exposure where no overshoot shows it (no source)."""

USUAL_DUTY: Final = 0.45
"""Duty taken where no saw-tooth shows it (middle of tabletop units, no source)."""


@dataclass(frozen=True)
class SizeLimit:
    """A fault's size at which cycles fail."""

    size: float
    """Physical limit on the growth scale."""
    shares: tuple[float, ...]
    """Where on the way to it single cycles begin to fail."""


EXACT: Final = (1.0,)
NEARLY: Final = (0.75, 0.85, 0.95, 1.05)
ON_THE_WAY: Final = (0.35, 0.5, 0.6, 0.7, 0.85, 1.05)
"""A leak test has the limit itself. A mean saturation deviation is nearly it. Heat-up times
out, heavy loads fail and a swing leaves its band well before the mean gets to the physical
limit (first failures on tuning fleets: 0.3 to 1.0 of it, the middle half 0.55 to 0.78)."""


NEAR_LIMIT: Final = 0.5
"""Share of the size at which cycles fail from which a fault is worth a visit whatever the floor
of its signature says (first failures on tuning fleets: the middle half at 0.55 to 0.78 of it)."""
LEAST_HEADROOM_K: Final = 0.2
"""Nearer to its band no healthy unit is taken to run."""
_BAND: Final = np.array(
    [
        s.part in ("temperature_sensor", "controller", "heater") and "overshoot" in s.changes
        for s in SIGNATURES
    ]
)
"""Signatures in kelvin that move temperature in exposure out of its band."""


def floor_share(size: FloatArray, expected: FloatArray, limits: Limits) -> FloatArray:
    """Return the share of its floors that each size has to reach on this unit.

    A floor says what is worth knowing on a usual unit. One that runs close to the upper end of
    its band has cycles fail from less. The lower end is left to the sign of the lowest
    temperature: where heat goes on and off slowly, how far the mean lies over it says little.

    Parameters
    ----------
    size
        Signed sizes, shape (..., signatures).
    expected
        Healthy level of each sign on its own scale, shape (..., signs).
    limits
        The configuration's.
    """
    share = np.ones(size.shape)
    above = limits.band_width_k - expected[..., INDEX["overshoot"]]
    near = NEAR_LIMIT * np.maximum(above, LEAST_HEADROOM_K)
    for k in np.flatnonzero(_BAND).tolist():
        rises = size[..., k] > 0.0
        share[..., k] = np.where(rises, np.fmin(near / SERVICE_FLOOR[k], 1.0), 1.0)
    return share


def size_limit(
    signature: int, expected: FloatArray, growing: float, limits: Limits
) -> SizeLimit | None:
    """Return the size at which cycles fail, or None where nothing makes them fail.

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
    mean = _or(expected[INDEX["plateau"]], limits.band_width_k / 2)
    swing = _or(expected[INDEX["overshoot"]], mean + USUAL_SWING_K) - mean
    top, bottom = limits.band_width_k - mean - swing, mean - swing
    saturation = _or(expected[INDEX["saturation"]], 0.0)
    # A plateau that droops leaves its band at the lower end, often before heat runs short.
    drooped = -sig.changes.get("plateau", 0.0)
    below = max(bottom, LEAST_HEADROOM_K) / drooped if drooped > 0.0 else math.inf
    if sig.part == "heater" and sig.mode == "element weak":
        return SizeLimit(min(1.0 - duty, -math.expm1(-below)), ON_THE_WAY)
    if sig.part == "door_seal" and "loss" in sig.changes:
        return SizeLimit(min(1.0 / duty - 1.0, math.expm1(min(below, 5.0))), ON_THE_WAY)
    if sig.part in ("air_removal", "door_seal") and sig.changes.get("saturation", 0.0) < 0.0:
        return SizeLimit(max(limits.saturation_k + saturation, 0.2), NEARLY)
    if sig.part == "door_seal":
        left = limits.leak_kpa_per_min - _or(expected[INDEX["leak"]], 0.0)
        return SizeLimit(max(left, 1e-3), EXACT)
    if sig.part == "temperature_sensor":
        return SizeLimit(max(bottom if growing < 0 else top, LEAST_HEADROOM_K), ON_THE_WAY)
    if sig.part == "heater":
        return SizeLimit(max(top, LEAST_HEADROOM_K), ON_THE_WAY)
    if "hold" in sig.changes:
        return SizeLimit(max(_or(expected[INDEX["hold"]], 0.0), 0.005), EXACT)
    if sig.part == "controller":
        return SizeLimit(max(min(bottom, top), LEAST_HEADROOM_K), ON_THE_WAY)
    if sig.part == "water_fill" and "saturation" in sig.changes:
        return SizeLimit(max((limits.saturation_k - saturation) / 0.6, 0.2), NEARLY)
    return None


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
