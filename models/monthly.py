"""What is refitted at the start of each month: references and forests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .forest import HEALTHY_AFTER_DAYS, Forest, Pool, fit_forest, make_pool
from .months import month_name, month_start
from .panel import Panel
from .plain import plain
from .reference import BLOCK_DAYS, ROWS_A_UNIT, SHIPPED, UNITS_A_TYPE, Reference, fit_reference
from .tracker import Track
from .unit import UnitState

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FOREST_UNITS: Final = 20
"""Units of a type before it has a forest of its own; below, residuals of all types are
pooled: they are in each unit's own standard deviations already (design choice)."""
FOREST_MONTHS: Final = 6
"""Months of cycles that a forest is fitted on (bounds the work of a long history)."""

Tracks = dict[str, list[tuple[int, Track]]]


@dataclass(frozen=True)
class Monthly:
    """Everything that holds for one calendar month."""

    code: int
    references: dict[str, Reference]
    """Per unit type."""
    pools: dict[str, Pool]
    """Healthy rows behind the forests, per type; ``*`` for all types together."""
    forests: dict[str, Forest]

    def reference(self, kind: str) -> Reference:
        """Return a type's reference; the shipped one for a type that was not there yet."""
        return self.references.get(kind, SHIPPED)

    def forest(self, kind: str) -> Forest | None:
        """Return the forest for a type."""
        return self.forests.get(kind, self.forests.get("*"))

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and numbers; forests are refitted from their pools."""
        return {
            "code": self.code,
            "references": {k: r.to_json() for k, r in self.references.items()},
            "pools": plain({k: p.to_json() for k, p in self.pools.items()}),
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Monthly:
        """Read what ``to_json`` returned."""
        pools = {k: Pool.from_json(p) for k, p in data["pools"].items()}
        code = int(data["code"])
        return cls(
            code,
            {k: Reference.from_json(r) for k, r in data["references"].items()},
            pools,
            _fit(pools, code),
        )


def fit_month(
    code: int,
    panel: Panel,
    states: dict[str, UnitState],
    tracks: Tracks,
    month: IntArray,
    kinds: dict[str, str],
) -> Monthly:
    """Refit from the rows of a panel before a month."""
    references = _references(code, panel, states, month, kinds)
    pools = _pools(code, panel, states, tracks, kinds)
    return Monthly(code, references, pools, _fit(pools, code))


def _fit(pools: dict[str, Pool], code: int) -> dict[str, Forest]:
    found = {kind: fit_forest(month_name(code), kind, pool) for kind, pool in pools.items()}
    return {kind: forest for kind, forest in found.items() if forest is not None}


def _references(
    code: int,
    panel: Panel,
    states: dict[str, UnitState],
    month: IntArray,
    kinds: dict[str, str],
) -> dict[str, Reference]:
    before = month < code
    # Wander is pooled over all types: a type has few units, and weeks are alike.
    sample = sorted(states)[: 5 * UNITS_A_TYPE]
    levels = np.array([states[u].slow_level for u in sample])
    rows = panel.rows
    names = np.array(rows.program)
    out = {}
    for kind in sorted(set(kinds.values())):
        pieces, owner = [], []
        for i, u in enumerate([u for u in sorted(states) if kinds[u] == kind][:UNITS_A_TYPE]):
            own = panel.rows_of(u)
            past = (own.start + np.flatnonzero(before[own] & rows.complete[own]))[-ROWS_A_UNIT:]
            pieces.append(past)
            owner.append(np.full(past.size, i, dtype=np.int64))
        at = np.concatenate(pieces) if pieces else np.zeros(0, dtype=np.int64)
        if not at.size:
            out[kind] = SHIPPED
            continue
        block = (rows.time[at] // BLOCK_DAYS).astype(np.int64)
        _, program = np.unique(names[at], return_inverse=True)
        group = (np.concatenate(owner) * 1000 + program) * 100_000 + block
        out[kind] = fit_reference(
            month_name(code), rows.signs[at], rows.circumstances[at], group, levels
        )
    return out


def _pools(
    code: int,
    panel: Panel,
    states: dict[str, UnitState],
    tracks: Tracks,
    kinds: dict[str, str],
) -> dict[str, Pool]:
    """Gather healthy rows that are old enough, per type with many units and for all."""
    start = month_start(code)
    rows: dict[str, list[FloatArray]] = {}
    names: dict[str, list[str]] = {}
    for u in sorted(states):
        pieces = []
        for first, moved in tracks.get(u, [])[-FOREST_MONTHS:]:
            time = panel.rows.time[first : first + len(moved.epoch)]
            old = time < start - HEALTHY_AFTER_DAYS
            pieces.append(moved.z[moved.ready & old & states[u].healthy(time)])
        block = np.concatenate(pieces) if pieces else np.zeros((0, 0))
        if len(block):
            for kind in (kinds[u], "*"):
                rows.setdefault(kind, []).append(block)
                names.setdefault(kind, []).append(u)
    own = {k for k, blocks in rows.items() if k != "*" and len(blocks) >= FOREST_UNITS}
    # All types together only where a type has too few units for a forest of its own.
    wanted = own if set(kinds.values()) <= own else own | {"*"}
    return {k: make_pool(k, names[k], rows[k]) for k in sorted(wanted) if k in rows}
