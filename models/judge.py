"""Judge a fleet's cycles: verdicts, flags, residuals.

Cycles are replayed in event order, month by month, unit by unit. A month's
reference is fitted from cycles before it; within a month a unit's rows depend on
its own past and on what its site did on earlier days. So the flags of a run as
of some moment are the beginning of the flags of any later run, and a night that
goes on from a state ends where one run over everything ends.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Config
from ..shared.errors import ChamberdriftError
from .facts import Facts, facts_of
from .late import Again, late_units
from .month_steps import MonthSteps, UnitStep, split, step_units
from .monthly import Mapper, Monthly, fit_month
from .months import month_name
from .panel import Panel, event_days, make_panel, repairs_of
from .plain import plain
from .recall import Past, Tracks, past_rows, recall_table, recalled_rows, sampled, seen_before
from .result import Judged, MonthBegin, result, with_journal
from .site import PowerMemory
from .tracker import Repair
from .unit import UnitState

FloatArray = NDArray[np.float64]

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
    mapper: Mapper = map,
    parts: int = 1,
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
    mapper, parts
        A pool's ``map`` and how many processes it has, to spread units over.

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
        mapper=mapper,
        parts=parts,
    )


@dataclass
class _Fleet:
    """What is carried from chunk to chunk."""

    states: dict[str, UnitState]
    memories: dict[str, PowerMemory]
    monthly: Monthly | None
    repairs: dict[str, list[Repair]]
    """Service rows that were seen."""


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
    mapper: Mapper = map,
    parts: int = 1,
) -> tuple[Judged, dict[str, Any]]:
    fleet = _read(state)
    panel = make_panel(cycles, config, as_of, fleet.memories)
    repairs = repairs_of(service, as_of)
    month = panel.month
    if state is not None and again is None:
        _refuse_late(fleet, panel, repairs, config, recalled is not None)
    for name in panel.units:
        fleet.states.setdefault(name, UnitState.new(name))
    kinds = {name: config.unit(name).type for name in fleet.states}
    tracks: Tracks = {name: [] for name in panel.units}
    odd_p = np.full(len(month), np.nan)
    facts = facts_of(panel.frame, panel.verdict)
    now = math.inf if fleet.monthly is None else fleet.monthly.code
    held = {} if again is None else again.months
    codes = sorted({*np.unique(month).tolist(), *(code for code in held if code > now)})
    begins: dict[int, MonthBegin] = {}
    for code in codes:
        own: list[str] = []
        if fleet.monthly is None or fleet.monthly.code != code:
            known = held.get(code)
            if known is None:
                seen = seen_before(fleet.states)
                past = past_rows(code, sampled(seen, kinds), panel, tracks, recalled or {})
                fleet.monthly = fit_month(code, past, seen, kinds, mapper if parts > 1 else map)
            else:
                fleet.monthly = Monthly.from_json(dict(known))
            if keep and code > codes[-1] - KEPT_MONTHS:
                joins = {} if again is None or known is None else again.since
                own = [u for u in fleet.states if known is None or joins.get(u, math.inf) <= code]
                own = list(seen_before({u: fleet.states[u] for u in own}))
                begins[code] = MonthBegin(fleet.monthly.to_json(), {})
        steps = _steps(fleet, panel, month == code, repairs, kinds, facts, set(own))
        task = MonthSteps(tuple(s for _, s in steps), replace(fleet.monthly, pools={}), config)
        tasks = split(task, parts)
        made = mapper(step_units, tasks) if len(tasks) > 1 else map(step_units, tasks)
        stepped = [one for group in made for one in group]
        told: dict[str, dict[str, Any]] = {}
        for (first, step), done in zip(steps, stepped, strict=True):
            name = step.state.ledger.unit_id
            fleet.states[name] = done.state
            tracks[name].append((first, done.moved))
            if done.odd is not None:
                odd_p[first : first + len(done.odd)] = done.odd
            if done.begun is not None:
                told[name] = done.begun
        if own:
            begins[code].units.update(_begun(fleet, panel, code, own, told))
    fleet.repairs = {
        name: [r for r in rows if r.time < fleet.states[name].tracker.time]
        for name, rows in repairs.items()
        if name in fleet.states
    }
    called = {code: month_name(code) for code in codes}
    version = [called[code] for code in month.tolist()]
    # The state is written first: what is retired or forecast belongs to the view of tonight.
    carried = _write(fleet) if keep and fleet.monthly is not None else {}
    judged = result(panel, fleet.states, tracks, config, version, odd_p, as_of)
    if keep and fleet.monthly is not None:
        oldest = fleet.monthly.code - KEPT_MONTHS
        recall = recall_table(panel, tracks, sampled(fleet.states, kinds), oldest)
        judged = replace(judged, recall=recall, begins=begins)
    return judged, carried


def _begun(
    fleet: _Fleet, panel: Panel, code: int, names: list[str], told: dict[str, dict[str, Any]]
) -> dict[str, dict[str, Any]]:
    """Return some units as a month began: as their steps told, or as they still are."""
    at = [c for c in panel.memories if c >= code]
    memories = panel.memories[min(at)] if at else fleet.memories
    units = {}
    for name in names:
        units[name] = {"unit": told.get(name) or fleet.states[name].to_json()}
        if name in memories:
            units[name]["power"] = plain(memories[name].to_json())
    return units


def _steps(
    fleet: _Fleet,
    panel: Panel,
    inside: NDArray[np.bool_],
    repairs: dict[str, list[Repair]],
    kinds: dict[str, str],
    facts: Facts,
    begins: set[str],
) -> list[tuple[int, UnitStep]]:
    """Return what each unit has to be stepped over in a month, and its first row."""
    out = []
    for name in panel.units:
        own = panel.rows_of(name)
        at = own.start + np.flatnonzero(inside[own])
        if at.size:
            first, last = int(at[0]), int(at[-1]) + 1
            step = UnitStep(
                kinds[name],
                fleet.states[name],
                panel.rows.part(first, last),
                facts.part(first, last),
                repairs.get(name, []),
                name in begins,
            )
            out.append((first, step))
    return out


def _read(state: dict[str, Any] | None) -> _Fleet:
    if state is None:
        return _Fleet({}, {}, None, {})
    if state.get("version") != STATE_VERSION:
        raise ReplayNeededError("the judge's state is of another version: judge all cycles again")
    return _Fleet(
        {name: UnitState.from_json(data) for name, data in state["units"].items()},
        {name: PowerMemory.from_json(data) for name, data in state["power"].items()},
        Monthly.from_json(state["monthly"]),
        repairs_of_state(state),
    )


def repairs_of_state(state: Mapping[str, Any]) -> dict[str, list[Repair]]:
    """Return the service rows that a state has seen."""
    return {
        name: [Repair(float(t), part, action) for t, part, action in rows]
        for name, rows in state["repairs"].items()
    }


def _write(fleet: _Fleet) -> dict[str, Any]:
    assert fleet.monthly is not None
    return {
        "version": STATE_VERSION,
        "monthly": fleet.monthly.to_json(),
        "units": {name: s.to_json() for name, s in fleet.states.items()},
        "power": plain({name: m.to_json() for name, m in fleet.memories.items()}),
        "repairs": {
            name: [[r.time, r.part, r.action] for r in rows]
            for name, rows in fleet.repairs.items()
        },
    }


def _refuse_late(
    fleet: _Fleet,
    panel: Panel,
    repairs: dict[str, list[Repair]],
    config: Config,
    recalled: bool,
) -> None:
    """Refuse a night that a replay would judge in another order."""
    if fleet.monthly is None:
        return
    if (panel.month > fleet.monthly.code).any() and not recalled:
        raise ReplayNeededError("a new month begins: judge all cycles again to refit")
    late = late_units(
        {name: known.tracker.time for name, known in fleet.states.items()},
        {name: float(panel.rows.time[panel.rows_of(name).start]) for name in panel.units},
        (fleet.repairs, repairs),
        fleet.monthly.code,
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
