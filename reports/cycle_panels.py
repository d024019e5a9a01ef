"""Panels of one cycle's trace: against earlier cycles, saturation, switching, exhaust."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Limits
from ..shared.programs import Program
from ..shared.steam import STANDARD_ATMOSPHERE_KPA, t_sat_c
from . import style
from .density import broken, gap_limit, spread_labels, thin
from .flow import Row, Words
from .metrics import fit, fit_end, text_width_pt
from .options import ReportOptions
from .phases import phases_of
from .quantities import number, shown_unit, with_unit
from .sheet import plain_axes
from .ticks import number_ticks, tick_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .sheet import Sheet

FloatArray = NDArray[np.float64]

MOST_POINTS = 900
"""Points of a trace that a panel of this width can show."""
LEFT_PT = 34.0
RIGHT_PT = 96.0
STEP_S = 5.0


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
    start = cycle.get("exposure_start")
    aligned = not pd.isna(start)
    origin = start if aligned else cycle["started_at"]
    samples = samples.sort_values("time", kind="stable")
    seconds = ((samples["time"] - origin) / pd.Timedelta(seconds=1)).to_numpy(float)
    return Run(
        cycle,
        seconds,
        samples["temperature_c"].to_numpy(float),
        samples["pressure_kpa"].to_numpy(float),
        origin,
        aligned,
    )


def _program(cycle: pd.Series) -> Program | None:
    try:
        return Program.parse(str(cycle.get("program")))
    except ValueError:
        return None


def _titled(
    title: str,
    note: str,
    width: float,
    height: float,
    body,
    *,
    unit: str = "",  # type: ignore[no-untyped-def]
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

    return _titled(title, "", width, 34.0, body)


def _clock_axis(axes: Axes, low: float, high: float, width_pt: float) -> None:
    """Label seconds as minutes."""
    marks = number_ticks(low / 60.0, high / 60.0, max(2, int(width_pt // 44)))
    step = marks[1] - marks[0] if len(marks) > 1 else 1.0
    labels = [tick_text(m, step) for m in marks]
    if labels:
        labels[-1] += " min"
    axes.set_xticks([m * 60.0 for m in marks], labels)
    axes.set_xlim(low, high)


def _value_axis(axes: Axes, low: float, high: float, most: int = 5) -> None:
    marks = number_ticks(low, high, most)
    step = marks[1] - marks[0] if len(marks) > 1 else abs(high - low)
    axes.set_yticks(marks, [tick_text(m, step) for m in marks])
    axes.set_ylim(low, high)


def _line(axes: Axes, x: FloatArray, y: FloatArray, **look) -> None:  # type: ignore[no-untyped-def]
    known = np.isfinite(y)
    if not known.any():
        return
    x, y = x[known], y[known]
    px, py = broken(x, y, gap_limit(x, 0.0)) if len(x) > 2 else (x, y)
    axes.plot(*thin(px, py, MOST_POINTS), **look)


def _side_labels(
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
        _titled(
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
            _titled(
                "Pressure",
                "absolute",
                width,
                heights[1],
                _overview_body(run, earlier, spans, "pressure", p_unit, width, heights[1], False),
                unit=p_unit.label,
            )
        )
    return rows


def _overview_body(  # type: ignore[no-untyped-def]
    run: Run, earlier, spans, which, unit, width, height, named
):
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
        _line(axes, run.seconds, y, color=colour, linewidth=0.9, zorder=3)
        bottom, upper = float(np.nanmin(y)), float(np.nanmax(y))
        if earlier and np.isfinite(env_low).any():
            bottom = min(bottom, float(np.nanmin(env_low)))
            upper = max(upper, float(np.nanmax(env_high)))
        pad = 0.06 * max(upper - bottom, 1e-6)
        bottom, upper = bottom - pad, upper + pad
        known = np.flatnonzero(np.isfinite(y))
        labels.append((float(y[known[-1]]), "this cycle", colour))
        program = _program(run.cycle)
        if which == "temperature" and program is not None:
            base = float(unit.show(program.setpoint_c))
            if bottom < base < upper:
                axes.axhline(base, color=style.VERMILION, linewidth=0.8, dashes=(5, 2), zorder=2)
                text = f"lower limit {with_unit(number(base, 4), unit.label)}"
                labels.append((base, text, style.VERMILION))
        _mark_phases(sheet, axes, spans, run, box, low, high, named)
        _clock_axis(axes, low, high, box[2])
        _value_axis(axes, bottom, upper, 5 if named else 4)
        _side_labels(sheet, labels, bottom, upper, box)

    return body


def _mark_phases(  # type: ignore[no-untyped-def]
    sheet: Sheet,
    axes: Axes,
    spans: pd.DataFrame,
    run: Run,
    box,
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
    program = _program(run.cycle)
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
        _line(axes, x, sat, color=style.GREEN, linewidth=0.9, linestyle=(0, (4, 1.5)), zorder=3)
        _line(axes, x, t, color=style.BLUE, linewidth=0.9, zorder=4)
        labels.append((float(np.nanmedian(t[hold][-9:])), "temperature", style.BLUE))
        if np.isfinite(sat[hold]).any():
            labels.append((float(np.nanmedian(sat[hold][-9:])), "saturation", style.GREEN))
        _clock_axis(axes, float(x.min()), float(x.max()), box[2])
        _value_axis(axes, bottom, upper)
        _side_labels(sheet, labels, bottom, upper, box)

    return _titled(title, note, width, height, body, unit=unit.label)


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
        _line(axes, x, t, color=style.BLUE, linewidth=0.8, zorder=3)
        if not many:
            axes.plot(x, t, "o", color=style.BLUE, markersize=1.7, zorder=4)
        bottom, upper = float(np.nanmin(t)), float(np.nanmax(t))
        pad = 0.12 * max(upper - bottom, 0.2)
        _clock_axis(axes, float(x.min()), float(x.max()), box[2])
        _value_axis(axes, bottom - pad, upper + pad)

    return _titled(title, note, width, height, body, unit=unit.label)


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
        _line(axes, x, y, color=style.GREEN, linewidth=0.9, zorder=3)
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

    return _titled(title, note, width, height, body, unit=unit.label)


def _log_marks(low: float, high: float) -> list[float]:
    """Return 1, 2, 5 steps inside a range, or 1s alone when there are many."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    for factors in ((1, 2, 5), (1, 3), (1,)):
        marks = [f * 10.0**e for e in range(first, last + 1) for f in factors]
        marks = [m for m in marks if low * 0.98 <= m <= high * 1.02]
        if len(marks) <= 6:
            return marks
    return marks
