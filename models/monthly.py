"""What is refitted at the start of each month: references and forests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .forest import HEALTHY_AFTER_DAYS, Forest, Pool, fit_forest, make_pool
from .months import month_name, month_start
from .plain import plain
from .recall import Past, levelled, sampled
from .reference import BLOCK_DAYS, ROWS_A_UNIT, SHIPPED, Reference, fit_reference
from .unit import UnitState

FloatArray = NDArray[np.float64]
FOREST_UNITS: Final = 20
"""Units of a type before it has a forest of its own; below, residuals of all types are
pooled: they are in each unit's own standard deviations already (design choice)."""


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
    code: int, past: Past, states: dict[str, UnitState], kinds: dict[str, str]
) -> Monthly:
    """Refit from the rows before a month.

    Parameters
    ----------
    code
        The month.
    past
        The window's rows of the sampled units.
    states
        All units that were seen before the month.
    kinds
        Each unit's type.
    """
    references = _references(code, past, states, kinds)
    pools = _pools(code, past, states, kinds)
    return Monthly(code, references, pools, _fit(pools, code))


def _fit(pools: dict[str, Pool], code: int) -> dict[str, Forest]:
    found = {kind: fit_forest(month_name(code), kind, pool) for kind, pool in pools.items()}
    return {kind: forest for kind, forest in found.items() if forest is not None}


def _references(
    code: int, past: Past, states: dict[str, UnitState], kinds: dict[str, str]
) -> dict[str, Reference]:
    # Wander is pooled over all types: a type has few units, and weeks are alike.
    levels = np.array([states[u].slow_level for u in levelled(states)])
    chosen = sampled(states, kinds)
    out = {}
    for kind in sorted({kinds[u] for u in states}):
        signs, circumstances, times, names, owner = [], [], [], [], []
        for i, u in enumerate([u for u in chosen if kinds[u] == kind]):
            if u not in past:
                continue
            rows = past[u]
            at = np.flatnonzero(rows.complete)[-ROWS_A_UNIT:]
            signs.append(rows.signs[at])
            circumstances.append(rows.circumstances[at])
            times.append(rows.time[at])
            names.append(rows.program[at])
            owner.append(np.full(at.size, i, dtype=np.int64))
        if not sum(t.size for t in times):
            out[kind] = SHIPPED
            continue
        block = (np.concatenate(times) // BLOCK_DAYS).astype(np.int64)
        _, program = np.unique(np.concatenate(names), return_inverse=True)
        group = (np.concatenate(owner) * 1000 + program) * 100_000 + block
        out[kind] = fit_reference(
            month_name(code), np.concatenate(signs), np.concatenate(circumstances), group, levels
        )
    return out


def _pools(
    code: int, past: Past, states: dict[str, UnitState], kinds: dict[str, str]
) -> dict[str, Pool]:
    """Gather healthy rows that are old enough, per type with many units and for all."""
    start = month_start(code)
    rows: dict[str, list[FloatArray]] = {}
    names: dict[str, list[str]] = {}
    for u in sampled(states, kinds):
        if u not in past:
            continue
        own = past[u]
        old = own.time < start - HEALTHY_AFTER_DAYS
        block = own.z[own.ready & old & states[u].healthy(own.time)]
        if len(block):
            for kind in (kinds[u], "*"):
                rows.setdefault(kind, []).append(block)
                names.setdefault(kind, []).append(u)
    many = {k for k, blocks in rows.items() if k != "*" and len(blocks) >= FOREST_UNITS}
    # All types together only where a type has too few units for a forest of its own.
    wanted = many if {kinds[u] for u in states} <= many else many | {"*"}
    return {k: make_pool(k, names[k], rows[k]) for k in sorted(wanted) if k in rows}
