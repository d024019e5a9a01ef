"""What all units of a site share: a proxy for the mains.

Where at least three units of a site move their heating rates together on the
same days, the mains moved and not the heaters. The proxy of a day is the median
over the site's units of their movement on the days just before, so that it looks
back only. It needs no levels of a baseline: each unit and program is compared
with its own first cycles.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .plain import lists
from .robust import nanmedian
from .signs import INDEX

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEAST_UNITS: Final = 3
"""Units that must have cycles in the window (the contract)."""
WINDOW_DAYS: Final = 3
FIRST_CYCLES: Final = 30
"""Cycles of a program that give its usual rate, as in the baseline."""
SOFT: Final = 0.03
"""A common movement well below this is the units' own noise and is not taken off: the error
of a median of three units over three days (loads scatter by about 6 %)."""
SHARE: Final = 0.75
ALIKE: Final = 0.35
"""Share of the site's units that must have moved alike, and how alike: two weak heaters among
three units are no low mains (design choice)."""
SHARES: Final = {"power": 1.0, "heat_rate": 1.1, "heat_up": -1.2}
"""Movement of a sign per log of power (P goes with the square of the voltage)."""
_COLUMNS: Final = [INDEX[name] for name in SHARES]
_PER_POWER: Final = np.array(list(SHARES.values()))


@dataclass
class PowerMemory:
    """What one unit carries for its site's proxy."""

    first: dict[str, list[list[float]]] = field(default_factory=dict)
    """First movements of each program, per log of power."""
    recent: list[list[float]] = field(default_factory=list)
    """Day and log power of the last days' cycles."""

    def copy(self) -> PowerMemory:
        """Return it as it stands now."""
        return PowerMemory({n: list(kept) for n, kept in self.first.items()}, list(self.recent))

    def to_json(self) -> dict[str, Any]:
        """Return arrays by name."""
        first = {name: np.array(kept, dtype=np.float64) for name, kept in self.first.items()}
        return {"first": first, "recent": np.array(self.recent, dtype=np.float64)}

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> PowerMemory:
        """Read what ``to_json`` returned."""
        return cls({n: lists(kept) for n, kept in data["first"].items()}, lists(data["recent"]))


def unit_power(memory: PowerMemory, signs: FloatArray, program: list[str]) -> FloatArray:
    """Return each cycle's log power against the unit's usual, NaN in a program's first cycles.

    Parameters
    ----------
    memory
        Of the unit; first cycles are added to it.
    signs
        Shape (rows, signs), NaN where a cycle must not count.
    program
        Program of each row.
    """
    moved = signs[:, _COLUMNS] / _PER_POWER
    away = np.full(moved.shape, np.nan)
    for name in sorted(set(program)):
        rows = [i for i, p in enumerate(program) if p == name]
        kept = memory.first.setdefault(name, [])
        fresh = rows[: max(FIRST_CYCLES - len(kept), 0)]
        kept.extend(moved[fresh].tolist())
        if len(kept) >= FIRST_CYCLES:
            usual = nanmedian(np.array(kept, dtype=np.float64), axis=0)
            later = rows[len(fresh) :]
            away[later] = moved[later] - usual
    seen = np.isfinite(away)
    total = np.where(seen, away, 0.0).sum(axis=1)
    return np.where(seen.any(axis=1), total / np.maximum(seen.sum(axis=1), 1), np.nan)


@dataclass(frozen=True)
class Days:
    """A value a day."""

    first: int
    values: FloatArray
    """Shape (days,), NaN for none."""


NO_DAYS: Final = Days(0, np.zeros(0))


def unit_means(memory: PowerMemory, day: FloatArray, power: FloatArray) -> Days:
    """Return one unit's mean log power over the window before each day.

    Parameters
    ----------
    memory
        Of the unit; the new days go into it.
    day, power
        Day and log power of its new cycles.
    """
    before = np.array(memory.recent, dtype=np.float64).reshape(-1, 2)
    part = np.concatenate([before, np.column_stack([day, power])])
    known = part[np.isfinite(part[:, 1])]
    if not len(known):
        return NO_DAYS
    memory.recent = known[known[:, 0] >= known[-1, 0] - WINDOW_DAYS - 1].tolist()
    first = int(known[0, 0])
    length = int(known[-1, 0]) - first + WINDOW_DAYS + 1
    return Days(first, _means_before(known, first, length))


def site_common(members: list[Days], count: int) -> Days:
    """Return what a site's units moved in common before each day, 0 where they did not.

    Parameters
    ----------
    members
        Means of the units that have some.
    count
        All units of the site.
    """
    with_data = [m for m in members if m.values.size]
    if count < LEAST_UNITS or not with_data:
        return NO_DAYS
    first = min(m.first for m in with_data)
    length = max(m.first + m.values.size for m in with_data) - first
    mean = np.full((length, len(with_data)), np.nan)
    for column, m in enumerate(with_data):
        mean[m.first - first : m.first - first + m.values.size, column] = m.values
    common = np.zeros(length)
    enough = np.isfinite(mean).sum(axis=1) >= LEAST_UNITS
    for i in np.flatnonzero(enough).tolist():
        seen = mean[i][np.isfinite(mean[i])]
        middle = float(np.median(seen))
        alike = np.abs(seen - middle) <= ALIKE * abs(middle) + SOFT
        if alike.mean() >= SHARE and int(alike.sum()) >= LEAST_UNITS:
            common[i] = middle * middle**2 / (middle**2 + SOFT**2)
    return Days(first, common)


def common_at(common: Days, day: FloatArray) -> FloatArray:
    """Return a site's common log power before the day of each cycle, shape (cycles,)."""
    out = np.zeros(day.size)
    place = day.astype(np.int64) - common.first
    known = (place >= 0) & (place < common.values.size)
    out[known] = common.values[place[known]]
    return out


def site_proxy(members: list[tuple[PowerMemory, FloatArray, FloatArray]]) -> list[FloatArray]:
    """Return the site's common log power before the day of each cycle.

    Parameters
    ----------
    members
        Per unit of the site its memory, and the day and log power of its new
        cycles; units without new cycles count through their memory. The new
        days go into the memories.
    """
    common = site_common([unit_means(*member) for member in members], len(members))
    return [common_at(common, day) for _, day, _ in members]


def _means_before(known: FloatArray, first: int, length: int) -> FloatArray:
    """Return one unit's mean over the days of the window before each day, NaN for none."""
    day, power = known[:, 0].astype(np.int64) - first, known[:, 1].copy()
    out = np.full(length, np.nan)
    # Days strictly before: a day's own cycles do not enter. Plain sums over the window, so
    # that the result does not depend on where the history begins.
    begin = np.searchsorted(day, np.arange(length) - WINDOW_DAYS).tolist()
    end = np.searchsorted(day, np.arange(length)).tolist()
    for i, (a, b) in enumerate(zip(begin, end, strict=True)):
        if b > a:
            out[i] = np.add.reduce(power[a:b]) / (b - a)  # the mean, asked without its checks
    return out
