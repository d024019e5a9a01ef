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
    clock_axis,
    line,
    message_row,
    side_labels,
    titled,
    value_axis,
)
from .quantities import number, shown_unit, with_unit
from .recorded import program_of
from .sheet import plain_axes
from .ticks import number_ticks, tick_text

if TYPE_CHECKING:
    from .sheet import Sheet


def saturation_row(
    run: Run, limits: Limits, options: ReportOptions, width: float, height: float = 132.0
) -> Row:
    """Return temperature in exposure against the saturation temperature of its pressure."""
    title = "Temperature against saturation"
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
    elif bool(run.cycle.get("atmosphere_assumed")) is True:
        note = "atmosphere assumed: the distance between the lines may be off by about 0.4 K"

    def body(sheet: Sheet, left: float, top: float) -> None:
        box = (left + LEFT_PT, top, width - LEFT_PT - RIGHT_PT, height - 34.0)
        axes = plain_axes(sheet.axes(*box))
        hold = (x >= 0) & (x <= end)
        pool = np.concatenate([t[hold], sat[hold]])
        pool = pool[np.isfinite(pool)]
        bottom, upper = float(pool.min()), float(pool.max())
        labels = []
        if program is not None:
            base = float(unit.show(program.setpoint_c))
            ceiling = float(unit.show(program.setpoint_c + limits.band_width_k))
            axes.axhspan(base, ceiling, facecolor="#f4f7fa", linewidth=0, zorder=0)
            for level, words in ((base, "lower limit"), (ceiling, "upper limit")):
                axes.axhline(level, color=style.VERMILION, linewidth=0.8, dashes=(5, 2), zorder=2)
                text = f"{words} {with_unit(number(level, 4), unit.label)}"
                labels.append((level, text, style.VERMILION))
            bottom, upper = min(bottom, base), max(upper, ceiling)
        pad = 0.1 * max(upper - bottom, 0.5)
        bottom, upper = bottom - pad, upper + pad
        line(axes, x, sat, color=style.GREEN, linewidth=0.9, linestyle=(0, (4, 1.5)), zorder=3)
        line(axes, x, t, color=style.BLUE, linewidth=0.9, zorder=4)
        labels.append((float(np.nanmedian(t[hold][-9:])), "temperature", style.BLUE))
        if np.isfinite(sat[hold]).any():
            labels.append((float(np.nanmedian(sat[hold][-9:])), "saturation", style.GREEN))
        clock_axis(axes, float(x.min()), float(x.max()), box[2])
        value_axis(axes, bottom, upper)
        side_labels(sheet, labels, bottom, upper, box)

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
    title = "Heater switching, end of exposure"
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
    note = "no saw-tooth found" if pd.isna(duty) else f"duty {number(100.0 * float(duty))} %"

    def body(sheet: Sheet, left: float, top: float) -> None:
        box = (left + LEFT_PT, top, width - LEFT_PT - 4.0, height - 34.0)
        axes = plain_axes(sheet.axes(*box))
        many = len(x) > 150
        line(axes, x, t, color=style.BLUE, linewidth=0.8, zorder=3)
        if not many:
            axes.plot(x, t, "o", color=style.BLUE, markersize=1.7, zorder=4)
        bottom, upper = float(np.nanmin(t)), float(np.nanmax(t))
        pad = 0.12 * max(upper - bottom, 0.2)
        clock_axis(axes, float(x.min()), float(x.max()), box[2])
        value_axis(axes, bottom - pad, upper + pad)

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
    inside = (x >= -0.1 * span) & (x <= span) & (gauge > 0.5)
    if int(inside.sum()) < 3:
        return message_row(title, "Too few samples in the exhaust.", width)
    x, g = x[inside], unit.show(gauge[inside])
    note = "" if pd.isna(fall) else f"80 to 20 % in {number(float(fall))} s"

    def body(sheet: Sheet, left: float, top: float) -> None:
        box = (left + LEFT_PT, top, width - LEFT_PT - 4.0, height - 34.0)
        axes = plain_axes(sheet.axes(*box))
        y = np.log10(g)
        line(axes, x, y, color=style.GREEN, linewidth=0.9, zorder=3)
        if len(x) <= 90:
            axes.plot(x, y, "o", color=style.GREEN, markersize=1.8, zorder=4)
        begin = float(np.nanmax(g))
        for share in (0.8, 0.2):
            axes.axhline(
                math.log10(share * begin),
                color=style.FAINT,
                linewidth=0.6,
                dashes=(2, 2),
                zorder=2,
            )
        low, high = float(np.nanmin(y)), float(np.nanmax(y))
        low = max(low, high - 2.5)
        span_y = max(high - low, 0.3)
        axes.set_ylim(low - 0.05 * span_y, high + 0.08 * span_y)
        marks = _log_marks(10**low, 10**high)
        axes.set_yticks([math.log10(m) for m in marks], [f"{m:g}" for m in marks])
        seconds = number_ticks(float(x.min()), float(x.max()), max(2, int(box[2] // 40)))
        step = seconds[1] - seconds[0] if len(seconds) > 1 else 1.0
        words = [tick_text(s, step) for s in seconds]
        if words:
            words[-1] += " s"
        axes.set_xticks(seconds, words)
        axes.set_xlim(float(x.min()), float(x.max()))

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
