"""After a repair: before and after, and how many cycles are back at the healthy level."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from . import style
from .flow import Row, Words, heading, space
from .metrics import fit_end, text_width_pt
from .moments import Clock
from .options import ReportOptions
from .panels import LEFT_PT, RIGHT_PT, side_labels, value_ticks
from .plot import Fill, Stroke
from .quantities import number, residual_unit, residual_words, with_unit
from .recovery import (
    AFTER,
    BEFORE,
    HEALTHY_SIGMAS,
    Recovery,
    latest_repair,
    mended,
    repair_words,
)
from .rewrite import in_units
from .views import UnitView

if TYPE_CHECKING:
    from .sheet import Sheet


def repair_rows(view: UnitView, clock: Clock, options: ReportOptions, width: float) -> list[Row]:
    """Return the section on the latest repair; nothing without one that tells something."""
    repair, found = latest_repair(view), mended(view)
    if repair is None or not found:
        return []
    what = repair_words(repair, clock)
    rows = heading("After the repair", width, note=what, bookmark="After the repair")
    for recovery in found:
        rows += [_panel(recovery, options, width), space(3.0)]
    return [replace(r, keep=True) if i < len(rows) - 1 else r for i, r in enumerate(rows)]


def _panel(recovery: Recovery, options: ReportOptions, width: float, height: float = 96.0) -> Row:
    unit = residual_unit(recovery.feature, options)

    def draw(sheet: Sheet, left: float, top: float) -> None:
        size = style.BODY_PT
        title = in_units(residual_words(recovery.feature), options)
        sheet.words(Words(left, top + 9.0, title, size, bold=True))
        end = left + text_width_pt(title, size, bold=True) + 5.0
        sheet.words(Words(end, top + 9.0, unit.label, style.SMALL_PT, style.MUTED))
        note = f"{recovery.back} of {len(recovery.after)} cycles back; band: healthy level"
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
