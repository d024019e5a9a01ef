"""What to do: the work list, what changed, and what to carry on the round."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from . import style
from .bench import carry_together
from .fleet_parts import MOST_ROWS, more_rows, severity_cell, stretch
from .flow import Cell, Row, TableColumn, heading, paragraph, table
from .metrics import printable, text_width_pt
from .moments import Clock, clock
from .opened import work_words
from .options import ReportOptions
from .quantities import days_left
from .rewrite import in_units
from .states import (
    changed_flags,
    part_short,
    text_of,
)
from .views import FleetView


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
    columns = stretch(
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
        work = work_words(flag, at)
        deferred = not pd.isna(flag["deferred_until"])
        late = deferred or bool(flag["waiting"])
        colour = style.MUTED if late else style.INK
        left = days_left(
            flag["days_to_limit"], flag["days_to_limit_low"], flag["days_to_limit_high"]
        )
        cells = (
            severity_cell(str(flag["severity"]), deferred=late),
            Cell(unit, colour, bold=True, link=view.files.get(unit, "")),
            Cell(site or "–", colour),
            Cell(part_short(flag["part"], flag["mode"]), colour),
            Cell("–" if flag["waiting"] else left, colour),
            Cell(at.date(flag["first_seen"]), colour),
        )
        late_words = f"{work}. " if work else ""
        if deferred:
            reason = text_of(flag["defer_reason"])
            late_words += f"Deferred until {at.date(flag['deferred_until'])}: {reason}. "
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


def changed_rows(
    view: FleetView, site_of: dict[str, str], at: Clock, width: float, options: ReportOptions
) -> list[Row]:
    """Return what opened, rose or closed since the last report."""
    if view.since is None:
        return []
    rows = heading("Changed since the last report", width, note=f"of {at.moment(view.since)}")
    changed = changed_flags(view)
    if changed.empty:
        return [*rows, *paragraph("Nothing opened, rose or closed.", width, colour=style.MUTED)]
    columns = stretch(
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
    return [*rows, *table(columns, entries), *more_rows(len(changed), MOST_ROWS, width)]


def round_rows(opened: pd.DataFrame, site_of: dict[str, str], width: float) -> list[Row]:
    """Return what to carry to each site, and for which flags."""
    due = opened[opened["severity"].isin(("service", "stop"))]
    due = due[due["deferred_until"].isna() & ~due["waiting"]]
    if due.empty:
        return []
    rows = heading("To carry on the round", width, note="for flags of service and stop, by site")
    columns = stretch(
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
