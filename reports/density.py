"""Series made drawable at any length: gaps, bins and thinning."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Bins:
    """A series in equal bins of x: centre, median, low and high (10 and 90 %)."""

    x: FloatArray
    middle: FloatArray
    low: FloatArray
    high: FloatArray


def bin_series(x: FloatArray, y: FloatArray, bins: int) -> Bins:
    """Summarise y [any] in ``bins`` equal bins of x; empty bins are left out."""
    keep = np.isfinite(x) & np.isfinite(y)
    x, y = x[keep], y[keep]
    if len(x) == 0:
        none = np.empty(0)
        return Bins(none, none, none, none)
    low, high = float(x.min()), float(x.max())
    width = (high - low) / bins or 1.0
    place = np.minimum(((x - low) / width).astype(np.int64), bins - 1)
    order = np.lexsort((y, place))
    place, y, x = place[order], y[order], x[order]
    _, start, count = np.unique(place, return_index=True, return_counts=True)

    def at(share: float) -> FloatArray:
        position = start + share * (count - 1)
        below = np.floor(position).astype(np.int64)
        above = np.minimum(below + 1, start + count - 1)
        part = position - below
        return np.asarray(y[below] * (1 - part) + y[above] * part)

    centre = np.add.reduceat(x, start) / count
    return Bins(np.asarray(centre), at(0.5), at(0.1), at(0.9))


def gap_limit(x: FloatArray, least: float = 3.0) -> float:
    """Return the step of x beyond which a line is broken: 4 median steps, at least this."""
    steps = np.diff(x)
    steps = steps[steps > 0]
    return max(least, 4.0 * float(np.median(steps))) if len(steps) else least


def broken(x: FloatArray, y: FloatArray, limit: float) -> tuple[FloatArray, FloatArray]:
    """Return the line with NaN put in wherever x steps by more than ``limit``."""
    if len(x) < 2:
        return x, y
    cuts = np.flatnonzero(np.diff(x) > limit) + 1
    return np.insert(x, cuts, np.nan), np.insert(y, cuts, np.nan)


def broken_at(
    x: FloatArray, y: FloatArray, spans: list[tuple[float, float]]
) -> tuple[FloatArray, FloatArray]:
    """Return the line with NaN put in at each span that has no data."""
    middles = np.array([(start + end) / 2.0 for start, end in spans])
    cuts = np.unique(np.searchsorted(x, middles)) if len(middles) else np.empty(0, np.int64)
    cuts = cuts[(cuts > 0) & (cuts < len(x))]
    return np.insert(x, cuts, np.nan), np.insert(y, cuts, np.nan)


def gaps(x: FloatArray, limit: float) -> list[tuple[float, float]]:
    """Return the spans of x without data longer than ``limit``."""
    wide = np.flatnonzero(np.diff(x) > limit)
    return [(float(x[i]), float(x[i + 1])) for i in wide]


def thin(x: FloatArray, y: FloatArray, most: int) -> tuple[FloatArray, FloatArray]:
    """Return at most about ``most`` points that keep each stretch's extremes.

    Each stretch gives its least and greatest point in order of x, so a spike
    survives; NaN break the line where they stood.
    """
    if len(x) <= most or most < 4:
        return x, y
    stretch = int(np.ceil(2 * len(x) / most))
    short = -len(y) % stretch
    blocks = np.concatenate([y, np.full(short, y[-1])]).reshape(-1, stretch)
    base = np.arange(len(blocks)) * stretch
    known = np.isfinite(blocks)
    least = base + np.where(known, blocks, np.inf).argmin(axis=1)
    greatest = base + np.where(known, blocks, -np.inf).argmax(axis=1)
    picks = [least, greatest, np.flatnonzero(~np.isfinite(y)), [0, len(x) - 1]]
    index = np.unique(np.concatenate(picks).astype(np.int64))
    index = index[index < len(x)]
    return x[index], y[index]


def spread_labels(wanted: FloatArray, step: float, low: float, high: float) -> FloatArray:
    """Return positions near the wanted ones, at least ``step`` apart, inside [low, high].

    With too many for the room the spacing shrinks evenly.
    """
    count = len(wanted)
    if count == 0:
        return wanted
    if count > 1:
        step = min(step, (high - low) / (count - 1))
    order = np.argsort(wanted, kind="stable")
    placed = np.clip(wanted[order], low, high).astype(np.float64)
    for i in range(1, count):
        placed[i] = max(placed[i], placed[i - 1] + step)
    if placed[-1] > high:
        placed[-1] = high
        for i in range(count - 2, -1, -1):
            placed[i] = min(placed[i], placed[i + 1] - step)
    out = np.empty(count)
    out[order] = placed
    return out
