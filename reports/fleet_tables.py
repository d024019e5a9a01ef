"""What surrounds the work list: silence, exports, calendar, verdicts, files."""

from __future__ import annotations

import pandas as pd

from . import style
from .due import calendar
from .fleet_parts import MOST_ROWS, more_rows, severity_cell, stretch
from .flow import Cell, Row, TableColumn, heading, paragraph, space, table
from .metrics import fit
from .moments import Clock, clock
from .options import ReportOptions
from .quantities import fixed
from .states import (
    bench_results,
    gravest,
    quarantined,
    silent_units,
    verdict_counts,
)
from .views import FleetView

MOST_DUE = 60
MOST_GROUPS = 40
"""Rows of a section; what is beyond is counted, and stands in the tables."""


def silent_rows(view: FleetView, at: Clock, width: float, options: ReportOptions) -> list[Row]:
    """Return the units that sent nothing for too long."""
    silent = silent_units(view)
    limit = f"nothing for more than {view.config.silent_after_days:g} days: a finding in itself"
    rows = heading("Units without data", width, note=limit)
    if silent.empty:
        return [*rows, *paragraph("None.", width, colour=style.MUTED)]
    columns = stretch(
        [
            TableColumn("unit", 150.0),
            TableColumn("site", 130.0),
            TableColumn("last data", 130.0),
            TableColumn("days silent", 90.0, "right"),
        ],
        width,
    )
    entries = []
    for _, unit in silent.head(MOST_ROWS).iterrows():
        there = clock(view.config, view.config.site(unit["site"]), options)
        none = pd.isna(unit["last_data"])
        cells = (
            Cell(str(unit["unit_id"]), bold=True),
            str(unit["site"]) or "–",
            "never" if none else there.moment(unit["last_data"]),
            fixed(unit["silent_days"], 0),
        )
        entries.append((cells, ""))
    return [*rows, *table(columns, entries), *more_rows(len(silent), MOST_ROWS, width)]


def aside_rows(view: FleetView, width: float) -> list[Row]:
    """Return the exports that stand aside, those with one reason together."""
    aside = quarantined(view.intake)
    note = "kept whole; read again once the fact is given"
    rows = heading("Exports set aside", width, note=note)
    if aside.empty:
        return [*rows, *paragraph("None.", width, colour=style.MUTED)]
    columns = stretch(
        [
            TableColumn("exports", 48.0, "right"),
            TableColumn("such as", 192.0, inset=4.0),
            TableColumn("why", 260.0, cut="wrap", most_lines=4),
        ],
        width,
    )
    entries = []
    groups = aside.groupby(aside["reason"].fillna(""), sort=False)["export"]
    for reason, names in sorted(groups, key=lambda g: -len(g[1])):
        cells = (str(len(names)), str(names.iloc[0]), str(reason) or "no reason recorded")
        entries.append((cells, ""))
    shown = [*rows, *table(columns, entries[:MOST_GROUPS])]
    return [*shown, *more_rows(len(entries), MOST_GROUPS, width)]


def calendar_rows(view: FleetView, width: float) -> list[Row]:
    """Return what is due against the site's own intervals."""
    due = calendar(view)
    if due.empty:
        return []
    rows = heading("Calendar", width, note="against the site's own intervals")
    columns = stretch(
        [
            TableColumn("unit", 110.0),
            TableColumn("site", 85.0),
            TableColumn("what", 110.0, cut="end"),
            TableColumn("state", 62.0),
            TableColumn("detail", 190.0, cut="wrap"),
        ],
        width,
    )
    entries = [
        (
            (
                Cell(str(d["unit_id"]), bold=True),
                str(d["site"]) or "–",
                str(d["what"]),
                Cell(str(d["state"]), style.VERMILION if d["state"] == "overdue" else style.INK),
                str(d["detail"]),
            ),
            "",
        )
        for _, d in due.head(MOST_DUE).iterrows()
    ]
    return [*rows, *table(columns, entries), *more_rows(len(due), MOST_DUE, width)]


def verdict_rows(view: FleetView, width: float) -> list[Row]:
    """Return cycles by verdict for each site, and what the bench said of findings."""
    counts = verdict_counts(view)
    span = ""
    if len(view.cycles):
        days = (view.as_of - view.cycles["started_at"].min()) / pd.Timedelta(days=1)
        whole = max(1, round(days))
        span = "of the last day" if whole == 1 else f"of the last {whole} days"
    rows = heading("Cycles and verdicts by site", width, note=span)
    if counts.empty:
        return [*rows, *paragraph("No cycles yet.", width, colour=style.MUTED)]
    names = ("units", "cycles", "inside", "outside", "incomplete", "other")
    columns = stretch(
        [TableColumn("site", 160.0), *(TableColumn(n, 57.0, "right") for n in names)], width
    )
    entries = [
        (
            (
                Cell(fit(str(c["site"]) or "no site", style.BODY_PT, 150.0), bold=True),
                *(
                    Cell(
                        fixed(float(c[n]), 0),
                        style.VERDICT_COLOURS["outside"] if n == "outside" and c[n] else style.INK,
                    )
                    for n in names
                ),
            ),
            "",
        )
        for _, c in counts.iterrows()
    ]
    return [*rows, *table(columns, entries), *_bench(view, width)]


def _bench(view: FleetView, width: float) -> list[Row]:
    """Return what the bench said of earlier findings, once it said something."""
    counts = bench_results(view.service, view.as_of)
    total = sum(counts.values())
    if not total:
        return []
    noun = "finding" if total == 1 else "findings"
    text = (
        f"Of {total} {noun} checked at the bench, {counts['confirmed']} confirmed, "
        f"{counts['not_found']} not found, {counts['other_part']} on another part."
    )
    return [space(6.0), *paragraph(text, width)]


def file_rows(
    view: FleetView, opened: pd.DataFrame, site_of: dict[str, str], width: float
) -> list[Row]:
    """Return which file holds which unit's report: file names can't hold every id as it is."""
    if not view.files:
        return []
    note = "in this report's folder; a name on the work list opens its file"
    rows = heading("Reports of units", width, note=note, bookmark="Reports of units")
    columns = stretch(
        [
            TableColumn("unit", 140.0),
            TableColumn("site", 100.0),
            TableColumn("state", 70.0),
            TableColumn("file", 190.0, cut="wrap"),
        ],
        width,
    )
    worst = gravest(opened)
    entries = []
    for unit in sorted(view.files, key=lambda u: (site_of.get(u, ""), u)):
        name, severity = view.files[unit], worst.get(unit, "")
        state = severity_cell(severity) if severity else Cell("no open flag", style.MUTED)
        cells = (
            Cell(unit, bold=True, link=name),
            site_of.get(unit, "") or "–",
            state,
            Cell(name, style.MUTED, link=name),
        )
        entries.append((cells, ""))
    return [*rows, *table(columns, entries, size=style.SMALL_PT + 0.4)]
