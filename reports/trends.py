"""The trend of one feature of one unit: what was measured, and what it should be."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from . import style
from .density import bin_series, broken_at, gap_limit, gaps
from .flow import Row, Words
from .metrics import fit, fit_end, printable, text_width_pt
from .moments import Clock
from .panels import LEFT_PT, RIGHT_PT, SideLabel, side_labels, value_ticks
from .plot import Fill, Plot, Stroke
from .quantities import FAILING, Unit, days_left, number, with_unit
from .states import part_words, text_of
from .ticks import date_ticks, day_of, days_of
from .trend import FloatArray, Trend, forecast_days
from .views import UnitView

if TYPE_CHECKING:
    from .sheet import Sheet

Spans = list[tuple[float, float]]

DENSE = 350
"""Cycles beyond which points give way to bins."""
BINS = 110
BAND_SIGMAS = 3.0
MANY, FAR_SPANS = 20, 1.5
"""From so many values on, a measured one may leave the panel where it is farther from the
middle 90 % than this many of their spans: one odd cycle must not flatten all others. How
many do is said beside the title (own choice)."""
LATEST = 3
HEAD_PT = 17.0
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
    far = _far_words(trend, flag)
    head = HEAD_PT + (9.5 if notes[1] else 0.0) + (9.5 if _serviced(view, span) else 0.0)

    def draw(sheet: Sheet, left: float, top: float) -> None:
        title = trend.words
        size = style.BODY_PT + 0.4
        sheet.words(Words(left, top + 9.0, title, size, bold=True))
        end = left + text_width_pt(title, size, bold=True)
        small = style.SMALL_PT
        if trend.unit.label:
            label = trend.unit.label + far
            sheet.words(Words(end + 5.0, top + 9.0, label, small, style.MUTED))
            end += 5.0 + text_width_pt(label, small)
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
        plot = sheet.plot(left + LEFT_PT, top + head, box_w, box_h)
        _draw(plot, trend, view, flag, clock, span)

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
    if left == FAILING:
        below.append("its cycles fail already")
    elif left != "–":
        below.append(f"hatched: a cycle likely falls outside its limits, in {left}")
    return f"{first} {clock.date(flag['first_seen'])}", "; ".join(below)


def _far_words(trend: Trend, flag: pd.Series | None) -> str:
    """Return how many measured values leave the panel; empty for none."""
    low, high = _range(trend, trend.line, flag)
    count = int(((trend.raw < low) | (trend.raw > high)).sum())
    noun = "value" if count == 1 else "values"
    return f"  ·  {count} {noun} beyond the panel" if count else ""


def _draw(
    plot: Plot,
    trend: Trend,
    view: UnitView,
    flag: pd.Series | None,
    clock: Clock,
    span: tuple[float, float],
) -> None:
    x = trend.x
    step = gap_limit(x)
    spans = gaps(x, step)
    line_y = trend.line
    latest = line_y[np.isfinite(line_y)][-max(1, min(7, len(x) // 5)) :]
    level = float(np.median(latest)) if len(latest) else math.nan
    plot.x = span
    plot.y = bottom, top = _range(trend, line_y, flag)
    labels: list[SideLabel] = []
    if trend.judged:
        labels.append(_band(plot, trend, spans))
    (_dense if len(x) > DENSE else _sparse)(plot, trend, line_y, spans)
    _forecast(plot, trend, flag, level)
    for limit in trend.limits:
        if bottom <= limit.value <= top:
            plot.level(limit.value, Stroke(style.VERMILION, 0.9, (5.0, 2.0)))
            text = f"{limit.words} {_value(limit.value, trend.unit)}"
            labels.append((limit.value, text, style.VERMILION))
    if math.isfinite(level):
        word = "adjusted" if trend.judged else "measured"
        labels.append((level, f"{word} {_value(level, trend.unit)}", style.BLUE))
    _gaps(plot, spans, float(x.max()), view, step)
    _change(plot, flag)
    plot.x_ticks(*date_ticks(*span, clock, plot.box[2]))
    value_ticks(plot)
    side_labels(plot, labels)
    _service(plot, view)


def _value(value: float, unit: Unit) -> str:
    return with_unit(number(value), unit.label)


def _band(plot: Plot, trend: Trend, spans: Spans) -> SideLabel:
    """Draw the usual range; programs differ a little, so each bin shows their middle."""
    low = trend.expected - BAND_SIGMAS * trend.scale
    high = trend.expected + BAND_SIGMAS * trend.scale
    ends = trend.x[np.isfinite(low)][[0, -1]]
    count = min(BINS, max(1, len(trend.x) // 4))
    lower, upper = bin_series(trend.x, low, count), bin_series(trend.x, high, count)
    x, low, high = lower.x, lower.middle, upper.middle
    if ends[0] == ends[1]:
        ends = np.add(ends, (-0.4, 0.4))
    x = np.concatenate([ends[:1], x, ends[1:]])
    low, high = (np.concatenate([v[:1], v, v[-1:]]) for v in (low, high))
    edge_x, edge_low = broken_at(x, low, spans)
    _, edge_high = broken_at(x, high, spans)
    plot.band(edge_x, edge_low, edge_high, Fill(style.BAND, style.BAND_EDGE))
    usual = float(trend.expected[np.flatnonzero(np.isfinite(trend.expected))[-1]])
    return usual, f"usual {_value(usual, trend.unit)}", style.MUTED


def _dense(plot: Plot, trend: Trend, line_y: FloatArray, spans: Spans) -> None:
    """Draw bins: the range of 80 % of the raw values, and the median of the adjusted."""
    raw = bin_series(trend.x, trend.raw, BINS)
    x, low = broken_at(raw.x, raw.low, spans)
    _, high = broken_at(raw.x, raw.high, spans)
    plot.band(x, low, high, Fill(style.RAW_BAND, layer=2.0))
    line = bin_series(trend.x, line_y, BINS)
    plot.line(*broken_at(line.x, line.middle, spans), Stroke(style.BLUE, 1.1, layer=4.0))


def _sparse(plot: Plot, trend: Trend, line_y: FloatArray, spans: Spans) -> None:
    """Draw each raw value, and a line through the adjusted ones."""
    few = len(trend.x) < 40
    size = 3.2 if few else 1.9
    plot.dots(trend.x, trend.raw, style.FAINT, size=size, hollow=True, layer=2.0)
    known = int(np.isfinite(line_y).sum())
    line = bin_series(trend.x, line_y, 45 if known > 60 else max(1, known))
    plot.line(*broken_at(line.x, line.middle, spans), Stroke(style.BLUE, 1.1, layer=4.0))
    if few:
        plot.dots(trend.x, line_y, style.BLUE, size=2.2, mark="s")


def _forecast(plot: Plot, trend: Trend, flag: pd.Series | None, level: float) -> None:
    """Draw the cone from the last level to the limit, or the days where the limit's elsewhere."""
    ahead = forecast_days(flag)
    if flag is None or ahead is None or not math.isfinite(level):
        return
    middle, soon, late = ahead
    start = trend.last_cycle
    fill = Fill(style.CONE, style.ORANGE, "////", 0.7, 1.5)
    if trend.limits and _carries(flag, trend):
        goal = min(trend.limits, key=lambda lim: abs(lim.value - level)).value
        plot.area([start, start + soon, start + late], [level, goal, goal], fill)
        stroke = Stroke(style.VERMILION, 0.8, (3.0, 2.0))
        plot.line([start, start + middle], [level, goal], stroke)
    else:
        plot.upright(start + soon, start + late, fill)


def _carries(flag: pd.Series, trend: Trend) -> bool:
    return text_of(flag["feature"]) == trend.feature


def _range(trend: Trend, line_y: FloatArray, flag: pd.Series | None) -> tuple[float, float]:
    """Return the vertical range: the data and the band, and limits that are in reach."""
    values = np.concatenate([p[np.isfinite(p)] for p in (trend.raw, line_y)])
    if len(values) == 0:
        return 0.0, 1.0
    if len(trend.x) >= MANY:
        low, high = np.quantile(values, [0.05, 0.95])
        room = FAR_SPANS * (high - low)
        values = values[(values >= low - room) & (values <= high + room)] if room > 0 else values
        values = np.append(values, line_y[np.isfinite(line_y)][-LATEST:])  # now, however odd
    low, high = float(values.min()), float(values.max())
    if trend.judged:
        known = np.isfinite(trend.expected * trend.scale)
        usual = np.median(trend.expected[known])
        half = BAND_SIGMAS * float(np.median(trend.scale[known]))
        low, high = min(low, float(usual) - half), max(high, float(usual) + half)
    span = _span(low, high)
    forecast = flag is not None and _carries(flag, trend) and forecast_days(flag) is not None
    for limit in trend.limits:
        reach = max(low - limit.value, limit.value - high, 0.0)
        if reach <= 0.8 * span or (forecast and reach <= 4.0 * span):
            low, high = min(low, limit.value), max(high, limit.value)
    span = _span(low, high)
    return low - 0.08 * span, high + 0.08 * span


def _span(low: float, high: float) -> float:
    """Return the height of a range, with room for a feature that never changes."""
    return max(high - low, 0.002 * abs(high), 1e-9)


def _gaps(plot: Plot, spans: Spans, last: float, view: UnitView, step: float) -> None:
    """Shade the widest stretches without values, up to now, and say why where there is room."""
    now = day_of(view.as_of)
    if now - last > step:
        spans = [*spans, (last, now)]
    cycles = days_of(view.cycles["started_at"]).to_numpy(np.float64)
    for start, end in sorted(spans, key=lambda s: s[0] - s[1])[:6]:
        end = min(end, plot.x[1])
        plot.upright(start, end, Fill(style.GAP, layer=0.1))
        room = (end - start) / (plot.x[1] - plot.x[0]) * plot.box[2]
        ran = bool(((cycles > start + 1e-6) & (cycles < end - 1e-6)).any())
        words = "not measured" if ran else "no data"
        if room > text_width_pt(words, style.TINY_PT) + 6.0:
            plot.words((start + end) / 2.0, 0.04, words, colour=style.MUTED)


def _change(plot: Plot, flag: pd.Series | None) -> None:
    if flag is None or pd.isna(flag["change_point"]):
        return
    low, high = flag["change_point_low"], flag["change_point_high"]
    if not pd.isna(low) and not pd.isna(high):
        plot.upright(day_of(low), day_of(high), Fill(style.CHANGE, layer=0.5))
    plot.mark(day_of(flag["change_point"]), Stroke(style.PURPLE, 0.9, (1.0, 2.0)))


def _serviced(view: UnitView, span: tuple[float, float]) -> bool:
    """Return whether any service falls into the span, and so stands above the plot."""
    days = days_of(view.service.loc[~view.service["undone"].fillna(False).astype(bool), "time"])
    return bool(days.between(*span).any())


def _service(plot: Plot, view: UnitView) -> None:
    """Mark all service above the plot; labels where they have room, the latest first."""
    left, upper, width, _ = plot.box
    low, high = plot.x
    service = view.service[~view.service["undone"].fillna(False).astype(bool)]
    service = service.sort_values("time", ascending=False, kind="stable")
    end = left + width + RIGHT_PT
    size = style.TINY_PT
    for when, part, action in zip(
        service["time"], service["part"], service["action"], strict=True
    ):
        day = day_of(when)
        if not low <= day <= high:
            continue
        x = left + (day - low) / (high - low) * width
        plot.sheet.words(Words(x, upper - 1.5, "▼", size, style.GREEN, align="center"))
        label = fit(printable(f"{part_words(part)} {action}"), size, 110.0)
        if x + 5.0 + text_width_pt(label, size) < end:
            plot.sheet.words(Words(x + 4.5, upper - 2.0, label, size, style.GREEN))
        end = min(end, x - 4.0)
