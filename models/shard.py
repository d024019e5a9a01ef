"""Some of a fleet's units, kept by one process for a whole run.

A shard holds its units' cycles, states and charts. It is asked month after month: what its
units have for the fits, then to step over the month with what was fitted. Each function here
takes a shard and one thing that is asked of it, so that it can be called where the shard is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Config
from .facts import Facts, facts_of
from .month_steps import UnitStep, step_units
from .monthly import Ask, Found, Monthly, Offer, Wanted, offer
from .months import month_name, month_start
from .panel import Panel, make_panel, without_mains
from .plain import plain
from .recall import UnitRows, part_of, recall_table, rows_between, window_start
from .result import Charted, Piece, judged_of, residuals_of, told_of
from .site import Days, PowerMemory
from .tracker import Repair
from .unit import UnitState

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEAST_WORK: Final = 3000
"""Rows, and ``UNIT_ROWS`` a unit, below which a run stays in this process."""
UNIT_ROWS: Final = 40
"""A unit's levels cost about as much as stepping over so many rows."""


@dataclass(frozen=True)
class Load:
    """What a shard is made of."""

    cycles: pd.DataFrame
    repairs: Mapping[str, list[Repair]]
    """Service rows of its units."""
    config: Config
    units: Mapping[str, Any]
    power: Mapping[str, Any]
    """States of its units, and what they carry for their sites, as plain JSON."""
    recalled: Mapping[str, UnitRows]
    """Rows of earlier runs that fits may read."""


@dataclass
class Shard:
    """Units, and how far they are."""

    load: Load
    states: dict[str, UnitState]
    memories: dict[str, PowerMemory]
    kinds: dict[str, str]
    panel: Panel
    facts: Facts
    charts: Charted
    odd_p: FloatArray
    healthy: dict[str, IntArray] = field(default_factory=dict)
    """By unit, the rows in the window that a forest may grow from."""
    begun: dict[int, dict[str, dict[str, Any]]] = field(default_factory=dict)
    settled: bool = False
    """Whether what its sites share was taken off."""
    month: float = -math.inf
    """The last month that was stepped over; infinite at the end."""

    def go_on(self, month: float) -> None:
        """Refuse to be changed twice in the same way, as by a call that is tried again."""
        if month <= self.month:
            raise RuntimeError("a shard was asked for what it has behind it")
        self.month = month


def open_shard(load: Load) -> Shard:
    """Make a shard."""
    states = {name: UnitState.from_json(data) for name, data in load.units.items()}
    memories = {name: PowerMemory.from_json(data) for name, data in load.power.items()}
    panel = make_panel(load.cycles, load.config, memories)
    for name in panel.units:
        states.setdefault(name, UnitState.new(name))
    rows = len(panel.month)
    return Shard(
        replace(load, cycles=load.cycles.iloc[:0], units={}, power={}),
        states,
        memories,
        {name: load.config.unit(name).type for name in states},
        panel,
        facts_of(panel.frame, panel.verdict),
        Charted.empty(rows),
        np.full(rows, np.nan),
    )


@dataclass(frozen=True)
class Opened:
    """What a shard holds."""

    seen: dict[str, float]
    """By unit, the end of its last judged cycle [days], NaN for none."""
    first: dict[str, float]
    """By unit with new cycles, the end of the first of them [days]."""
    months: list[int]
    means: dict[tuple[str, int], list[Days]]
    """By site and month, its units' mean power before each day."""
    members: dict[str, int]
    """Units by site."""


def opened(shard: Shard, _: None) -> Opened:
    """Tell what a shard holds."""
    panel = shard.panel
    members: dict[str, int] = {}
    for name in shard.memories:
        site = shard.load.config.unit(name).site
        if site:
            members[site] = members.get(site, 0) + 1
    return Opened(
        {name: state.tracker.time for name, state in shard.states.items()},
        {u: float(panel.rows.time[panel.rows_of(u).start]) for u in panel.units},
        np.unique(panel.month).tolist(),
        panel.means,
        members,
    )


def settle(shard: Shard, common: Mapping[tuple[str, int], Days]) -> None:
    """Take off what sites moved in common, by site and month."""
    if shard.settled:
        raise RuntimeError("a shard was asked for what it has behind it")
    shard.settled = True
    shard.panel = without_mains(shard.panel, shard.load.config, common)


def tell(shard: Shard, ask: Ask) -> dict[str, Offer]:
    """Tell what each unit has for a month's fits."""
    begin, end = window_start(ask.code), month_start(ask.code)
    shard.healthy = {}
    out = {}
    for name, state in shard.states.items():
        rows = None
        if name in ask.rows_of:
            rows = rows_between(_pieces(shard, name), begin, end)
        if name in ask.rows_of or name in ask.levels_of:
            levels = name in ask.levels_of
            out[name], shard.healthy[name] = offer(rows, state, ask.code, levels=levels)
    return out


def fetch(shard: Shard, wanted: tuple[int, Wanted]) -> Found:
    """Return standardised residuals of healthy rows, for a month."""
    code, pools = wanted
    begin, end = window_start(code), month_start(code)
    rows: dict[str, UnitRows | None] = {}
    found: Found = {}
    for pool, units in pools.items():
        found[pool] = {}
        for name, at in units.items():
            if name not in shard.states:
                continue
            if name not in rows:
                rows[name] = rows_between(_pieces(shard, name), begin, end)
            own = rows[name]
            assert own is not None
            found[pool][name] = own.z[shard.healthy[name][at]]
    return found


def _pieces(shard: Shard, name: str) -> list[UnitRows]:
    """Return a unit's rows of earlier runs and of this one."""
    recalled = shard.load.recalled
    out = [recalled[name]] if name in recalled else []
    if name in shard.panel.units_at:
        out.append(part_of(_rows(shard), shard.panel.rows_of(name)))
    return out


def _rows(shard: Shard) -> UnitRows:
    rows, charts = shard.panel.rows, shard.charts
    return UnitRows(
        rows.time,
        shard.panel.program,
        rows.complete,
        charts.ready,
        rows.signs,
        rows.circumstances,
        charts.z,
    )


@dataclass(frozen=True)
class Month:
    """A month to step over."""

    monthly: Monthly
    """What holds in it; the forests' rows are not needed."""
    begins: frozenset[str] | None
    """Units whose states are kept as it begins; None: its begin is not kept."""


def step(shard: Shard, month: Month) -> list[str]:
    """Step over a month; return the units that had cycles in it."""
    code, panel = month.monthly.code, shard.panel
    shard.go_on(code)
    if month.begins is not None:
        shard.begun[code] = _begun(shard, code, month.begins)
    inside = panel.month == code
    steps, firsts = [], []
    for name in panel.units:
        own = panel.rows_of(name)
        at = own.start + np.flatnonzero(inside[own])
        if at.size:
            first, last = int(at[0]), int(at[-1]) + 1
            firsts.append(first)
            steps.append(
                UnitStep(
                    shard.kinds[name],
                    shard.states[name],
                    panel.rows.part(first, last),
                    shard.facts.part(first, last),
                    shard.load.repairs.get(name, []),
                )
            )
    done = step_units(steps, month.monthly, shard.load.config)
    for first, one in zip(firsts, done, strict=True):
        shard.charts.put(first, one.moved)
        if one.odd is not None:
            shard.odd_p[first : first + len(one.odd)] = one.odd
    return [s.state.ledger.unit_id for s in steps]


def _begun(shard: Shard, code: int, names: frozenset[str]) -> dict[str, dict[str, Any]]:
    """Return units as a month begins."""
    at = [c for c in shard.panel.memories if c >= code]
    memories = shard.panel.memories[min(at)] if at else shard.memories
    units = {}
    for name in [n for n in shard.states if n in names]:
        units[name] = {"unit": shard.states[name].to_json()}
        if name in memories:
            units[name]["power"] = plain(memories[name].to_json())
    return units


@dataclass(frozen=True)
class End:
    """What is asked for at the end of a run."""

    as_of: pd.Timestamp | None
    keep: bool
    """Whether states are."""
    recall_of: frozenset[str]
    """Units whose rows are kept for later fits."""
    recall_since: float
    """From when on [days]."""


def finish(shard: Shard, end: End) -> Piece:
    """Return what a shard's units give to the tables, and their states."""
    panel, config = shard.panel, shard.load.config
    shard.go_on(math.inf)
    called = {code: month_name(code) for code in np.unique(panel.month).tolist()}
    # States are written first: what is retired or forecast belongs to the view of tonight.
    states = {name: s.to_json() for name, s in shard.states.items()} if end.keep else {}
    power = plain({n: m.to_json() for n, m in shard.memories.items()}) if end.keep else {}
    flags, forecasts = told_of(shard.states, config, end.as_of)
    time = panel.rows.time
    kept = [np.zeros(0, dtype=np.int64)]
    for name in panel.units if end.keep else ():
        if name in end.recall_of:
            own = panel.rows_of(name)
            skipped = int(np.searchsorted(time[own], end.recall_since))
            kept.append(np.arange(own.start + skipped, own.stop))
    repairs = {
        u: [[r.time, r.part, r.action] for r in rows if r.time < shard.states[u].tracker.time]
        for u, rows in shard.load.repairs.items()
        if u in shard.states
    }
    return Piece(
        judged_of(panel, [called[code] for code in panel.month.tolist()], shard.odd_p),
        residuals_of(panel, shard.charts),
        flags,
        forecasts,
        float(time.max()) if time.size else math.nan,
        recall_table(panel.frame, _rows(shard), np.concatenate(kept)),
        shard.begun,
        states,
        power,
        repairs,
    )
