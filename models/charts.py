"""Control charts and what their limits cost: CUSUM and EWMA with run lengths.

The run lengths are solved from the charts' integral equations, so that a limit
is never a bare number: ``limit -> average run length`` can be computed for
independent normal residuals; tests/models/test_calibration.py simulates what the
judging's own limits do with autocorrelated, heavy-tailed ones. Judging runs its own
pair of charts (``chart_pair``); these are the yardstick.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

_NODES: Final = 80
"""Gauss-Legendre nodes; 60 reproduce the published tables to all printed digits."""


def cusum(x: ArrayLike, *, target: float, k: float, start: float = 0.0) -> FloatArray:
    """Return the upper one-sided CUSUM ``max(0, previous + x - target - k)``.

    The lower one is ``cusum(-x, target=-target, k=k)``.

    Parameters
    ----------
    x
        Shape (n,); a NaN leaves the sum as it is.
    target, k
        Healthy level and allowance, both in the unit of ``x``.
    start
        Head start.

    Returns
    -------
    ndarray
        Shape (n,).

    References
    ----------
    Montgomery and Runger, Applied Statistics and Probability for Engineers,
    section 16-10.
    """
    step = np.nan_to_num(np.asarray(x, dtype=np.float64) - target - k, nan=0.0)
    out = np.empty_like(step)
    level = start
    for i, value in enumerate(step.tolist()):
        level = max(0.0, level + value)
        out[i] = level
    return out


def cusum_onset(sums: ArrayLike) -> int:
    """Return the index of the first sample of the run above zero that ends the array.

    It is the chart's own estimate of when the shift began; the length of the
    array where the last sum is zero.
    """
    s = np.asarray(sums, dtype=np.float64)
    zeros = np.flatnonzero(s <= 0.0)
    return int(zeros[-1]) + 1 if zeros.size else 0


def ewma(x: ArrayLike, *, weight: float, start: float) -> FloatArray:
    """Return the exponentially weighted moving average, shape (n,); NaN are skipped."""
    out = np.empty(np.asarray(x).size)
    level = start
    for i, value in enumerate(np.asarray(x, dtype=np.float64).tolist()):
        if not math.isnan(value):
            level += weight * (value - level)
        out[i] = level
    return out


def ewma_limit(n: ArrayLike, *, weight: float, width: float, sd: float) -> FloatArray:
    """Return the half width of the EWMA's limits after ``n`` samples (exact, not asymptotic)."""
    grown = 1.0 - (1.0 - weight) ** (2.0 * np.asarray(n, dtype=np.float64))
    return np.asarray(width * sd * np.sqrt(weight / (2.0 - weight) * grown))


def cusum_arl(h: float, *, k: float, shift: float = 0.0, two_sided: bool = True) -> float:
    """Return the zero-state average run length of a CUSUM on independent N(shift, 1).

    References
    ----------
    Page 1954; Goel and Wu 1971 (integral equation, from memory); combined as
    1/ARL = 1/ARL+ + 1/ARL-.
    """
    upper = _one_sided_cusum_arl(h, k, shift)
    if not two_sided:
        return upper
    return 1.0 / (1.0 / upper + 1.0 / _one_sided_cusum_arl(h, k, -shift))


def ewma_arl(width: float, *, weight: float, shift: float = 0.0) -> float:
    """Return the zero-state average run length of a two-sided EWMA, asymptotic limits.

    References
    ----------
    Crowder 1987; Lucas and Saccucci 1990 (integral equation, from memory).
    """
    edge = width * math.sqrt(weight / (2.0 - weight))
    node, mass = np.polynomial.legendre.leggauss(_NODES)
    node, mass = edge * node, edge * mass
    kernel = _normal_pdf((node[None, :] - (1 - weight) * node[:, None]) / weight - shift)
    solved = np.linalg.solve(np.eye(_NODES) - kernel * mass[None, :] / weight, np.ones(_NODES))
    at_zero = _normal_pdf(node / weight - shift) * mass / weight
    return float(1.0 + at_zero @ solved)


def _one_sided_cusum_arl(h: float, k: float, shift: float) -> float:
    node, mass = np.polynomial.legendre.leggauss(_NODES)
    node, mass = h * (node + 1.0) / 2.0, h * mass / 2.0
    # Unknowns: the run length from zero, then from each node.
    system = np.eye(_NODES + 1)
    at = np.concatenate([[0.0], node])
    system[:, 0] -= _normal_cdf(k - shift - at)
    system[:, 1:] -= _normal_pdf(node[None, :] - at[:, None] + k - shift) * mass[None, :]
    return float(np.linalg.solve(system, np.ones(_NODES + 1))[0])


def _normal_pdf(x: FloatArray) -> FloatArray:
    return np.asarray(np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi))


def _normal_cdf(x: FloatArray) -> FloatArray:
    return np.asarray([0.5 * math.erfc(-v / math.sqrt(2.0)) for v in x.tolist()])
