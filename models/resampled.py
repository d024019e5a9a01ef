"""A fleet's own weeks, drawn again: what judging raises where nothing happens.

Healthy units are made again out of whole blocks of seven days of their own past, in
an order drawn by chance, and judged from their first cycle on, so that baselines,
charts and forests are fitted anew on each draw. A drift is torn by the shuffling; what
is left is the fleet's own scatter, with the correlation of cycles inside a week.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from ..shared.config import Config
from ..shared.parts import EPOCH_ACTIONS, SEVERITIES
from ..shared.schema import CYCLES, SERVICE
from .judge import judge

BLOCK_DAYS: Final = 7
LEAST_YEARS: Final = 20.0
"""Unit-years of a type from which its own weeks say more than a simulation (design choice)."""
DAYS_A_YEAR: Final = 365.25
LEAST_BLOCKS: Final = 8
"""Weeks below which a unit is left out: its draws would be the same week again."""

_TIMES: Final = tuple(CYCLES.empty().select_dtypes("datetimetz").columns)


@dataclass(frozen=True)
class Draws:
    """Flags that judging raised on drawn units of a type."""

    kind: str
    units: int
    healthy_years: float
    """Unit-years of healthy past that were drawn from."""
    drawn_years: float
    """Unit-years that were judged, over all draws."""
    flags: dict[str, int]
    """Flags that reached each severity, counted once an episode."""


def healthy_units(cycles: pd.DataFrame, flags: pd.DataFrame, service: pd.DataFrame) -> list[str]:
    """Return units that nothing was found on.

    Parameters
    ----------
    cycles, flags, service
        Tables of those names.

    Returns
    -------
    list of str
        Units without a part replaced, cleaned or calibrated and without a flag of
        ``service`` or ``stop`` that stands or was ended by a service. A flag that went
        away by itself does not make a unit sick: leaving out what was raised by
        mistake would hide it.
    """
    worked = service.loc[service["action"].isin(EPOCH_ACTIONS), "unit_id"]
    called = flags["severity"].isin(["service", "stop"])
    went = flags["close_reason"].isin(["recovered", "superseded"])
    sick = {*worked.astype(str), *flags.loc[called & ~went, "unit_id"].astype(str)}
    return sorted(set(cycles["unit_id"].astype(str)) - sick)


def draw(cycles: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return each unit's cycles with its weeks in an order drawn with replacement.

    Parameters
    ----------
    cycles
        A ``cycles`` table.
    rng
        Chance.

    Returns
    -------
    DataFrame
        A ``cycles`` table over the same weeks; a week keeps its cycles, hours and
        weekdays. Weeks without a cycle are drawn like others.
    """
    frames = [_one(own, rng) for _, own in cycles.groupby("unit_id", sort=True, observed=True)]
    return pd.concat(frames, ignore_index=True) if frames else cycles


def _one(own: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    day = own["started_at"].dt.floor("D")
    week = ((day - day.min()) // pd.Timedelta(days=BLOCK_DAYS)).to_numpy(dtype=np.int64)
    drawn = rng.integers(0, week.max() + 1, week.max() + 1)
    order = np.argsort(week, kind="stable")
    first = np.searchsorted(week[order], drawn, side="left")
    count = np.searchsorted(week[order], drawn, side="right") - first
    inside = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    rows = order[np.repeat(first, count) + inside]
    made = np.repeat(np.arange(drawn.size), count)
    moved = pd.to_timedelta((made - week[rows]) * BLOCK_DAYS, unit="D")
    out = own.iloc[rows].reset_index(drop=True)
    changed = {name: out[name] + moved for name in _TIMES}
    changed["cycle_id"] = out["cycle_id"].astype(str) + "-" + pd.Series(made.astype(str))
    return out.assign(**changed)  # type: ignore[no-any-return]


def realised(
    cycles: pd.DataFrame, config: Config, *, draws: int, seed: int
) -> Iterator[tuple[Draws, int]]:
    """Judge drawn units of each type that has healthy past enough.

    Parameters
    ----------
    cycles
        Cycles of healthy units (``healthy_units``).
    config
        The configuration; its budgets apply.
    draws
        How often the whole fleet is drawn.
    seed
        Of the chance.

    Yields
    ------
    tuple of Draws and int
        What was raised so far on a type, after each draw, and the draw's number.
    """
    rng = np.random.default_rng(seed)
    kinds = cycles["unit_id"].map(lambda name: config.unit(str(name)).type or "")
    for kind, own in cycles.groupby(kinds.to_numpy(dtype=str), sort=True):
        span = own.groupby("unit_id", observed=True)["started_at"].agg(["min", "max"])
        days = (span["max"] - span["min"]).dt.total_seconds() / 86_400.0
        long = days[days >= LEAST_BLOCKS * BLOCK_DAYS]
        own = own[own["unit_id"].isin(long.index)]
        years = float(long.sum()) / DAYS_A_YEAR
        so_far = Draws(str(kind), len(long), years, 0.0, dict.fromkeys(SEVERITIES, 0))
        if years == 0.0:
            continue
        for number in range(1, draws + 1):
            flags = judge(draw(own, rng), SERVICE.empty(), config).flags
            rows = flags.drop_duplicates(["flag_id", "severity"])
            counts = rows["severity"].astype(str).value_counts()
            so_far = replace(
                so_far,
                drawn_years=so_far.drawn_years + years,
                flags={s: n + int(counts.get(s, 0)) for s, n in so_far.flags.items()},
            )
            yield so_far, number
