"""The unit report: state, trends, latest cycle, checks, records."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from . import style
from .carrying import carrying_features
from .checks import check_rows
from .cycle_panels import (
    exhaust_row,
    half_width,
    pair_row,
    saturation_row,
    sawtooth_row,
)
from .document import Document, Target, pages_of, provenance_footer, sources_words, text_box, write
from .flow import Row, heading, paragraph, space
from .front import state_rows, title_rows
from .metrics import printable
from .moments import Clock, clock
from .opened import open_flags
from .options import ReportOptions
from .overview import overview_rows
from .panels import Run, run_of
from .recorded import program_words
from .records import record_rows
from .repair import repair_rows
from .rewrite import in_units
from .states import last_data, text_of, verdict_words
from .trend import shared_span, trend_of
from .trends import trend_row
from .views import UnitView

ENVELOPE_CYCLES = 8
LATEST_PT = (196.0, 132.0, 166.0, 150.0)
"""Heights of temperature, pressure, saturation, and the pair below: a page together."""
LEAST_TREND_PT, USUAL_TREND_PT, MOST_TREND_PT = 112.0, 150.0, 170.0


def unit_report(
    view: UnitView,
    path: Target,
    *,
    options: ReportOptions = ReportOptions(),  # noqa: B008
) -> None:
    """Write one unit's report as a PDF; path and options as in ``fleet_report``."""
    write(unit_document(view, options), path)


def unit_document(view: UnitView, options: ReportOptions) -> Document:
    """Plan the unit report's pages."""
    width, _ = text_box(options)
    at = clock(view.config, view.config.site(view.unit.site), options)
    opened = open_flags(view)
    repaired = repair_rows(view, at, options, width)
    urgent = bool((opened["severity"].isin(("service", "stop")) & ~opened["waiting"]).any())
    first = [*title_rows(view, opened, at, width), *state_rows(view, at, width, options)]
    first += [] if urgent else repaired  # what was mended leads, unless something else is worse
    room = text_box(options)[1] - sum(r.height for r in first)
    rows = [
        *first,
        *_trends(view, opened, at, width, options, room),
        *_latest(view, at, width, options),
        *check_rows(opened, width, options),
        *(repaired if urgent else []),
        *record_rows(view, at, width, options),
    ]
    name = printable(view.unit.id)
    footer = provenance_footer(
        view.provenance, _through(view), at, sources_words(view.intake, view.as_of)
    )
    title = f"Unit {name}, {at.date(view.as_of)}"
    return Document(title, tuple(pages_of(rows, options)), footer, view.as_of, options)


def _through(view: UnitView) -> pd.Timestamp | None:
    return view.data_through if view.data_through is not None else last_data(view)


def _trends(
    view: UnitView,
    opened: pd.DataFrame,
    at: Clock,
    width: float,
    options: ReportOptions,
    room: float,
) -> list[Row]:
    """Return the trends; ``room`` is what is left of the first page [pt]."""
    note = "circles: measured; line: at equal circumstances and program; band: usual ±3 robust SD"
    rows = heading("Trends", width, note=note, bookmark="Trends")
    trends = [(trend_of(view, f, options), flag) for f, flag in carrying_features(view, opened)]
    if not trends:
        return [*rows, *paragraph("No cycle yet, so no trend.", width, colour=style.MUTED)]
    span = shared_span([(t, f) for t, f in trends], view.as_of)
    told: list[list[Row]] = []
    for _, flag in trends:
        text = text_of(flag["evidence"]) if flag is not None else ""
        text = f"When raised: {in_units(text, options)}" if text else ""
        lines = paragraph(text, width, size=style.SMALL_PT + 0.4) if text else []
        told.append([*lines, space(6.0)])
    room -= 2.0 + sum(r.height for r in rows)
    heights = _heights([sum(r.height for r in lines) for lines in told], room)
    for (trend, flag), lines, height in zip(trends, told, heights, strict=True):
        panel = trend_row(view, trend, flag, at, width, height, span)
        rows += [replace(panel, keep=len(lines) > 1), *lines]
    return rows


def _heights(below: Sequence[float], room: float) -> list[float]:
    """Return the height of each trend: those that fit fill the first page, the rest are alike."""
    count, taken = 0, 0.0
    for height in below:
        if taken + height + LEAST_TREND_PT > room:
            break
        taken += height + LEAST_TREND_PT
        count += 1
    first = LEAST_TREND_PT + (room - taken) / count if count else 0.0
    return [min(first, MOST_TREND_PT)] * count + [USUAL_TREND_PT] * (len(below) - count)


def baseline_runs(view: UnitView, cycle: pd.Series) -> list[Run]:
    """Return earlier healthy cycles of the same program: before a drift began, complete."""
    pool = view.cycles[
        (view.cycles["program"] == cycle["program"])
        & (view.cycles["cycle_id"] != cycle["cycle_id"])
        & view.cycles["exposure_start"].notna()
        & (view.cycles["started_at"] < cycle["started_at"])
    ]
    if "verdict" in pool.columns:
        pool = pool[pool["verdict"] == "inside"]
    starts = view.flags["change_point"].fillna(view.flags["first_seen"])
    starts = starts[view.flags["closed_at"].isna()]
    if len(starts):
        before = pool[pool["started_at"] < starts.min()]
        pool = before if len(before) >= 3 else pool
    pool = pool.tail(60)
    if len(pool) > ENVELOPE_CYCLES:
        step = len(pool) / ENVELOPE_CYCLES
        pool = pool.iloc[[int(i * step) for i in range(ENVELOPE_CYCLES)]]
    runs = [run_of(view.trace(str(row["cycle_id"])), row) for _, row in pool.iterrows()]
    return [r for r in runs if len(r.seconds) > 2]


def _latest(view: UnitView, at: Clock, width: float, options: ReportOptions) -> list[Row]:
    cycles = view.cycles[view.cycles["kind"] != "leak_test"]
    if cycles.empty:
        return []
    reached = cycles[cycles["exposure_start"].notna()]
    named = reached[reached["program"].notna()]
    reached = named if len(named) else reached
    cycle = (reached if len(reached) else cycles).iloc[-1]
    samples = view.trace(str(cycle["cycle_id"]))
    run = run_of(samples, cycle)
    verdict = text_of(cycle.get("verdict")) or "not judged"
    words = style.VERDICT_MARKS[verdict] + " " if verdict in ("outside", "incomplete") else ""
    words += verdict_words(verdict)
    program = program_words(text_of(cycle["program"]), options) or "no program"
    note = f"{at.moment(cycle['started_at'])}  ·  {program}  ·  {words}"
    title = "Latest cycle"
    if cycle["cycle_id"] != cycles["cycle_id"].iloc[-1]:
        title = "Latest cycle that reached exposure"
    head = heading(title, width, note=note, bookmark="Latest cycle")
    rows = list(head)
    earlier = baseline_runs(view, cycle)
    room = text_box(options)[1] - sum(r.height for r in head) - 12.0
    scale = min(1.0, room / sum(LATEST_PT))
    whole, pressure, saturation, pair = (scale * h for h in LATEST_PT)
    rows += overview_rows(run, earlier, samples, options, width, (whole, pressure))
    if len(run.seconds) < 2:
        return rows
    limits = view.config.limits
    rows += [space(6.0), saturation_row(run, limits, options, width, saturation), space(6.0)]
    half = half_width(width)
    saw, exhaust = sawtooth_row(run, options, half, pair), exhaust_row(run, options, half, pair)
    rows.append(pair_row(saw, exhaust, width))
    return [*(replace(r, keep=True) for r in rows[:-1]), rows[-1]]
