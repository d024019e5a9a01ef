"""The fleet report: a work list first, then what explains and surrounds it."""

from __future__ import annotations

import pandas as pd

from . import style
from .document import Document, Target, accepted_by, pages_of, provenance_footer, text_box, write
from .fleet_tables import aside_rows, calendar_rows, file_rows, silent_rows, verdict_rows
from .flow import Row, Words, paragraph, space
from .heat_map import heat_map_rows
from .metrics import text_width_pt
from .moments import Clock, clock
from .multiples import small_multiple_rows
from .opened import open_flags, waiting_count
from .options import ReportOptions
from .states import (
    gravest,
    in_fleet,
    known_units,
    quarantined,
    silent_units,
)
from .views import FleetView
from .work_list import changed_rows, round_rows, work_list


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
    opened = open_flags(view)
    units = known_units(view)
    site_of = dict(zip(units["unit_id"], units["site"], strict=True))
    rows = [
        *title_rows(view, at, width, opened, units),
        *work_list(view, opened, site_of, width, options),
        *changed_rows(view, site_of, at, width, options),
        *round_rows(opened, site_of, width),
        *silent_rows(view, at, width, options),
        *aside_rows(view, width),
        *calendar_rows(view, width),
        *verdict_rows(view, width),
        *file_rows(view, opened, site_of, width),
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
    accepted = len(accepted_by(view.intake, view.as_of))
    noun = "export" if accepted == 1 else "exports"
    return (
        f"from {accepted:,} {noun}  ·  recorded values against limits; "
        "the decision on a unit stays with the site"
    ).replace(",", " ")


def title_rows(
    view: FleetView, at: Clock, width: float, opened: pd.DataFrame, units: pd.DataFrame
) -> list[Row]:
    """Return the report's head: units, sites, moment and open flags, for a text width [pt]."""
    active = in_fleet(units)
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
    waiting = waiting_count(opened)
    items += [(f"{waiting} of them waiting for cycles", style.MUTED)] if waiting else []
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
