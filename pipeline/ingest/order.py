"""Rows into time order, each moment once."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Float = NDArray[np.float64]

STEP_ROWS: Final = 5
"""Least length of a run that counts as a clock set back, not as rows out of order."""
MAX_FALLS: Final = 200
"""With more backward steps than this a file is unsorted, not stepped."""


@dataclass(frozen=True)
class Ordered:
    """Rows to keep, in time order, and how many went for which reason."""

    rows: Int
    dropped: dict[str, int]
    steps_back: int
    out_of_order: int


def is_descending(time_ms: Int) -> bool:
    """Say whether a file has its newest row first."""
    if len(time_ms) < 3:
        return len(time_ms) == 2 and bool(time_ms[1] < time_ms[0])
    if bool((time_ms[1:] >= time_ms[:-1]).all()):
        return False
    steps = np.diff(time_ms)
    return int((steps < 0).sum()) > 0.9 * int((steps != 0).sum())


def rising(time_ms: Int) -> bool:
    """Say whether each row is later than the one before, as in most exports."""
    return bool((time_ms[1:] > time_ms[:-1]).all())


def arrange(time_ms: Int, values: list[Float]) -> Ordered:
    """Put one unit's rows into time order and drop what is there twice.

    Parameters
    ----------
    time_ms
        UTC times in file order (newest-first files already turned), shape (n,).
    values
        The channels, each of shape (n,).

    Returns
    -------
    Ordered
        Of rows with equal time and values the first is kept (``duplicate``); of
        rows with equal time and other values too (``duplicate_time``). A run of
        rows whose clock was set back into a span that is already covered is
        dropped (``clock_set_back``): mixing two records would make a third.
    """
    n = len(time_ms)
    if rising(time_ms):
        return Ordered(np.arange(n), {}, 0, 0)
    steps = np.diff(time_ms)
    dropped: dict[str, int] = {}
    order = np.argsort(time_ms, kind="stable")
    sorted_ms = time_ms[order]
    again = np.zeros(n, bool)
    again[1:] = sorted_ms[1:] == sorted_ms[:-1]
    # A row that repeats a moment is compared with the first row of that moment.
    first = np.maximum.accumulate(np.where(again, 0, np.arange(n)))
    same = again.copy()
    for channel in values:
        a, b = channel[order], channel[order[first]]
        same &= (a == b) | (np.isnan(a) & np.isnan(b))
    duplicate = np.zeros(n, bool)
    duplicate[order[same]] = True
    conflict = np.zeros(n, bool)
    conflict[order[again & ~same]] = True
    keep = ~duplicate & ~conflict
    set_back, count = _set_back(time_ms, ~duplicate)
    # Where most of a stepped run is new, its conflicts are part of the step.
    conflict &= ~set_back
    keep &= ~set_back
    for reason, mask in (
        ("duplicate", duplicate),
        ("duplicate_time", conflict),
        ("clock_set_back", set_back & ~duplicate),
    ):
        if mask.any():
            dropped[reason] = int(mask.sum())
    rows = order[keep[order]]
    return Ordered(rows, dropped, count, int((steps < 0).sum()))


def _set_back(time_ms: Int, fresh: Bool) -> tuple[Bool, int]:
    """Mark rows of runs whose clock was set back into a covered span."""
    n = len(time_ms)
    result = np.zeros(n, bool)
    live = np.flatnonzero(fresh)
    times = time_ms[live]
    falls = np.flatnonzero(np.diff(times) < 0) + 1
    if len(falls) == 0 or len(falls) > min(MAX_FALLS, max(3, n // 50)):
        return result, 0
    edges = np.concatenate(([0], falls, [len(times)]))
    forward = np.diff(times)
    forward = forward[forward > 0]
    usual = float(np.median(forward)) if len(forward) else 1000.0
    earlier = times[: edges[1]]
    count = 0
    for a, b in pairwise(edges[1:]):
        run = times[a:b]
        place = np.searchsorted(earlier, run)
        left = earlier[np.maximum(place - 1, 0)]
        right = earlier[np.minimum(place, len(earlier) - 1)]
        # Rows that fill a hole are late, not doubled: only a covered stretch counts.
        covered = (left <= run) & (run <= right) & (right - left <= 3.0 * usual)
        if int(covered.sum()) >= STEP_ROWS:
            result[live[a:b][covered]] = True
            count += 1
            run = run[~covered]
        earlier = np.sort(np.concatenate((earlier, run)), kind="stable")
    return result, count
