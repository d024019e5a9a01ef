"""What is refitted at the start of each month: references and forests."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
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
FIT_WORK: Final = 2000
"""Rows from which on a month's fits are worth a pool: a quarter of a second."""

Mapper = Callable[[Callable[[Any], Any], Sequence[Any]], Iterable[Any]]
"""Shaped like ``map``; a pool's, to spread work over processes."""


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


@dataclass(frozen=True)
class _ReferenceTask:
    """Rows that one type's reference is fitted from."""

    kind: str
    point: str
    rows: tuple[FloatArray, FloatArray, NDArray[np.int64]] | None
    """Signs, circumstances and group; None: there are none."""
    levels: FloatArray

    def fit(self) -> Reference:
        return fit_reference(self.point, *self.rows, self.levels) if self.rows else SHIPPED


@dataclass(frozen=True)
class _ForestTask:
    """Rows that one forest is grown from."""

    kind: str
    point: str
    pool: Pool

    def fit(self) -> Forest | None:
        return fit_forest(self.point, self.kind, self.pool)


def _fit_one(task: _ReferenceTask | _ForestTask) -> Reference | Forest | None:
    return task.fit()


def fit_month(
    code: int,
    past: Past,
    states: dict[str, UnitState],
    kinds: dict[str, str],
    mapper: Mapper = map,
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
    mapper
        A pool's ``map``: references and forests need nothing of each other.
    """
    references = _references(code, past, states, kinds)
    pools = _pools(code, past, states, kinds)
    forests = [_ForestTask(kind, month_name(code), pool) for kind, pool in pools.items()]
    rows = sum(len(r.rows[2]) for r in references if r.rows) + sum(
        len(p.fit) for p in pools.values()
    )
    made = list((mapper if rows >= FIT_WORK else map)(_fit_one, [*forests, *references]))
    grown = zip(pools, made, strict=False)
    return Monthly(
        code,
        {t.kind: r for t, r in zip(references, made[len(forests) :], strict=True)},
        pools,
        {kind: forest for kind, forest in grown if forest is not None},
    )


def _fit(pools: dict[str, Pool], code: int) -> dict[str, Forest]:
    found = {kind: fit_forest(month_name(code), kind, pool) for kind, pool in pools.items()}
    return {kind: forest for kind, forest in found.items() if forest is not None}


def _references(
    code: int, past: Past, states: dict[str, UnitState], kinds: dict[str, str]
) -> list[_ReferenceTask]:
    # Wander is pooled over all types: a type has few units, and weeks are alike.
    levels = np.array([states[u].slow_level for u in levelled(states)])
    chosen = sampled(states, kinds)
    out = []
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
            out.append(_ReferenceTask(kind, month_name(code), None, levels))
            continue
        block = (np.concatenate(times) // BLOCK_DAYS).astype(np.int64)
        _, program = np.unique(np.concatenate(names), return_inverse=True)
        group = (np.concatenate(owner) * 1000 + program) * 100_000 + block
        both = np.concatenate(signs), np.concatenate(circumstances), group
        out.append(_ReferenceTask(kind, month_name(code), both, levels))
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
