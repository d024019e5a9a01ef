"""How far each signature stands out of a row of the charts, and from where on it counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .diagnosis import match
from .signatures import (
    DIRECTIONS,
    DROOPS,
    HEAT,
    LESS_TO_HEAT,
    LOAD,
    NUISANCE_DIRECTIONS,
    NUISANCE_SD,
    SERVICE_FLOOR,
    SIGNATURE_PARTS,
    SIGNATURES,
    TWO_SIDED,
    WATCH_FLOOR,
)
from .signs import INDEX

FloatArray = NDArray[np.float64]

WATCH_T: Final = 3.0
SERVICE_T: Final = 4.0
KEEP_T: Final = 2.0
"""Size of a signature in standard errors to open a watch, to call for service, and to go on
supporting an open flag. By simulation of all signs with AR(1) of 1/3, Student's t with 4 degrees
of freedom, the shipped wander and nuisances, with the floors and with what is asked less where
signs agree (tests/models/test_calibration.py): 4.0 gives 0.15 false service flags a unit-year,
the design's, and 3.0 gives 0.6 to 0.7 watches. The third is a design choice."""

LONE_T: Final = 0.8
SUPPORT_Z: Final = 2.0
"""What is asked more of a signature that fewer than two signs support by so many standard
errors: one sign alone is easily moved by something else (design choice)."""
_MOVES: Final = DIRECTIONS != 0.0
_SHARED: Final = _MOVES.sum(axis=0) + (NUISANCE_DIRECTIONS != 0.0).sum(axis=0) > 1
SOLE: Final = (_MOVES.sum(axis=1) == 1) & ~_MOVES[:, _SHARED].any(axis=1)
"""Signatures of one sign that no other part and no circumstance moves: nothing can agree with it,
and nothing else explains it (a vacuum break that slows is the filter's)."""

SCREEN_Z: Final = 1.3
"""Rows where no sign is out by this much cannot reach a watch in any signature."""
MISFIT: Final = 0.5
"""A fault's signs may differ from its signature by this share (units differ)."""
SECOND_WATCH_T: Final = 1.5
SECOND_SERVICE_T: Final = 2.0
"""More standard errors that a second fault beside a known one has to show: what a signature
does not fit is not another fault (set on tuning fleets)."""

FAR_T: Final = 4.0
FLOOR_LEAST: Final = 0.5
"""A floor says what a technician would want to know of a change that is barely certain. What is
certain by twice as much and more is out of all healthy wander, and worth it at half of the floor;
in between by straight line, from a severity's own limit over so many more standard errors (set on
tuning fleets: a controller's swing was out by fourteen standard errors while it was below its
floor, and cycles failed)."""
WHOLE_FLOOR: Final = np.array(
    [s.part == "pressure_sensor" or "boiling" in s.changes for s in SIGNATURES]
)
FLOOR_PART: Final = np.where(WHOLE_FLOOR, 1.0, FLOOR_LEAST)
"""Not so a pressure channel: what it is off by counts against its uncertainty and the weather. Nor
a share of cycles: a pause that is seen less often says more about how well it is seen."""

AGREE_SIGNS: Final = 3
AGREE_T: Final = 0.2
"""What is asked less for a visit where so many signs moved a signature's way: so much that the
simulation keeps the budget of false flags: over 480 unit-years of either kind 0.10 a unit-year
without it, 0.15 with it and 0.17 with 0.4."""

BACKED_T: Final = 2.5
"""Standard errors by which heating alone has to show a part whose plateau droops with it, beside
the floor of its size (design choice)."""

K: Final = len(SIGNATURES)
_RISES: Final = (DIRECTIONS.T > 0.0).astype(np.float64)
_FALLS: Final = (DIRECTIONS.T < 0.0).astype(np.float64)


@dataclass(frozen=True)
class Scores:
    """Each signature at each row, the better of both charts."""

    t: FloatArray
    """Standard errors, never negative for two-sided signatures, shape (rows, signatures)."""
    size: FloatArray
    """Signed size, same shape."""
    chart: NDArray[np.int64]
    """0 the short, 1 the long chart, same shape."""
    seen: NDArray[np.bool_]
    """Rows that were scored; others are quiet, shape (rows,)."""
    support: NDArray[np.int64]
    """Signs that moved the signature's way by ``SUPPORT_Z``, shape (rows, signatures)."""


LIGHTER_SHARE: Final = 0.7
LEAST_LOAD_SD: Final = 0.015
"""A load can't be lighter than none. What a unit's loads differ by shows in its rates from cycle
to cycle: even loads put the empty chamber 1.7 standard deviations from the mean, which is taken as
2.5 of the load's own (design choice). Rates that rose by more have less water to heat. The least
is what rates of healthy units wander by, all the same."""
_RATES: Final = [INDEX[n] for n in ("power", "loss", "heat_rate", "heat_rate_pressurised")]


def score_rows(
    delta: FloatArray,
    variance: FloatArray,
    ready: NDArray[np.bool_],
    scale: FloatArray | None = None,
) -> Scores:
    """Match all signatures to all rows that are out of the ordinary.

    Parameters
    ----------
    delta, variance
        Shape (rows, 2, signs).
    ready
        Rows whose charts may speak.
    scale
        Scatter of each sign from cycle to cycle, shape (rows, signs), where it is known.
    """
    n = len(delta)
    z = np.abs(np.where(np.isfinite(delta), delta, 0.0)) / np.sqrt(variance)
    seen = ready & (z.max(axis=(1, 2)) > SCREEN_Z) if n else ready
    t, size = np.zeros((n, K)), np.zeros((n, K))
    chart = np.zeros((n, K), dtype=np.int64)
    support = np.zeros((n, K), dtype=np.int64)
    at = np.flatnonzero(seen)
    if at.size:
        # Both charts in one batch: the rows of the short one, then those of the long one.
        moved, spread = (np.concatenate([x[at, 0], x[at, 1]]) for x in (delta, variance))
        found = matched(moved, spread)
        counts = supporting(moved, spread, found[1])
        if scale is not None:
            _bound_lighter(found, counts, moved, spread, np.concatenate([scale[at], scale[at]]))
        counts = counts.reshape(2, -1, K)
        both, sizes = (x.reshape(2, -1, K) for x in found)
        best = both.argmax(axis=0)
        t[at] = np.round(np.take_along_axis(both, best[None], 0)[0], 6)
        size[at] = np.round(np.take_along_axis(sizes, best[None], 0)[0], 9)
        support[at] = np.take_along_axis(counts, best[None], 0)[0]
        chart[at] = best
    return Scores(t, size, chart, seen, support)


def _bound_lighter(
    found: tuple[FloatArray, FloatArray],
    counts: NDArray[np.int64],
    delta: FloatArray,
    variance: FloatArray,
    scale: FloatArray,
) -> None:
    """Match low water again where rates rose, with no more of it laid to the load than there is.

    ``found`` are t and size, changed in place; arrays of shape (rows, signatures or signs).
    """
    least = np.where(np.isfinite(delta[:, _RATES]), scale[:, _RATES], np.inf).min(axis=1)
    sd = np.maximum(LIGHTER_SHARE * least, LEAST_LOAD_SD)
    water = list(LESS_TO_HEAT)
    up = (found[1][:, water] > 0.0) & (counts[:, water] >= AGREE_SIGNS)
    at = np.flatnonzero(up.any(axis=1) & (sd < NUISANCE_SD[LOAD]))
    if not at.size:
        return
    again = match(delta[at], variance[at], load_sd=sd[at])
    for k in water:
        found[0][at, k], found[1][at, k] = again.t[:, k], again.size[:, k]


def matched(delta: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return t, never negative for two-sided signatures, and signed size, (rows, signatures)."""
    found = match(delta, variance)
    return np.where(TWO_SIDED, np.abs(found.t), found.t), found.size.copy()


def supporting(delta: FloatArray, variance: FloatArray, size: FloatArray) -> NDArray[np.int64]:
    """Count the signs that moved each signature's way, shape (rows, signatures)."""
    z = np.where(np.isfinite(delta), delta, 0.0) / np.sqrt(variance)
    # Small counts are exact as floats, and BLAS multiplies no integers.
    up, down = (z >= SUPPORT_Z).astype(np.float64), (z <= -SUPPORT_Z).astype(np.float64)
    with_it = up @ _RISES + down @ _FALLS
    against = up @ _FALLS + down @ _RISES
    return np.where(size >= 0.0, with_it, against).astype(np.int64)


def eligible(
    t: FloatArray,
    size: FloatArray,
    support: NDArray[np.int64],
    severity: str,
    share: FloatArray | float = 1.0,
) -> NDArray[np.bool_]:
    """Return which signatures are both significant and large enough to matter.

    ``share`` is the part of its floor that each has to reach (``limits_of_size.floor_share``).
    """
    limit, floor = (WATCH_T, WATCH_FLOOR) if severity == "watch" else (SERVICE_T, SERVICE_FLOOR)
    agreed = AGREE_T if severity == "service" else 0.0
    alone = np.where((support >= 2) | SOLE, 0.0, LONE_T)
    needed = limit + np.where(support >= AGREE_SIGNS, -agreed, alone)
    beyond = np.clip((t - needed) / FAR_T, 0.0, 1.0)
    least = share * floor * (1.0 - beyond * (1.0 - FLOOR_PART))
    large = np.where(TWO_SIDED, np.abs(size), size) >= least
    ready = np.asarray((t >= needed) & large)
    return np.asarray(ready & backed(t, size, floor))


def backed(t: FloatArray, size: FloatArray, floor: FloatArray) -> NDArray[np.bool_]:
    """Return which signatures are not of a drooping plateau, or have heating show them too.

    Too little heat never counts by its droop: low mains let the plateau sink as far, and then the
    size of what heating shows says whether it matters. It only names what else calls.
    """
    out = np.ones(t.shape, dtype=np.bool_)
    heat = list(HEAT)
    shown = ((t[..., heat] >= BACKED_T) & (size[..., heat] >= floor[heat])).any(axis=-1)
    best = t[..., list(DROOPS)].max(axis=-1)
    for k in DROOPS:
        lost = SIGNATURE_PARTS[k] == "door_seal"
        out[..., k] = shown & (t[..., k] >= best) if lost else False
    return out


def remainder(
    delta: FloatArray, variance: FloatArray, explained: list[tuple[int, float]]
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]] | None:
    """Score one row after faults of given sizes are taken off; None where too little is left.

    Parameters
    ----------
    delta, variance
        Shape (signs,).
    explained
        Signature and size of each fault that is known.

    Returns
    -------
    tuple of ndarray
        t, size and support of every signature, shape (signatures,); None where none of them
        can open a flag beside the faults that are known.
    """
    left, spread = delta.copy(), variance.copy()
    for k, size in explained:
        change = DIRECTIONS[k] * size
        left = left - change
        spread = spread + np.square(MISFIT * change)
    # No signature can reach a larger T than all signs together do; T is rounded to 1e-6.
    z2 = np.square(left) / spread
    if z2[np.isfinite(z2)].sum() < (WATCH_T + SECOND_WATCH_T - 1e-5) ** 2:
        return None
    t, sizes = matched(left[None, :], spread[None, :])
    support = supporting(left[None, :], spread[None, :], sizes)[0]
    return np.round(t[0], 6), np.round(sizes[0], 9), support
