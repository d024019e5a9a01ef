"""Parts of one cycle, close up: saturation, heater switching, exhaust."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ..shared.config import Limits
from ..shared.steam import STANDARD_ATMOSPHERE_KPA, t_sat_c
from . import style
from .flow import Row
from .options import ReportOptions
from .panels import (
    LEFT_PT,
    RIGHT_PT,
    Run,
    SideLabel,
    clock_ticks,
    message_row,
    side_labels,
    titled,
    trace_line,
    value_ticks,
)
from .plot import Fill, Stroke
from .quantities import number, shown_unit, with_unit
from .recorded import program_of
from .rewrite import in_units
from .states import is_true
from .ticks import number_ticks, tick_text

if TYPE_CHECKING:
    from .sheet import Sheet


LEAST_GAUGE_KPA = 10.0
"""Gauge pressure below which a fall is noise, not an exhaust (own choice)."""


def saturation_row(
    run: Run, limits: Limits, options: ReportOptions, width: float, height: float = 132.0
) -> Row:
    """Return temperature in exposure against the saturation temperature of its pressure."""
    title = "Temperature against saturation" if run.has_pressure else "Temperature in exposure"
    if not run.aligned or pd.isna(run.cycle.get("exposure_end")):
        return message_row(title, "No exposure was reached.", width)
    end = (run.cycle["exposure_end"] - run.origin) / pd.Timedelta(seconds=1)
    inside = (run.seconds >= -90.0) & (run.seconds <= end + 45.0)
    if int(inside.sum()) < 3:
        return message_row(title, "Too few samples in exposure.", width)
    unit = shown_unit("°C", options)
    x = run.seconds[inside]
    t = unit.show(run.temperature_c[inside])
    sat = unit.show(t_sat_c(run.pressure_kpa[inside]))
    program = program_of(run.cycle)
    note = "saturation from the recorded pressure, IAPWS-IF97"
    if not run.has_pressure:
        note = "no pressure channel: saturation can't be shown"
    elif is_true(run.cycle.get("atmosphere_assumed")):
        note = "atmosphere assumed: the distance between the lines may be off by about 0.4 K"
        note = in_units(note, options)

    def body(sheet: Sheet, left: float, top: float) -> None:
        wide = width - LEFT_PT - RIGHT_PT
        plot = sheet.plot(left + LEFT_PT, top, wide, height - 34.0)
        hold = (x >= 0) & (x <= end)
        pool = np.concatenate([t[hold], sat[hold]])
        pool = pool[np.isfinite(pool)]
        if len(pool) == 0:
            plot.words(0.5, 0.5, "no temperature in exposure", colour=style.MUTED)
            return
        bottom, upper = float(pool.min()), float(pool.max())
        labels: list[SideLabel] = []
        if program is not None:
            base = float(unit.show(program.setpoint_c))
            ceiling = float(unit.show(program.setpoint_c + limits.band_width_k))
            plot.across(base, ceiling, Fill(style.IN_LIMITS, layer=0.1))
            for level, words in ((base, "lower limit"), (ceiling, "upper limit")):
                plot.level(level, Stroke(style.VERMILION, 0.8, (5.0, 2.0), 2.0))
                text = f"{words} {with_unit(number(level, 4), unit.label)}"
                labels.append((level, text, style.VERMILION))
            bottom, upper = min(bottom, base), max(upper, ceiling)
        pad = 0.1 * max(upper - bottom, 0.5)
        plot.x = (float(x.min()), float(x.max()))
        plot.y = (bottom - pad, upper + pad)
        trace_line(plot, x, sat, Stroke(style.GREEN, 0.9, (4.0, 1.5)))
        trace_line(plot, x, t, Stroke(style.BLUE, 0.9, layer=4.0))
        for line, words, colour in (
            (t, "temperature", style.BLUE),
            (sat, "saturation (dashed)", style.GREEN),
        ):
            known = line[hold][np.isfinite(line[hold])]
            if len(known):
                labels.append((float(np.median(known[-9:])), words, colour))
        clock_ticks(plot)
        value_ticks(plot)
        side_labels(plot, labels)

    return titled(title, note, width, height, body, unit=unit.label)


def pair_row(left_row: Row, right_row: Row, width: float, gap: float = 22.0) -> Row:
    """Return two panels side by side; each was made for half of the width."""
    half = (width - gap) / 2.0

    def draw(sheet: Sheet, left: float, top: float) -> None:
        sheet.row(left_row, left, top)
        sheet.row(right_row, left + half + gap, top)

    return Row(max(left_row.height, right_row.height), panel=draw)


def half_width(width: float, gap: float = 22.0) -> float:
    """Return the width of one of two panels side by side."""
    return (width - gap) / 2.0


def sawtooth_row(run: Run, options: ReportOptions, width: float, height: float = 128.0) -> Row:
    """Return the end of exposure, close up: the heater switching on and off."""
    title = "Heater switching"
    if not run.aligned or pd.isna(run.cycle.get("exposure_end")):
        return message_row(title, "No exposure was reached.", width)
    end = float((run.cycle["exposure_end"] - run.origin) / pd.Timedelta(seconds=1))
    period = run.cycle.get("sawtooth_period_s")
    span = 180.0 if pd.isna(period) else min(max(7.0 * float(period), 60.0), 600.0)
    inside = (run.seconds >= max(0.0, end - span)) & (run.seconds <= end)
    if int(inside.sum()) < 3:
        return message_row(title, "Too few samples.", width)
    unit = shown_unit("°C", options)
    x, t = run.seconds[inside], unit.show(run.temperature_c[inside])
    duty = run.cycle.get("heater_duty")
    note = "end of exposure, "
    note += "no saw-tooth" if pd.isna(duty) else f"duty {number(100.0 * float(duty))} %"

    def body(sheet: Sheet, left: float, top: float) -> None:
        plot = sheet.plot(left + LEFT_PT, top, width - LEFT_PT - 4.0, height - 34.0)
        known = np.isfinite(t)
        if not known.any():
            plot.words(0.5, 0.5, "no temperature here", colour=style.MUTED)
            return
        trace_line(plot, x, t, Stroke(style.BLUE, 0.8))
        if len(x) <= 150:
            plot.dots(x, t, style.BLUE, size=1.7)
        bottom, upper = float(t[known].min()), float(t[known].max())
        pad = 0.12 * max(upper - bottom, 0.2)
        plot.x = (float(x.min()), float(x.max()))
        plot.y = (bottom - pad, upper + pad)
        clock_ticks(plot)
        value_ticks(plot)

    return titled(title, note, width, height, body, unit=unit.label)


def exhaust_row(run: Run, options: ReportOptions, width: float, height: float = 128.0) -> Row:
    """Return gauge pressure in exhaust on a log scale: a straight line is one constant."""
    title = "Exhaust, gauge, log scale"
    if not run.has_pressure:
        return message_row(title, "No pressure channel.", width)
    start = run.cycle.get("exhaust_start")
    start = run.cycle.get("exposure_end") if pd.isna(start) else start
    if pd.isna(start):
        return message_row(title, "No exhaust in this cycle.", width)
    unit = shown_unit("kPa", options)
    atmosphere = run.cycle.get("atmosphere_kpa")
    atmosphere = STANDARD_ATMOSPHERE_KPA if pd.isna(atmosphere) else float(atmosphere)
    x = run.seconds - float((start - run.origin) / pd.Timedelta(seconds=1))
    gauge = run.pressure_kpa - atmosphere
    fall = run.cycle.get("exhaust_s")
    span = 240.0 if pd.isna(fall) else max(2.6 * float(fall), 30.0)
    shown = (x >= -0.1 * span) & (x <= span) & np.isfinite(gauge)
    if shown.any() and float(gauge[shown].max()) < LEAST_GAUGE_KPA:
        return message_row(title, "There was no pressure left to let out.", width)
    inside = shown & (gauge > 0.5)
    if int(inside.sum()) < 3:
        return message_row(title, "Too few samples in the exhaust.", width)
    x, g = x[inside], unit.show(gauge[inside])
    note = "" if pd.isna(fall) else f"80 to 20 % in {number(float(fall))} s"

    def body(sheet: Sheet, left: float, top: float) -> None:
        plot = sheet.plot(left + LEFT_PT, top, width - LEFT_PT - 4.0, height - 34.0)
        y = np.log10(g)
        trace_line(plot, x, y, Stroke(style.GREEN, 0.9))
        if len(x) <= 90:
            plot.dots(x, y, style.GREEN, size=1.8)
        for share in (0.8, 0.2):
            stroke = Stroke(style.FAINT, 0.6, (2.0, 2.0), 2.0)
            plot.level(math.log10(share * float(g.max())), stroke)
        high = float(y.max())
        low = max(min(float(y.min()), math.log10(0.18) + high), high - 2.5)
        span = high - low
        plot.x = (float(x.min()), float(x.max()))
        plot.y = (low - 0.05 * span, high + 0.08 * span)
        marks = _log_marks(10**low, 10**high)
        plot.y_ticks([math.log10(m) for m in marks], [f"{m:g}" for m in marks])
        seconds = number_ticks(*plot.x, max(2, int(plot.box[2] // 40)))
        step = seconds[1] - seconds[0] if len(seconds) > 1 else 1.0
        words = [tick_text(s, step) for s in seconds]
        if words:
            words[-1] += " s"
        plot.x_ticks(seconds, words)

    return titled(title, note, width, height, body, unit=unit.label)


def _log_marks(low: float, high: float) -> list[float]:
    """Return 1, 2, 5 steps inside a range, or 1s alone when there are many."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    for factors in ((1, 2, 5), (1, 3), (1,)):
        marks = [f * 10.0**e for e in range(first, last + 1) for f in factors]
        marks = [m for m in marks if low * 0.98 <= m <= high * 1.02]
        if len(marks) <= 6:
            return marks
    return marks
