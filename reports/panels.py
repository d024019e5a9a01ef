"""What panels of a trace share: alignment, titles, axes, labels at the right."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from . import style
from .density import broken, gap_limit, spread_labels, thin
from .flow import Row, Words
from .metrics import fit, fit_end, text_width_pt
from .plot import Plot, Stroke
from .ticks import number_ticks, tick_text

if TYPE_CHECKING:
    from .sheet import Sheet

FloatArray = NDArray[np.float64]
SideLabel = tuple[float, str, str]
"""Value, words and colour of a label at the right of a plot."""
Body = Callable[["Sheet", float, float], None]

LEAD_IN = pd.Timedelta(minutes=2)
"""Shown before and after a cycle."""
MOST_POINTS = 900
"""Points of a trace that a panel of this width can show."""
LEFT_PT = 34.0
RIGHT_PT = 96.0


@dataclass(frozen=True)
class Run:
    """One cycle's samples against seconds since exposure start (or start of the cycle)."""

    cycle: pd.Series
    seconds: FloatArray
    temperature_c: FloatArray
    pressure_kpa: FloatArray
    origin: pd.Timestamp
    aligned: bool
    """Whether second 0 is the start of exposure."""

    @property
    def has_pressure(self) -> bool:
        """Whether any pressure was recorded."""
        return bool(np.isfinite(self.pressure_kpa).any())


def run_of(samples: pd.DataFrame, cycle: pd.Series) -> Run:
    """Return a cycle's samples, aligned at exposure start where it has one."""
    aligned = not pd.isna(cycle.get("exposure_start"))
    origin: pd.Timestamp = cycle["exposure_start" if aligned else "started_at"]
    samples = samples.sort_values("time", kind="stable")
    first, last = cycle["started_at"] - LEAD_IN, cycle.get("ended_at")
    inside = samples["time"] >= first
    if not pd.isna(last):
        inside &= samples["time"] <= last + LEAD_IN
    samples = samples[inside]
    seconds = np.asarray(pd.Series(samples["time"] - origin).dt.total_seconds(), np.float64)
    return Run(
        cycle,
        seconds,
        samples["temperature_c"].to_numpy(float),
        samples["pressure_kpa"].to_numpy(float),
        origin,
        aligned,
    )


def titled(
    title: str,
    note: str,
    width: float,
    height: float,
    body: Body,
    *,
    unit: str = "",
) -> Row:
    """Return a row of a title, its unit and a note above a body of a width and height [pt]."""

    def draw(sheet: Sheet, left: float, top: float) -> None:
        size = style.BODY_PT + 0.4
        shown = fit(title, size, width, bold=True)
        sheet.words(Words(left, top + 9.0, shown, size, bold=True))
        end = left + text_width_pt(shown, size, bold=True)
        if unit:
            sheet.words(Words(end + 5.0, top + 9.0, unit, style.SMALL_PT, style.MUTED))
            end += 5.0 + text_width_pt(unit, style.SMALL_PT)
        room = left + width - end - 12.0
        if note and room > 40.0:
            text = fit_end(note, style.SMALL_PT, room)
            sheet.words(
                Words(left + width, top + 9.0, text, style.SMALL_PT, style.MUTED, align="right")
            )
        body(sheet, left, top + 15.0)

    return Row(height, panel=draw)


def message_row(title: str, text: str, width: float) -> Row:
    """Return a panel that says why there is nothing to draw."""

    def body(sheet: Sheet, left: float, top: float) -> None:
        shown = fit_end(text, style.BODY_PT, width)
        sheet.words(Words(left, top + 9.0, shown, colour=style.MUTED))

    return titled(title, "", width, 34.0, body)


def clock_ticks(plot: Plot) -> None:
    """Label seconds as minutes."""
    low, high = plot.x
    marks = number_ticks(low / 60.0, high / 60.0, max(2, int(plot.box[2] // 44)))
    labels = _tick_texts(marks)
    if labels:
        labels[-1] += " min"
    plot.x_ticks([m * 60.0 for m in marks], labels)


def value_ticks(plot: Plot, most: int = 5) -> None:
    """Label the heights."""
    marks = number_ticks(*plot.y, most)
    plot.y_ticks(marks, _tick_texts(marks))


def _tick_texts(marks: Sequence[float]) -> list[str]:
    step = marks[1] - marks[0] if len(marks) > 1 else 1.0
    return [tick_text(m, step) for m in marks]


def trace_line(plot: Plot, x: FloatArray, y: FloatArray, stroke: Stroke) -> None:
    """Draw samples as a line that is broken at gaps and thinned to the paper's resolution."""
    known = np.isfinite(y)
    if not known.any():
        return
    x, y = x[known], y[known]
    px, py = broken(x, y, gap_limit(x, 0.0)) if len(x) > 2 else (x, y)
    plot.line(*thin(px, py, MOST_POINTS), stroke)


def side_labels(plot: Plot, labels: Sequence[SideLabel]) -> None:
    """Write labels right of a plot, level with their values, moved apart where they meet."""
    left, top, width, height = plot.box
    low, high = plot.y
    size = style.SMALL_PT
    wanted = np.array([top + (high - v) / (high - low) * height for v, _, _ in labels])
    places = spread_labels(wanted, size * 1.3, top + 2.0, top + height)
    for (_, text, colour), y in zip(labels, places, strict=True):
        shown = fit(text, size, RIGHT_PT - 8.0)
        plot.sheet.words(Words(left + width + 6.0, float(y) + size * 0.35, shown, size, colour))
