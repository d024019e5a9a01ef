"""Stepping units over their rows of a month: unit by unit, so in any process."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..shared.config import Config
from .facts import Facts
from .monthly import Monthly
from .tracker import Repair, Rows, Track, track
from .unit import UnitState, find

FloatArray = NDArray[np.float64]

LEAST_WORK: Final = 3000
"""Rows, and ``UNIT_ROWS`` a unit, below which a month is stepped in this process."""
UNIT_ROWS: Final = 40
"""A unit's levels cost about as much as stepping over so many rows."""
FLAGGED_ROWS: Final = 4
"""A row beside a standing flag costs about as much as so many quiet ones."""


@dataclass(frozen=True)
class UnitStep:
    """One unit, and its rows of a month."""

    kind: str
    state: UnitState
    rows: Rows
    facts: Facts
    repairs: list[Repair]
    begins: bool = False
    """Whether its state as the month begins is asked for."""


@dataclass(frozen=True)
class MonthSteps:
    """Units that are stepped together."""

    units: tuple[UnitStep, ...]
    monthly: Monthly
    config: Config


@dataclass(frozen=True)
class UnitStepped:
    """A unit after its rows."""

    state: UnitState
    moved: Track
    """Without the charts' levels, which only findings need."""
    odd: FloatArray | None
    """The forest's p-values over all signs, shape (rows,); None without a forest."""
    begun: dict[str, Any] | None
    """The state as the month began, where it was asked for."""


def split(task: MonthSteps, parts: int) -> list[MonthSteps]:
    """Split units into tasks of about equal work; small work stays together."""
    work = np.array([_work(u) for u in task.units], dtype=np.float64)
    if parts <= 1 or work.sum() < LEAST_WORK:
        return [task]
    middle = np.cumsum(work) - work / 2.0
    group = np.minimum((middle / work.sum() * parts).astype(np.int64), parts - 1)
    chosen = [
        tuple(u for u, g in zip(task.units, group.tolist(), strict=True) if g == k)
        for k in range(parts)
    ]
    return [replace(task, units=units) for units in chosen if units]


def _work(unit: UnitStep) -> int:
    times = FLAGGED_ROWS if unit.state.ledger.standing_all() else 1
    return len(unit.rows.program) * times + UNIT_ROWS


def step_units(task: MonthSteps) -> list[UnitStepped]:
    """Step the charts of units over their rows and find what stands out.

    The states of the task are changed in place.
    """
    begun = [u.state.to_json() if u.begins else None for u in task.units]
    moved = [_step(u, task.monthly) for u in task.units]
    odd = _score(task, moved)
    done = []
    for unit, charts, p, before in zip(task.units, moved, odd, begun, strict=True):
        find(
            unit.state,
            unit.rows,
            charts,
            unit.facts,
            p,
            task.monthly.reference(unit.kind),
            task.config,
        )
        none = np.empty((0, 2, 0))
        kept = replace(charts, delta=none, variance=none)
        done.append(UnitStepped(unit.state, kept, p.get("all"), before))
    return done


def _step(unit: UnitStep, monthly: Monthly) -> Track:
    since, end = unit.state.tracker.time, float(unit.rows.time[-1])
    due = [r for r in unit.repairs if (math.isnan(since) or r.time >= since) and r.time < end]
    return track(unit.state.tracker, unit.rows, monthly.reference(unit.kind), due)


def _score(task: MonthSteps, moved: list[Track]) -> list[dict[str, FloatArray]]:
    """Return the forests' p-values of each unit's rows, in one batch a forest."""
    out: list[dict[str, FloatArray]] = [{} for _ in task.units]
    groups: dict[str, list[int]] = {}
    for i, unit in enumerate(task.units):
        kind = unit.kind if unit.kind in task.monthly.forests else "*"
        if kind in task.monthly.forests:
            groups.setdefault(kind, []).append(i)
    for kind, members in groups.items():
        blocks = [moved[i].z for i in members]
        p = task.monthly.forests[kind].p_values(np.concatenate(blocks))
        ends = np.cumsum([len(b) for b in blocks]).tolist()
        for i, block, end in zip(members, blocks, ends, strict=True):
            seen = np.isfinite(block).any(axis=1)
            out[i] = {
                s: np.where(seen, values[end - len(block) : end], np.nan)
                for s, values in p.items()
            }
    return out
