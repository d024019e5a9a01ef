"""What a flag says: two or three sentences with numbers, and what to do at the bench."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .signatures import DIRECTIONS, NEEDS, SIGNATURES
from .signs import INDEX, SIGNS

FloatArray = NDArray[np.float64]

_DIGITS: Final = {"1": 2, "K/min": 2, "s": 0, "K": 2, "kPa": 1, "kPa/min": 3}
_LAST = {
    "heater": ("saturation", "exhaust", "loss"),
    "door_seal": ("power", "heat_rate", "saturation"),
    "vent_path": ("duty", "heat_rate", "saturation"),
    "temperature_sensor": ("saturation", "boil", "duty"),
    "pressure_sensor": ("plateau", "duty", "boil"),
    "air_removal": ("plateau", "open_pressure", "duty"),
    "water_fill": ("plateau", "exhaust", "open_pressure"),
    "controller": ("power", "saturation", "noise"),
    "logger": ("duty", "heat_rate", "exhaust"),
}


def drift_evidence(
    signature: int,
    delta: FloatArray,
    z: FloatArray,
    expected: FloatArray,
    days: float,
) -> tuple[str, str]:
    """Write the evidence of a drift flag.

    Parameters
    ----------
    signature
        Index of the signature.
    delta
        Change of each sign, NaN where unseen, shape (signs,).
    z
        The same in standard errors.
    expected
        Usual value of each sign on the feature's own scale, NaN where unknown.
    days
        Days since the estimated onset, NaN if not known.

    Returns
    -------
    tuple of str
        The text, and the column of the sign that carries it.
    """
    sig = SIGNATURES[signature]
    pull = np.where(np.isfinite(z), z * np.sign(DIRECTIONS[signature]), 0.0)
    if sig.two_sided and pull.sum() < 0.0:
        pull = -pull
    order = [int(i) for i in np.argsort(-pull, kind="stable") if pull[i] > 0.8]
    # Without one of these it could not be told from others: it stands among what is said.
    needed = [i for i in order if NEEDS[signature, i]][:1]
    order = [*order[:2], *needed] if needed and needed[0] not in order[:3] else order[:3]
    if not order:
        order = [int(np.argmax(np.abs(DIRECTIONS[signature]) * np.isfinite(delta)))]
    since = f" in {days:.0f} days" if math.isfinite(days) and days >= 1 else ""
    parts = [_change(order[0], delta, expected) + since]
    parts += [_short(i, delta) for i in order[1:]]
    text = "; ".join(parts)
    calm = [
        SIGNS[INDEX[name]].words
        for name in _LAST.get(sig.part, ())
        if np.isfinite(z[INDEX[name]])
        and abs(z[INDEX[name]]) < 1.2
        and DIRECTIONS[signature][INDEX[name]] == 0
    ]
    sentence = text[0].upper() + text[1:] + "."
    if calm:
        verb = "is" if len(calm) == 1 else "are"
        listed = " and ".join(calm[:2])
        sentence += f" {listed[0].upper()}{listed[1:]} {verb} unchanged."
    return sentence, SIGNS[order[0]].column


def _change(i: int, delta: FloatArray, expected: FloatArray) -> str:
    sign = SIGNS[i]
    digits = _DIGITS[sign.unit]
    unit = "" if sign.unit == "1" else f" {sign.unit}"
    verb = "rose" if delta[i] > 0 else "fell"
    usual = float(expected[i])
    if not math.isfinite(usual):
        return _short(i, delta)
    if sign.name in ("heat_up", "hold"):
        share = abs(math.expm1(float(delta[i]))) * 100.0
        slower = "longer" if delta[i] > 0 else "shorter"
        digits = 1 if sign.name == "hold" else 0
        return f"{sign.words} became {share:.{digits}f} % {slower}"
    now = usual * math.exp(float(delta[i])) if sign.scale == "log" else usual + float(delta[i])
    return f"{sign.words} {verb} from {usual:.{digits}f} to {now:.{digits}f}{unit}"


def _short(i: int, delta: FloatArray) -> str:
    sign = SIGNS[i]
    if sign.scale == "log":
        share = math.expm1(float(delta[i])) * 100.0
        higher = "higher" if share > 0 else "lower"
        if sign.unit == "s":
            higher = "longer" if share > 0 else "shorter"
        return f"{sign.words} is {abs(share):.0f} % {higher}"
    if sign.name == "boiling":
        return f"{sign.words} is {'up' if delta[i] > 0 else 'down'} by {abs(delta[i]):.0%}"
    digits = _DIGITS[sign.unit]
    side = "up" if delta[i] > 0 else "down"
    return f"{sign.words} is {side} by {abs(float(delta[i])):.{digits}f} {sign.unit}"
