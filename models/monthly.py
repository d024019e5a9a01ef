"""What is refitted at the start of each month: references and forests."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .forest import HEALTHY_AFTER_DAYS, Forest, Pool, fit_forest, plan_pool
from .months import month_name, month_start
from .plain import plain
from .recall import UnitRows, levelled, sampled_names, some_of
from .reference import BLOCK_DAYS, ROWS_A_UNIT, SHIPPED, Reference, fit_reference
from .unit import UnitState

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
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


@dataclass(frozen=True)
class Ask:
    """What a month's fits want to know of units."""

    code: int
    rows_of: frozenset[str]
    """Units whose rows are read."""
    levels_of: frozenset[str]
    """Units whose levels are."""


@dataclass(frozen=True)
class Offer:
    """What one unit has for a month's fits."""

    level: FloatArray | None
    """Slow level of its signs, shape (signs,); None where it was not asked for."""
    rows: UnitRows | None
    """Its last complete rows before the month, not more than a fit reads; None: it has none."""
    healthy: int
    """Its rows that a forest may grow from."""


Wanted = dict[str, dict[str, IntArray]]
"""By pool and unit, which of its healthy rows are wanted."""
Found = dict[str, dict[str, FloatArray]]
"""By pool and unit, these rows."""


def fit_month(
    code: int,
    seen: Collection[str],
    kinds: Mapping[str, str],
    ask: Callable[[Ask], dict[str, Offer]],
    fetch: Callable[[Wanted], Found],
    mapper: Mapper = map,
) -> Monthly:
    """Refit from the rows before a month.

    Parameters
    ----------
    code
        The month.
    seen
        Units that were seen before the month.
    kinds
        Each unit's type.
    ask, fetch
        Ask those who keep the units what these have, and for their healthy rows.
    mapper
        A pool's ``map``: references and forests need nothing of each other.
    """
    chosen = sampled_names(seen, kinds.__getitem__)
    leveled = levelled(seen)
    offers = ask(Ask(code, frozenset(chosen), frozenset(leveled)))
    types = sorted({kinds[u] for u in seen})
    # Wander is pooled over all types: a type has few units, and weeks are alike.
    levels = np.array([offers[u].level for u in leveled])
    references = [
        _reference(code, kind, [offers[u].rows for u in chosen if kinds[u] == kind], levels)
        for kind in types
    ]
    pools = _pools({u: offers[u].healthy for u in chosen}, types, kinds, fetch)
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


def _reference(
    code: int, kind: str, units: list[UnitRows | None], levels: FloatArray
) -> _ReferenceTask:
    signs, circumstances, times, names, owner = [], [], [], [], []
    for i, rows in enumerate(units):
        if rows is None:
            continue
        signs.append(rows.signs)
        circumstances.append(rows.circumstances)
        times.append(rows.time)
        names.append(rows.program)
        owner.append(np.full(rows.time.size, i, dtype=np.int64))
    if not sum(t.size for t in times):
        return _ReferenceTask(kind, month_name(code), None, levels)
    block = (np.concatenate(times) // BLOCK_DAYS).astype(np.int64)
    _, program = np.unique(np.concatenate(names), return_inverse=True)
    group = (np.concatenate(owner) * 1000 + program) * 100_000 + block
    both = np.concatenate(signs), np.concatenate(circumstances), group
    return _ReferenceTask(kind, month_name(code), both, levels)


def _pools(
    counts: Mapping[str, int],
    types: list[str],
    kinds: Mapping[str, str],
    fetch: Callable[[Wanted], Found],
) -> dict[str, Pool]:
    """Gather healthy rows, per type with many units and for all types; ``counts`` by unit."""
    names: dict[str, list[str]] = {}
    for unit, count in counts.items():
        if count:
            for kind in (kinds[unit], "*"):
                names.setdefault(kind, []).append(unit)
    many = {k for k, own in names.items() if k != "*" and len(own) >= FOREST_UNITS}
    # All types together only where a type has too few units for a forest of its own.
    wanted = [k for k in sorted(many if set(types) <= many else many | {"*"}) if k in names]
    plans = {k: plan_pool(k, names[k], [counts[u] for u in names[k]]) for k in wanted}
    found = fetch({k: plan.rows for k, plan in plans.items()}) if plans else {}
    return {k: plan.pool(found[k]) for k, plan in plans.items()}


def offer(
    rows: UnitRows | None, state: UnitState, code: int, *, levels: bool
) -> tuple[Offer, IntArray]:
    """Return what one unit has for a month's fits, and which of its rows are healthy.

    Parameters
    ----------
    rows
        Its rows in the month's window, where they are asked for.
    """
    level = state.slow_level if levels else None
    if rows is None:
        return Offer(level, None, 0), np.zeros(0, dtype=np.int64)
    last = np.flatnonzero(rows.complete)[-ROWS_A_UNIT:]
    old = rows.time < month_start(code) - HEALTHY_AFTER_DAYS
    healthy = np.flatnonzero(rows.ready & old & state.healthy(rows.time))
    return Offer(level, some_of(rows, last), healthy.size), healthy
