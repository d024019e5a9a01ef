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
from .findings import Findings
from .lifecycle import Ledger
from .reference import (
    BLOCK_DAYS,
    ROWS_A_UNIT,
    SHIPPED,
    UNITS_A_TYPE,
    Reference,
    fit_reference,
)
from .signs import NAMES, SIGNS, circumstance_matrix, sign_matrix
from .tracker import Repair, Rows, Track, Tracker, track
from .unit import UnitState, find
from .verdicts import verdicts

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DAY_MS: Final = 86_400_000.0


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
    for code in np.unique(month).tolist():
        references = month_references(panel, states, month, code, kinds)
        version[code] = month_name(code)
        for u, state in states.items():
            own = panel.rows_of(u)
            inside = own.start + np.flatnonzero(month[own] == code)
            if not inside.size:
                continue
            first, last = int(inside[0]), int(inside[-1]) + 1
            tracks[u].append(
                (first, step_unit(state, panel, first, last, references[kinds[u]],
                                  repairs.get(panel.units[u], []), config))
            )
    return _tables(panel, states, tracks, config, month, version, journal)


def step_unit(
    state: UnitState,
    panel: Panel,
    first: int,
    last: int,
    reference: Reference,
    repairs: list[Repair],
    config: Config,
) -> Track:
    """Step one unit over rows ``first`` to ``last`` of the panel, all in one month."""
    rows = Rows(
        panel.time[first:last],
        panel.signs[first:last],
        panel.circumstances[first:last],
        panel.program[first:last],
        panel.complete[first:last],
        panel.logger[first:last],
    )
    since = state.tracker.time
    end = float(rows.time[-1])
    due = [r for r in repairs if (math.isnan(since) or r.time >= since) and r.time < end]
    moved = track(state.tracker, rows, reference, due)
    find(state, rows, moved, panel.frame.iloc[first:last], panel.verdict.iloc[first:last],
         reference, config)
    return moved


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
    logger = frame["logger_id"].fillna("").to_numpy(dtype=str)
    return Panel(
        frame,
        unit.astype(np.int64),
        time,
        sign_matrix(frame),
        circumstance_matrix(frame),
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
    journal: pd.DataFrame | None,
) -> Judged:
    judgements = panel.verdict.drop(columns=["cause"]).assign(
        anomaly_p=np.nan, model_version=[version[int(m)] for m in month]
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


__all__ = ["Findings", "Judged", "Ledger", "Tracker", "judge"]
