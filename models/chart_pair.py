"""The two exponentially weighted charts of each sign: one step, or many calm ones at once.

Both ways do the same additions in the same order, so that a night's few cycles and a
replay's many end at the same bits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .signs import MEMORY

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

MEMORY_DAYS: Final = (1.5, 8.0)
"""Time constants of the short and the long chart [days]: quick faults show in the short one
after two days, the long one averages out weeks (set on tuning fleets)."""

LONE: Final = 0.3
"""How far a residual may lie from the median of itself and the two before it, in parts of
that bound: three standard deviations (design choice)."""

SINGLE: Final = MEMORY > 1.0
"""Signs of weekly tests: too few to wait for a second one."""
_TAUS, _CODE = np.unique(np.array(MEMORY_DAYS)[:, None] * MEMORY[None, :], return_inverse=True)
_CODE = _CODE.reshape(len(MEMORY_DAYS), len(MEMORY))


def fades(gap_days: list[float]) -> FloatArray:
    """Return what is left of each chart's weights after gaps, shape (gaps, 2, signs)."""
    steps = -np.array(gap_days)[:, None] / _TAUS
    # One by one: a vectorised exponential may differ in its last bit with the array's length.
    left = np.array([math.exp(step) for step in steps.ravel().tolist()])
    return np.asarray(left.reshape(steps.shape)[:, _CODE])


def pulled(
    residual: FloatArray, newer: FloatArray, older: FloatArray, bound: FloatArray
) -> FloatArray:
    """Return residuals as they enter the charts, 0 where there is none.

    A lone odd cycle is pulled to the median of itself and the two before it: a step is
    believed from its second cycle on, and a fault that comes and goes still counts by its
    reach. Without two before it, it speaks itself.
    """
    low, high = np.minimum(newer, older), np.maximum(newer, older)
    middle = np.maximum(low, np.minimum(high, residual))
    near = np.where(np.isfinite(low), middle, residual)
    reach = LONE * bound
    smooth = np.minimum(np.maximum(residual, near - reach), near + reach)
    smooth = np.where(SINGLE, residual, smooth)
    within = np.minimum(np.maximum(smooth, -bound), bound)
    return np.asarray(np.where(np.isfinite(residual), within, 0.0))


def accumulate(charts: FloatArray, fade: FloatArray, enters: FloatArray, here: BoolArray) -> None:
    """Let the charts fade and add cycles one after the other.

    Parameters
    ----------
    charts
        Total, weight and square of the weights, shape (cycles + 1, 3, 2, signs); the first
        row is where they stand, the others are filled.
    fade
        Shape (cycles, 2, signs).
    enters, here
        What is added, and where there is something, shape (cycles, signs).
    """
    factor = np.stack([fade, fade, fade * fade], axis=1).reshape(len(fade), -1)
    charts[1:] = np.stack([enters, here, here], axis=1)[:, :, None, :]
    flat = charts.reshape(len(charts), -1)  # a view: what is added to it is added to the charts
    kept = np.empty(flat.shape[1])
    for before, after, left in zip(flat[:-1], flat[1:], factor, strict=True):
        np.multiply(before, left, out=kept)
        after += kept


@dataclass(frozen=True)
class Before:
    """The two values before each row, and after the last."""

    newer: FloatArray
    """Shape (rows + 1, signs)."""
    older: FloatArray


def values_before(residual: FloatArray, here: BoolArray, last: FloatArray) -> Before:
    """Return the last two values of each sign before each row.

    Parameters
    ----------
    residual, here
        Values and whether they count, shape (rows, signs).
    last
        The two values before the first row, the newer first, shape (2, signs).
    """
    n = len(residual)
    values = np.concatenate([last[::-1], residual])  # rows 0 and 1 are the ones before
    place = np.where(here, np.arange(2, n + 2)[:, None], -1)
    start = np.ones((1, residual.shape[1]), dtype=np.int64)
    newest = np.maximum.accumulate(np.concatenate([start, place]), axis=0)
    # Before row i the newer is newest[i]; the older is what was newest before that came.
    earlier = np.concatenate([np.zeros((2, residual.shape[1]), dtype=np.int64), newest[:-1]])
    column = np.arange(residual.shape[1])[None, :]
    older = earlier[newest, column]
    return Before(values[newest, column], values[older, column])


def carried(values: FloatArray, here: BoolArray, before: FloatArray) -> FloatArray:
    """Return the newest value up to and with each row, shape (rows, signs)."""
    place = np.where(here, np.arange(1, len(values) + 1)[:, None], 0)
    newest = np.maximum.accumulate(place, axis=0)
    column = np.arange(values.shape[1])[None, :]
    return np.asarray(np.concatenate([before[None, :], values])[newest, column])
