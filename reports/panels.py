"""What panels of a trace share: alignment, titles, axes, labels at the right."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from . import style
from .density import broken, gap_limit, spread_labels, thin
from .flow import Row, Words
from .metrics import fit, fit_end, text_width_pt
from .ticks import number_ticks, tick_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .sheet import Sheet

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]
Body = Callable[["Sheet", float, float], None]

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


def clock_axis(axes: Axes, low: float, high: float, width_pt: float) -> None:
    """Label seconds as minutes."""
    marks = number_ticks(low / 60.0, high / 60.0, max(2, int(width_pt // 44)))
    step = marks[1] - marks[0] if len(marks) > 1 else 1.0
    labels = [tick_text(m, step) for m in marks]
    if labels:
        labels[-1] += " min"
    axes.set_xticks([m * 60.0 for m in marks], labels)
    axes.set_xlim(low, high)


def value_axis(axes: Axes, low: float, high: float, most: int = 5) -> None:
    marks = number_ticks(low, high, most)
    step = marks[1] - marks[0] if len(marks) > 1 else abs(high - low)
    axes.set_yticks(marks, [tick_text(m, step) for m in marks])
    axes.set_ylim(low, high)


def line(axes: Axes, x: FloatArray, y: FloatArray, **look: Any) -> None:
    known = np.isfinite(y)
    if not known.any():
        return
    x, y = x[known], y[known]
    px, py = broken(x, y, gap_limit(x, 0.0)) if len(x) > 2 else (x, y)
    axes.plot(*thin(px, py, MOST_POINTS), **look)


def side_labels(
    sheet: Sheet,
    labels: Sequence[tuple[float, str, str]],
    low: float,
    high: float,
    box: tuple[float, float, float, float],
    room: float = RIGHT_PT - 8.0,
) -> None:
    left, top, width, height = box
    size = style.SMALL_PT
    wanted = np.array([top + (high - v) / (high - low) * height for v, _, _ in labels])
    for (_, text, colour), y in zip(
        labels, spread_labels(wanted, size * 1.3, top + 2.0, top + height), strict=True
    ):
        shown = fit(text, size, room)
        sheet.words(Words(left + width + 6.0, float(y) + size * 0.35, shown, size, colour))
