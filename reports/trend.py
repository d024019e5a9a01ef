"""One feature's history of one unit, and the limits and forecasts that belong to it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Limits
from ..shared.programs import Program
from .options import ReportOptions
from .quantities import Unit, feature_unit, feature_words, residual_unit, residual_words
from .rewrite import in_units
from .ticks import day_of, days_of
from .views import UnitView

FloatArray = NDArray[np.float64]

SILENT_SHARE = 0.3
LEAST_SILENT_DAYS = 10.0
"""Room for a silence up to now, as a share of the days with data, and at least."""


@dataclass(frozen=True)
class Limit:
    """A hard limit of a feature, as a value in stored units and its words."""

    value: float
    words: str


def hard_limits(
    feature: str, limits: Limits, program: str | None, *, relative: bool
) -> list[Limit]:
    """Return the limits that a feature has, for the program where one matters.

    ``relative`` says that temperatures count from the set point and exposures as shares of the
    program's, as residuals do.
    """
    if feature in ("heater_duty", "current_duty"):
        return [Limit(1.0, "never off")]
    if feature == "leak_kpa_per_min":
        return [Limit(limits.leak_kpa_per_min, "limit")]
    if feature == "saturation_deviation_k":
        return [
            Limit(limits.saturation_k, "upper limit"),
            Limit(-limits.saturation_k, "lower limit"),
        ]
    if feature == "pressure_max_kpa":
        return [Limit(limits.relief_kpa, "relief")]
    known = Program.known(program or "")
    if known is None:
        return []
    low = 0.0 if relative else known.setpoint_c
    high = low + limits.band_width_k
    return {
        "exposure_min_c": [Limit(low, "lower limit")],
        "exposure_max_c": [Limit(high, "upper limit")],
        "exposure_mean_c": [Limit(low, "lower limit"), Limit(high, "upper limit")],
        "exposure_s": [Limit(1.0 if relative else known.hold_min * 60.0, "least time")],
    }.get(feature, [])


@dataclass(frozen=True)
class Trend:
    """One feature's history in shown units, against days since 1970."""

    feature: str
    words: str
    unit: Unit
    x: FloatArray
    raw: FloatArray
    adjusted: FloatArray
    expected: FloatArray
    scale: FloatArray
    limits: tuple[Limit, ...]
    last_cycle: float = float("nan")
    """Day of the unit's last cycle, from which forecasts count."""

    @property
    def line(self) -> FloatArray:
        """What the trend's line goes through: adjusted values, else measured ones."""
        return np.where(np.isfinite(self.adjusted), self.adjusted, self.raw)

    @property
    def judged(self) -> bool:
        """Whether a baseline exists."""
        return bool(np.isfinite(self.expected * self.scale).any())


def trend_of(view: UnitView, feature: str, options: ReportOptions) -> Trend:
    """Return a feature's history: from residuals, else the bare values of the cycles."""
    own = view.residuals[view.residuals["feature"] == feature]
    own = own.sort_values("started_at", kind="stable")
    words, unit = feature_words(feature), feature_unit(feature, options)
    if len(own):
        words, unit = residual_words(feature), residual_unit(feature, options)
        x = days_of(own["started_at"]).to_numpy(float)
        level = in_one_program(own.merge(programs_of(view), on="cycle_id", how="left"))
        columns = [unit.show(own["value"]), *(unit.show(v) for v in level[:2])]
        scale = unit.show_change(level[2])
    else:
        if feature in view.cycles.columns:
            known = view.cycles[view.cycles[feature].notna()]
        else:
            known = view.cycles.head(0).assign(**{feature: np.nan})
        x = days_of(known["started_at"]).to_numpy(float)
        empty = np.full(len(known), np.nan)
        columns = [unit.show(known[feature].astype(float)), empty, empty]
        scale = empty
    program = _usual_program(view)
    limits = tuple(
        Limit(float(unit.show(lim.value)), lim.words)
        for lim in hard_limits(feature, view.config.limits, program, relative=len(own) > 0)
    )
    last = float(days_of(view.cycles["started_at"]).max()) if len(view.cycles) else float("nan")
    raw, adjusted, expected = columns
    words = in_units(words, options)
    return Trend(feature, words, unit, x, raw, adjusted, expected, scale, limits, last)


def programs_of(view: UnitView) -> pd.DataFrame:
    """Return ``cycle_id, program`` of a unit's cycles."""
    return view.cycles[["cycle_id", "program"]].drop_duplicates("cycle_id")


def in_one_program(own: pd.DataFrame) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return adjusted, expected and scale as if every cycle had run the usual program.

    Programs have levels and spreads of their own, so a line through all of them
    jumps with the day's loads. A value of another program is set as many robust
    standard deviations from the usual program's level as it is from its own; the
    level is that of the nearest cycle of the usual program in the same epoch.

    Parameters
    ----------
    own
        One feature's residuals with ``program``, by time.
    """
    columns = ("adjusted", "expected", "scale")
    adjusted, expected, scale = (
        own[name].to_numpy(float, na_value=np.nan, copy=True) for name in columns
    )
    program = own["program"].fillna("").to_numpy(object)
    epoch = own["epoch"].fillna(-1).to_numpy(float)
    known = np.isfinite(expected) & (scale > 0)
    for each in np.unique(epoch[known]):
        rows = known & (epoch == each)
        names, counts = np.unique(program[rows].astype(str), return_counts=True)
        usual = rows & (program == names[counts.argmax()])
        other = np.flatnonzero(rows & ~usual)
        if len(other) == 0:
            continue
        base = np.flatnonzero(usual)
        after = np.clip(np.searchsorted(base, other), 0, len(base) - 1)
        before = np.clip(after - 1, 0, len(base) - 1)
        closer = np.abs(base[before] - other) <= np.abs(base[after] - other)
        near = base[np.where(closer, before, after)]
        z = (adjusted[other] - expected[other]) / scale[other]
        expected[other], scale[other] = expected[near], scale[near]
        adjusted[other] = expected[near] + z * scale[near]
    return adjusted, expected, scale


def _usual_program(view: UnitView) -> str | None:
    programs = view.cycles["program"].dropna().tail(30)
    return None if programs.empty else str(programs.mode().iloc[0])


def shared_span(
    trends: Sequence[tuple[Trend, pd.Series | None]], as_of: pd.Timestamp
) -> tuple[float, float]:
    """Return one range of days since 1970 for all panels, forecasts included."""
    starts = [float(t.x.min()) for t, _ in trends if len(t.x)]
    low, high = min(starts, default=day_of(as_of) - 7.0), day_of(as_of)
    ends = [t.last_cycle for t, _ in trends if len(t.x) and np.isfinite(t.last_cycle)]
    if ends:  # a long silence does not squeeze what is known
        high = min(high, max(ends) + max(SILENT_SHARE * (max(ends) - low), LEAST_SILENT_DAYS))
    far = high + max(0.45 * (high - low), 20.0)
    for trend, flag in trends:
        ahead = forecast_days(flag) if len(trend.x) else None
        if ahead is not None:
            high = max(high, min(trend.last_cycle + ahead[2], far))
    if high - low < 2.0:
        low, high = low - 1.0, high + 1.0
    pad = 0.015 * (high - low)
    return low - pad, high + pad


def forecast_days(flag: pd.Series | None) -> tuple[float, float, float] | None:
    """Return a forecast's median, early and late day from the last cycle, or None."""
    if flag is None or pd.isna(flag["days_to_limit"]):
        return None
    middle = float(flag["days_to_limit"])
    soon, late = flag["days_to_limit_low"], flag["days_to_limit_high"]
    return (
        middle,
        middle if pd.isna(soon) else float(soon),
        max(2 * middle, middle + 30.0) if pd.isna(late) else float(late),
    )
