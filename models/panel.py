"""The cycles of a fleet as arrays, in unit and event order."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Config
from .baseline import TEST_KINDS
from .months import day_of, month_of, to_days
from .sign_values import circumstance_matrix, resolution_matrix, sign_matrix
from .signs import CIRCUMSTANCES, PRIOR_SLOPES
from .site import NO_DAYS, Days, PowerMemory, common_at, unit_means, unit_power
from .tracker import Repair, Rows
from .verdicts import verdicts

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MAINS: Final = CIRCUMSTANCES.index("mains")
MAINS_MOVES: Final = PRIOR_SLOPES[MAINS]
"""Movement of each sign per log of mains power."""


@dataclass(frozen=True)
class Panel:
    """Cycles in unit and event order."""

    frame: pd.DataFrame
    verdict: pd.DataFrame
    rows: Rows
    program: NDArray[np.str_]
    """Program of each row, or the kind of a test; as in ``rows``."""
    units: tuple[str, ...]
    starts: IntArray
    """First row of each unit, and the number of rows."""
    month: IntArray
    """Calendar month of each row, since 1970."""
    measured: NDArray[np.bool_]
    """Whether mains were measured, shape (rows,)."""
    means: dict[tuple[str, int], list[Days]]
    """By site and month, what its units' power was before each day."""
    memories: dict[int, dict[str, PowerMemory]]
    """What each unit carried for its site's mains proxy as each month began."""

    def rows_of(self, unit: str) -> slice:
        """Return the rows of a unit."""
        u = self.units_at[unit]
        return slice(int(self.starts[u]), int(self.starts[u + 1]))

    @cached_property
    def units_at(self) -> dict[str, int]:
        """Return the place of each unit."""
        return {name: u for u, name in enumerate(self.units)}


def event_days(cycles: pd.DataFrame) -> FloatArray:
    """Return the event time of each cycle: its end, else the last moment known of it."""
    ended = cycles["ended_at"].fillna(cycles["exposure_end"]).fillna(cycles["started_at"])
    return to_days(ended)


def ended_by(cycles: pd.DataFrame, as_of: pd.Timestamp | None) -> pd.DataFrame:
    """Return the cycles that had ended at a moment; None: all."""
    if as_of is None:
        return cycles
    kept = event_days(cycles) <= day_of(as_of)
    return cycles if kept.all() else cycles[kept]


def make_panel(cycles: pd.DataFrame, config: Config, memories: dict[str, PowerMemory]) -> Panel:
    """Sort cycles and turn them into arrays; what a site shares is not taken off yet.

    Parameters
    ----------
    cycles
        A ``cycles`` table.
    config
        Units and limits.
    memories
        What each unit carries for its site's mains proxy; changed in place, units
        that are new are added.
    """
    time = event_days(cycles)
    order = np.lexsort(
        (cycles["cycle_id"].to_numpy(dtype=str), time, cycles["unit_id"].to_numpy(dtype=str))
    )
    frame = cycles.iloc[order].reset_index(drop=True)
    time = time[order]
    names, unit = np.unique(frame["unit_id"].to_numpy(dtype=str), return_inverse=True)
    kind = frame["kind"].to_numpy(dtype=str)
    program = frame["program"].fillna("").to_numpy(dtype=str)
    program = np.where(np.isin(kind, TEST_KINDS), kind, program)
    complete = (
        (frame["completion"].fillna("").to_numpy(dtype=str) == "complete")
        & (program != "")
        & (kind != "unknown")
    )
    units = tuple(str(n) for n in names)
    starts = np.searchsorted(unit, np.arange(len(units) + 1)).astype(np.int64)
    signs, circumstances = sign_matrix(frame), circumstance_matrix(frame)
    rows = Rows(
        time,
        signs,
        circumstances,
        program.tolist(),
        complete,
        *_loggers(frame),
        resolution_matrix(frame),
    )
    month = month_of(time)
    measured = np.isfinite(circumstances[:, MAINS])
    counted = np.where((complete & ~measured)[:, None], signs, np.nan)
    means: dict[tuple[str, int], list[Days]] = {}
    at_begin = {}
    for name in units:
        if config.unit(name).site:
            memories.setdefault(name, PowerMemory())
    for code in np.unique(month).tolist():
        at_begin[code] = {name: memory.copy() for name, memory in memories.items()}
        chosen = {}
        for u, name in enumerate(units):
            first = int(starts[u])
            own = first + np.flatnonzero(month[first : int(starts[u + 1])] == code)
            chosen[name] = slice(int(own[0]), int(own[-1]) + 1) if own.size else slice(0, 0)
        for name, memory in memories.items():
            site = config.unit(name).site
            if not site:
                continue
            span = chosen.get(name, slice(0, 0))
            power = unit_power(memory, counted[span], rows.program[span])
            moved = unit_means(memory, np.floor(rows.time[span]), power)
            means.setdefault((site, code), []).append(moved)
    return Panel(
        frame,
        verdicts(frame, config.limits),
        rows,
        program,
        units,
        starts,
        month,
        measured,
        means,
        at_begin,
    )


def without_mains(panel: Panel, config: Config, common: Mapping[tuple[str, int], Days]) -> Panel:
    """Take off what a site's units moved in common, by site and month."""
    day = np.floor(panel.rows.time)
    moved = np.zeros(day.size)
    for name in panel.units:
        site, own = config.unit(name).site or "", panel.rows_of(name)
        for code in np.unique(panel.month[own]).tolist():
            at = own.start + np.flatnonzero(panel.month[own] == code)
            moved[at] = common_at(common.get((site, code), NO_DAYS), day[at])
    # Where mains are measured, the circumstance says it.
    moved = np.where(panel.measured, 0.0, moved)
    signs = panel.rows.signs - moved[:, None] * MAINS_MOVES
    rows = dataclasses.replace(panel.rows, signs=signs)
    return dataclasses.replace(panel, rows=rows, means={})


def repairs_of(service: pd.DataFrame, as_of: pd.Timestamp | None) -> dict[str, list[Repair]]:
    """Return each unit's service rows in order of time, without those that were undone."""
    out: dict[str, list[Repair]] = {}
    if not len(service):
        return out
    kept = service
    if "undone" in service.columns:
        kept = service[~service["undone"].fillna(False).astype(bool)]
    if as_of is not None:
        kept = kept[to_days(kept["time"]) <= day_of(as_of)]
    kept = kept.sort_values(["unit_id", "time", "part", "action"], kind="stable")
    for unit, when, part, action in zip(
        kept["unit_id"], to_days(kept["time"]), kept["part"], kept["action"], strict=True
    ):
        out.setdefault(str(unit), []).append(Repair(float(when), str(part), str(action)))
    return out


def _loggers(frame: pd.DataFrame) -> tuple[list[str], FloatArray]:
    """Return the logger and the sampling interval of each cycle, NaN where it is not known."""
    interval = frame["sample_interval_s"].to_numpy(dtype=np.float64, na_value=np.nan)
    logger = frame["logger_id"].fillna("").to_numpy(dtype=str)
    return logger.tolist(), np.where(interval > 0.0, interval, np.nan)
