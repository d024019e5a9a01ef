"""Cycles that stand out by themselves: faults that come and go, and those that come fast.

The charts average days, so that a drift is seen while it is small; what is large in every
third cycle, or new since yesterday, they see late. Here each cycle is matched alone, against
the scatter of single cycles, and the few that stand out are counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .findings import SERVICE_DAYS
from .scores import backed, matched, supporting
from .signatures import DROOPS, SERVICE_FLOOR, SIGNATURE_PARTS, SIGNATURES, TWO_SIDED, WATCH_FLOOR

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

ALONE_T: Final = 5.0
ALONE_SIGNS: Final = 2
"""Size of a signature in one cycle's standard errors, and signs that moved its way, from which
the cycle stands out; its size also reaches a floor (design choice)."""
FLOOR: Final = np.where(
    [
        s.part in ("temperature_sensor", "pressure_sensor", "logger")
        or "saturation" in s.changes
        or k in DROOPS
        for k, s in enumerate(SIGNATURES)
    ],
    SERVICE_FLOOR,
    WATCH_FLOOR,
)
"""What is worth a look in the mean of many cycles is a fault when four of ten show it each by
itself: a controller's swing was out by six standard errors in every third cycle, and below what
would call as a mean. Not so what a channel is off by, alone or against the other: weather does
that, and a moved probe."""
ALONE_CYCLES: Final = 4
WINDOW: Final = 10
"""Cycles that stand out, of how many, call for a visit. Three, the contract's least, came on one
healthy unit and before one onset in 75 and 27 unit-years of tuning fleets, four on none; by
simulation see tests/models/test_calibration.py."""


@dataclass(frozen=True)
class Outstanding:
    """Rows that stand out."""

    signature: IntArray
    """Best signature of the row, -1 where none stands out, shape (rows,)."""
    size: FloatArray
    """Its signed size, 0 where none does, same shape."""


def outstanding(
    residual: FloatArray,
    variance: FloatArray,
    counted: NDArray[np.bool_],
    share: Callable[[FloatArray, IntArray], FloatArray] | None = None,
) -> Outstanding:
    """Match each cycle alone.

    Parameters
    ----------
    residual, variance
        Residual of each sign and the variance of one cycle's, shape (rows, signs).
    counted
        Rows that may stand out, shape (rows,).
    share
        Returns the part of its floors that each size has to reach, of sizes and their rows.
    """
    signature = np.full(len(residual), -1, dtype=np.int64)
    sizes = np.zeros(len(residual))
    value = np.where(np.isfinite(residual), residual, 0.0)
    # No signature can reach a larger T than all signs together do.
    at = np.flatnonzero(counted & ((value**2 / variance).sum(axis=1) >= ALONE_T**2))
    if at.size:
        t, size = matched(residual[at], variance[at])
        support = supporting(residual[at], variance[at], size)
        best = np.where(backed(t, size, SERVICE_FLOOR), t, -np.inf).argmax(axis=1)
        row = np.arange(at.size)
        reach = np.where(TWO_SIDED, np.abs(size), size)[row, best]
        part = share(size, at)[row, best] if share else 1.0
        out = (
            (t[row, best].round(6) >= ALONE_T)
            & (reach.round(9) >= part * FLOOR[best])
            & (support[row, best] >= ALONE_SIGNS)
        )
        signature[at[out]] = best[out]
        sizes[at[out]] = size[row, best][out].round(9)
    return Outstanding(signature, sizes)


def count(
    recent: list[list[float]], now: float, place: int, signature: int
) -> tuple[list[list[float]], int]:
    """Add a row that stands out; return those of the window, and how many call for its part.

    Parameters
    ----------
    recent
        Time, place among the unit's cycles and signature of the rows before.
    now, place, signature
        Of the row.

    Returns
    -------
    tuple
        The rows of the window, and the cycles of the same part where they are enough for a
        visit, else 0.
    """
    kept = [r for r in recent if r[1] > place - WINDOW]
    kept.append([now, float(place), float(signature)])
    part = SIGNATURE_PARTS[signature]
    same = [r for r in kept if SIGNATURE_PARTS[int(r[2])] == part]
    days = {math.floor(r[0]) for r in same}
    enough = len(same) >= ALONE_CYCLES and len(days) >= SERVICE_DAYS
    return kept, len(same) if enough else 0
