"""After a repair: before and after, and how many cycles are back at the healthy level."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.parts import EPOCH_ACTIONS
from . import style
from .flow import Row, Words, heading, paragraph, space
from .metrics import fit_end, text_width_pt
from .moments import Clock, days_between
from .options import ReportOptions
from .panels import LEFT_PT, RIGHT_PT, side_labels, value_ticks
from .plot import Fill, Stroke
from .quantities import FEATURE_PART, number, residual_unit, residual_words, with_unit
from .states import part_words
from .views import UnitView

if TYPE_CHECKING:
    from .sheet import Sheet

FloatArray = NDArray[np.float64]

BEFORE = 30
AFTER = 15
"""Cycles shown before, and cycles that must agree with the healthy level after."""
HEALTHY_SIGMAS = 3.0
SHOW_DAYS = 60.0
MOST_FEATURES = 3


@dataclass(frozen=True)
class Recovery:
    """One feature around one service, in stored units."""

    feature: str
    before: FloatArray
    after: FloatArray
    healthy: float
    scale: float

    @property
    def back(self) -> int:
        """Cycles after the service that lie in the healthy band."""
        return int((np.abs(self.after - self.healthy) <= HEALTHY_SIGMAS * self.scale).sum())

    @property
    def shift(self) -> float:
        """How far the feature had left its healthy level before, in robust SD."""
        recent = self.before[-AFTER:]
        return float(abs(np.median(recent) - self.healthy) / self.scale) if len(recent) else 0.0


def latest_repair(view: UnitView) -> pd.Series | None:
    """Return the last service that opens an epoch, within the days shown, or None."""
    service = view.service[~view.service["undone"].fillna(False).astype(bool)]
    service = service[service["action"].isin(EPOCH_ACTIONS) & (service["time"] <= view.as_of)]
    if service.empty:
        return None
    last = service.sort_values("time", kind="stable").iloc[-1]
    return last if days_between(last["time"], view.as_of) <= SHOW_DAYS else None


def recoveries(view: UnitView, repair: pd.Series) -> list[Recovery]:
    """Return the features of the repaired part around a service, most shifted first.

    The healthy level is the baseline of the epoch before the service.
    """
    out = []
    for feature, own in view.residuals.groupby("feature", sort=True, observed=True):
        own = own[own["adjusted"].notna()].sort_values("started_at", kind="stable")
        before = own[own["started_at"] < repair["time"]]
        after = own[own["started_at"] >= repair["time"]]
        known = before[before["expected"].notna() & (before["scale"] > 0)]
        if known.empty or after.empty:
            continue
        out.append(
            Recovery(
                str(feature),
                before["adjusted"].to_numpy(float)[-BEFORE:],
                after["adjusted"].to_numpy(float)[:AFTER],
                float(known["expected"].tail(AFTER).median()),
                float(known["scale"].tail(AFTER).median()),
            )
        )
    own_part = [r for r in out if FEATURE_PART.get(r.feature) == repair["part"]]
    flagged = set(view.flags.loc[view.flags["part"] == repair["part"], "feature"].dropna())
    chosen = [r for r in out if r.feature in flagged]
    chosen += [r for r in own_part if r.feature not in flagged]
    chosen.sort(key=lambda r: (r.feature not in flagged, -r.shift, r.feature))
    return chosen[:MOST_FEATURES]


def repair_rows(view: UnitView, clock: Clock, options: ReportOptions, width: float) -> list[Row]:
    """Return the section on the latest repair; nothing without one."""
    repair = latest_repair(view)
    if repair is None:
        return []
    found = recoveries(view, repair)
    what = f"{part_words(repair['part'])} {repair['action']} {clock.moment(repair['time'])}"
    rows = heading("After the repair", width, note=what, bookmark="After the repair")
    if not found:
        text = "No cycle with a baseline on both sides of the work yet."
        return [*rows, *paragraph(text, width, colour=style.MUTED)]
    first = found[0]
    total = len(first.after)
    words = f"{first.back} of {total} cycles since are back at the healthy level"
    if total < AFTER:
        words += f"; {AFTER - total} more are needed for a judgement"
    elif first.back >= AFTER - 2:
        words += ": the work agrees with the finding"
    else:
        words += ": the finding is not settled"
    rows += [*paragraph(f"{residual_words(first.feature)}: {words}.", width), space(4.0)]
    for recovery in found:
        rows += [_panel(recovery, options, width), space(3.0)]
    return [replace(r, keep=True) if i < len(rows) - 1 else r for i, r in enumerate(rows)]


def _panel(recovery: Recovery, options: ReportOptions, width: float, height: float = 96.0) -> Row:
    unit = residual_unit(recovery.feature, options)

    def draw(sheet: Sheet, left: float, top: float) -> None:
        size = style.BODY_PT
        title = residual_words(recovery.feature)
        sheet.words(Words(left, top + 9.0, title, size, bold=True))
        end = left + text_width_pt(title, size, bold=True) + 5.0
        sheet.words(Words(end, top + 9.0, unit.label, style.SMALL_PT, style.MUTED))
        note = f"{recovery.back} of {len(recovery.after)} back at the healthy level"
        note = fit_end(note, style.SMALL_PT, left + width - end - 40.0)
        sheet.words(
            Words(left + width, top + 9.0, note, style.SMALL_PT, style.MUTED, align="right")
        )
        wide = width - LEFT_PT - RIGHT_PT
        plot = sheet.plot(left + LEFT_PT, top + 15.0, wide, height - 33.0)
        before, after = unit.show(recovery.before), unit.show(recovery.after)
        healthy = float(unit.show(recovery.healthy))
        half = float(unit.show_change(HEALTHY_SIGMAS * recovery.scale))
        plot.across(healthy - half, healthy + half, Fill(style.BAND, style.BAND_EDGE, layer=0.2))
        plot.mark(0.0, Stroke(style.GREEN, 1.0, layer=2.0))
        x = np.arange(-len(before), 0) + 0.5
        plot.dots(x, before, style.FAINT, size=2.6, hollow=True)
        plot.dots(np.arange(len(after)) + 0.5, after, style.BLUE, size=2.8, mark="s")
        pool = np.concatenate([before, after, [healthy - half, healthy + half]])
        pad = 0.1 * max(float(np.ptp(pool)), 1e-9)
        plot.x = (-BEFORE - 0.5, AFTER + 0.5)
        plot.y = (float(pool.min()) - pad, float(pool.max()) + pad)
        words = ("30 before", "15 before", "work", "15 cycles after")
        plot.x_ticks((-30.0, -15.0, 0.0, 15.0), words)
        value_ticks(plot, 4)
        text = f"healthy {with_unit(number(healthy), unit.label)}"
        side_labels(plot, [(healthy, text, style.MUTED)])

    return Row(height, panel=draw)
