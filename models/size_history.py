"""The size of one signature day by day: where change points and forecasts come from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .diagnosis import match
from .signatures import DIRECTIONS

FloatArray = NDArray[np.float64]


def daily_size(
    days: FloatArray, scale: FloatArray, wander: FloatArray, signature: int
) -> tuple[FloatArray, FloatArray]:
    """Return days and the signature's size on each, both of shape (n,).

    Parameters
    ----------
    days
        Rows of day and mean residual a sign, shape (n, 1 + signs).
    scale, wander
        Scatter from cycle to cycle and healthy wander, shape (signs,).
    signature
        Index of the signature.
    """
    if not len(days):
        return np.empty(0), np.empty(0)
    delta = days[:, 1:]
    variance = np.broadcast_to(scale**2 + wander**2, delta.shape)
    found = match(delta, variance, DIRECTIONS[signature][None, :])
    seen = found.information[:, 0] > 1e-9
    return days[seen, 0], found.size[seen, 0]
