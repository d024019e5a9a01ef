"""A whole cycle over earlier ones, aligned at the start of exposure, with its phases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from . import style
from .flow import Row, Words
from .metrics import text_width_pt
from .options import ReportOptions
from .panels import (
    LEFT_PT,
    RIGHT_PT,
    Body,
    Box,
    FloatArray,
    Run,
    clock_axis,
    line,
    message_row,
    side_labels,
    titled,
    value_axis,
)
from .phases import phases_of
from .quantities import Unit, number, shown_unit, with_unit
from .recorded import program_of
from .sheet import plain_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .sheet import Sheet

STEP_S = 5.0
"""Step of the envelope's grid, at least."""


def envelope(runs: Sequence[Run], grid: FloatArray, which: str) -> tuple[FloatArray, FloatArray]:
    """Return least and greatest of earlier cycles on a grid [s]; NaN outside all of them."""
    stack = []
    for run in runs:
        y = run.temperature_c if which == "temperature" else run.pressure_kpa
        known = np.isfinite(y)
        if int(known.sum()) < 2:
            continue
        stack.append(np.interp(grid, run.seconds[known], y[known], left=np.nan, right=np.nan))
    if not stack:
        none = np.full(len(grid), np.nan)
        return none, none
    cube = np.array(stack)
    seen = np.isfinite(cube).any(axis=0)
    low = np.full(len(grid), np.nan)
    high = np.full(len(grid), np.nan)
    low[seen] = np.nanmin(cube[:, seen], axis=0)
    high[seen] = np.nanmax(cube[:, seen], axis=0)
    return low, high


def overview_rows(
    run: Run,
    earlier: Sequence[Run],
    samples: pd.DataFrame,
    options: ReportOptions,
    width: float,
    heights: tuple[float, float] = (172.0, 112.0),
) -> list[Row]:
    """Return the whole cycle: temperature, and pressure below it, over earlier cycles."""
    if len(run.seconds) < 2:
        return [message_row("Latest cycle", "No samples of this cycle are in the store.", width)]
    earlier = [r for r in earlier if r.aligned] if run.aligned else []
    spans = phases_of(samples, run.cycle)
    t_unit = shown_unit("°C", options)
    p_unit = shown_unit("kPa", options)
    against = (
        f"band: range of {len(earlier)} earlier cycles of the same program; " if earlier else ""
    )
    zero = "0 is the start of exposure" if run.aligned else "0 is the start of the cycle"
    rows = [
        titled(
            "Temperature",
            against + zero,
            width,
            heights[0],
            _overview_body(run, earlier, spans, "temperature", t_unit, width, heights[0], True),
            unit=t_unit.label,
        )
    ]
    if run.has_pressure:
        rows.append(
            titled(
                "Pressure",
                "absolute",
                width,
                heights[1],
                _overview_body(run, earlier, spans, "pressure", p_unit, width, heights[1], False),
                unit=p_unit.label,
            )
        )
    return rows


def _overview_body(
    run: Run,
    earlier: Sequence[Run],
    spans: pd.DataFrame,
    which: str,
    unit: Unit,
    width: float,
    height: float,
    named: bool,
) -> Body:
    def body(sheet: Sheet, left: float, top: float) -> None:
        strip = 11.0 if named else 0.0
        box = (left + LEFT_PT, top + strip, width - LEFT_PT - RIGHT_PT, height - 34.0 - strip)
        axes = plain_axes(sheet.axes(*box))
        y = run.temperature_c if which == "temperature" else run.pressure_kpa
        y = unit.show(y)
        low, high = float(run.seconds.min()), float(run.seconds.max())
        labels = []
        if earlier:
            grid = np.arange(low, high + STEP_S, max(STEP_S, (high - low) / 500.0))
            env_low, env_high = envelope(earlier, grid, which)
            env_low, env_high = unit.show(env_low), unit.show(env_high)
            axes.fill_between(
                grid,
                env_low,
                env_high,
                facecolor=style.ENVELOPE,
                edgecolor=style.BAND_EDGE,
                linewidth=0.4,
                zorder=1,
            )
        colour = style.BLUE if which == "temperature" else style.GREEN
        line(axes, run.seconds, y, color=colour, linewidth=0.9, zorder=3)
        bottom, upper = float(np.nanmin(y)), float(np.nanmax(y))
        if earlier and np.isfinite(env_low).any():
            bottom = min(bottom, float(np.nanmin(env_low)))
            upper = max(upper, float(np.nanmax(env_high)))
        pad = 0.06 * max(upper - bottom, 1e-6)
        bottom, upper = bottom - pad, upper + pad
        known = np.flatnonzero(np.isfinite(y))
        labels.append((float(y[known[-1]]), "this cycle", colour))
        program = program_of(run.cycle)
        if which == "temperature" and program is not None:
            base = float(unit.show(program.setpoint_c))
            if bottom < base < upper:
                axes.axhline(base, color=style.VERMILION, linewidth=0.8, dashes=(5, 2), zorder=2)
                text = f"lower limit {with_unit(number(base, 4), unit.label)}"
                labels.append((base, text, style.VERMILION))
        _mark_phases(sheet, axes, spans, run, box, low, high, named)
        clock_axis(axes, low, high, box[2])
        value_axis(axes, bottom, upper, 5 if named else 4)
        side_labels(sheet, labels, bottom, upper, box)

    return body


def _mark_phases(
    sheet: Sheet,
    axes: Axes,
    spans: pd.DataFrame,
    run: Run,
    box: Box,
    low: float,
    high: float,
    named: bool,
) -> None:
    left, top, width, _ = box
    for name, start, end in spans.itertuples(index=False):
        a = max(low, (start - run.origin) / pd.Timedelta(seconds=1))
        b = min(high, (end - run.origin) / pd.Timedelta(seconds=1))
        if b <= a:
            continue
        axes.axvspan(a, b, facecolor=style.PHASE_FILLS.get(name, "#ffffff"), linewidth=0, zorder=0)
        if a > low:
            axes.axvline(a, color=style.HAIRLINE, linewidth=0.5, zorder=0.5)
        words = str(name).replace("_", " ")
        room = (b - a) / (high - low) * width
        if named and text_width_pt(words, style.TINY_PT) < room - 2.0:
            x = left + ((a + b) / 2 - low) / (high - low) * width
            sheet.words(Words(x, top - 3.0, words, style.TINY_PT, style.MUTED, align="center"))
