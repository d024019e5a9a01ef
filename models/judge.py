"""Judge a fleet's cycles: verdicts, flags, residuals.

Cycles are replayed in event order, month by month, unit by unit. A month's
reference is fitted from cycles before it; within a month a unit's rows depend on
its own past and on what its site did on earlier days. So the flags of a run as
of some moment are the beginning of the flags of any later run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Config
from ..shared.schema import FLAGS, JUDGEMENTS, RESIDUALS
from .baseline import TEST_KINDS
from .forest import HEALTHY_AFTER_DAYS, Forest, fit_forest
from .reference import (
    BLOCK_DAYS,
    ROWS_A_UNIT,
    SHIPPED,
    UNITS_A_TYPE,
    Reference,
    fit_reference,
)
from .signs import CIRCUMSTANCES, NAMES, PRIOR_SLOPES, SIGNS, circumstance_matrix, sign_matrix
from .site import mains_proxy
from .tracker import Repair, Rows, Track, track
from .unit import UnitState, find
from .verdicts import verdicts

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DAY_MS: Final = 86_400_000.0
MAINS: Final = CIRCUMSTANCES.index("mains")
MAINS_MOVES: Final = PRIOR_SLOPES[MAINS]
"""Movement of each sign per log of mains power."""
FOREST_UNITS: Final = 20
"""Units of a type before it has a forest of its own; below, residuals of all types are
pooled: they are in each unit's own standard deviations already (design choice)."""
FOREST_MONTHS: Final = 6
"""Months of cycles that a forest is fitted on (bounds the work of a long history)."""


@dataclass(frozen=True)
class Judged:
    """What judging found, as tables of the schema."""

    judgements: pd.DataFrame
    flags: pd.DataFrame
    residuals: pd.DataFrame
    forecasts: pd.DataFrame
    """Forecasts as they were made: at each first ``service`` and weekly after; columns
    flag_id, unit_id, part, time, days_to_limit, days_to_limit_low, days_to_limit_high."""


@dataclass
class Panel:
    """All cycles as arrays, in unit and event order."""

    frame: pd.DataFrame
    unit: IntArray
    time: FloatArray
    signs: FloatArray
    circumstances: FloatArray
    program: list[str]
    complete: NDArray[np.bool_]
    logger: list[str]
    verdict: pd.DataFrame
    units: list[str]
    starts: IntArray = field(default_factory=lambda: np.zeros(0, dtype=np.int64))

    def rows(self, first: int, last: int) -> Rows:
        """Return some rows as the charts take them."""
        return Rows(
            self.time[first:last],
            self.signs[first:last],
            self.circumstances[first:last],
            self.program[first:last],
            self.complete[first:last],
            self.logger[first:last],
        )

    def rows_of(self, unit: int) -> slice:
        """Return the rows of a unit."""
        return slice(int(self.starts[unit]), int(self.starts[unit + 1]))


def judge(
    cycles: pd.DataFrame,
    service: pd.DataFrame,
    config: Config,
    *,
    as_of: pd.Timestamp | None = None,
    journal: pd.DataFrame | None = None,
) -> Judged:
    """Judge all cycles of a fleet.

    Parameters
    ----------
    cycles
        A ``cycles`` table.
    service
        A ``service`` table; rows that were undone are left out.
    config
        The configuration: units, limits.
    as_of
        Nothing that ended later is seen; None: everything is.
    journal
        Flags as they were shown before; what no longer stands among them comes
        back closed with ``superseded``.

    Returns
    -------
    Judged
    """
    panel = make_panel(cycles, config, as_of)
    repairs = repairs_of(service, as_of)
    states = {u: UnitState.new(name) for u, name in enumerate(panel.units)}
    tracks: dict[int, list[tuple[int, Track]]] = {u: [] for u in states}
    month = month_of(panel.time)
    kinds = [config.unit(name).type for name in panel.units]
    version: dict[int, str] = {}
    p: dict[str, FloatArray] = {}
    for code in np.unique(month).tolist():
        version[code] = month_name(code)
        references = month_references(panel, states, month, code, kinds)
        forests = month_forests(panel, states, tracks, code, kinds)
        spans: dict[int, tuple[int, int]] = {}
        for u, state in states.items():
            own = panel.rows_of(u)
            inside = own.start + np.flatnonzero(month[own] == code)
            if inside.size:
                spans[u] = int(inside[0]), int(inside[-1]) + 1
                moved = step_charts(
                    state, panel, *spans[u], references[kinds[u]], repairs.get(panel.units[u], [])
                )
                tracks[u].append((spans[u][0], moved))
        odd = score_month(spans, tracks, forests, kinds)
        for u, (first, last) in spans.items():
            for name, values in odd[u].items():
                p.setdefault(name, np.full(len(month), np.nan))[first:last] = values
            find(
                states[u],
                panel.rows(first, last),
                tracks[u][-1][1],
                panel.frame.iloc[first:last],
                panel.verdict.iloc[first:last],
                odd[u],
                references[kinds[u]],
                config,
            )
    return _tables(panel, states, tracks, config, month, version, p, journal)


def step_charts(
    state: UnitState,
    panel: Panel,
    first: int,
    last: int,
    reference: Reference,
    repairs: list[Repair],
) -> Track:
    """Step one unit's charts over rows ``first`` to ``last`` of the panel, all in one month."""
    rows = panel.rows(first, last)
    since = state.tracker.time
    end = float(rows.time[-1])
    due = [r for r in repairs if (math.isnan(since) or r.time >= since) and r.time < end]
    return track(state.tracker, rows, reference, due)


def month_forests(
    panel: Panel,
    states: dict[int, UnitState],
    tracks: dict[int, list[tuple[int, Track]]],
    code: int,
    kinds: list[str],
) -> dict[str, Forest | None]:
    """Fit the forests that hold in a month, from healthy rows that are old enough."""
    start = month_start(code)
    rows: dict[str, list[FloatArray]] = {}
    units: dict[str, list[IntArray]] = {}
    for u, state in states.items():
        pieces = []
        for first, moved in tracks[u][-FOREST_MONTHS:]:
            time = panel.time[first : first + len(moved.epoch)]
            kept = moved.ready & (time < start - HEALTHY_AFTER_DAYS) & state.healthy(time)
            pieces.append(moved.z[kept])
        if pieces:
            block = np.concatenate(pieces)
            rows.setdefault(kinds[u], []).append(block)
            units.setdefault(kinds[u], []).append(np.full(len(block), u, dtype=np.int64))
    out: dict[str, Forest | None] = {}
    everything = [b for k in sorted(rows) for b in rows[k]], [b for k in sorted(units) for b in units[k]]
    fleet: Forest | None = None
    tried = False
    for kind in sorted(set(kinds)):
        found = None
        if len(rows.get(kind, [])) >= FOREST_UNITS:
            found = fit_forest(
                month_name(code), kind, np.concatenate(rows[kind]), np.concatenate(units[kind])
            )
        if found is None and everything[0]:
            if not tried:
                fleet = fit_forest(
                    month_name(code), "", np.concatenate(everything[0]), np.concatenate(everything[1])
                )
                tried = True
            found = fleet
        out[kind] = found
    return out


def score_month(
    spans: dict[int, tuple[int, int]],
    tracks: dict[int, list[tuple[int, Track]]],
    forests: dict[str, Forest | None],
    kinds: list[str],
) -> dict[int, dict[str, FloatArray]]:
    """Return the forests' p-values of each unit's rows in a month, in one batch a forest."""
    out: dict[int, dict[str, FloatArray]] = {u: {} for u in spans}
    groups: dict[int, tuple[Forest, list[int]]] = {}
    for u in spans:
        forest = forests[kinds[u]]
        if forest is not None:
            groups.setdefault(id(forest), (forest, []))[1].append(u)
    for forest, members in groups.values():
        blocks = [tracks[u][-1][1].z for u in members]
        p = forest.p_values(np.concatenate(blocks))
        ends = np.cumsum([len(b) for b in blocks])
        for u, block, end in zip(members, blocks, ends.tolist(), strict=True):
            seen = np.isfinite(block).any(axis=1)
            out[u] = {
                name: np.where(seen, values[end - len(block) : end], np.nan)
                for name, values in p.items()
            }
    return out


def make_panel(cycles: pd.DataFrame, config: Config, as_of: pd.Timestamp | None) -> Panel:
    """Sort cycles by unit and event time and turn them into arrays."""
    ended = cycles["ended_at"].fillna(cycles["exposure_end"]).fillna(cycles["started_at"])
    time = _days(ended)
    if as_of is not None:
        kept = time <= _days(pd.Series([as_of]))[0]
        cycles, time = cycles[kept], time[kept]
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
    interval = frame["sample_interval_s"].to_numpy(dtype=np.float64, na_value=np.nan)
    # Classes of a factor 1.5: a jittering clock stays in its class, a new setting does not.
    step = np.round(np.log(np.where(interval > 0, interval, 1.0)) / np.log(1.5)).astype(np.int64)
    signs, circumstances = sign_matrix(frame), circumstance_matrix(frame)
    sites = [config.unit(str(name)).site or "" for name in names]
    common = mains_proxy(
        np.where(complete[:, None], signs, np.nan), unit.astype(np.int64), program.tolist(),
        time, sites, np.isfinite(circumstances[:, MAINS]),
    )
    signs = signs - common[:, None] * MAINS_MOVES
    logger = frame["logger_id"].fillna("").to_numpy(dtype=str)
    return Panel(
        frame,
        unit.astype(np.int64),
        time,
        signs,
        circumstances,
        program.tolist(),
        complete,
        [f"{a}|{b}" for a, b in zip(logger.tolist(), step.tolist(), strict=True)],
        verdicts(frame, config.limits),
        [str(n) for n in names],
        np.searchsorted(unit, np.arange(len(names) + 1)).astype(np.int64),
    )


def repairs_of(
    service: pd.DataFrame, as_of: pd.Timestamp | None
) -> dict[str, list[Repair]]:
    """Return each unit's service rows in order of time."""
    out: dict[str, list[Repair]] = {}
    if not len(service):
        return out
    kept = service
    if "undone" in service.columns:
        kept = service[~service["undone"].fillna(False).astype(bool)]
    if as_of is not None:
        kept = kept[kept["time"] <= as_of]
    kept = kept.sort_values(["unit_id", "time", "part", "action"], kind="stable")
    for unit, when, part, action in zip(
        kept["unit_id"], _days(kept["time"]), kept["part"], kept["action"], strict=True
    ):
        out.setdefault(str(unit), []).append(Repair(float(when), str(part), str(action)))
    return out


def month_references(
    panel: Panel, states: dict[int, UnitState], month: IntArray, code: int, kinds: list[str]
) -> dict[str, Reference]:
    """Fit the references that hold in a month, from the rows before it."""
    before = month < code
    out = {}
    # Wander is pooled over all types: a type has few units, and weeks are alike.
    sample = list(states)[: 5 * UNITS_A_TYPE]
    levels = np.array([states[u].slow_level for u in sample])
    for kind in sorted(set(kinds)):
        members = [u for u in states if kinds[u] == kind][:UNITS_A_TYPE]
        pieces = []
        for u in members:
            own = panel.rows_of(u)
            past = own.start + np.flatnonzero(before[own] & panel.complete[own])
            pieces.append(past[-ROWS_A_UNIT:])
        rows = np.concatenate(pieces) if pieces else np.zeros(0, dtype=np.int64)
        if not rows.size:
            out[kind] = SHIPPED
            continue
        block = (panel.time[rows] // BLOCK_DAYS).astype(np.int64)
        names = np.array(panel.program)[rows]
        _, program = np.unique(names, return_inverse=True)
        group = (panel.unit[rows] * 1000 + program) * 100_000 + block
        out[kind] = fit_reference(
            month_name(code), panel.signs[rows], panel.circumstances[rows], group, levels
        )
    return out


def month_of(days: FloatArray) -> IntArray:
    """Return months since 1970 of times in days."""
    stamps = (days * DAY_MS).round().astype(np.int64).astype("datetime64[ms]")
    return np.asarray(stamps.astype("datetime64[M]").astype(np.int64))


def month_start(code: int) -> float:
    """Return the start of a month in days since 1970."""
    return float(np.datetime64(code, "M").astype("datetime64[D]").astype(np.int64))


def month_name(code: int) -> str:
    """Return ``2026-03`` of a month's number."""
    return f"{1970 + code // 12:04d}-{code % 12 + 1:02d}"


def _days(times: pd.Series) -> FloatArray:
    stamps = pd.to_datetime(times, utc=True)
    plain = stamps.dt.tz_localize(None).to_numpy().astype("datetime64[ms]")
    values = plain.astype(np.int64).astype(np.float64) / DAY_MS
    return np.asarray(np.where(np.isnat(plain), np.nan, values))


def stamp(days: float | None) -> pd.Timestamp | None:
    """Return a time in days as a timestamp, None for none."""
    if days is None or math.isnan(days):
        return None
    return pd.Timestamp(round(days * DAY_MS), unit="ms", tz="UTC")


def _tables(
    panel: Panel,
    states: dict[int, UnitState],
    tracks: dict[int, list[tuple[int, Track]]],
    config: Config,
    month: IntArray,
    version: dict[int, str],
    p: dict[str, FloatArray],
    journal: pd.DataFrame | None,
) -> Judged:
    judgements = panel.verdict.drop(columns=["cause"]).assign(
        anomaly_p=p.get("all", np.nan), model_version=[version[int(m)] for m in month]
    )
    rows: list[dict[str, Any]] = []
    forecasts: list[dict[str, Any]] = []
    for state in states.values():
        state.forecast_now(config)
        rows += [{**r, "unit_id": state.ledger.unit_id} for r in state.ledger.rows()]
        forecasts += state.forecasts
    times = ("first_seen", "last_seen", "closed_at", "change_point", "change_point_low",
             "change_point_high")
    flags = pd.DataFrame(
        [{**r, **{t: stamp(r.get(t)) for t in times}} for r in rows]
    )
    if len(flags):
        flags["recorded_at"] = None
        flags = flags.sort_values(["first_seen", "flag_id", "severity"], kind="stable")
        for name in times:
            flags[name] = pd.to_datetime(flags[name], utc=True).astype("datetime64[ms, UTC]")
    made = pd.DataFrame(
        forecasts,
        columns=["flag_id", "unit_id", "part", "time", "days_to_limit", "days_to_limit_low",
                 "days_to_limit_high"],
    )
    made["time"] = pd.to_datetime(
        pd.Series([stamp(t) for t in made["time"]], dtype="object"), utc=True
    ).astype("datetime64[ms, UTC]")
    return Judged(
        JUDGEMENTS.conform(judgements),
        FLAGS.conform(flags) if len(flags) else FLAGS.empty(),
        _residuals(panel, tracks),
        made,
    )


def _residuals(panel: Panel, tracks: dict[int, list[tuple[int, Track]]]) -> pd.DataFrame:
    n = len(panel.program)
    shape = (n, len(NAMES))
    residual, adjusted = np.full(shape, np.nan), np.full(shape, np.nan)
    scale, epoch = np.full(shape, np.nan), np.zeros(n, dtype=np.int64)
    for pieces in tracks.values():
        for first, moved in pieces:
            rows = slice(first, first + len(moved.epoch))
            residual[rows], adjusted[rows] = moved.residual, moved.adjusted
            scale[rows], epoch[rows] = moved.scale, moved.epoch
    row, sign = np.nonzero(np.isfinite(residual))
    # Values go back to the feature's own scale; a logarithm's spread becomes a share of it.
    log = np.array([s.scale == "log" for s in SIGNS])[sign]
    at = (row, sign)
    level = adjusted[at] - residual[at]
    columns = np.array([s.column for s in SIGNS], dtype=object)[sign]
    expected = np.where(log, np.exp(level), level)
    frame = panel.frame
    return RESIDUALS.conform(
        pd.DataFrame(
            {
                "cycle_id": frame["cycle_id"].to_numpy(dtype=object)[row],
                "unit_id": frame["unit_id"].to_numpy(dtype=object)[row],
                "started_at": frame["started_at"].to_numpy()[row],
                "feature": columns,
                "value": np.where(log, np.exp(panel.signs[at]), panel.signs[at]),
                "adjusted": np.where(log, np.exp(adjusted[at]), adjusted[at]),
                "expected": expected,
                "scale": np.where(log, expected * scale[at], scale[at]),
                "z": residual[at] / scale[at],
                "epoch": epoch[row],
            }
        )
    )


__all__ = ["Judged", "judge"]
