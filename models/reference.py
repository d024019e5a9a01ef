"""What the fleet knows: slopes on circumstances, scatter and wander, by unit type.

Fitted at fixed calendar points (the start of each month, UTC) from cycles before
them only, so that a judgement never depends on what came later, and so that a
night in the middle of a month finds the same numbers as a replay.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .robust import mad_sd, nanmedian, ridge_huber
from .signs import AT_LEAST, NAMES, PRIOR_SLOPE_SD, PRIOR_SLOPES, SCATTER, WANDER

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BLOCK_DAYS: Final = 15.0
"""Rows are compared within a unit, program and block of this length, so that a unit's own
slow drift does not pass for a slope on something seasonal (design choice)."""

LEAST_ROWS: Final = 60
"""Fewer rows than this leave a sign's slopes at their prior."""

LEAST_UNITS: Final = 8
"""Fewer units than this leave scatter and wander at their shipped values."""

UNITS_SHRINK: Final = 8.0
"""Pseudo-units of the shipped wander in the fleet's own (design choice)."""

HIDDEN_ROWS: Final = 3
"""Rows of a block that stand at its very median: more than one are no measurement."""

ROWS_A_UNIT: Final = 120
"""Bound on the rows of a unit that a fit reads."""


@dataclass(frozen=True)
class Reference:
    """Slopes, scatter and wander of one unit type from one calendar point on."""

    point: str
    """The month, ``2026-03``, or ``shipped``."""
    slopes: FloatArray
    """Shape (circumstances, signs)."""
    scatter: FloatArray
    """Standard deviation from cycle to cycle, shape (signs,)."""
    wander: FloatArray
    """Standard deviation of healthy levels over weeks, shape (signs,)."""
    units: int = 0

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and numbers."""
        return {
            "point": self.point,
            "slopes": self.slopes.tolist(),
            "scatter": self.scatter.tolist(),
            "wander": self.wander.tolist(),
            "units": self.units,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Reference:
        """Read what ``to_json`` returned."""
        return cls(
            data["point"],
            np.array(data["slopes"]),
            np.array(data["scatter"]),
            np.array(data["wander"]),
            data["units"],
        )


SHIPPED: Final = Reference("shipped", PRIOR_SLOPES, SCATTER, WANDER)


def fit_reference(
    point: str,
    signs: FloatArray,
    circumstances: FloatArray,
    group: IntArray,
    levels: FloatArray,
) -> Reference:
    """Fit one type's reference.

    Parameters
    ----------
    point
        The calendar point.
    signs, circumstances
        Shapes (rows, signs) and (rows, circumstances); NaN where unknown.
    group
        Unit, program and block of each row, as a number, shape (rows,).
    levels
        Slow level of each unit's residuals at the point, shape (units, signs).
    """
    slopes, scatter = PRIOR_SLOPES.copy(), SCATTER.copy()
    if group.size:
        order = np.argsort(group, kind="stable")
        signs, circumstances, group = signs[order], circumstances[order], group[order]
        centred = _centre(np.where(np.isfinite(circumstances), circumstances, np.nan), group)
        centred = np.where(np.isfinite(centred), centred, 0.0)
        response = _unhidden(_centre(signs, group), group)
        for i in range(len(NAMES)):
            rows = np.flatnonzero(np.isfinite(response[:, i]))
            if rows.size < LEAST_ROWS:
                continue
            y, design = response[rows, i], centred[rows]
            slopes[:, i], _ = ridge_huber(
                design,
                y,
                PRIOR_SLOPES[:, i],
                PRIOR_SLOPE_SD[:, i],
                least_scale=float(SCATTER[i]) / 20.0,
                iterations=4,
            )
            # 1.1: centring on block medians takes out about a tenth of the scatter.
            scatter[i] = _within(1.1 * float(mad_sd(y - design @ slopes[:, i])), SCATTER[i])
    wander = fit_wander(levels)
    return Reference(point, slopes, scatter, wander, int(levels.shape[0]))


def fit_wander(levels: FloatArray) -> FloatArray:
    """Return the wander of healthy levels, shrunk to the shipped one, shape (signs,).

    Parameters
    ----------
    levels
        Slow level of each unit without a standing flag, NaN where unseen, shape
        (units, signs).
    """
    levels = np.where(AT_LEAST & (levels == 0.0), np.nan, levels)
    count = np.isfinite(levels).sum(axis=0)
    enough = count >= LEAST_UNITS
    spread = np.where(enough, mad_sd(levels, axis=0), 0.0) if len(levels) else 0.0 * WANDER
    seen = np.where(enough, count, 0)
    mixed = np.sqrt((seen * spread**2 + UNITS_SHRINK * WANDER**2) / (seen + UNITS_SHRINK))
    return np.asarray(np.clip(mixed, WANDER / 2.0, WANDER * 4.0))


def _within(value: float, shipped: float) -> float:
    """Keep a fitted spread within a factor of three below and four above the shipped one."""
    return float(np.clip(value, shipped / 3.0, shipped * 4.0))


def _unhidden(response: FloatArray, group: IntArray) -> FloatArray:
    """Leave out what coarse sampling hides: a time taken as its least does not scatter at all."""
    if not len(response):
        return response
    start = np.flatnonzero(np.diff(group, prepend=group[0] - 1))
    same = AT_LEAST & (response == 0.0)
    alike = np.repeat(np.add.reduceat(same, start), np.diff(start, append=group.size), axis=0)
    return np.where(same & (alike >= HIDDEN_ROWS), np.nan, response)


def _centre(values: FloatArray, group: IntArray) -> FloatArray:
    """Subtract each group's median; ``group`` is sorted."""
    out = np.empty_like(values)
    starts = np.flatnonzero(np.diff(group, prepend=group[0] - 1))
    ends = np.append(starts[1:], group.size)
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        block = values[start:end]
        if end - start < 4:  # too few rows to tell a level from a row
            out[start:end] = np.nan
        else:
            out[start:end] = block - nanmedian(block, axis=0)
    return out
