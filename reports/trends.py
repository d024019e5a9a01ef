"""The trend of one feature of one unit: what was measured, and what it should be."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from . import style
from .density import bin_series, broken, gap_limit, gaps, spread_labels
from .flow import Row, Words
from .metrics import fit, fit_end, printable, text_width_pt
from .moments import Clock
from .quantities import Unit, days_left, feature_words, number, with_unit
from .sheet import plain_axes
from .states import part_words, text_of
from .ticks import date_ticks, day_of, number_ticks, tick_text
from .trend import FloatArray, Trend, forecast_days
from .views import UnitView

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from .sheet import Sheet

DENSE = 350
"""Cycles beyond which points give way to bins."""
BINS = 110
BAND_SIGMAS = 3.0
LEFT_PT = 34.0
RIGHT_PT = 96.0
HEAD_PT = 27.0
FOOT_PT = 17.0


def trend_row(
    view: UnitView,
    trend: Trend,
    flag: pd.Series | None,
    clock: Clock,
    width: float,
    height: float,
    span: tuple[float, float],
) -> Row:
    """Return a panel of one feature's trend.

    Parameters
    ----------
    view
        The unit.
    trend
        The feature's history.
    flag
        The flag that the feature carries, for its change point and forecast.
    clock
        How times are shown.
    width, height
        Size of the panel with its title and labels [pt].
    span
        Days since 1970 at the left and right edge.
    """
    notes = _notes(trend, flag, clock)
    head = HEAD_PT + (9.5 if flag is not None else 0.0)

    def draw(sheet: Sheet, left: float, top: float) -> None:
        title = feature_words(trend.feature)
        size = style.BODY_PT + 0.4
        sheet.words(Words(left, top + 9.0, title, size, bold=True))
        end = left + text_width_pt(title, size, bold=True)
        small = style.SMALL_PT
        if trend.unit.label:
            sheet.words(Words(end + 5.0, top + 9.0, trend.unit.label, small, style.MUTED))
            end += 5.0 + text_width_pt(trend.unit.label, small)
        if notes[0]:
            shown = fit_end(notes[0], small, left + width - end - 14.0)
            sheet.words(Words(left + width, top + 9.0, shown, small, align="right"))
        if notes[1]:
            shown = fit_end(notes[1], small, width)
            sheet.words(Words(left, top + 19.0, shown, small, style.MUTED))
        if len(trend.x) == 0:
            text = "Not measured in this unit's cycles."
            sheet.words(Words(left, top + head + 3.0, text, colour=style.MUTED))
            return
        box_w, box_h = width - LEFT_PT - RIGHT_PT, height - head - FOOT_PT
        box = (left + LEFT_PT, top + head, box_w, box_h)
        _draw(sheet, plain_axes(sheet.axes(*box)), trend, view, flag, clock, box, span)

    return Row(height if len(trend.x) else head + 12.0, panel=draw)


def _notes(trend: Trend, flag: pd.Series | None, clock: Clock) -> tuple[str, str]:
    """Return what stands right of the title, and the line below it."""
    if flag is None:
        return ("" if trend.judged or len(trend.x) == 0 else "no baseline yet", "")
    mark = style.SEVERITY_MARKS.get(str(flag["severity"]), "")
    first = f"{mark} {part_words(flag['part'])}: {flag['severity']} since"
    below = []
    if not pd.isna(flag["change_point"]):
        text = f"dotted: drift began about {clock.short_date(flag['change_point'])}"
        low, high = flag["change_point_low"], flag["change_point_high"]
        if not pd.isna(low) and not pd.isna(high):
            text += f" ({clock.short_date(low)} to {clock.short_date(high)})"
        below.append(text)
    left = days_left(
        flag["days_to_limit"], flag["days_to_limit_low"], flag["days_to_limit_high"], word="days"
    )
    if left != "–":
        below.append(f"hatched: a cycle likely falls outside its limits, in {left}")
    return f"{first} {clock.date(flag['first_seen'])}", "; ".join(below)


def _draw(
    sheet: Sheet,
    axes: Axes,
    trend: Trend,
    view: UnitView,
    flag: pd.Series | None,
    clock: Clock,
    box: tuple[float, float, float, float],
    span: tuple[float, float],
) -> None:
    labels: list[tuple[float, str, str]] = []
    x = trend.x
    limit_days = gap_limit(x)
    line_y = np.where(np.isfinite(trend.adjusted), trend.adjusted, trend.raw)
    level = float(np.nanmedian(line_y[-7:])) if np.isfinite(line_y[-7:]).any() else math.nan
    if trend.judged:
        _band(axes, trend, limit_days, labels)
    if len(x) > DENSE:
        _dense(axes, trend, line_y, limit_days)
    else:
        _sparse(axes, trend, line_y, limit_days)
    _forecast(axes, trend, flag, level)
    low, high = span
    axes.set_xlim(low, high)
    bottom, top = _range(trend, line_y, flag)
    axes.set_ylim(bottom, top)
    _limits(axes, trend, bottom, top, labels)
    if math.isfinite(level):
        word = "adjusted" if trend.judged else "measured"
        labels.append((level, f"{word} {_value(level, trend.unit)}", style.BLUE))
    _gaps(axes, gaps(x, limit_days), x, day_of(view.as_of), limit_days, box[2], low, high)
    _change(axes, flag)
    _ticks(axes, clock, bottom, top, low, high, box[2])
    _right_labels(sheet, labels, bottom, top, box)
    _service(sheet, view, low, high, box)


def _value(value: float, unit: Unit) -> str:
    return with_unit(number(value), unit.label)


def _band(
    axes: Axes, trend: Trend, limit_days: float, labels: list[tuple[float, str, str]]
) -> None:
    low = trend.expected - BAND_SIGMAS * trend.scale
    high = trend.expected + BAND_SIGMAS * trend.scale
    x = trend.x
    if len(x) > DENSE:
        lower, upper = bin_series(x, low, BINS), bin_series(x, high, BINS)
        bx, low, high = lower.x, lower.middle, upper.middle
    else:
        bx = x
    if len(bx) == 1:
        bx, low, high = bx[0] + np.array([-0.4, 0.4]), np.repeat(low, 2), np.repeat(high, 2)
    line_x, line_low = broken(bx, low, limit_days)
    _, line_high = broken(bx, high, limit_days)
    axes.fill_between(
        line_x,
        line_low,
        line_high,
        facecolor=style.BAND,
        edgecolor=style.BAND_EDGE,
        linewidth=0.4,
        zorder=1,
    )
    last = np.flatnonzero(np.isfinite(trend.expected))[-1]
    text = f"usual {number(float(trend.expected[last]))}"
    labels.append((float(trend.expected[last]), text, style.MUTED))


def _dense(axes: Axes, trend: Trend, line_y: FloatArray, limit_days: float) -> None:
    raw = bin_series(trend.x, trend.raw, BINS)
    bx, low = broken(raw.x, raw.low, limit_days)
    _, high = broken(raw.x, raw.high, limit_days)
    axes.fill_between(bx, low, high, facecolor="#c9ced4", linewidth=0, alpha=0.7, zorder=2)
    line = bin_series(trend.x, line_y, BINS)
    lx, ly = broken(line.x, line.middle, limit_days)
    axes.plot(lx, ly, color=style.BLUE, linewidth=1.1, zorder=4)


def _sparse(axes: Axes, trend: Trend, line_y: FloatArray, limit_days: float) -> None:
    few = len(trend.x) < 40
    axes.plot(
        trend.x,
        trend.raw,
        linestyle="none",
        marker="o",
        markersize=3.2 if few else 1.9,
        markerfacecolor="none",
        markeredgecolor="#9aa2aa",
        markeredgewidth=0.5,
        zorder=2,
    )
    known = np.isfinite(line_y)
    line = bin_series(trend.x, line_y, 60 if len(trend.x) > 120 else max(1, int(known.sum())))
    lx, ly = broken(line.x, line.middle, limit_days)
    axes.plot(lx, ly, color=style.BLUE, linewidth=1.1, zorder=4)
    if few:
        axes.plot(trend.x, line_y, "s", color=style.BLUE, markersize=2.2, zorder=4)


def _forecast(
    axes: Axes,
    trend: Trend,
    flag: pd.Series | None,
    level: float,
) -> None:
    """Draw the cone from the last level to the limit, or the days where the limit's elsewhere."""
    ahead = forecast_days(flag)
    if flag is None or ahead is None or not math.isfinite(level):
        return
    middle, soon, late = ahead
    start = float(trend.x.max())
    look = {
        "facecolor": style.CONE,
        "edgecolor": style.ORANGE,
        "linewidth": 0.5,
        "hatch": "////",
        "alpha": 0.7,
    }
    if trend.limits and _carries(flag, trend):
        goal = min(trend.limits, key=lambda lim: abs(lim.value - level)).value
        xs, ys = [start, start + soon, start + late], [level, goal, goal]
        axes.fill(xs, ys, zorder=3, **look)  # type: ignore[arg-type]
        axes.plot([start, start + middle], [level, goal], "--", color=style.VERMILION, zorder=4)
    else:
        axes.axvspan(start + soon, start + late, zorder=1, **look)  # type: ignore[arg-type]


def _carries(flag: pd.Series, trend: Trend) -> bool:
    return text_of(flag["feature"]) == trend.feature


def _range(trend: Trend, line_y: FloatArray, flag: pd.Series | None) -> tuple[float, float]:
    """Return the vertical range: the data and the band, and limits that are in reach."""
    pool = [trend.raw, line_y]
    values = np.concatenate([p[np.isfinite(p)] for p in pool])
    if len(values) == 0:
        return 0.0, 1.0
    if len(values) > 60:
        low, high = (float(v) for v in np.quantile(values, [0.004, 0.996]))
    else:
        low, high = float(values.min()), float(values.max())
    if trend.judged:
        low = min(low, float(np.nanmedian(trend.expected - BAND_SIGMAS * trend.scale)))
        high = max(high, float(np.nanmedian(trend.expected + BAND_SIGMAS * trend.scale)))
    span = max(high - low, 1e-9 + 0.002 * abs(high))
    forecast = flag is not None and _carries(flag, trend) and forecast_days(flag) is not None
    for lim in trend.limits:
        reach = max(low - lim.value, lim.value - high, 0.0)
        if reach <= 0.8 * span or (forecast and reach <= 4.0 * span):
            low, high = min(low, lim.value), max(high, lim.value)
    span = max(high - low, 1e-9 + 0.002 * abs(high))
    return low - 0.08 * span, high + 0.08 * span


def _limits(
    axes: Axes,
    trend: Trend,
    bottom: float,
    top: float,
    labels: list[tuple[float, str, str]],
) -> None:
    for lim in trend.limits:
        if bottom <= lim.value <= top:
            axes.axhline(lim.value, color=style.VERMILION, linewidth=0.9, dashes=(5, 2), zorder=3)
            text = f"{lim.words} {_value(lim.value, trend.unit)}"
            labels.append((lim.value, text, style.VERMILION))


def _gaps(
    axes: Axes,
    spans: list[tuple[float, float]],
    x: FloatArray,
    now: float,
    limit_days: float,
    width_pt: float,
    low: float,
    high: float,
) -> None:
    if now - float(x.max()) > limit_days:
        spans = [*spans, (float(x.max()), now)]
    for start, end in sorted(spans, key=lambda s: s[0] - s[1])[:6]:
        axes.axvspan(start, end, facecolor="#f1f2f4", linewidth=0, zorder=0)
        if (end - start) / (high - low) * width_pt > 34.0:
            axes.text(
                (start + end) / 2,
                0.03,
                "no data",
                transform=axes.get_xaxis_transform(),
                fontsize=style.TINY_PT,
                color=style.MUTED,
                ha="center",
                va="bottom",
                zorder=5,
            )


def _change(axes: Axes, flag: pd.Series | None) -> None:
    if flag is None or pd.isna(flag["change_point"]):
        return
    low, high = flag["change_point_low"], flag["change_point_high"]
    if not pd.isna(low) and not pd.isna(high):
        axes.axvspan(day_of(low), day_of(high), facecolor="#efe3ec", linewidth=0, zorder=0.5)
    axes.axvline(
        day_of(flag["change_point"]), color=style.PURPLE, linewidth=0.9, dashes=(1, 2), zorder=3
    )


def _ticks(
    axes: Axes, clock: Clock, bottom: float, top: float, low: float, high: float, width_pt: float
) -> None:
    places, words = date_ticks(low, high, clock, width_pt)
    axes.set_xticks(places, words)
    marks = number_ticks(bottom, top)
    step = marks[1] - marks[0] if len(marks) > 1 else abs(top - bottom)
    axes.set_yticks(marks, [tick_text(m, step) for m in marks])


def _right_labels(
    sheet: Sheet,
    labels: list[tuple[float, str, str]],
    bottom: float,
    top: float,
    box: tuple[float, float, float, float],
) -> None:
    left, upper, width, height = box
    size = style.SMALL_PT
    wanted = np.array([upper + (top - v) / (top - bottom) * height for v, _, _ in labels])
    places = spread_labels(wanted, size * 1.3, upper + 3.0, upper + height - 1.0)
    for (_, text, colour), y in zip(labels, places, strict=True):
        shown = fit(text, size, RIGHT_PT - 8.0)
        sheet.words(Words(left + width + 6.0, float(y) + size * 0.35, shown, size, colour))


def _service(
    sheet: Sheet,
    view: UnitView,
    low: float,
    high: float,
    box: tuple[float, float, float, float],
) -> None:
    """Mark service above the axes; a label only where it has room."""
    left, upper, width, _ = box
    service = view.service[~view.service["undone"].fillna(False).astype(bool)]
    service = service.sort_values("time", kind="stable")
    free = -math.inf
    size = style.TINY_PT
    for when, part, action in zip(
        service["time"], service["part"], service["action"], strict=True
    ):
        day = day_of(when)
        if not low <= day <= high:
            continue
        x = left + (day - low) / (high - low) * width
        if x - 3.0 < free:
            continue
        label = printable(f"{part_words(part)} {action}")
        label = fit(label, size, 110.0)
        wide = text_width_pt(label, size)
        sheet.words(Words(x, upper - 1.5, "▼", size, style.GREEN, align="center"))
        if x + 5.0 + wide < left + width + RIGHT_PT:
            sheet.words(Words(x + 4.5, upper - 2.0, label, size, style.GREEN))
            free = x + 4.5 + wide + 4.0
        else:
            free = x + 6.0
