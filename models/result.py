"""The tables that judging returns."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Config
from ..shared.schema import FLAGS, JUDGEMENTS, RESIDUALS
from .months import day_of, stamp, stamps
from .panel import Panel
from .recall import RECALL
from .signs import NAMES, SIGNS
from .tracker import Track
from .unit import UnitState

FloatArray = NDArray[np.float64]

_TIMES: Final = (
    "first_seen",
    "last_seen",
    "closed_at",
    "change_point",
    "change_point_low",
    "change_point_high",
)
_FORECAST: Final = (
    "flag_id",
    "unit_id",
    "part",
    "time",
    "days_to_limit",
    "days_to_limit_low",
    "days_to_limit_high",
)


@dataclass
class Charted:
    """What charts left at each row; NaN before it was stepped over."""

    residual: FloatArray
    """Shape (rows, signs), as the next two."""
    adjusted: FloatArray
    scale: FloatArray
    z: FloatArray
    ready: NDArray[np.bool_]
    epoch: NDArray[np.int64]

    @classmethod
    def empty(cls, rows: int) -> Charted:
        """Return room for some rows."""
        shape = (rows, len(NAMES))
        residual, adjusted, scale, z = (np.full(shape, np.nan) for _ in range(4))
        ready, epoch = np.zeros(rows, dtype=np.bool_), np.zeros(rows, dtype=np.int64)
        return cls(residual, adjusted, scale, z, ready, epoch)

    def put(self, first: int, moved: Track) -> None:
        """Keep what the charts say of some rows."""
        at = slice(first, first + len(moved.epoch))
        self.residual[at], self.adjusted[at] = moved.residual, moved.adjusted
        self.scale[at], self.z[at] = moved.scale, moved.z
        self.ready[at], self.epoch[at] = moved.ready, moved.epoch


@dataclass(frozen=True)
class MonthBegin:
    """What held as a month began, as plain JSON."""

    monthly: dict[str, Any]
    """References and the forests' rows."""
    units: dict[str, dict[str, Any]]
    """Each unit's state, and what it carries for its site."""


@dataclass(frozen=True)
class Judged:
    """What judging found, as tables of the schema."""

    judgements: pd.DataFrame
    flags: pd.DataFrame
    residuals: pd.DataFrame
    forecasts: pd.DataFrame
    """Forecasts as they were made: at each first ``service`` and weekly after; columns
    flag_id, unit_id, part, time, days_to_limit, days_to_limit_low, days_to_limit_high."""
    through: pd.Timestamp | None = None
    """Event time of the last cycle seen."""
    recall: pd.DataFrame = field(default_factory=RECALL.empty)
    """Rows that the fits of later months may read; only of a run that keeps a state."""
    begins: dict[int, MonthBegin] = field(default_factory=dict)
    """By month, what held as it began, of the months that began in such a run."""


@dataclass(frozen=True)
class Piece:
    """What one shard's units give to the tables."""

    judgements: pd.DataFrame
    residuals: pd.DataFrame
    flags: list[dict[str, Any]]
    forecasts: list[dict[str, Any]]
    through: float
    """Event time of the last cycle [days], NaN for none."""
    recall: pd.DataFrame
    begun: dict[int, dict[str, dict[str, Any]]]
    """By month and unit, its state as the month began and what it carried for its site."""
    states: dict[str, dict[str, Any]]
    """State of each unit as plain JSON, empty where none is kept."""
    power: dict[str, Any]
    """What each unit carries for its site."""
    repairs: dict[str, list[Any]]
    """Service rows that each unit has seen."""


def judged_of(panel: Panel, version: list[str], odd_p: FloatArray) -> pd.DataFrame:
    """Return the ``judgements`` of a panel."""
    judgements = panel.verdict.drop(columns=["cause"]).assign(
        anomaly_p=odd_p, model_version=version
    )
    return JUDGEMENTS.conform(judgements)


def told_of(
    states: dict[str, UnitState], config: Config, as_of: pd.Timestamp | None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return rows of flags and of forecasts; what is retired or foretold changes the states."""
    rows: list[dict[str, Any]] = []
    made: list[dict[str, Any]] = []
    for name in sorted(states):
        state = states[name]
        state.forecast_now(config)
        _retire(state, config, as_of)
        rows += [{**r, "unit_id": name} for r in state.ledger.rows()]
        made += state.forecasts
    return rows, made


def joined(pieces: list[Piece], months: dict[int, dict[str, Any]]) -> Judged:
    """Make the tables from what shards left behind, in order of their units.

    Parameters
    ----------
    months
        References and forests' rows of each month whose begin is kept.
    """
    made = [row for p in pieces for row in p.forecasts]
    forecasts = pd.DataFrame(made, columns=list(_FORECAST))
    forecasts["time"] = stamps(forecasts["time"].tolist())
    seen = [p.through for p in pieces if not math.isnan(p.through)]
    begun = {
        code: MonthBegin(monthly, {u: d for p in pieces for u, d in p.begun.get(code, {}).items()})
        for code, monthly in months.items()
    }
    return Judged(
        _concat([p.judgements for p in pieces]),
        _flags([row for p in pieces for row in p.flags]),
        _concat([p.residuals for p in pieces]),
        forecasts,
        stamp(max(seen)) if seen else None,
        _concat([p.recall for p in pieces]),
        begun,
    )


def _concat(frames: list[pd.DataFrame]) -> pd.DataFrame:
    some = [f for f in frames if len(f)] or frames[:1]
    return some[0] if len(some) == 1 else pd.concat(some, ignore_index=True)


def _flags(rows: list[dict[str, Any]]) -> pd.DataFrame:
    if not rows:
        return FLAGS.empty()
    flags = pd.DataFrame(rows).assign(recorded_at=None)
    for name in _TIMES:
        flags[name] = stamps([r.get(name) for r in rows])
    flags = flags.sort_values(["first_seen", "flag_id", "severity"], kind="stable")
    return FLAGS.conform(flags.reset_index(drop=True))


def with_journal(
    judged: Judged, journal: pd.DataFrame | None, as_of: pd.Timestamp | None
) -> Judged:
    """Add what was shown before and no longer stands, closed with ``superseded``.

    Parameters
    ----------
    judged
        As judged now.
    journal
        Flags as shown before; a row that was closed there stays as it was.
    as_of
        Moment up to which data were seen, when the superseded rows close; None:
        the last cycle's end.
    """
    if journal is None or not len(journal):
        return judged
    key = ["flag_id", "severity"]
    shown = FLAGS.conform(journal.drop_duplicates(key, keep="last"))
    now = pd.MultiIndex.from_frame(judged.flags[key].astype(str))
    gone = shown[~pd.MultiIndex.from_frame(shown[key].astype(str)).isin(now)].copy()
    if not len(gone):
        return judged
    through = stamps([day_of(t) if t is not None else None for t in (as_of or judged.through,)])
    standing = gone["closed_at"].isna()
    gone["closed_at"] = gone["closed_at"].where(~standing, through[0])
    gone["close_reason"] = gone["close_reason"].where(~standing, "superseded")
    both = pd.concat([f for f in (judged.flags, gone) if len(f)])
    both = both.sort_values(["first_seen", *key], kind="stable").reset_index(drop=True)
    return replace(judged, flags=FLAGS.conform(both))


def _retire(state: UnitState, config: Config, as_of: pd.Timestamp | None) -> None:
    """Close the flags of a unit that was taken out of the fleet."""
    when = config.unit(state.ledger.unit_id).retired_at
    if when is None:
        return
    day = day_of(pd.Timestamp(when))
    if as_of is not None and day > day_of(as_of):
        return
    for episode in state.ledger.standing_all():
        state.ledger.close(episode.part, max(day, episode.rows[-1]["last_seen"]), "retired")


def residuals_of(panel: Panel, charts: Charted) -> pd.DataFrame:
    """Return the ``residuals`` of a panel."""
    residual, adjusted, scale, epoch = (
        charts.residual,
        charts.adjusted,
        charts.scale,
        charts.epoch,
    )
    row, sign = np.nonzero(np.isfinite(residual) & np.array([s.shown for s in SIGNS]))
    # Values go back to the feature's own scale; a logarithm's spread becomes a share of it.
    log = np.array([s.scale == "log" for s in SIGNS])[sign]
    at = (row, sign)
    level = adjusted[at] - residual[at]
    columns = pd.array([s.column for s in SIGNS], dtype="string").take(sign)
    expected = _unlogged(level, log)
    frame = panel.frame
    return RESIDUALS.conform(
        pd.DataFrame(
            {
                "cycle_id": frame["cycle_id"].array.take(row),
                "unit_id": frame["unit_id"].array.take(row),
                "started_at": frame["started_at"].array.take(row),
                "feature": columns,
                "value": _unlogged(panel.rows.signs[at], log),
                "adjusted": _unlogged(adjusted[at], log),
                "expected": expected,
                "scale": np.where(log, expected * scale[at], scale[at]),
                "z": residual[at] / scale[at],
                "epoch": epoch[row],
            }
        )
    )


def _unlogged(values: FloatArray, log: NDArray[np.bool_]) -> FloatArray:
    """Return values on their feature's own scale."""
    return np.asarray(np.where(log, np.exp(np.where(log, values, 0.0)), values))
