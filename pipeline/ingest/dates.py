"""Day or month first: settled by evidence, else left open.

Nothing here rests on how a country usually writes. What settles the order: a
number above 12, a continuous record across midnight, rows that are in time
order under one reading only, a date that the export states in a certain form,
and what the user or the unit's other exports say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .times import CERTAIN, DAY_MONTH, SHORT, Moments, days_from_civil, days_in_month

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

ORDERS: Final = ("dmy", "mdy", "ymd")
YEARS: Final = (2010, 2050)
"""Years that a date with a two-digit year can mean; the readings outside are ruled out."""
DAY_MS: Final = 86_400_000
MIDNIGHT_STEP_MS: Final = 3_600_000
"""A step across midnight that is at most this long counts as one record that goes on."""


@dataclass(frozen=True)
class Order:
    """The order of a file's dates, or the readings that are still open."""

    order: str | None
    why: str
    open_orders: tuple[str, ...] = ()
    contradiction: bool = False


def candidates(moments: Moments) -> dict[str, Int]:
    """Return days since 1970 for each reading that some rows need; -1 where impossible."""
    rows = moments.ok & (moments.kind >= DAY_MONTH)
    if not rows.any():
        return {}
    result = {}
    for order in ORDERS:
        days = days_under(moments, order)
        result[order] = days
    return result


def days_under(moments: Moments, order: str) -> Int:
    """Return days since 1970 under one order, shape (n,); -1 where the row is no date."""
    year, month, day = moments.first, moments.second, moments.third
    kinds = set(np.unique(moments.kind[moments.ok]).tolist()) if moments.ok.any() else {CERTAIN}
    if kinds & {DAY_MONTH, SHORT}:
        open_ = moments.kind == DAY_MONTH
        short = moments.kind == SHORT
        f, s, t = moments.first, moments.second, moments.third
        if order == "ymd":
            y, m, d = f + 2000, s, t
        elif order == "dmy":
            y, m, d = t + 2000, s, f
        else:
            y, m, d = t + 2000, f, s
        if short.all():
            year, month, day = y, m, d
        elif open_.all():
            year, month, day = (t, s, f) if order == "dmy" else (t, f, s)
        else:
            year, month, day = f.copy(), s.copy(), t.copy()
            a, b = (s, f) if order == "dmy" else (f, s)
            year[open_], month[open_], day[open_] = t[open_], a[open_], b[open_]
            year[short], month[short], day[short] = y[short], m[short], d[short]
        valid = (month >= 1) & (month <= 12) & (day >= 1) & (day <= days_in_month(year, month))
        if short.any():
            valid &= ~short | ((year >= YEARS[0]) & (year < YEARS[1]))
        if order == "ymd":
            valid &= ~open_
    else:
        valid = np.ones(len(year), bool)
    valid = valid & moments.ok & (moments.kind > 0)
    days = days_from_civil(
        np.where(valid, year, 1970), np.where(valid, month, 1), np.where(valid, day, 1)
    )
    return np.where(valid, days, -1) if not valid.all() else days


def settle(
    moments: Moments,
    *,
    stated: str | None = None,
    stated_why: str = "",
    anchors: tuple[int, ...] = (),
    created_days: int | None = None,
) -> Order:
    """Settle the order of day, month and year of a column.

    Parameters
    ----------
    moments
        The whole column, in file order.
    stated
        The order that the user or the unit's other exports state.
    stated_why
        Who states it.
    anchors
        Dates [days since 1970] that the export or its name states in a certain form.
    created_days
        The day the export says it was made, in a certain form.
    """
    rows = moments.ok & (moments.kind >= DAY_MONTH)
    if not rows.any():
        return Order("ymd", "every date is written year first or with its month's name")
    short = bool((moments.kind[rows] == SHORT).any())
    names = ORDERS if short else ORDERS[:2]
    days = {name: days_under(moments, name)[rows] for name in names}
    fits = {name: float((days[name] >= 0).mean()) for name in names}
    fully = [name for name in names if fits[name] == 1.0]
    if not fully:
        best = max(names, key=lambda name: fits[name])
        others = [fits[name] for name in names if name != best]
        # A few spoilt cells must not hide an order that all others share.
        if fits[best] >= 0.98 and max(others) < 0.9:
            fully = [best]
        else:
            return Order(None, "no order of day and month fits all rows", (), contradiction=True)
    if len(fully) == 1:
        order = fully[0]
        if stated is not None and not _agrees(stated, order, fully):
            return Order(
                None,
                f"{stated_why} says {words(stated)}, but only {words(order)} fits all rows",
                (order,),
                contradiction=True,
            )
        return Order(order, f"a number in the dates is possible only as {words(order)}")
    if all(bool((days[name] == days[fully[0]]).all()) for name in fully[1:]):
        return Order(fully[0], "day and month are equal in every row")
    if stated is not None:
        for name in fully:
            if _agrees(stated, name, fully):
                return Order(name, stated_why)
    clock = moments.clock_ms[rows]
    settled = _midnight(fully, days, clock)
    if settled:
        return Order(settled, f"the record runs on across midnight only as {words(settled)}")
    settled = _in_order(fully, days, clock)
    if settled:
        return Order(settled, f"rows are in time order only as {words(settled)}")
    if created_days is not None:
        possible = [name for name in fully if int(days[name].max()) <= created_days + 1]
        if len(possible) == 1:
            order = possible[0]
            return Order(order, f"any reading but {words(order)} lies after the export's own date")
    if anchors:
        hits = [
            name
            for name in fully
            if any(int(days[name].min()) == a or int(days[name].max()) == a for a in anchors)
        ]
        if len(hits) == 1:
            return Order(
                hits[0],
                f"only {words(hits[0])} gives the date that the export's name or text states",
            )
    return Order(None, "", tuple(fully))


def _agrees(stated: str, name: str, fully: list[str]) -> bool:
    if stated == name:
        return True
    # "day first" says nothing about where a two-digit year stands first.
    return stated == "ymd" and name == "ymd" and name in fully


def words(order: str) -> str:
    """Return an order in words."""
    return {"dmy": "day-month-year", "mdy": "month-day-year", "ymd": "year-month-day"}[order]


def _midnight(names: list[str], days: dict[str, Int], clock: Int) -> str | None:
    """Return the one reading under which the record goes on across midnight."""
    good: set[str] = set()
    for name in names:
        day = days[name]
        change = np.flatnonzero(np.diff(day) != 0)
        if len(change) == 0:
            continue
        step = (day[change + 1] - day[change]) * DAY_MS + clock[change + 1] - clock[change]
        if bool(((np.abs(step) <= MIDNIGHT_STEP_MS) & (step != 0)).any()):
            good.add(name)
    return good.pop() if len(good) == 1 else None


def _in_order(names: list[str], days: dict[str, Int], clock: Int) -> str | None:
    """Return the one reading under which at least three dates are in time order."""
    good = []
    for name in names:
        steps = np.diff(days[name] * DAY_MS + clock)
        if bool((steps >= 0).all()) or bool((steps <= 0).all()):
            good.append(name)
    if len(good) != 1:
        return None
    return good[0] if len(np.unique(days[good[0]])) >= 3 else None
