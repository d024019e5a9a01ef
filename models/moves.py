"""What moves a unit's healthy level: another logger, and repairs that are found good."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from .baseline import AGREE
from .diagnosis import match
from .plain import array
from .reference import Reference
from .robust import nanmedian
from .signatures import (
    DIRECTIONS,
    SERVICE_FLOOR,
    SIGNATURES,
    TWO_SIDED,
    WATCH_FLOOR,
    signs_of_part,
)
from .signs import NAMES

if TYPE_CHECKING:
    from .tracker import Tracker

FloatArray = NDArray[np.float64]

DESIGN_EFFECT: Final = 2.0
"""Variance of a mean of cycles over that of independent ones: AR(1) of 1/3 between cycles
gives (1 + r)/(1 - r) = 2 (healthy tuning fleets: 0.1 to 0.4)."""

_COUNT: Final = len(NAMES)
_DIRECTION_TOUCHES = DIRECTIONS != 0.0


@dataclass(frozen=True)
class Settled:
    """A repair that has been compared with the healthy level."""

    row: int
    """Row at which it was settled."""
    part: str
    agrees: bool
    since: float


def finish_splice(state: Tracker) -> None:
    """Take the step between both sides of a logger change as a shift."""
    after, before = array(state.splice), array(state.before).reshape(-1, _COUNT)
    behind = np.isfinite(after).sum(axis=0), np.isfinite(before).sum(axis=0)
    # Without cycles on the earlier side the new level is all there is.
    earlier = np.where(behind[1] >= 3, nanmedian(before, axis=0), 0.0)
    step = nanmedian(after, axis=0) - earlier
    known = np.isfinite(step) & (behind[0] >= 3)
    count = np.where(
        behind[1] >= 3,
        1.0 / (1.0 / np.maximum(behind[0], 1) + 1.0 / np.maximum(behind[1], 1)),
        behind[0],
    )
    state.baseline.shift = np.where(known, state.baseline.shift + step, state.baseline.shift)
    state.baseline.shift_count = np.where(known, count, state.baseline.shift_count)
    state.baseline.epoch += 1
    state.splice = None
    state.before = []


def settle(state: Tracker, scale: FloatArray, reference: Reference, row: int) -> list[Settled]:
    """Compare repairs that have enough cycles with the healthy level."""
    done = [w for w in state.pending if len(w["rows"]) >= AGREE]
    if not done:
        return []
    state.pending = [w for w in state.pending if len(w["rows"]) < AGREE]
    settled = []
    for waiting in done:
        part = waiting["part"]
        block = array(waiting["rows"])
        with_values = np.isfinite(block).sum(axis=0)
        level = np.where(with_values >= 3, nanmedian(block, axis=0), np.nan)
        variance = scale**2 * DESIGN_EFFECT / np.maximum(with_values, 1) + reference.wander**2
        found = match(level[None, :], variance[None, :])
        sick = np.array(
            [
                abs(s) if sig.two_sided else s
                for s, sig in zip(found.size[0], SIGNATURES, strict=True)
            ]
        )
        strong = np.where(np.abs(found.t[0]) > 2.0, sick / WATCH_FLOOR, 0.0)
        strong[_set_back(found.size[0], waiting["was"], variance)] = 0.0
        own = np.array([s.part == part for s in SIGNATURES])
        agrees = not bool((strong[own] >= 1.0).any())
        touched = signs_of_part(part)
        if agrees and touched:
            others = _DIRECTION_TOUCHES[:, touched].any(axis=1)
            if not bool((strong[others] >= 1.0).any()):
                _rebase(state, touched, level, with_values)
        settled.append(Settled(row, part, agrees, float(waiting["since"])))
    return settled


def _set_back(size: FloatArray, was: FloatArray, variance: FloatArray) -> NDArray[np.bool_]:
    """Return which changes are the end of an adjustment and not the fault, shape (signatures,).

    What can be off either way and was off one way before the work comes back to where its
    adjustment puts it, which need not be where it was when it was first seen. Nearer than
    what would call for a visit and on the other side, it is a new level.
    """
    before = match(was[None, :], variance[None, :])
    other_side = before.size[0] * size < 0.0
    seen = np.abs(before.t[0]) > 2.0
    return np.asarray(TWO_SIDED & other_side & seen & (np.abs(size) < SERVICE_FLOOR))


def _rebase(
    state: Tracker, touched: list[int], level: FloatArray, count: NDArray[np.int64]
) -> None:
    """Open an epoch: the level after the repair is the new healthy level."""
    for i in touched:
        if math.isfinite(level[i]):
            state.baseline.shift[i] += level[i]
            state.baseline.shift_count[i] = count[i]
        state.charts[:, :, i] = 0.0
    state.baseline.epoch += 1
