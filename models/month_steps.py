"""Stepping units over their rows of a month: unit by unit, so in any process."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..shared.config import Config
from .facts import Facts
from .monthly import Monthly
from .tracker import Repair, Rows, Track, track
from .unit import UnitState, find

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class UnitStep:
    """One unit, and its rows of a month."""

    kind: str
    state: UnitState
    rows: Rows
    facts: Facts
    repairs: list[Repair]


@dataclass(frozen=True)
class UnitStepped:
    """What was found at a unit's rows."""

    moved: Track
    odd: FloatArray | None
    """The forest's p-values over all signs, shape (rows,); None without a forest."""


def step_units(units: list[UnitStep], monthly: Monthly, config: Config) -> list[UnitStepped]:
    """Step the charts of units over their rows of a month and find what stands out.

    The units' states are changed in place.
    """
    moved = [_step(u, monthly) for u in units]
    odd = _score(units, monthly, moved)
    for unit, charts, p in zip(units, moved, odd, strict=True):
        reference = monthly.reference(unit.kind)
        find(unit.state, unit.rows, charts, unit.facts, p, reference, config)
    return [UnitStepped(m, p.get("all")) for m, p in zip(moved, odd, strict=True)]


def _step(unit: UnitStep, monthly: Monthly) -> Track:
    since, end = unit.state.tracker.time, float(unit.rows.time[-1])
    due = [r for r in unit.repairs if (math.isnan(since) or r.time >= since) and r.time < end]
    return track(unit.state.tracker, unit.rows, monthly.reference(unit.kind), due)


def _score(
    units: list[UnitStep], monthly: Monthly, moved: list[Track]
) -> list[dict[str, FloatArray]]:
    """Return the forests' p-values of each unit's rows, in one batch a forest."""
    out: list[dict[str, FloatArray]] = [{} for _ in units]
    groups: dict[str, list[int]] = {}
    for i, unit in enumerate(units):
        kind = unit.kind if unit.kind in monthly.forests else "*"
        if kind in monthly.forests:
            groups.setdefault(kind, []).append(i)
    for kind, members in groups.items():
        blocks = [moved[i].z for i in members]
        p = monthly.forests[kind].p_values(np.concatenate(blocks))
        ends = np.cumsum([len(b) for b in blocks]).tolist()
        for i, block, end in zip(members, blocks, ends, strict=True):
            seen = np.isfinite(block).any(axis=1)
            out[i] = {
                s: np.where(seen, values[end - len(block) : end], np.nan)
                for s, values in p.items()
            }
    return out
