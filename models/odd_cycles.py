"""Cycles that are odd in no known way: the ``unknown`` part, raised by the forest's vote.

The forest alone never calls anyone. It is heard when many of the last cycles
were odd by its p-values, when no known signature explains them and no flag
stands, and for a visit only when its peer, the largest conditional residual,
agrees.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .bench import bench_check
from .signs import SIGNS

FloatArray = NDArray[np.float64]

ODD_P: Final = 0.01
WINDOW: Final = 20
WATCH_COUNT: Final = 10
SERVICE_COUNT: Final = 15
SPAN_DAYS: Final = 5.0
"""Odd cycles among the last twenty, and the days they span. A healthy unit has one in a
hundred; ten of twenty allow for units whose cycles are four times as often odd as the
fleet's and come in runs (tuning fleets: no healthy unit reached fifteen)."""
PEER_Z: Final = 4.0
"""Largest conditional residual of the long chart, in standard errors."""


ALONE_Z: Final = 6.0
"""Conditional residual of the long chart from which one sign alone, that no signature knows,
is worth a look: a forest is nearly blind to it (tuning fleets: watches of healthy units stay
within their budget). It never calls for a visit by itself."""


TWO_Z: Final = 4.5
TWO_CYCLES: Final = 6
TWO_DAYS: Final = 3
"""Two signs of the short chart that stick out by this much given all others, in so many cycles
on so many days, call for a visit though no signature fits: quick faults of machines that differ
from what signatures are made of (tuning fleets: healthy units stay within their budget)."""


STRONG_Z: Final = 10.0
STRONG_CYCLES: Final = 12
STRONG_DAYS: Final = 5
"""One sign of the long chart that is out by this much, in so many cycles on so many days, calls
for a visit whatever explains it (healthy tuning units: none but after an unsaid change of
logger)."""
NEAREST_T: Final = 2.0
"""Significance from which the best signature is named where signs alone call for a visit: two
standard errors, as where a broken limit is laid to a part."""
NEAREST_SHARE: Final = 0.6
"""Cosine from which signs that moved look enough like a signature for its part to be named,
though circumstances might explain them as well (design choice)."""
STRONG_LEFT_OUT: Final = ("noise", "open_pressure", "seat", "closing", "boiling", "hold")
"""Signs of the logger and the weather, which have findings of their own, the time that a purge
takes, which follows the mains and the weather more than the machine, two that hang on how a
cycle's end and its boiling are seen, and a hold: whatever lets the temperature dip extends it."""


def small_p(p: dict[str, FloatArray]) -> FloatArray:
    """Return the smallest p over subsystems, corrected for having looked at all of them."""
    if not p:
        return np.empty(0)
    return np.asarray(np.minimum(len(p) * np.min(list(p.values()), axis=0), 1.0))


def count_odd(
    recent: list[list[float]], now: float, p: float
) -> tuple[list[list[float]], int, float]:
    """Add a cycle to the window; return the window, its odd cycles and the days they span."""
    recent = [*recent[1 - WINDOW :], [now, 1.0 if p < ODD_P else 0.0]]
    odd = [t for t, flag in recent if flag]
    return recent, len(odd), (odd[-1] - odd[0] if odd else 0.0)


def describe_alone(conditional_z: FloatArray, delta: FloatArray, cycle_id: str) -> dict[str, Any]:
    """Make the columns of an ``unknown`` flag that one sign carries."""
    i = int(np.argmax(np.abs(np.nan_to_num(conditional_z))))
    way = "up" if delta[i] > 0 else "down"
    words = SIGNS[i].words
    text = (
        f"{words[0].upper()}{words[1:]} is {way} by {abs(conditional_z[i]):.0f} standard errors "
        "given all other signs, which are as usual. No known part explains it."
    )
    row = describe_odd(0, conditional_z, delta, 1.0, cycle_id)
    return {**row, "evidence": text, "layer": "drift", "feature": SIGNS[i].column}


def describe_strong(z: FloatArray, delta: FloatArray, part: str, cycle_id: str) -> dict[str, Any]:
    """Make the columns of a flag that one very strong sign carries."""
    i = int(np.argmax(np.abs(np.nan_to_num(z))))
    words = SIGNS[i].words
    text = (
        f"{words[0].upper()}{words[1:]} has been {'up' if delta[i] > 0 else 'down'} by "
        f"{abs(z[i]):.0f} standard errors for days, more than any healthy unit shows."
    )
    if part == "unknown":
        text += " No known part explains it."
    else:
        text += " What fits best is named here, though its size alone would not call for a visit."
    row = describe_odd(0, z, delta, 1.0, cycle_id)
    return {
        **row,
        "part": part,
        "evidence": text,
        "layer": "drift",
        "feature": SIGNS[i].column,
        "bench_check": bench_check(part, ""),
    }


def describe_two(
    conditional_z: FloatArray, delta: FloatArray, part: str, cycle_id: str
) -> dict[str, Any]:
    """Make the columns of a flag that two signs and more carry."""
    order = [int(i) for i in np.argsort(-np.abs(np.nan_to_num(conditional_z)), kind="stable")[:3]]
    named = [
        f"{SIGNS[i].words} ({'up' if delta[i] > 0 else 'down'}, {abs(conditional_z[i]):.0f} "
        "standard errors)"
        for i in order
        if math.isfinite(conditional_z[i]) and abs(conditional_z[i]) >= TWO_Z / 2.0
    ]
    text = "Several signs moved together in the last days: " + "; ".join(named)
    text += ". No known part explains all of it"
    text += "." if part == "unknown" else "; what fits best is named here."
    row = describe_odd(0, conditional_z, delta, 1.0, cycle_id)
    return {
        **row,
        "part": part,
        "evidence": text,
        "layer": "drift",
        "feature": SIGNS[order[0]].column,
        "bench_check": bench_check(part, ""),
    }


def describe_odd(
    count: int,
    conditional_z: FloatArray,
    delta: FloatArray,
    p: float,
    cycle_id: str,
    part: str = "unknown",
) -> dict[str, Any]:
    """Make the columns of a flag for odd cycles; names the signs that stick out."""
    order = [int(i) for i in np.argsort(-np.abs(np.nan_to_num(conditional_z)), kind="stable")[:3]]
    named = [
        f"{SIGNS[i].words} ({'up' if delta[i] > 0 else 'down'}, {abs(conditional_z[i]):.0f} "
        "standard errors)"
        for i in order
        if math.isfinite(conditional_z[i]) and abs(conditional_z[i]) > 1.5
    ]
    text = (
        f"{count} of the last {WINDOW} cycles were odder than 99 of 100 healthy ones, the last "
        f"with p = {p:.3g}."
    )
    if named:
        text += " What sticks out given all else: " + "; ".join(named) + "."
    text += " No known part explains it"
    text += "." if part == "unknown" else " beyond doubt; what it looks most like is named here."
    return {
        "part": part,
        "mode": "",
        "alternatives": "",
        "confidence": 0.3,
        "layer": "forest",
        "feature": SIGNS[order[0]].column,
        "evidence": text,
        "bench_check": bench_check(part, ""),
        "cycle_id": cycle_id,
        "change_point": math.nan,
        "change_point_low": math.nan,
        "change_point_high": math.nan,
    }
