"""Judge a fleet's cycles: verdicts, flags, residuals.

Cycles are replayed in event order, month by month, unit by unit. A month's
reference is fitted from cycles before it; within a month a unit's rows depend on
its own past and on what its site did on earlier days. So the flags of a run as
of some moment are the beginning of the flags of any later run, and a night that
goes on from a state ends where one run over everything ends.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from ..shared.config import Config
from ..shared.errors import ChamberdriftError
from . import shard
from .crew import Alone, Crew, Held
from .late import Again, late_units
from .monthly import Found, Monthly, fit_month
from .panel import ended_by, event_days, repairs_of
from .recall import Past, recalled_rows, sampled_names, window_start
from .result import Judged, Piece, joined, with_journal
from .shard import (
    UNIT_ROWS,
    End,
    Load,
    Month,
    Opened,
    Shard,
    fetch,
    finish,
    open_shard,
    opened,
    settle,
    step,
    tell,
)
from .site import Days, site_common
from .tracker import Repair

ALONE: Final = Alone()

STATE_VERSION: Final = 8

KEPT_MONTHS: Final = 6
"""Months of which the begin is kept by a replay of all history, and nights add to them: what
is later than that replays all (exports come days or weeks late; no source)."""


class ReplayNeededError(ChamberdriftError):
    """A night can't go on from its state: judge all cycles again, with no state."""


def judge(
    cycles: pd.DataFrame,
    service: pd.DataFrame,
    config: Config,
    *,
    as_of: pd.Timestamp | None = None,
    journal: pd.DataFrame | None = None,
) -> Judged:
    """Judge all cycles of a fleet.

    Parameters
    ----------
    cycles
        A ``cycles`` table.
    service
        A ``service`` table; rows that were undone are left out.
    config
        The configuration: units, limits.
    as_of
        Nothing that ended later is seen; None: everything is.
    journal
        Flags as they were shown before; what no longer stands among them comes
        back closed with ``superseded``.

    Returns
    -------
    Judged
    """
    judged, _ = _run(None, cycles, service, config, as_of, keep=False)
    return with_journal(judged, journal, as_of)


def judge_night(
    state: dict[str, Any] | None,
    cycles: pd.DataFrame,
    service: pd.DataFrame,
    config: Config,
    *,
    as_of: pd.Timestamp | None = None,
    recalled: pd.DataFrame | None = None,
    again: Again | None = None,
    crew: Crew = ALONE,
) -> tuple[Judged, dict[str, Any]]:
    """Judge the cycles that are new since a state, and return the next state.

    Parameters
    ----------
    state
        What the night before returned; None to begin, with all cycles there are.
    cycles
        Cycles that the state has not seen. All of them have to end later than what
        the state has seen of their unit, and none before the state's calendar month.
    service
        The whole service log.
    config
        The configuration.
    as_of
        Cycles that ended later are left for another night.
    recalled
        Where a new month begins: what earlier nights returned as ``recall``, from
        ``recall.window_start`` of the new month on.
    again
        Where something came late: which units are judged again, and from which month on.
        The state has them as that month began (``state_of``), and all of their cycles
        from then on have to be given.
    crew
        Processes to spread units over.

    Returns
    -------
    tuple
        Judged: judgements, residuals and forecasts of these cycles, and all flags
        of all units of the state; and a state that is plain JSON.

    Raises
    ------
    ReplayNeededError
        When cycles or service rows came late, the state is of another version, or a
        new month begins and nothing is recalled.
    """
    past = None if recalled is None else recalled_rows(recalled)
    return _run(
        state,
        cycles,
        service,
        config,
        as_of,
        keep=True,
        recalled=past,
        again=again,
        crew=crew,
    )


def _run(
    state: dict[str, Any] | None,
    cycles: pd.DataFrame,
    service: pd.DataFrame,
    config: Config,
    as_of: pd.Timestamp | None,
    *,
    keep: bool,
    recalled: Past | None = None,
    again: Again | None = None,
    crew: Crew = ALONE,
) -> tuple[Judged, dict[str, Any]]:
    if state is not None and state.get("version") != STATE_VERSION:
        raise ReplayNeededError("the judge's state is of another version: judge all cycles again")
    repairs = repairs_of(service, as_of)
    loads = shares(state, ended_by(cycles, as_of), repairs, config, recalled or {}, crew.parts)
    held = crew.hold(open_shard, loads)
    try:
        return _judge(state, held, len(loads), repairs, config, as_of, keep, recalled, again, crew)
    finally:
        held.close()


def _judge(
    state: dict[str, Any] | None,
    held: Held,
    parts: int,
    repairs: dict[str, list[Repair]],
    config: Config,
    as_of: pd.Timestamp | None,
    keep: bool,
    recalled: Past | None,
    again: Again | None,
    crew: Crew,
) -> tuple[Judged, dict[str, Any]]:
    def each(function: Callable[[Shard, Any], Any], asked: Any) -> list[Any]:
        return held.each(function, [asked] * parts)

    shards: list[Opened] = each(opened, None)
    times = {u: t for s in shards for u, t in s.seen.items()}
    seen = {u for u, t in times.items() if not math.isnan(t)}
    kinds = {u: config.unit(u).type for u in times}
    kept: dict[str, Any] = {} if state is None else state["monthly"]
    now = None if state is None else int(kept["code"])
    months = {m for s in shards for m in s.months}
    if state is not None and again is None:
        first = {u: t for s in shards for u, t in s.first.items()}
        _refuse_late(state, months, times, first, repairs, config, recalled is not None)
    each(settle, _common(shards))
    fixed = {} if again is None else again.months
    codes = sorted({*months, *(code for code in fixed if now is not None and code > now)})
    begins: dict[int, dict[str, Any]] = {}
    monthly: Monthly | None = None
    for code in codes:
        own: frozenset[str] | None = None
        if code != now:
            known = fixed.get(code)
            if known is not None:
                monthly = Monthly.from_json(dict(known))
            else:
                monthly = fit_month(
                    code,
                    seen,
                    kinds,
                    lambda ask: _together(each(tell, ask)),
                    lambda wanted, code=code: _by_pool(each(fetch, (code, wanted))),  # type: ignore[misc]
                    crew.map if parts > 1 else map,
                )
            now, kept = code, monthly.to_json() if keep else {}
            if keep and code > codes[-1] - KEPT_MONTHS:
                joins = {} if again is None or known is None else again.since
                own = frozenset(u for u in seen if known is None or joins.get(u, math.inf) <= code)
                begins[code] = kept
        elif monthly is None:
            monthly = Monthly.from_json(kept)
        for stepped in each(step, Month(replace(monthly, pools={}), own)):
            seen.update(stepped)
    keep = keep and now is not None
    oldest = (now or 0) - KEPT_MONTHS
    recall_of = frozenset(sampled_names(times, kinds.__getitem__))
    pieces: list[Piece] = each(finish, End(as_of, keep, recall_of, window_start(oldest + 1)))
    carried: dict[str, Any] = {}
    if keep:
        carried = {
            "version": STATE_VERSION,
            "monthly": kept,
            "units": _together([p.states for p in pieces]),
            "power": _together([p.power for p in pieces]),
            "repairs": _together([p.repairs for p in pieces]),
        }
    return joined(pieces, begins), carried


def shares(
    state: Mapping[str, Any] | None,
    cycles: pd.DataFrame,
    repairs: Mapping[str, list[Repair]],
    config: Config,
    recalled: Past,
    parts: int,
) -> list[Load]:
    """Divide units among shards, in order of their names and by about equal work.

    Parameters
    ----------
    state
        What it goes on from.
    parts
        Shards at most; small work stays together.
    """
    units, power = ({}, {}) if state is None else (state["units"], state["power"])
    owner = cycles["unit_id"].to_numpy(dtype=object)
    place, found = pd.factorize(owner, sort=True)
    rows = dict(zip(map(str, found), np.bincount(place, minlength=len(found)), strict=True))
    names = sorted({*units, *rows})
    work = np.array([rows.get(n, 0) + UNIT_ROWS for n in names], dtype=np.float64)
    if parts <= 1 or work.sum() < shard.LEAST_WORK:
        return [Load(cycles, repairs, config, units, power, recalled)]
    middle = np.cumsum(work) - work / 2.0
    group = np.minimum((middle / work.sum() * parts).astype(np.int64), parts - 1)
    of = dict(zip(names, group.tolist(), strict=True))
    row_group = np.array([of[str(n)] for n in found], dtype=np.int64)[place]

    def own(k: int, every: Mapping[str, Any]) -> dict[str, Any]:
        return {n: value for n, value in every.items() if of.get(n) == k}

    return [
        Load(
            cycles[row_group == k],
            own(k, repairs),
            config,
            own(k, units),
            own(k, power),
            own(k, recalled),
        )
        for k in sorted(set(group.tolist()))
    ]


def _common(shards: list[Opened]) -> dict[tuple[str, int], Days]:
    """Return what each site's units moved in common, by site and month."""
    means: dict[tuple[str, int], list[Days]] = {}
    members: dict[str, int] = {}
    for one in shards:
        for key, days in one.means.items():
            means.setdefault(key, []).extend(days)
        for site, count in one.members.items():
            members[site] = members.get(site, 0) + count
    return {key: site_common(days, members[key[0]]) for key, days in means.items()}


def _together(parts: list[dict[str, Any]]) -> dict[str, Any]:
    """Return what shards told by unit, as one."""
    return {unit: value for part in parts for unit, value in part.items()}


def _by_pool(parts: list[Found]) -> Found:
    pools = {pool for part in parts for pool in part}
    return {pool: _together([part.get(pool, {}) for part in parts]) for pool in pools}


def repairs_of_state(state: Mapping[str, Any]) -> dict[str, list[Repair]]:
    """Return the service rows that a state has seen."""
    return {
        name: [Repair(float(t), part, action) for t, part, action in rows]
        for name, rows in state["repairs"].items()
    }


def _refuse_late(
    state: Mapping[str, Any],
    months: Collection[int],
    times: Mapping[str, float],
    first: Mapping[str, float],
    repairs: dict[str, list[Repair]],
    config: Config,
    recalled: bool,
) -> None:
    """Refuse a night that a replay would judge in another order."""
    month = int(state["monthly"]["code"])
    if any(code > month for code in months) and not recalled:
        raise ReplayNeededError("a new month begins: judge all cycles again to refit")
    # Units that are new have seen nothing.
    known = {u: t for u, t in times.items() if u in state["units"] or u in first}
    late = late_units(
        known,
        first,
        (repairs_of_state(state), repairs),
        month,
        lambda name: config.unit(name).site or "",
    )
    if late:
        raise ReplayNeededError(f"{next(iter(late.values())).why}: judge them again")


def state_of(monthly: Mapping[str, Any], units: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Return a state that judging can go on from, as a month begins.

    Parameters
    ----------
    monthly, units
        As in ``Judged.begins``; units may be of different months.
    """
    return {
        "version": STATE_VERSION,
        "monthly": monthly,
        "units": {name: held["unit"] for name, held in units.items()},
        "power": {name: held["power"] for name, held in units.items() if "power" in held},
        "repairs": {},
    }


__all__ = [
    "Judged",
    "ReplayNeededError",
    "event_days",
    "judge",
    "judge_night",
    "state_of",
]
