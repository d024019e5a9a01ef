"""The unit report: state, trends, latest cycle, checks, records."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from . import style
from .bench import cautions_for, split_cautions, steps_for
from .carrying import carrying_features
from .cycle_panels import (
    exhaust_row,
    half_width,
    pair_row,
    saturation_row,
    sawtooth_row,
)
from .document import Document, Target, pages_of, provenance_footer, text_box, write
from .due import calendar
from .flow import Cell, Row, TableColumn, Words, heading, paragraph, space, table
from .metrics import fit, fit_end, printable, text_width_pt
from .moments import Clock, clock
from .options import ReportOptions
from .overview import overview_rows
from .panels import Run, run_of
from .quantities import fixed, shown_unit
from .repair import repair_rows
from .states import (
    alternatives_words,
    gravest,
    held_by_uncertainty,
    last_data,
    open_flags,
    part_short,
    part_words,
    state_sentences,
    text_of,
)
from .trend import shared_span, trend_of
from .trends import trend_row
from .views import FleetView, UnitView

ENVELOPE_CYCLES = 8
TABLE_CYCLES = 15


def unit_report(
    view: UnitView,
    path: Target,
    *,
    options: ReportOptions = ReportOptions(),  # noqa: B008
) -> None:
    """Write one unit's report as a PDF.

    Parameters
    ----------
    view
        The unit at one moment.
    path
        Where it goes: a path, or an open binary file.
    options
        Units, dates, zone and paper.
    """
    write(unit_document(view, options), path)


def unit_document(view: UnitView, options: ReportOptions) -> Document:
    """Plan the unit report's pages."""
    width, _ = text_box(options)
    at = clock(view.config, view.config.site(view.unit.site), options)
    opened = open_flags(view.flags, view.deferrals, view.as_of)
    first = [*_title(view, opened, at, width), *_state(view, at, width)]
    room = text_box(options)[1] - sum(r.height for r in first)
    rows = [
        *first,
        *_trends(view, opened, at, width, options, room),
        *_latest(view, at, width, options),
        *_checks(opened, width),
        *repair_rows(view, at, options, width),
        *_records(view, at, width, options),
    ]
    name = printable(view.unit.id)
    footer = provenance_footer(view.provenance, _through(view), at, sources_words(view.intake))
    title = f"Unit {name}, {at.date(view.as_of)}"
    return Document(title, tuple(pages_of(rows, options)), footer, view.as_of, options)


def _through(view: UnitView) -> pd.Timestamp | None:
    return view.data_through if view.data_through is not None else last_data(view)


def sources_words(intake: pd.DataFrame) -> str:
    """Return which exports the numbers come from, newest named."""
    accepted = intake[intake["outcome"] == "accepted"]
    if accepted.empty:
        return "no export on record for this view"
    newest = accepted.sort_values("last_time", kind="stable").iloc[-1]
    noun = "export" if len(accepted) == 1 else "exports"
    sha = str(newest["sha256"])[:12]
    return f"from {len(accepted)} {noun}, newest {newest['export']} (sha256 {sha}…)"


def _title(view: UnitView, opened: pd.DataFrame, at: Clock, width: float) -> list[Row]:
    worst = gravest(opened).get(view.unit.id, "")
    mark = f"{style.SEVERITY_MARKS[worst]} {worst}" if worst else "no open flag"
    colour = style.SEVERITY_COLOURS.get(worst, style.MUTED)
    name = fit(printable(view.unit.id), style.TITLE_PT, width - 110.0, bold=True)
    site = view.config.site(view.unit.site)
    facts = [
        (site.name or site.id) if site else (view.unit.site or "site not stated"),
        view.unit.type,
        f"{view.unit.volume_l:g} L" if view.unit.volume_l else "",
        f"{view.unit.power_w:g} W" if view.unit.power_w else "",
        view.unit.air_removal or "",
    ]
    line = "  ·  ".join(f for f in facts if f)
    return [
        Row(
            24.0,
            (
                Words(0.0, 16.0, name, style.TITLE_PT, bold=True),
                Words(width, 16.0, mark, style.HEAD_PT + 1.4, colour, True, "right"),
            ),
            bookmark=printable(view.unit.id),
        ),
        *paragraph(line, width, colour=style.MUTED),
        *paragraph(
            f"as of {at.moment(view.as_of)}, times in {at.name}", width, colour=style.MUTED
        ),
        space(4.0),
    ]


def _state(view: UnitView, at: Clock, width: float) -> list[Row]:
    rows = heading("State", width)
    for sentence in state_sentences(view, at):
        rows += paragraph(sentence, width, bold=sentence.startswith("Take the unit out"))
        rows.append(space(1.5))
    return rows


def _trends(
    view: UnitView,
    opened: pd.DataFrame,
    at: Clock,
    width: float,
    options: ReportOptions,
    room: float,
) -> list[Row]:
    """Return the trends; ``room`` is what is left of the first page [pt]."""
    note = "circles: measured; line: adjusted for circumstances; band: usual ±3 robust SD"
    rows = heading("Trends", width, note=note, bookmark="Trends")
    trends = [(trend_of(view, f, options), flag) for f, flag in carrying_features(view, opened)]
    if not trends:
        return [*rows, *paragraph("No cycle yet, so no trend.", width, colour=style.MUTED)]
    span = shared_span([(t, f) for t, f in trends], view.as_of)
    told: list[list[Row]] = []
    for _, flag in trends:
        text = text_of(flag["evidence"]) if flag is not None else ""
        text = f"When raised: {text}" if text else ""
        lines = paragraph(text, width, size=style.SMALL_PT + 0.4) if text else []
        told.append([*lines, space(6.0)])
    taken = sum(r.height for part in [rows, *told] for r in part)
    height = (room - taken - 2.0) / len(trends)
    height = min(height, 176.0) if height >= 116.0 else 150.0
    for (trend, flag), lines in zip(trends, told, strict=True):
        panel = trend_row(view, trend, flag, at, width, height, span)
        rows += [replace(panel, keep=len(lines) > 1), *lines]
    return rows


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
    words = f"{style.VERDICT_MARKS.get(verdict, '')} {verdict_words(verdict)}".strip()
    program = text_of(cycle["program"]) or "no program"
    note = f"{at.moment(cycle['started_at'])}, {program}, {words}"
    title = "Latest cycle"
    if cycle["cycle_id"] != cycles["cycle_id"].iloc[-1]:
        title = "Latest cycle that reached exposure"
    head = heading(title, width, note=note, bookmark="Latest cycle")
    rows = list(head)
    earlier = baseline_runs(view, cycle)
    rows += overview_rows(run, earlier, samples, options, width, (196.0, 132.0))
    if len(run.seconds) < 2:
        return [*head, *rows[len(head) :]]
    limits = view.config.limits
    rows += [space(6.0), saturation_row(run, limits, options, width, 166.0), space(6.0)]
    half = half_width(width)
    saw, exhaust = sawtooth_row(run, options, half, 150.0), exhaust_row(run, options, half, 150.0)
    rows.append(pair_row(saw, exhaust, width))
    return rows


def verdict_words(verdict: str) -> str:
    """Return a verdict as people read it."""
    return {"inside": "inside limits", "outside": "outside limits"}.get(verdict, verdict)


def _checks(opened: pd.DataFrame, width: float) -> list[Row]:
    """Return cautions first, then what to check for each flag, gravest first."""
    if opened.empty:
        return []
    rows = heading("What to check, in this order", width, bookmark="What to check")
    parts = list(opened["part"].drop_duplicates().astype(str))
    rows.append(Row(12.0, (Words(0.0, 9.0, "Before you begin", bold=True),), keep=True))
    for caution in cautions_for(parts):
        rows += paragraph(caution, width, lead="–", hang=9.0)
        rows.append(space(1.2))
    rows = [replace(r, keep=True) for r in rows]
    for number, part in enumerate(parts, 1):
        own = opened[opened["part"] == part]
        rows += _part_checks(number, own, width, steps=3 if number <= 3 else 0)
    return rows


def _part_checks(number: int, flags: pd.DataFrame, width: float, *, steps: int) -> list[Row]:
    part = str(flags["part"].iloc[0])
    words = part_words(part)
    title = f"{number}.  {words[:1].upper()}{words[1:]}"
    size = style.BODY_PT
    head = [Words(0.0, 15.0, title, size, bold=True)]
    others = alternatives_words(flags["alternatives"].iloc[0])
    if others:
        x = text_width_pt(title, size, bold=True) + 10.0
        note = fit_end(f"{others} would look alike", style.SMALL_PT, width - x)
        head.append(Words(x, 15.0, note, style.SMALL_PT, style.MUTED))
    rows = [Row(18.5, tuple(head), keep=True)]
    said = [split_cautions(text_of(t))[1] for t in flags["bench_check"]]
    for text in dict.fromkeys(t for t in said if t):
        rows += [*paragraph(text, width, hang=14.0), space(1.2)]
    for check in steps_for(part)[:steps]:
        rows += [*paragraph(check.do, width, lead="–", indent=14.0, hang=9.0), space(1.2)]
    return [*(replace(r, keep=True) for r in rows[:-1]), rows[-1]]


def _records(view: UnitView, at: Clock, width: float, options: ReportOptions) -> list[Row]:
    return [
        *_due(view, width),
        *_cycle_table(view, at, width, options),
        *_service_table(view, at, width),
    ]


def _due(view: UnitView, width: float) -> list[Row]:
    fleet = FleetView(view.config, view.cycles, view.as_of, service=view.service)
    due = calendar(fleet, soon_share=0.0)
    due = due[due["unit_id"] == view.unit.id]
    if due.empty:
        return []
    columns = [
        TableColumn("what", width * 0.27, cut="end"),
        TableColumn("state", width * 0.15),
        TableColumn("detail", width * 0.58, cut="wrap"),
    ]
    entries = []
    for _, d in due.iterrows():
        share = d["overdue_share"]
        early = d["state"] == "due soon" and share < 0.9
        state = "in time" if early else str(d["state"])
        colour = style.VERMILION if state == "overdue" else style.INK
        entries.append(((str(d["what"]), Cell(state, colour), str(d["detail"])), ""))
    return [*heading("Calendar", width), *table(columns, entries)]


def _cycle_table(view: UnitView, at: Clock, width: float, options: ReportOptions) -> list[Row]:
    last = view.cycles.tail(TABLE_CYCLES).iloc[::-1]
    rows = heading("Last cycles", width, note=f"newest first, times in {at.name}")
    if last.empty:
        return [*rows, *paragraph("None.", width, colour=style.MUTED)]
    unit = shown_unit("°C", options)
    shares = (0.17, 0.175, 0.11, 0.075, 0.075, 0.07, 0.325)
    names = (
        "started",
        "program",
        "exposure min",
        f"min {unit.label}",
        f"max {unit.label}",
        "F0 min",
    )
    columns = [
        TableColumn(n, width * s, "left" if i < 2 else "right")
        for i, (n, s) in enumerate(zip(names, shares, strict=False))
    ]
    columns.append(
        TableColumn("verdict", width * shares[-1], cut="wrap", inset=12.0, most_lines=2)
    )
    entries = []
    for _, c in last.iterrows():
        verdict = text_of(c.get("verdict"))
        mark = style.VERDICT_MARKS.get(verdict, "")
        words = f"{mark} {verdict_words(verdict) or 'not judged'}"
        reason = text_of(c.get("verdict_reason"))
        if verdict != "inside" and reason:
            words += f": {reason}"
        elif verdict == "inside" and held_by_uncertainty(c):
            words += ", but only within the logger's uncertainty"
        program = text_of(c["program"]) or str(c["kind"]).replace("_", " ")
        cells = (
            at.moment(c["started_at"]),
            program,
            fixed(c["exposure_s"] / 60.0, 1),
            fixed(float(unit.show(c["exposure_min_c"])), 1),
            fixed(float(unit.show(c["exposure_max_c"])), 1),
            "–" if c["kind"] == "leak_test" else fixed(c["f0_min"], 1),
            Cell(words, style.VERDICT_COLOURS.get(verdict, style.MUTED)),
        )
        entries.append((cells, ""))
    return [*rows, *table(columns, entries, size=style.SMALL_PT + 0.4)]


def _service_table(view: UnitView, at: Clock, width: float) -> list[Row]:
    service = view.service[~view.service["undone"].fillna(False).astype(bool)]
    service = service.sort_values("time", ascending=False, kind="stable").head(12)
    if service.empty:
        return []
    columns = [
        TableColumn("when", width * 0.19),
        TableColumn("part", width * 0.22, cut="end"),
        TableColumn("work", width * 0.13),
        TableColumn("result", width * 0.13),
        TableColumn("note", width * 0.33, cut="wrap"),
    ]
    entries = [
        (
            (
                at.moment(s["time"]),
                part_short(s["part"]),
                str(s["action"]),
                text_of(s["result"]).replace("_", " ") or "–",
                text_of(s["note"]) or "–",
            ),
            "",
        )
        for _, s in service.iterrows()
    ]
    return [*heading("Service on record", width), *table(columns, entries)]
