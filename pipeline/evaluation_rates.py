"""Rates of false flags with exact bounds, and what chance alone would hit."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

DAYS_PER_YEAR = 365.25

Span = tuple[float, float]
"""Start and end in days on one clock."""


@dataclass(frozen=True)
class FlagRate:
    """Flags counted over a stretch of unit-years."""

    where: str
    severity: str
    units: int
    unit_years: float
    flags: int
    per_unit_year: float | None
    """None without unit-years."""
    upper: float | None
    """One-sided upper bound of the rate, exact Poisson."""
    designed: float | None = None
    """What the budgets promise."""


def poisson_cdf(count: int, mean: float) -> float:
    """Return the probability of at most ``count`` events at a Poisson ``mean``."""
    if mean <= 0.0:
        return 1.0
    logs = [k * math.log(mean) - math.lgamma(k + 1) for k in range(count + 1)]
    top = max(logs)
    return min(1.0, math.exp(top - mean) * math.fsum(math.exp(x - top) for x in logs))


def poisson_upper(count: int, confidence: float = 0.95) -> float:
    """Return the exact one-sided upper bound of a Poisson mean.

    Parameters
    ----------
    count
        Events seen, 0 or more.
    confidence
        One-sided confidence, between 0 and 1.

    Returns
    -------
    float
        The mean at which ``count`` or fewer events have probability
        ``1 - confidence``; equal to half the chi-squared quantile with
        ``2 * (count + 1)`` degrees of freedom.

    Raises
    ------
    ValueError
        If the count is negative or the confidence is not between 0 and 1.

    References
    ----------
    Garwood, F. (1936), Fiducial limits for the Poisson distribution,
    Biometrika 28, 437-442 (from memory).
    """
    if count < 0 or not 0.0 < confidence < 1.0:
        raise ValueError(f"count must be >= 0 and confidence in (0, 1): {count}, {confidence}")
    low, high = 0.0, count + 10.0
    while poisson_cdf(count, high) > 1.0 - confidence:
        high *= 2.0
    for _ in range(200):
        middle = 0.5 * (low + high)
        if poisson_cdf(count, middle) > 1.0 - confidence:
            low = middle
        else:
            high = middle
        if high - low <= 1e-12 * high:
            break
    return 0.5 * (low + high)


def poisson_lower(count: int, confidence: float = 0.95) -> float:
    """Return the exact one-sided lower bound of a Poisson mean; see ``poisson_upper``."""
    return poisson_upper(count - 1, 1.0 - confidence) if count else 0.0


def rate(
    where: str,
    severity: str,
    *,
    units: int,
    unit_days: float,
    flags: int,
    confidence: float = 0.95,
    designed: float | None = None,
) -> FlagRate:
    """Return flags per unit-year with the upper bound of the rate."""
    years = unit_days / DAYS_PER_YEAR
    known = years > 0.0
    return FlagRate(
        where,
        severity,
        units,
        years,
        flags,
        flags / years if known else None,
        poisson_upper(flags, confidence) / years if known else None,
        designed,
    )


def merged(spans: Iterable[Span]) -> list[Span]:
    """Return the spans sorted, with those that touch joined and empty ones left out."""
    result: list[Span] = []
    for start, end in sorted(s for s in spans if s[1] > s[0]):
        if result and start <= result[-1][1]:
            result[-1] = (result[-1][0], max(result[-1][1], end))
        else:
            result.append((start, end))
    return result


def total(spans: Iterable[Span]) -> float:
    """Return the summed length of spans that don't overlap."""
    return float(sum(end - start for start, end in spans))


def chance_of_a_flag(
    length: float, spans: Mapping[str, Span], flags: Mapping[str, Sequence[float]]
) -> float | None:
    """Return the share of windows on healthy units that hold a flag.

    Parameters
    ----------
    length
        Length of the window [days].
    spans
        Data span of each healthy unit [days].
    flags
        Times of the flags of each unit [days], all of them false.

    Returns
    -------
    float or None
        Over every position of the window inside every span, exactly (by
        measure, not by drawing); None where no span is that long.
    """
    room = held = 0.0
    for unit, (start, end) in spans.items():
        last = end - length
        if last <= start:
            continue
        room += last - start
        covered = merged(
            (max(start, t - length), min(last, t)) for t in np.asarray(flags.get(unit, ()))
        )
        held += total(covered)
    return held / room if room > 0.0 else None
