"""A whole cycle over earlier ones, aligned at the start of exposure, with its phases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from . import style
from .density import gap_limit
from .flow import Row, Words
from .metrics import text_width_pt
from .options import ReportOptions
from .panels import (
    LEFT_PT,
    RIGHT_PT,
    Body,
    FloatArray,
    Run,
    SideLabel,
    clock_ticks,
    message_row,
    side_labels,
    titled,
    trace_line,
    value_ticks,
)
from .phases import phases_of
from .plot import Fill, Plot, Stroke
from .quantities import Unit, number, shown_unit, with_unit
from .recorded import program_of

if TYPE_CHECKING:
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
        x = run.seconds[known]
        line = np.interp(grid, x, y[known], left=np.nan, right=np.nan)
        after = np.clip(np.searchsorted(x, grid), 1, len(x) - 1)
        line[x[after] - x[after - 1] > gap_limit(x, STEP_S)] = np.nan
        stack.append(line)
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
    y = unit.show(run.temperature_c if which == "temperature" else run.pressure_kpa)
    colour = style.BLUE if which == "temperature" else style.GREEN

    def body(sheet: Sheet, left: float, top: float) -> None:
        strip = 11.0 if named else 0.0
        wide, tall = width - LEFT_PT - RIGHT_PT, height - 34.0 - strip
        plot = sheet.plot(left + LEFT_PT, top + strip, wide, tall)
        low, high = float(run.seconds.min()), float(run.seconds.max())
        plot.x = (low, high) if high > low else (low - 1.0, low + 1.0)
        pool = [y]
        if earlier:
            grid = np.arange(low, high + STEP_S, max(STEP_S, (high - low) / 500.0))
            least, most = (unit.show(e) for e in envelope(earlier, grid, which))
            plot.band(grid, least, most, Fill(style.ENVELOPE, style.BAND_EDGE, layer=1.0))
            pool += [least, most]
        values = np.concatenate(pool)
        values = values[np.isfinite(values)]
        if len(values) == 0:
            plot.words((low + high) / 2.0, 0.5, "no samples of this channel", colour=style.MUTED)
            return
        bottom, upper = float(values.min()), float(values.max())
        pad = 0.06 * max(upper - bottom, 1.0)
        plot.y = bottom, upper = bottom - pad, upper + pad
        trace_line(plot, run.seconds, y, Stroke(colour))
        labels: list[SideLabel] = []
        known = np.flatnonzero(np.isfinite(y))
        if len(known):
            labels.append((float(y[known[-1]]), "this cycle", colour))
        program = program_of(run.cycle)
        if which == "temperature" and program is not None:
            base = float(unit.show(program.setpoint_c))
            if bottom < base < upper:
                plot.level(base, Stroke(style.VERMILION, 0.8, (5.0, 2.0), 2.0))
                text = f"lower limit {with_unit(number(base, 4), unit.label)}"
                labels.append((base, text, style.VERMILION))
        _mark_phases(plot, spans, run, named)
        clock_ticks(plot)
        value_ticks(plot, 5 if named else 4)
        side_labels(plot, labels)

    return body


def _mark_phases(plot: Plot, spans: pd.DataFrame, run: Run, named: bool) -> None:
    """Shade the phases, and name them above the plot where there is room."""
    left, top, width, _ = plot.box
    low, high = plot.x
    for name, start, end in spans.itertuples(index=False):
        a = max(low, (start - run.origin).total_seconds())
        b = min(high, (end - run.origin).total_seconds())
        if b <= a:
            continue
        plot.upright(a, b, Fill(style.PHASE_FILLS.get(str(name), style.PAPER), layer=0.1))
        if a > low:
            plot.mark(a, Stroke(style.HAIRLINE, 0.5, layer=0.5))
        words = str(name).replace("_", " ")
        room = (b - a) / (high - low) * width
        if named and text_width_pt(words, style.TINY_PT) < room - 2.0:
            x = left + ((a + b) / 2.0 - low) / (high - low) * width
            at = Words(x, top - 3.0, words, style.TINY_PT, style.MUTED, align="center")
            plot.sheet.words(at)
