"""Day or month first: settled by evidence, else left open.

Nothing here rests on how a country usually writes. What settles the order: a
number above 12, a continuous record across midnight, rows that are in time
order under one reading only, a date that the export states in a certain form,
and what the user or the unit's other exports say.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import NDArray

from .times import CERTAIN, DAY_MONTH, SHORT, Moments, days_from_civil, days_in_month, throughout

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

ORDERS: Final = ("dmy", "mdy", "ymd")
YEARS: Final = (2010, 2050)
"""Years that a date with a two-digit year can mean; the readings outside are ruled out."""
EPOCH: Final = date(1970, 1, 1).toordinal()
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
    either_way: bool = False
    """Every row is the same day under either order: nothing is learnt from it."""


ALL_CERTAIN: Final = "every date is written year first or with its month's name"


def one_day(kind: int, first: int, second: int, third: int, order: str) -> int:
    """Return days since 1970 of one date under one order; -1 where it is none."""
    if kind == CERTAIN:
        year, month, day = first, second, third
    elif order == "ymd":
        if kind == DAY_MONTH:
            return -1
        year, month, day = first + 2000, second, third
    else:
        day, month = (first, second) if order == "dmy" else (second, first)
        year = third + 2000 if kind == SHORT else third
    if kind == 0 or (kind == SHORT and not YEARS[0] <= year < YEARS[1]):
        return -1
    try:
        return date(year, month, day).toordinal() - EPOCH
    except ValueError:
        return -1


def days_under(moments: Moments, order: str) -> Int:
    """Return days since 1970 under one order, shape (n,); -1 where the row is no date."""
    columns = (moments.kind, moments.first, moments.second, moments.third)
    if moments.size > 1 and all(c.strides == (0,) for c in columns):
        kind, first, second, third = (int(c[0]) for c in columns)
        only = one_day(kind, first, second, third, order)
        if moments.ok.all():
            return throughout(only, moments.size)
        return np.where(moments.ok, only, -1)
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


@dataclass(frozen=True)
class StatedOrder:
    """An order that someone states: the export itself, a pin, or a setting outside it."""

    order: str
    why: str
    outside: bool = False
    """True for a site, the defaults or other exports, which speak of exports in general."""


def settle(
    moments: Moments,
    *,
    stated: StatedOrder | None = None,
    anchors: tuple[tuple[int, int], ...] = (),
    created_days: int | None = None,
    today_days: int | None = None,
) -> Order:
    """Settle the order of day, month and year of a column.

    What the rows prove goes before what a setting outside the export says; where
    they only speak against it, the export is asked about.

    Parameters
    ----------
    moments
        The whole column, in file order; a row whose date stands alone against all
        others is marked as unreadable.
    stated
        The order that the export, the user or the unit's other exports state.
    anchors
        First and last day [days since 1970] of spans that the export's name or text
        states in a certain form.
    created_days
        The day the export says it was made, in a certain form.
    today_days
        Today. Where only a setting outside the export states the order, and it puts samples
        into the future that another order does not, the export is asked about: a computer's
        clock may be wrong, so it proves nothing.
    """
    if moments.size and moments.kind.strides == (0,) and int(moments.kind[0]) < DAY_MONTH:
        rows = np.zeros(0, bool)
    else:
        rows = moments.ok & (moments.kind >= DAY_MONTH)
    if not rows.any():
        return Order("ymd", ALL_CERTAIN)
    short = bool((moments.kind[rows] == SHORT).any())
    names = ORDERS if short else ORDERS[:2]
    days = {name: days_under(moments, name)[rows] for name in names}
    certain = moments.ok & (moments.kind == CERTAIN)
    if certain.any():
        # Rows that are written in a certain form say near which day the others lie.
        sure = days_under(moments, "ymd")[certain]
        anchors = (*anchors, (int(sure.min()), int(sure.max())))
    fully = _possible(days)
    if len(fully) == 1 and _stands_alone(fully[0], days):
        lone = np.flatnonzero(rows)[_lone_row(fully[0], days)]
        moments.ok[lone] = False
        return settle(
            moments,
            stated=stated,
            anchors=anchors,
            created_days=created_days,
            today_days=today_days,
        )
    if not fully:
        return Order(None, "no order of day and month fits all rows", (), contradiction=True)
    if len(fully) == 1:
        order = fully[0]
        if stated is not None and not stated.outside and stated.order != order:
            return Order(
                None,
                f"{stated.why} says {words(stated.order)}, but only {words(order)} fits all rows",
                (order,),
                contradiction=True,
            )
        return Order(order, f"a number in the dates is possible only as {words(order)}")
    if all(bool((days[name] == days[fully[0]]).all()) for name in fully[1:]):
        return Order(fully[0], "day and month are equal in every row", either_way=True)
    near = [name for name in fully if not _years_apart(name, fully, days)]
    if len(near) == 1:
        why = f"its days lie years apart but as {words(near[0])}"
        return _weighed(Order(near[0], why), stated)
    fully = near or fully
    clock = moments.clock_ms[rows]
    proof = _proof(fully, days, clock, created_days)
    hint = _hint(fully, days, anchors)
    if stated is not None and stated.order in fully:
        settled = _weigh(stated, proof, hint, moments.separators)
        return _not_to_come(settled, stated, fully, days, today_days)
    if proof is not None:
        return proof
    if hint is not None and (hint.why != HABIT or _many_days(days[str(hint.order)])):
        return hint
    return Order(None, "", tuple(fully))


def _weigh(
    stated: StatedOrder,
    proof: Order | None,
    hint: Order | None,
    separators: set[str],
) -> Order:
    """Weigh what is stated against what the rows prove or only suggest."""
    against = proof if proof is not None and proof.order != stated.order else None
    if against is not None:
        return _weighed(against, stated)
    points = separators == {"."}
    doubt = hint if hint is not None and hint.order != stated.order else None
    if proof is not None or not stated.outside:
        return Order(stated.order, stated.why)
    if doubt is not None:
        # Dates with points are written day first wherever points are used.
        if points and doubt.order == "dmy":
            return Order("dmy", f"points between the numbers, and {doubt.why}")
        return Order(
            None,
            f"{stated.why} says {words(stated.order)}, but {doubt.why}",
            (str(doubt.order),),
            contradiction=True,
        )
    if points and stated.order == "mdy" and hint is None:
        return Order(
            None,
            f"{stated.why} says {words('mdy')}, which is not written with points",
            ("dmy",),
            contradiction=True,
        )
    return Order(stated.order, stated.why)


def _weighed(proof: Order, stated: StatedOrder | None) -> Order:
    """Return what the rows prove, or the contradiction with what the export states."""
    if stated is None or stated.outside or stated.order == proof.order:
        return proof
    return Order(
        None,
        f"{stated.why} says {words(stated.order)}, but {proof.why}",
        (str(proof.order),),
        contradiction=True,
    )


def _years_apart(order: str, names: list[str], days: dict[str, Int]) -> bool:
    """Return whether a record that runs on from day to day would only jump from year to year.

    Two digits at either end: 12.01.26 and 13.01.26 are two days of one month, or one day of
    two years; no record is continued a year later to the day, and again.
    """
    steps = np.abs(np.diff(days[order]))
    steps = steps[steps > 0]
    if not len(steps) or int(steps.min()) < LEAST_YEAR_DAYS:
        return False
    return any(int(np.abs(np.diff(days[n])).max()) <= MOST_PAUSE_DAYS for n in names if n != order)


def _not_to_come(
    settled: Order,
    stated: StatedOrder,
    names: list[str],
    days: dict[str, Int],
    today_days: int | None,
) -> Order:
    """Return an order, or the doubt that it puts samples into the future."""
    if today_days is None or not stated.outside or settled.order != stated.order:
        return settled
    last = today_days + TO_COME_DAYS
    past = [n for n in names if n != stated.order and int(days[n].max()) <= last]
    if int(days[stated.order].max()) <= last or not past:
        return settled
    return Order(
        None,
        f"{stated.why} says {words(stated.order)}, but then its samples lie in the future",
        (past[0],) if len(past) == 1 else tuple(past),
        contradiction=True,
    )


def _possible(days: dict[str, Int]) -> list[str]:
    """Return the orders under which all rows, or all but a few spoilt ones, are dates."""
    fits = {name: float((d >= 0).mean()) for name, d in days.items()}
    fully = [name for name, share in fits.items() if share == 1.0]
    if fully:
        return fully
    best = max(fits, key=lambda name: fits[name])
    others = [share for name, share in fits.items() if name != best]
    return [best] if fits[best] >= 0.98 and max(others) < 0.9 else []


def _lone_row(order: str, days: dict[str, Int]) -> int:
    others = np.ones(len(days[order]), bool)
    for name, d in days.items():
        if name != order:
            others &= d < 0
    found = np.flatnonzero(others & (days[order] >= 0))
    return int(found[0]) if len(found) == 1 else -1


def _stands_alone(order: str, days: dict[str, Int]) -> bool:
    """Say whether a single row rules the other orders out and fits none of its neighbours."""
    row = _lone_row(order, days)
    own = days[order]
    if row < 0 or len(own) < 6:
        return False
    near = [int(own[k]) for k in (row - 1, row + 1) if 0 <= k < len(own)]
    return all(abs(int(own[row]) - other) > 1 for other in near)


def _proof(
    names: list[str], days: dict[str, Int], clock: Int, created_days: int | None
) -> Order | None:
    """Return the order that the rows prove, or None."""
    settled = _midnight(names, days, clock)
    if settled:
        return Order(settled, f"the record runs on across midnight only as {words(settled)}")
    settled = _in_order(names, days, clock)
    if settled:
        return Order(settled, f"rows are in time order only as {words(settled)}")
    if created_days is not None:
        possible = [name for name in names if int(days[name].max()) <= created_days + 1]
        if len(possible) == 1:
            return Order(
                possible[0],
                f"any reading but {words(possible[0])} lies after the export's own date",
            )
    return None


LEAST_YEAR_DAYS: Final = 365
MOST_PAUSE_DAYS: Final = 31
"""A record in one file that pauses for no more than a month in one order of its dates, and for
a year each time in another (no source)."""
TO_COME_DAYS: Final = 2
"""So far ahead a logger's clock or a time zone may put samples (no source)."""
MANY_DAYS: Final = 7
"""That many days on end prove their order: no one runs a unit on the same day of each month,
Sundays included, and on no other."""


def _many_days(days: Int) -> bool:
    return len(np.unique(days)) >= MANY_DAYS


HABIT: Final = "its days follow each other and would else lie a month apart each"


def _hint(
    names: list[str], days: dict[str, Int], anchors: tuple[tuple[int, int], ...]
) -> Order | None:
    """Return the order that the export's name or the run of its days suggests, or None."""
    hits = []
    for name in names:
        low, high = int(days[name].min()), int(days[name].max())
        for first, last in anchors:
            exact = first == last and first in {low, high}
            inside = first < last and low >= first - 1 and high <= last + 1
            if (exact or inside) and name not in hits:
                hits.append(name)
    if len(hits) == 1:
        return Order(
            hits[0],
            f"only {words(hits[0])} gives the date that the export's name or text states",
        )
    close = []
    for name in names:
        steps = np.abs(np.diff(days[name]))
        steps = steps[steps > 0]
        if len(steps) >= 2 and int(steps.max()) <= 4:
            far = [
                other
                for other in names
                if other != name and int((np.abs(np.diff(days[other])) >= 25).sum()) >= 2
            ]
            if far:
                close.append(name)
    return Order(close[0], HABIT) if len(close) == 1 else None


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
