"""Loggers that record a channel only when it has changed by enough, and now and then besides.

What such a logger does not record has not changed: there is no gap. All else that is lost
leaves a gap, and the two look alike in a single step: both ends agree in a steady hold. So
what lies around a cycle decides: where a logger records on change, its many long steps end
in small changes of about one size, and none of its short steps is without one.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from .crossing import median
from .quick import diff, quantile
from .samples import BoolArray, FloatArray, IntArray, Samples

LONG_STEPS: Final = 4.0
"""A step of so many usual ones is long (no source)."""
LEAST_LONG: Final = 5
LEAST_SHORT: Final = 30
"""Long and short steps from which a way of recording can be told (no source)."""
MOVED_SHARE: Final = 0.45
"""A change of this share of the long steps' greater ones counts as one (no source)."""
STILL_SHARE: Final = 0.06
"""Short steps without a change, as a share, up to which a logger records on change (no source)."""
BIG_SHARE: Final = 0.15
"""The same of long steps over which more changed than a logger leaves unrecorded."""
QUIET_CHANGES: Final = 2.0
"""Over a step on which nothing happened a channel changes by at most so many of these, or no
faster than right after it, where something begins to happen at its end (no source)."""
LONGEST_S: Final = 960.0
"""A quarter of an hour and a minute: such loggers record at least so often (no source)."""
SHOWN: Final = 500
"""Steps by which the usual one is told."""


class Recorded:
    """How samples around a cycle were recorded, and which steps between them hide nothing.

    Parameters
    ----------
    samples
        Of the unit.
    left, last
        First and last sample that tell it.
    """

    def __init__(self, samples: Samples, left: int, last: int) -> None:
        self._left = left
        self._time = samples.time_s
        steps = diff(samples.time_s[left : last + 1])
        self._usual = quantile(steps[:: len(steps) // SHOWN + 1], 0.1) if len(steps) else 0.0
        self._quiet = _quiet(samples, left, steps, self._usual)

    def steps(self, first: int, last: int) -> FloatArray:
        """Return the steps of time [s] from sample ``first`` to ``last``, shape (last - first,).

        One on which a logger that records on change had nothing to record is as long as usual.
        """
        steps = diff(self._time[first : last + 1])
        if self._quiet is None or not len(steps):
            return steps
        known = self._quiet[max(first - self._left, 0) : last - self._left]
        quiet = np.zeros(len(steps), dtype=bool)
        begin = max(self._left - first, 0)
        quiet[begin : begin + len(known)] = known
        return np.where(quiet, np.minimum(steps, self._usual), steps)

    def held(self, first: int, last: int) -> IntArray:
        """Return samples ``first`` to ``last`` as indices, each as often as its value held.

        As if the logger had recorded on, where it had nothing to record.
        """
        at = np.arange(first, last + 1)
        if self._quiet is None or last <= first or self._usual <= 0.0:
            return at
        hidden = diff(self._time[first : last + 1]) - self.steps(first, last)
        count = 1 + np.append(np.round(hidden / self._usual), 0).astype(np.int64)
        return np.repeat(at, count)


def _quiet(samples: Samples, left: int, steps: FloatArray, usual: float) -> BoolArray | None:
    """Return the steps that a logger which records on change leaves, or None if it does not."""
    long = steps > LONG_STEPS * usual
    many = int(np.count_nonzero(long))
    if many < LEAST_LONG or len(steps) - many < LEAST_SHORT:
        return None
    moved = np.zeros(len(steps), dtype=bool)
    quiet = steps <= LONGEST_S
    after = np.minimum(np.arange(1, len(steps) + 1), len(steps) - 1)
    for values in (samples.raw_c, samples.pressure_kpa):
        change = np.abs(diff(values[left : left + len(steps) + 1]))
        known = long & np.isfinite(change)
        if not known.any():
            continue
        # A few long steps end in a move of the machine's: they say little of what is recorded.
        great = quantile(change[known], 0.9)
        least = min(great, 2.0 * median(change[known]))
        if least <= 0.0:
            continue
        moved |= change >= MOVED_SHARE * least
        most = QUIET_CHANGES * np.maximum(
            great, change[after] / np.maximum(steps[after] / usual, 1.0)
        )
        quiet &= ~(change > most)
    waited = steps >= 0.95 * float(steps.max())  # recorded though nothing changed
    still = int(np.count_nonzero(~moved & ~waited)) / len(steps)
    big = int(np.count_nonzero(long & ~quiet)) / many
    return quiet if still <= STILL_SHARE and big <= BIG_SHARE else None
