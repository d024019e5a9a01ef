"""How many false flags a fleet's own weeks raise, beside what was designed."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final

from ..models.resampled import BLOCK_DAYS, LEAST_YEARS, Draws, healthy_units, realised
from ..shared.config import Budgets
from ..shared.errors import ChamberdriftError
from .evaluation_rates import poisson_lower, poisson_upper
from .evaluation_text import number, table
from .judge_stage import seen_cycles, seen_service
from .moment import moment_of
from .settings import read_settings
from .store import Store
from .views import tables_at
from .work import Progress

CONFIDENCE: Final = 0.95
LEAST_FACTOR: Final = 0.3
"""Less is not believed of a fleet: weeks in another order hold no slow wander (design choice)."""


@dataclass(frozen=True)
class DrawnRate:
    """False flags of one severity on drawn units of one type."""

    kind: str
    severity: str
    units: int
    healthy_years: float
    drawn_years: float
    flags: int
    per_unit_year: float
    low: float
    """One-sided lower bound."""
    high: float
    """One-sided upper bound."""
    designed: float


@dataclass(frozen=True)
class FalseFlags:
    """What drawing a fleet's weeks again found."""

    rates: tuple[DrawnRate, ...]
    enough: bool
    """Whether a type has healthy past enough to go by."""
    factor: float
    """What ``fleet_factor`` is now."""
    advised: float | None
    """What it should be; None where nothing says that it is wrong."""

    def as_dict(self) -> dict[str, Any]:
        """Return the whole as plain values."""
        return asdict(self)

    def text(self, width: int = 80) -> str:
        """Return the whole as people read it, sentences wrapped to ``width``."""
        rows = [
            [
                f"{r.kind or 'no type told'}, {r.severity}",
                str(r.units),
                number(r.healthy_years, 1),
                number(r.drawn_years, 1),
                str(r.flags),
                number(r.per_unit_year, 3),
                f"{r.low:.3f} to {r.high:.3f}",
                number(r.designed, 3),
            ]
            for r in self.rates
        ]
        head = [
            "Type and severity",
            "units",
            "unit-years",
            "judged",
            "flags",
            "per unit-year",
            "90 % interval",
            "designed",
        ]
        words = "\n".join(textwrap.wrap(self._words(), width, break_on_hyphens=False))
        advice = f"\n  [budgets]\n  fleet_factor = {self.advised:g}" if self.advised else ""
        return f"{table(head, rows)}\n\n{words}{advice}"

    def _words(self) -> str:
        if not self.enough:
            advice = (
                f"No type has {LEAST_YEARS:g} healthy unit-years yet: the shipped limits stay the "
                "better guess, and nothing is advised."
            )
        elif self.advised is None:
            advice = (
                "The designed rate of service flags lies inside the interval: nothing to change."
            )
        else:
            advice = "To bring service flags to the designed rate, set in chamberdrift.toml:"
        return (
            f"Units on which nothing was found, made again out of their own weeks ({BLOCK_DAYS} "
            "days each) in an order drawn by chance, and judged from their first cycle on. "
            "Levels that wander over more than a week are torn by it, and the interval holds the "
            f"chance of drawing alone: read the rate as a least. {advice}"
        )


def false_flags(
    address: str,
    *,
    draws: int = 4,
    seed: int = 0,
    as_of: datetime | None = None,
    progress: Progress | None = None,
) -> FalseFlags:
    """Draw a store's healthy weeks again and count what judging raises.

    Parameters
    ----------
    address
        Of the store. Nothing is written.
    draws
        How often the fleet is drawn, 1 or more.
    seed
        Of the chance: the same seed gives the same answer.
    as_of
        Nothing later is seen; None: everything is.
    progress
        Called after each draw.

    Raises
    ------
    ChamberdriftError
        If the store holds no unit to draw from.
    """
    store = Store.open(address)
    config = read_settings(store.place)
    snapshot = store.snapshot()
    moment = moment_of(as_of, snapshot)
    cycles = seen_cycles(snapshot.table("cycles"), moment)
    service = seen_service(snapshot.table("service"), moment)
    healthy = healthy_units(cycles, tables_at(snapshot, config, moment).flags, service)
    own = cycles[cycles["unit_id"].isin(healthy)]
    found: dict[str, Draws] = {}
    for one, number_of in realised(own, config, draws=draws, seed=seed):
        found[one.kind] = one
        if progress is not None:
            progress(one.kind or "units", number_of, draws)
    if not found:
        raise ChamberdriftError(
            f"{address}: no unit has eight weeks of cycles without a finding; draw again when "
            "there is more past."
        )
    return summed_up(list(found.values()), config.budgets)


def summed_up(found: Sequence[Draws], budgets: Budgets) -> FalseFlags:
    """Return rates with bounds, and what they advise.

    Parameters
    ----------
    found
        What was raised on each type.
    budgets
        Under which it was raised.
    """
    rates = tuple(r for one in found for r in _rates(one, budgets))
    enough = [r for r in rates if r.severity == "service" and r.healthy_years >= LEAST_YEARS]
    return FalseFlags(rates, bool(enough), budgets.fleet_factor, _advised(enough, budgets))


def _rates(one: Draws, budgets: Budgets) -> list[DrawnRate]:
    years = one.drawn_years
    return [
        DrawnRate(
            one.kind,
            severity,
            one.units,
            one.healthy_years,
            years,
            count,
            count / years,
            poisson_lower(count, CONFIDENCE) / years,
            poisson_upper(count, CONFIDENCE) / years,
            getattr(budgets, severity),
        )
        for severity, count in one.flags.items()
    ]


def _advised(enough: list[DrawnRate], budgets: Budgets) -> float | None:
    """Return the factor that the worst of the types asks for."""
    if not enough:
        return None
    worst = max(enough, key=lambda r: r.per_unit_year)
    if worst.low <= worst.designed <= worst.high:
        return None
    measured = max(worst.per_unit_year, worst.high / 3.0)  # no flag at all is not a rate of 0
    return round(max(budgets.fleet_factor * measured / worst.designed, LEAST_FACTOR), 2)
