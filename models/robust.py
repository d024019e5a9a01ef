"""Location, scale and regression that a few odd cycles cannot move."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MAD_TO_SD: Final = 1.4826022185056018
"""1 / (normal quantile of 0.75): makes the median absolute deviation a standard deviation
for normal data (definition)."""

HUBER_C: Final = 1.345
"""Huber's tuning constant for 95 % efficiency at the normal (Huber 1981, from memory)."""


def mad_sd(values: ArrayLike, axis: int | None = None) -> FloatArray:
    """Return the median absolute deviation as a standard deviation; NaN are left out."""
    x = np.asarray(values, dtype=np.float64)
    if axis is None:
        kept = x[np.isfinite(x)]
        return np.asarray(_middle(np.abs(kept - _middle(kept))) * MAD_TO_SD)
    centre = np.expand_dims(nanmedian(x, axis=axis), axis)
    return np.asarray(nanmedian(np.abs(x - centre), axis=axis) * MAD_TO_SD)


def nanmedian(values: ArrayLike, axis: int | None = None) -> FloatArray:
    """Return the median without NaN, and NaN (silently) where nothing is left."""
    x = np.asarray(values, dtype=np.float64)
    finite = np.isfinite(x)
    if axis is None:
        return np.asarray(_middle(x[finite]))
    if x.shape[axis] == 0:
        return np.full(np.delete(np.asarray(x.shape), axis), np.nan)
    ordered = np.where(finite, x, np.nan)
    ordered.sort(axis=axis)  # NaN go last
    count = finite.sum(axis=axis)
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, x.shape[axis] - 1)
    if x.ndim == 2:  # as below, without building an index for each value
        other = np.arange(x.shape[1 - axis])
        at = ((low, other), (high, other)) if axis == 0 else ((other, low), (other, high))
        pair = ordered[at[0]] + ordered[at[1]]
    else:
        low, high = np.expand_dims(low, axis), np.expand_dims(high, axis)
        pair = np.take_along_axis(ordered, low, axis) + np.take_along_axis(ordered, high, axis)
        pair = pair.squeeze(axis)
    return np.asarray(np.where(count > 0, pair / 2.0, np.nan))


def _middle(kept: FloatArray) -> float:
    """Return the median of finite numbers, NaN of none; ``np.median`` asks more than it does."""
    if not kept.size:
        return np.nan
    low, high = (kept.size - 1) // 2, kept.size // 2
    part = np.partition(kept, [low, high] if low < high else low)
    return float((part[low] + part[high]) / 2.0) if low < high else float(part[low])


WINSOR_SHARE: Final = 0.1
"""Share of rows at each end that trimmed means and winsorised spreads pull in: three of
thirty, so that a couple of odd cycles do not count but a second mode of a feature does."""

WINSOR_SD: Final = 0.8238
"""Standard deviation of a normal variable winsorised at 10 % on each side: the root of
2 (integral of z^2 phi to z.90 plus 0.1 z.90^2), z.90 = 1.2816 (computed)."""


def trimmed_mean(values: ArrayLike) -> FloatArray:
    """Return the mean of each column without its ends, NaN left out, shape (columns,)."""
    out = np.full(np.shape(values)[1], np.nan)
    for at, kept in _ordered(values):
        cut = int(WINSOR_SHARE * kept.shape[1])
        out[at] = kept[:, cut : kept.shape[1] - cut].copy().mean(axis=1)
    return out


def winsorised_sd(values: ArrayLike) -> FloatArray:
    """Return each column's standard deviation, ends pulled in, NaN left out, (columns,).

    Unlike the median absolute deviation it does not go blind when a feature
    has two modes, one of them held by most rows.
    """
    out = np.full(np.shape(values)[1], np.nan)
    for at, kept in _ordered(values):
        count = kept.shape[1]
        if count < 3:
            continue
        cut = int(WINSOR_SHARE * count)
        pulled = np.clip(kept, kept[:, cut, None], kept[:, count - 1 - cut, None])
        out[at] = pulled.std(axis=1, ddof=1) / (WINSOR_SD if cut else 1.0)
    return out


def _ordered(values: ArrayLike) -> Iterator[tuple[IntArray, FloatArray]]:
    """Yield columns that have equally many values, and these in order, (columns, values)."""
    x = np.asarray(values, dtype=np.float64)
    ordered = np.sort(np.where(np.isfinite(x), x, np.nan).T, axis=1)  # NaN go last
    count = np.isfinite(ordered).sum(axis=1)
    for n in np.unique(count).tolist():
        if n:
            at = np.flatnonzero(count == n)
            yield at, ordered[at, :n].copy()


def ridge_huber(
    design: FloatArray,
    y: FloatArray,
    prior: FloatArray,
    prior_sd: FloatArray,
    *,
    scale: float | None = None,
    least_scale: float = 1e-6,
    iterations: int = 8,
) -> tuple[FloatArray, FloatArray]:
    """Fit ``y = design @ b`` by Huber's weights with a normal prior on ``b``.

    Iteratively reweighted least squares; the prior enters as one pseudo-row a
    coefficient, so a coefficient that the data do not tell keeps its prior and
    its prior's error (the case of a circumstance that is collinear with time).

    Parameters
    ----------
    design
        Shape (n, k), finite.
    y
        Shape (n,), finite.
    prior, prior_sd
        Prior mean and standard deviation of ``b``, shape (k,).
    scale
        Standard deviation of one row; by default re-estimated in each step.
    least_scale
        Floor of that estimate: rows of a channel's single step are not exact.

    Returns
    -------
    tuple of ndarray
        Coefficients and their standard errors, shape (k,).

    References
    ----------
    Huber, Robust Statistics (1981), section 7.8 (from memory).
    """
    b = np.asarray(prior, dtype=np.float64).copy()
    penalty = 1.0 / np.square(prior_sd)
    covariance = np.diag(np.square(prior_sd))
    if y.size == 0:
        return b, np.asarray(prior_sd, dtype=np.float64).copy()
    sigma = scale if scale is not None else max(float(mad_sd(y - design @ b)), least_scale)
    for _ in range(iterations):
        r = y - design @ b
        if scale is None:
            sigma = max(float(mad_sd(r)), least_scale)
        weight = 1.0 / np.maximum(np.abs(r) / (HUBER_C * sigma), 1.0)
        gram = (design * weight[:, None]).T @ design / sigma**2 + np.diag(penalty)
        right = design.T @ (weight * y) / sigma**2 + penalty * prior
        covariance = np.linalg.inv(gram)
        b = covariance @ right
    return b, np.asarray(np.sqrt(np.diag(covariance)))
