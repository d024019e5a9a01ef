"""The fleet report: a work list first, then what explains and surrounds it."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from . import style
from .bench import carry_together
from .document import Document, Target, pages_of, provenance_footer, text_box, write
from .due import calendar
from .flow import Cell, Row, TableColumn, Words, heading, paragraph, space, table
from .heat_map import heat_map_rows
from .metrics import fit, printable, text_width_pt
from .moments import Clock, clock
from .multiples import small_multiple_rows
from .options import ReportOptions
from .quantities import days_left, fixed
from .rewrite import in_units
from .states import (
    bench_results,
    changed_flags,
    gravest,
    known_units,
    open_flags,
    part_short,
    quarantined,
    silent_units,
    text_of,
    verdict_counts,
)
from .views import FleetView

MOST_ROWS = 200
MOST_DUE = 60
MOST_GROUPS = 40
"""Rows of a section; what is beyond is counted, and stands in the tables."""


def fleet_report(
    view: FleetView,
    path: Target,
    *,
    options: ReportOptions = ReportOptions(),  # noqa: B008
) -> None:
    """Write the fleet report as a PDF.

    Parameters
    ----------
    view
        All units at one moment.
    path
        Where it goes: a path, or an open binary file.
    options
        Units, dates, zone and paper.
    """
    write(fleet_document(view, options), path)


def fleet_document(view: FleetView, options: ReportOptions) -> Document:
    """Plan the fleet report's pages."""
    width, _ = text_box(options)
    at = clock(view.config, None, options)
    opened = open_flags(view.flags, view.deferrals, view.as_of)
    units = known_units(view)
    site_of = dict(zip(units["unit_id"], units["site"], strict=True))
    rows = [
        *_title(view, at, width, opened, units),
        *work_list(view, opened, site_of, width, options),
        *_changed(view, site_of, at, width, options),
        *_round(opened, site_of, width),
        *_silent(view, at, width, options),
        *_aside(view, width),
        *_calendar(view, width),
        *_verdicts(view, width),
        *_files(view, opened, site_of, width),
    ]
    rows += small_multiple_rows(view, gravest(opened), units, options)
    rows += heat_map_rows(view, gravest(opened), units, options)
    through = view.data_through
    if through is None and units["last_data"].notna().any():
        through = units["last_data"].max()
    footer = provenance_footer(view.provenance, through, at, _sources(view))
    title = f"Fleet report {at.date(view.as_of)}"
    return Document(title, tuple(pages_of(rows, options)), footer, view.as_of, options)


def _sources(view: FleetView) -> str:
    if view.intake.empty:
        return "Recorded values against limits; each unit's decision stays with the site."
    accepted = int((view.intake["outcome"] == "accepted").sum())
    noun = "export" if accepted == 1 else "exports"
    return (
        f"from {accepted:,} {noun}  ·  recorded values against limits; "
        "the decision on a unit stays with the site"
    ).replace(",", " ")


def _title(
    view: FleetView, at: Clock, width: float, opened: pd.DataFrame, units: pd.DataFrame
) -> list[Row]:
    active = units[~units["retired"].astype(bool)]
    sites = active.loc[active["site"] != "", "site"].nunique()
    where = f" at {sites} {'site' if sites == 1 else 'sites'}" if sites else ""
    noun = "unit" if len(active) == 1 else "units"
    size = style.TITLE_PT
    top = Row(
        24.0,
        (
            Words(0.0, 16.0, "Fleet report", size, bold=True),
            Words(width, 16.0, at.date(view.as_of), style.HEAD_PT + 1, align="right"),
        ),
        bookmark="Work list",
    )
    state = f"{len(active)} {noun}{where}, as of {at.moment(view.as_of)} ({at.name})"
    counts = opened.drop_duplicates(["flag_id"])["severity"].value_counts()
    items = [
        (f"{style.SEVERITY_MARKS[s]} {counts[s]} {s}", style.SEVERITY_COLOURS[s])
        for s in ("stop", "service", "watch")
        if s in counts
    ]
    silent = len(silent_units(view))
    aside = len(quarantined(view.intake))
    items += [(f"{silent} without data", style.INK)] if silent else []
    noun = "export" if aside == 1 else "exports"
    items += [(f"{aside} {noun} set aside", style.INK)] if aside else []
    items = items or [("No open flag, no silent unit.", style.INK)]
    words, x, small = [], 0.0, style.HEAD_PT - 0.6
    for text, colour in items:
        words.append(Words(x, 12.0, text, small, colour, bold=True))
        x += text_width_pt(text, small, bold=True) + 20.0
    return [
        top,
        *paragraph(state, width, colour=style.MUTED),
        space(5.0),
        Row(17.0, tuple(words)),
    ]


def severity_cell(severity: str, *, deferred: bool = False) -> Cell:
    """Return a severity as mark and word."""
    mark = style.SEVERITY_MARKS.get(severity, " ")
    colour = style.FAINT if deferred else style.SEVERITY_COLOURS.get(severity, style.INK)
    return Cell(f"{mark} {severity}", colour, bold=severity != "watch")


def one_line(text: str, width: float) -> str:
    """Return the clauses of a text's first sentence that fit on one line."""
    end = text.find(". ")
    sentence = printable(text[: end + 1] if end > 0 else text)
    clauses = sentence.split("; ")
    for count in range(len(clauses), 0, -1):
        kept = "; ".join(clauses[:count])
        kept += "" if kept.endswith(".") else " …" if count < len(clauses) else "."
        if text_width_pt(kept, style.SMALL_PT) <= width:
            return kept
    return sentence


def work_list(
    view: FleetView,
    opened: pd.DataFrame,
    site_of: dict[str, str],
    width: float,
    options: ReportOptions,
) -> list[Row]:
    """Return the work list: one entry a flag, with a line of evidence."""
    note = "days left: median and 10–90 % interval, from the unit's last cycle"
    rows = heading("Work list", width, note=note)
    if opened.empty:
        return [*rows, *paragraph("Nothing is flagged.", width, colour=style.MUTED)]
    columns = _stretch(
        [
            TableColumn("severity", 58.0),
            TableColumn("unit", 106.0),
            TableColumn("site", 82.0),
            TableColumn("likely part", 118.0, cut="end"),
            TableColumn("days left", 77.0),
            TableColumn("since", 60.0),
        ],
        width,
    )
    entries = []
    for _, flag in opened.iterrows():
        unit, site = str(flag["unit_id"]), site_of.get(str(flag["unit_id"]), "")
        at = clock(view.config, view.config.site(site), options)
        late = not pd.isna(flag["deferred_until"])
        colour = style.MUTED if late else style.INK
        left = days_left(
            flag["days_to_limit"], flag["days_to_limit_low"], flag["days_to_limit_high"]
        )
        cells = (
            severity_cell(str(flag["severity"]), deferred=late),
            Cell(unit, colour, bold=True, link=view.files.get(unit, "")),
            Cell(site or "–", colour),
            Cell(part_short(flag["part"], flag["mode"]), colour),
            Cell(left, colour),
            Cell(at.date(flag["first_seen"]), colour),
        )
        late_words = ""
        if late:
            reason = text_of(flag["defer_reason"])
            late_words = f"Deferred until {at.date(flag['deferred_until'])}: {reason}. "
        room = width - columns[0].width - text_width_pt(printable(late_words), style.SMALL_PT)
        evidence = in_units(text_of(flag["evidence"]), options)
        under = late_words + (one_line(evidence, room) if evidence else "")
        entries.append((cells, under))
    made = table(columns, entries)
    marks = [
        f"{flag['unit_id']}: {part_short(flag['part'])}, {flag['severity']}"
        for _, flag in opened.iterrows()
    ]
    head, body = made[0], made[1:]
    body = [replace(r, bookmark=printable(m)) for r, m in zip(body, marks, strict=True)]
    return [*rows, head, *body]


def _stretch(columns: list[TableColumn], width: float) -> list[TableColumn]:
    """Give the room that is left (or missing) to the columns in proportion."""
    factor = width / sum(c.width for c in columns)
    return [replace(c, width=c.width * factor) for c in columns]


def _changed(
    view: FleetView, site_of: dict[str, str], at: Clock, width: float, options: ReportOptions
) -> list[Row]:
    if view.since is None:
        return []
    rows = heading("Changed since the last report", width, note=f"of {at.moment(view.since)}")
    changed = changed_flags(view)
    if changed.empty:
        return [*rows, *paragraph("Nothing opened, rose or closed.", width, colour=style.MUTED)]
    columns = _stretch(
        [
            TableColumn("what", 130.0, cut="end"),
            TableColumn("unit", 130.0),
            TableColumn("likely part", 130.0, cut="end"),
            TableColumn("when", 100.0),
        ],
        width,
    )
    entries = []
    for _, flag in changed.head(MOST_ROWS).iterrows():
        site = view.config.site(site_of.get(str(flag["unit_id"])))
        there = clock(view.config, site, options)
        cells = (
            str(flag["change"]),
            Cell(str(flag["unit_id"]), bold=True),
            part_short(flag["part"], flag["mode"]),
            there.moment(flag["changed_at"]),
        )
        entries.append((cells, ""))
    return [*rows, *table(columns, entries), *_more(len(changed), MOST_ROWS, width)]


def _round(opened: pd.DataFrame, site_of: dict[str, str], width: float) -> list[Row]:
    due = opened[opened["severity"].isin(("service", "stop")) & opened["deferred_until"].isna()]
    if due.empty:
        return []
    rows = heading("To carry on the round", width, note="for flags of service and stop, by site")
    columns = _stretch(
        [
            TableColumn("site", 95.0, cut="wrap"),
            TableColumn("carry", 205.0, cut="wrap"),
            TableColumn("for", 200.0, cut="wrap"),
        ],
        width,
    )
    place = due["unit_id"].map(site_of).fillna("")
    entries = []
    for site in sorted(place.unique()):
        own = due[place == site]
        things = carry_together(own["part"].astype(str).tolist())
        reasons = [
            f"{u}: {part_short(p)}" for u, p in zip(own["unit_id"], own["part"], strict=True)
        ]
        entries.append(
            ((Cell(site or "no site", bold=True), "; ".join(things), "; ".join(reasons)), "")
        )
    return [*rows, *table(columns, entries)]


def _silent(view: FleetView, at: Clock, width: float, options: ReportOptions) -> list[Row]:
    silent = silent_units(view)
    limit = f"nothing for more than {view.config.silent_after_days:g} days: a finding in itself"
    rows = heading("Units without data", width, note=limit)
    if silent.empty:
        return [*rows, *paragraph("None.", width, colour=style.MUTED)]
    columns = _stretch(
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
    return [*rows, *table(columns, entries), *_more(len(silent), MOST_ROWS, width)]


def _more(count: int, most: int, width: float) -> list[Row]:
    """Return a line that says how many rows were left out, if any."""
    if count <= most:
        return []
    return paragraph(f"and {count - most} more", width, colour=style.MUTED)


def _aside(view: FleetView, width: float) -> list[Row]:
    """Return the exports that stand aside, those with one reason together."""
    aside = quarantined(view.intake)
    note = "kept whole; read again once the fact is given"
    rows = heading("Exports set aside", width, note=note)
    if aside.empty:
        return [*rows, *paragraph("None.", width, colour=style.MUTED)]
    columns = _stretch(
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
    return [*shown, *_more(len(entries), MOST_GROUPS, width)]


def _calendar(view: FleetView, width: float) -> list[Row]:
    due = calendar(view)
    if due.empty:
        return []
    rows = heading("Calendar", width, note="against the site's own intervals")
    columns = _stretch(
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
    return [*rows, *table(columns, entries), *_more(len(due), MOST_DUE, width)]


def _verdicts(view: FleetView, width: float) -> list[Row]:
    counts = verdict_counts(view)
    span = ""
    if len(view.cycles):
        days = (view.as_of - view.cycles["started_at"].min()) / pd.Timedelta(days=1)
        span = f"of the last {max(1, round(days))} days"
    rows = heading("Cycles and verdicts by site", width, note=span)
    if counts.empty:
        return [*rows, *paragraph("No cycles yet.", width, colour=style.MUTED)]
    names = ("units", "cycles", "inside", "outside", "incomplete", "other")
    columns = _stretch(
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


def _files(
    view: FleetView, opened: pd.DataFrame, site_of: dict[str, str], width: float
) -> list[Row]:
    """Return which file holds which unit's report: file names can't hold every id as it is."""
    if not view.files:
        return []
    note = "in this report's folder; a name on the work list opens its file"
    rows = heading("Reports of units", width, note=note, bookmark="Reports of units")
    columns = _stretch(
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
