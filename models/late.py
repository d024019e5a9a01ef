"""Which units' past changed since a state was kept, and from which month on.

Cycles are judged in event order. What comes after later ones of its unit were judged, or
after its site's next day was (a site's units share their mains), sends its site back to
the begin of that month; so does a service row that is dated back.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from .months import month_of
from .tracker import Repair


@dataclass(frozen=True)
class Late:
    """The first thing that came late of a unit."""

    month: int
    """Months since 1970."""
    why: str


@dataclass(frozen=True)
class Again:
    """What is judged again."""

    months: Mapping[int, Mapping[str, Any]]
    """References that hold as they are, by month, as in ``Judged.begins``; other months are
    fitted again, from recalled rows and all units."""
    since: Mapping[str, int]
    """By unit, the month from which on it is judged again; others go on from where they are."""


def late_units(
    seen: Mapping[str, float],
    first: Mapping[str, float],
    repairs: tuple[Mapping[str, Sequence[Repair]], Mapping[str, Sequence[Repair]]],
    month: int,
    site_of: Callable[[str], str],
) -> dict[str, Late]:
    """Return the units of which something came late.

    Parameters
    ----------
    seen
        By unit, the end of its last judged cycle [days], NaN for none.
    first
        By unit, the end of its first new cycle [days].
    repairs
        Service rows by unit: those that the state has seen, and those there are now.
    month
        The month that the state is in.
    site_of
        Returns the site of a unit, or nothing.
    """
    newest: dict[str, float] = {}
    for name, time in seen.items():
        site = site_of(name)
        if site and not math.isnan(time):
            newest[site] = max(time, newest.get(site, -math.inf))
    out: dict[str, Late] = {}
    for name, time in first.items():
        code = _month(time)
        # The site's days before must be complete: a whole day of slack is the units' own.
        latest = newest.get(site_of(name) or "")
        if time <= seen.get(name, math.nan):
            out[name] = Late(code, f"cycles of {name} came late")
        elif latest is not None and math.floor(time) < math.floor(latest):
            out[name] = Late(code, f"cycles of {name} came days late")
        elif code < month:
            out[name] = Late(code, f"cycles of {name} came of an earlier month")
    held, now = repairs
    for name, time in seen.items():
        before = list(held.get(name, ()))
        after = [r for r in now.get(name, ()) if r.time < time]
        if before != after:
            pairs = itertools.zip_longest(before, after)
            unlike = next((one, other) for one, other in pairs if one != other)
            code = _month(min(r.time for r in unlike if r is not None))
            code = min(code, out[name].month) if name in out else code
            out[name] = Late(code, f"service rows of {name} changed")
    return out


def _month(time: float) -> int:
    return int(month_of(np.array([time]))[0])
