"""A unit's state and a night's summary as plain text, readable without colour."""

from __future__ import annotations

import math
import textwrap

import numpy as np
import pandas as pd

from ..shared.parts import SEVERITIES
from .bench import carry_for
from .carrying import carrying_features
from .corrected import correction_sentences
from .metrics import plain
from .moments import Clock, clock
from .opened import open_flags, waiting_count, waiting_words, work_words
from .options import ReportOptions
from .other_holds import other_holds_sentence
from .quantities import (
    FAILING,
    days_left,
    number,
    with_unit,
)
from .recovery import repair_sentence
from .rewrite import in_units
from .states import (
    alternatives_words,
    changed_flags,
    counted_from,
    in_fleet,
    known_units,
    last_data,
    part_short,
    part_words,
    quarantined,
    silent_units,
    standing_sentences,
    text_of,
    verdict_counts,
)
from .ticks import day_of
from .trend import trend_of
from .views import FleetView, UnitView

WIDTH = 79
LINES = 23
"""One screen of a plain terminal, less the prompt."""
NARROWEST, WIDEST = 40, 110
ROOMY_LINES = 8
"""From here on the exports set aside are named again; a night names them anyway."""
ENDS = 12
"""Columns for a trend's last value and unit."""
SPARK = "▁▂▃▄▅▆▇█"
SPARK_ASCII = "_.-=+*%#"


def spark(values: np.ndarray, *, ascii_only: bool = False) -> str:
    """Return a line of bars for values [any]; NaN leaves a blank."""
    marks = SPARK_ASCII if ascii_only else SPARK
    known = np.isfinite(values)
    if not known.any():
        return ""
    low, high = float(values[known].min()), float(values[known].max())
    span = high - low
    out = []
    for value in values:
        if not math.isfinite(value):
            out.append(" ")
        elif span <= 0:
            out.append(marks[3])
        else:
            out.append(marks[min(len(marks) - 1, int((value - low) / span * len(marks)))])
    return "".join(out)


def show_text(
    view: UnitView,
    *,
    options: ReportOptions = ReportOptions(),  # noqa: B008
    ascii_only: bool = False,
    width: int = WIDTH,
) -> str:
    """Return a unit's state in words, its flags, and spark lines of what carries them.

    Parameters
    ----------
    view
        The unit at one moment.
    options
        Units, dates and zone.
    ascii_only
        For a terminal that shows nothing else.
    width
        Columns to wrap to, within what stays readable.
    """
    width = min(max(width, NARROWEST), WIDEST)
    at = clock(view.config, view.config.site(view.unit.site), options)
    opened = open_flags(view)
    site = view.config.site(view.unit.site)
    where = (site.name or site.id) if site else (view.unit.site or "site not stated")
    lines = [
        *textwrap.wrap(f"Unit {plain(view.unit.id)}, {plain(where)}", width),
        *textwrap.wrap(f"as of {at.moment(view.as_of)} ({at.name})", width),
    ]
    if "stop" in set(opened["severity"]):
        text = "Take the unit out of use until it is checked, by the site's own procedure."
        lines += ["", *textwrap.wrap(text, width)]
    if opened.empty:
        lines += ["", "No open flag."]
    counted = counted_from(last_data(view), view.as_of, at)
    for _, flag in opened.iterrows():
        lines += ["", *_flag_lines(flag, at, counted, options, width)]
    lines.append("")
    told = [repair_sentence(view, at), *standing_sentences(view, at), other_holds_sentence(view)]
    for sentence in (*told, *correction_sentences(view, at)):
        lines += textwrap.wrap(in_units(plain(sentence), options), width) if sentence else []
    sparks = [
        _spark_line(view, feature, options, ascii_only, width)
        for feature, _ in carrying_features(view, opened)
    ]
    sparks = [s for s in sparks if s]
    if sparks:
        said = textwrap.wrap("Trends, oldest left, last 120 days at most:", width)
        lines += ["", *said, *sparks]
    text = "\n".join(line.rstrip() for line in lines) + "\n"
    return to_ascii(text) if ascii_only else text


_ASCII = str.maketrans(
    {"–": "-", "−": "-", "—": "-", "…": "...", "±": "+-", "°": "deg ", "·": "-", "’": "'"}
)


def to_ascii(text: str) -> str:
    """Return text for a terminal that shows nothing else; other letters become ``?``."""
    return text.translate(_ASCII).encode("ascii", "replace").decode("ascii")


def _since(view: FleetView, at: Clock) -> str:
    """Return from when on the view's cycles are: not all of a long history are in it."""
    return f" since {at.date(view.cycles['started_at'].min())}" if len(view.cycles) else ""


def _flag_lines(
    flag: pd.Series, at: Clock, counted: str, options: ReportOptions, width: int
) -> list[str]:
    left = days_left(
        flag["days_to_limit"], flag["days_to_limit_low"], flag["days_to_limit_high"], word="days"
    )
    head = f"[{flag['severity']}] {part_words(flag['part'], flag['mode'])}"
    head += f", since {at.date(flag['first_seen'])}"
    if left == FAILING:
        head += ", its cycles fail already"
    elif left != "–":
        head += f", {left} left" + (f", {counted}" if counted else "")
    out = textwrap.wrap(plain(head), width, subsequent_indent="  ")
    others = alternatives_words(flag["alternatives"])
    late = ""
    if not pd.isna(flag["deferred_until"]):
        late = f"{at.date(flag['deferred_until'])}: {text_of(flag['defer_reason'])}"
    said = (
        ("Done:", work_words(flag, at)),
        ("Deferred until", late),
        ("When raised:", text_of(flag["evidence"])),
        ("Would look alike:", others),
        ("Bring:", "; ".join(carry_for(str(flag["part"]))) if flag["severity"] != "watch" else ""),
        ("Check:", text_of(flag["bench_check"])),
    )
    for word, text in said:
        if text:
            line = f"{word} {in_units(plain(text), options)}"
            out += textwrap.wrap(line, width, initial_indent="  ", subsequent_indent="  ")
    out.append(f"  flag id: {plain(flag['flag_id'])}")
    return out


def _spark_line(
    view: UnitView, feature: str, options: ReportOptions, ascii_only: bool, width: int
) -> str:
    trend = trend_of(view, feature, options)
    days, values = trend.x - day_of(view.as_of), trend.line
    keep = np.isfinite(values) & (days > -120.0)
    days, values = days[keep], values[keep]
    if len(values) == 0:
        return ""
    room = min(40, (width - ENDS - 2) * 6 // 11)
    bars = min(60, width - ENDS - 2 - room)
    cells = np.full(min(bars, max(1, len(values))), np.nan)
    begin = float(days.min())
    span = max(0.0 - begin, 1e-9)
    place = np.minimum(((days - begin) / span * len(cells)).astype(int), len(cells) - 1)
    for cell in np.unique(place):
        cells[cell] = float(np.median(values[place == cell]))
    last = number(float(np.median(values[np.argsort(days, kind="stable")][-7:])))
    name = _cut(trend.words, room)
    ends = with_unit(last, trend.unit.label)
    return f"{name:<{room}} {spark(cells, ascii_only=ascii_only):<{bars}} {ends:>{ENDS}}"


def summary_text(
    view: FleetView,
    *,
    options: ReportOptions = ReportOptions(),  # noqa: B008
    lines: int = LINES,
    drawn: bool = True,
) -> str:
    """Return a night's summary that fits one screen: 79 columns and so many lines.

    What has no room is in the fleet report if that is drawn, else in the flags table.
    """
    at = clock(view.config, None, options)
    units = known_units(view)
    active = in_fleet(units)
    opened = open_flags(view)
    counts = opened["severity"].value_counts()
    through = view.data_through
    if through is None and units["last_data"].notna().any():
        through = units["last_data"].max()
    said = ", ".join(f"{counts.get(s, 0)} {s}" for s in reversed(SEVERITIES))
    said += waiting_words(waiting_count(opened))
    verdicts = verdict_counts(view)[["cycles", "inside", "outside", "incomplete"]].sum()
    silent = silent_units(view)
    aside = quarantined(view.intake)
    changed = changed_flags(view)
    noun = "unit" if len(active) == 1 else "units"
    moment = f"{len(active)} {noun} as of {at.moment(view.as_of)} ({at.name})"
    reach = f"data through {at.moment(through)}"
    together = f"{moment}, {reach}"
    head = [
        *([together] if len(together) <= WIDTH else [moment, reach]),
        f"cycles{_since(view, at)}: {verdicts['cycles']} (inside limits {verdicts['inside']}, "
        f"outside {verdicts['outside']}, incomplete {verdicts['incomplete']})",
        f"open flags: {said}" + (f"; changed: {len(changed)}" if view.since is not None else ""),
    ]
    tail = []
    if len(silent):
        tail.append(_named("no data", silent["unit_id"]))
    if len(aside) and lines >= ROOMY_LINES:
        tail.append(_named("exports set aside", aside["export"]))
    site_of = dict(zip(units["unit_id"], units["site"], strict=True))
    tail = ["", *tail] if tail and lines >= ROOMY_LINES else tail
    room = max(1, lines - len(head) - len(tail) - 1)
    listed = opened[opened["severity"] != "watch"]
    listed = listed if len(listed) else opened
    body = [_work_line(flag, site_of) for _, flag in listed.iterrows()]
    if len(body) > room:
        where = " in the fleet report" if drawn else ": chamberdrift table flags"
        body = [*body[: room - 1], f"... and {len(body) - room + 1} more{where}"]
    if body:
        head += ["", *body]
    head += tail
    return "\n".join(line[:WIDTH].rstrip() for line in head) + "\n"


def _work_line(flag: pd.Series, site_of: dict[str, str]) -> str:
    left = days_left(flag["days_to_limit"], flag["days_to_limit_low"], flag["days_to_limit_high"])
    unit = _cut(plain(flag["unit_id"]), 17)
    site = _cut(plain(site_of.get(str(flag["unit_id"]), "") or "-"), 14)
    part = _cut(part_short(flag["part"], flag["mode"]), 22)
    left = f"after {flag['work_action']}" if flag["waiting"] else left
    return f"{flag['severity']:<7} {unit:<17} {site:<14} {part:<22} {left.replace('–', '-')}"


def _named(what: str, names: pd.Series) -> str:
    text = f"{what}: {len(names)} ("
    shown = 0
    for name in names:
        piece = ("" if shown == 0 else ", ") + _cut(plain(name), 30)
        if len(text) + len(piece) > WIDTH - 8:
            break
        text += piece
        shown += 1
    return text + (", ...)" if shown < len(names) else ")")


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."
