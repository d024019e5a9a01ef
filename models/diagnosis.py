"""From moved signs to a part: one matched filter a signature.

The level of each sign has moved by ``delta``. Its covariance is the noise of
the level, the wander of healthy units, and the nuisances that move several
signs together (load, mains, room, weather). Under that covariance ``V``, the
size of a signature ``d`` is estimated by generalised least squares, and

    T = d' V^-1 delta / sqrt(d' V^-1 d)

is its size in standard errors: a load shift moves P/C and L/C alike and is
projected out, a weak heater is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .signatures import DIRECTIONS, LOAD, NEEDS, NUISANCE_DIRECTIONS, NUISANCE_SD, TWO_SIDED

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Match:
    """How well each signature explains each row."""

    t: FloatArray
    """Size in standard errors, signed, shape (rows, signatures); 0 where unseen."""
    size: FloatArray
    """Size in the signature's own unit, same shape."""
    chi2: FloatArray
    """All that is to be explained, shape (rows,)."""
    information: FloatArray
    """d' V^-1 d, shape (rows, signatures)."""


def match(
    delta: FloatArray,
    variance: FloatArray,
    directions: FloatArray = DIRECTIONS,
    load_sd: FloatArray | None = None,
) -> Match:
    """Match every signature to every row.

    Parameters
    ----------
    delta
        Change of each sign, shape (rows, signs); NaN where unseen.
    variance
        Its variance without the nuisances, same shape.
    directions
        Shape (signatures, signs).
    load_sd
        Week-to-week size of the load in each row, shape (rows,), where it is known.
    """
    seen = np.isfinite(delta) & np.isfinite(variance)
    weight = np.where(seen, 1.0 / np.where(seen, variance, 1.0), 0.0)
    d = np.where(seen, delta, 0.0)
    solve = _Solver(weight, load_sd)
    right = solve.apply(d)
    # einsum and no BLAS: a row's result must not depend on its batch.
    score = np.einsum("ij,kj->ik", right, directions)
    information = solve.quadratics(directions)
    if directions is DIRECTIONS:
        # Counts are exact in any order, so BLAS may count.
        lacking = _NEEDY & (seen.astype(np.float64) @ _NEEDED < 0.5)
        information = np.where(lacking, 0.0, information)
    safe = np.where(information > 1e-9, information, np.inf)
    return Match(
        score / np.sqrt(safe),
        score / safe,
        np.einsum("ij,ij->i", d, right),
        information,
    )


def conditional(delta: FloatArray, variance: FloatArray) -> FloatArray:
    """Return each sign's deviation given all others, in standard errors, shape (rows, signs).

    ``(V^-1 delta)_f / sqrt((V^-1)_ff)``: what is left of a sign once the others
    and the nuisances have had their say. NaN where unseen.
    """
    seen = np.isfinite(delta) & np.isfinite(variance)
    weight = np.where(seen, 1.0 / np.where(seen, variance, 1.0), 0.0)
    solve = _Solver(weight)
    right = solve.apply(np.where(seen, delta, 0.0))
    diagonal = weight - np.einsum("ijk,ikl,ijl->ij", solve.wn, solve.inner, solve.wn)
    return np.where(seen, right / np.sqrt(np.where(diagonal > 1e-12, diagonal, np.inf)), np.nan)


def likeness(delta: FloatArray, variance: FloatArray) -> FloatArray:
    """Return how much of all movement points a signature's way, shape (signatures,), -1 to 1.

    The cosine between signs and signature in standard errors. Nuisances have no say: that
    something is wrong has been found by then, and the question is what it looks like.

    Parameters
    ----------
    delta, variance
        Change of each sign and its variance, shape (signs,); NaN where unseen.
    """
    seen = np.isfinite(delta) & np.isfinite(variance)
    sd = np.sqrt(np.where(seen, variance, 1.0))
    z = np.where(seen, delta, 0.0) / sd
    way = np.where(seen, DIRECTIONS, 0.0) / sd
    length = np.sqrt(np.square(way).sum(axis=1) * np.square(z).sum())
    cosine = (way * z).sum(axis=1) / np.where(length > 0.0, length, np.inf)
    lacking = _NEEDY & ~(NEEDS & seen).any(axis=1)
    return np.asarray(np.where(lacking, 0.0, np.where(TWO_SIDED, np.abs(cosine), cosine)))


class _Solver:
    """Apply V^-1 for ``V = diag(1 / weight) + N S N'`` by Woodbury's identity, row by row."""

    def __init__(self, weight: FloatArray, load_sd: FloatArray | None = None) -> None:
        self.weight = weight
        self.wn = weight[:, :, None] * NUISANCE_DIRECTIONS.T[None, :, :]
        inner = _PAIRS.sums(weight).reshape(-1, _N, _N) + _PRIOR
        if load_sd is not None:
            inner[:, LOAD, LOAD] += 1.0 / load_sd**2 - _PRIOR[LOAD, LOAD]
        self.inner = np.linalg.inv(inner)

    def apply(self, x: FloatArray) -> FloatArray:
        """Return V^-1 x, shape (rows, signs)."""
        part = np.einsum("ijk,ij->ik", self.wn, x)
        inside = np.einsum("ikl,il->ik", self.inner, part)
        return np.asarray(self.weight * x - np.einsum("ijk,ik->ij", self.wn, inside))

    def quadratics(self, directions: FloatArray) -> FloatArray:
        """Return d' V^-1 d of each direction, shape (rows, directions)."""
        if directions is DIRECTIONS:
            squares, part = _SQUARES, _MIXED.sums(self.weight)
            shares = _SHARES
        else:
            squares, part = directions**2, np.einsum("ij,mj->im", self.weight, _mixed(directions))
            shares = np.arange(len(directions))
        quadratic = np.einsum("ij,kj->ik", self.weight, squares)
        # A direction that shares no sign with a nuisance keeps what it has.
        part = part.reshape(len(quadratic), -1, _N).take(shares, axis=1)
        inside = np.einsum("inm,ikm->ikn", self.inner, part)
        quadratic[:, shares] -= np.einsum("ikn,ikn->ik", part, inside)
        return np.asarray(quadratic)


class _Sums:
    """Weighted sums over signs, by rows of factors most of which are zero or stand there twice.

    Each distinct row is summed once, with no BLAS: a result must not depend on its batch.
    """

    def __init__(self, factors: FloatArray) -> None:
        filled = factors.any(axis=1)
        self.factors, place = np.unique(factors[filled], axis=0, return_inverse=True)
        self.place = np.full(len(factors), len(self.factors))  # the last column is zero
        self.place[filled] = place.ravel()

    def sums(self, weight: FloatArray) -> FloatArray:
        """Return the sums of each row of weights, shape (rows, factors)."""
        out = np.zeros((len(weight), len(self.factors) + 1))
        np.einsum("ij,mj->im", weight, self.factors, out=out[:, :-1])
        return out.take(self.place, axis=1)


def _mixed(directions: FloatArray) -> FloatArray:
    """Return the products of each direction with each nuisance, shape (n * nuisances, signs)."""
    products = directions[:, None, :] * NUISANCE_DIRECTIONS[None, :, :]
    return products.reshape(-1, directions.shape[1])


_N: Final = len(NUISANCE_SD)
_PAIRS: Final = _Sums(_mixed(NUISANCE_DIRECTIONS))
_PRIOR: Final = np.diag(1.0 / NUISANCE_SD**2)
_SQUARES: Final = DIRECTIONS**2
_MIXED: Final = _Sums(_mixed(DIRECTIONS))
_SHARES: Final = np.flatnonzero(
    _mixed(DIRECTIONS).any(axis=1).reshape(len(DIRECTIONS), _N).any(axis=1)
)
_NEEDY: Final = NEEDS.any(axis=1)
_NEEDED: Final = NEEDS.T.astype(np.float64)
