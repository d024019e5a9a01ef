"""Small steps on arrays, of which a cycle takes hundreds: numpy's general forms cost more in
their wrappers than in their work on some thousand samples."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .samples import FloatArray


def true_at(mask: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return the indices at which a mask of shape (n,) is true."""
    return mask.nonzero()[0]


def diff(values: NDArray[Any]) -> NDArray[Any]:
    """Return the differences of neighbours, shape (n - 1,)."""
    between: NDArray[Any] = values[1:] - values[:-1]
    return between


def mean_of(values: FloatArray) -> float:
    """Return the mean of values of shape (n,), n at least 1."""
    return float(np.add.reduce(values)) / len(values)


def share_of(mask: NDArray[np.bool_]) -> float:
    """Return the share of a mask of shape (n,), n at least 1, that is true."""
    return int(np.count_nonzero(mask)) / len(mask)


def nth(values: FloatArray, k: int) -> float:
    """Return the value that ``k`` of the others are no greater than."""
    ordered = values.copy()
    ordered.partition(k)
    return float(ordered[k])


def quantile(values: FloatArray, share: float) -> float:
    """Return a quantile of finite values, by straight lines between their ranks."""
    place = share * (len(values) - 1)
    k = min(int(place), max(len(values) - 2, 0))
    ordered = values.copy()
    ordered.partition((k, min(k + 1, len(values) - 1)))
    low, high = float(ordered[k]), float(ordered[min(k + 1, len(values) - 1)])
    return low + (place - k) * (high - low)
