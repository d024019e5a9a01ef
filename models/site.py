"""What all units of a site share: a proxy for the mains.

Where at least three units of a site move their heating rates together on the
same days, the mains moved and not the heaters. The proxy of a day is the median
over the site's units of their movement on the days just before, so that it looks
back only. It needs no levels of a baseline: each unit and program is compared
with its own first cycles.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

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


def mains_proxy(
    signs: FloatArray,
    unit: IntArray,
    program: list[str],
    time: FloatArray,
    site: list[str],
    measured: NDArray[np.bool_],
) -> FloatArray:
    """Return the common log power of each cycle's site before its day, shape (rows,).

    Parameters
    ----------
    signs
        Shape (rows, signs), rows in unit and event order.
    unit, program, time
        Of each row; time in days.
    site
        Site of each unit, empty for none.
    measured
        Rows whose mains voltage is measured: they need no proxy, and give none.
    """
    columns = [signs[:, INDEX[n]] / share for n, share in SHARES.items()]
    table = pd.DataFrame(np.column_stack(columns))
    group = pd.Series(unit).astype(str) + "/" + pd.Series(program)
    rank = table.groupby(group.to_numpy(), sort=False).cumcount().to_numpy()
    usual = table[rank < FIRST_CYCLES].groupby(group[rank < FIRST_CYCLES].to_numpy()).median()
    away = table.to_numpy() - usual.reindex(group.to_numpy()).to_numpy()
    away[(rank < FIRST_CYCLES) | measured] = np.nan
    seen = np.isfinite(away)
    power = np.where(seen, away, 0.0).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    power = np.where(seen.any(axis=1), power, np.nan)
    out = np.zeros(len(unit))
    names = np.array(site)[unit] if len(unit) else np.empty(0, dtype=str)
    day = np.floor(time).astype(np.int64)
    for one in sorted(set(site) - {""}):
        rows = np.flatnonzero(names == one)
        if np.unique(unit[rows]).size < LEAST_UNITS:
            continue
        out[rows] = _of_site(power[rows], unit[rows], day[rows])
    return np.where(measured, 0.0, out)


def _of_site(power: FloatArray, unit: IntArray, day: IntArray) -> FloatArray:
    members, column = np.unique(unit, return_inverse=True)
    first = int(day.min())
    length = int(day.max()) - first + 2
    total, count = np.zeros((length, members.size)), np.zeros((length, members.size))
    kept = np.isfinite(power)
    np.add.at(total, (day[kept] - first, column[kept]), power[kept])
    np.add.at(count, (day[kept] - first, column[kept]), 1.0)
    # Days strictly before: a day's own cycles do not enter.
    summed, number = np.cumsum(total, axis=0), np.cumsum(count, axis=0)
    before = np.arange(length) - 1
    long_before = np.maximum(before - WINDOW_DAYS, -1)
    t, n = _until(summed, before) - _until(summed, long_before), _until(number, before)
    n = n - _until(number, long_before)
    mean = np.where(n > 0, t / np.maximum(n, 1.0), np.nan)
    common = np.zeros(length)
    enough = np.isfinite(mean).sum(axis=1) >= LEAST_UNITS
    for i in np.flatnonzero(enough).tolist():
        seen = mean[i][np.isfinite(mean[i])]
        middle = float(np.median(seen))
        alike = np.abs(seen - middle) <= ALIKE * abs(middle) + SOFT
        if alike.mean() >= SHARE and int(alike.sum()) >= LEAST_UNITS:
            common[i] = middle * middle**2 / (middle**2 + SOFT**2)
    return np.asarray(common[day - first])


def _until(running: FloatArray, index: IntArray) -> FloatArray:
    return np.where((index >= 0)[:, None], running[np.maximum(index, 0)], 0.0)
