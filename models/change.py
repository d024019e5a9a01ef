"""When a drift began: one change, a step or a bend, with an interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .robust import MAD_TO_SD

FloatArray = NDArray[np.float64]

INTERVAL_MASS: Final = 0.8
"""Mass of the change point's interval (the schema's 10 to 90 %)."""


@dataclass(frozen=True)
class Change:
    """One change of a series."""

    index: int
    """First sample after the change."""
    low: int
    high: int
    """Ends of the 80 % interval of ``index``."""
    kind: str
    """``step`` or ``bend``."""
    gain: float
    """Twice the log-likelihood gained over no change."""


def change_point(
    t: ArrayLike, y: ArrayLike, *, least: int = 3, kinds: tuple[str, ...] = ("step", "bend")
) -> Change | None:
    """Return the likeliest single change of level or of slope.

    Each place is fitted by least squares as a step (level before and after) and
    as a bend (level before, line after, continuous); all places are tried, none
    is skipped. The interval comes from the places' likelihoods under a flat
    prior, with the noise of the best fit.

    Parameters
    ----------
    t, y
        Times and values, shape (n,), in order; rows with NaN are left out.
    least
        Fewest samples on either side.

    Returns
    -------
    Change or None
        Indices count the rows that were kept; None with fewer than
        ``2 * least`` of them.
    """
    time: FloatArray = np.asarray(t, dtype=np.float64)
    value: FloatArray = np.asarray(y, dtype=np.float64)
    keep = np.isfinite(time) & np.isfinite(value)
    time, value = time[keep], value[keep]
    n = value.size
    if n < 2 * least:
        return None
    places = np.arange(least, n - least + 1)
    none = float(np.square(value - value.mean()).sum())
    errors = np.stack([_errors(time, value, places, kind) for kind in kinds])
    best = errors.min()
    # Differences of neighbours keep the noise estimate free of the change itself.
    step_sd = float(np.median(np.abs(np.diff(value)))) * MAD_TO_SD / math.sqrt(2.0)
    variance = max(best / max(n - 3, 1), step_sd**2, 1e-18)
    likelihood = np.exp(-(errors - best) / (2.0 * variance)).sum(axis=0)
    mass = np.cumsum(likelihood) / likelihood.sum()
    tail = (1.0 - INTERVAL_MASS) / 2.0
    kind, place = np.unravel_index(int(errors.argmin()), errors.shape)
    last = places.size - 1
    low = int(places[min(int(np.searchsorted(mass, tail)), last)])
    high = int(places[min(int(np.searchsorted(mass, 1.0 - tail)), last)])
    index = int(places[place])
    return Change(
        index,
        min(low, index),
        max(high, index),
        kinds[int(kind)],
        (none - float(best)) / variance,
    )


def _errors(t: FloatArray, y: FloatArray, places: NDArray[np.int64], kind: str) -> FloatArray:
    """Return the sum of squares left for each place."""
    n = y.size
    if kind == "step":
        total, square = np.cumsum(y), np.cumsum(y * y)
        left, right = places.astype(np.float64), n - places.astype(np.float64)
        before, after = total[places - 1], total[-1] - total[places - 1]
        return np.asarray(square[-1] - before**2 / left - after**2 / right)
    # All places at once, shape (places, n): a series has at most some months of days.
    ramp = np.maximum(t - t[places - 1, None], 0.0)
    centred = ramp - ramp.mean(axis=1, keepdims=True)
    spread = np.square(centred).sum(axis=1)
    along = (centred * y).sum(axis=1)
    fall = along**2 / np.where(spread > 0.0, spread, np.inf)
    return np.asarray(np.square(y - y.mean()).sum() - fall)
