"""The tables at the end of a unit's report: calendar, last cycles, service."""

from __future__ import annotations

from typing import Final

from . import style
from .due import calendar
from .flow import Cell, Row, TableColumn, heading, paragraph, table
from .moments import Clock
from .options import ReportOptions
from .quantities import fixed, shown_unit
from .recorded import programs_note
from .rewrite import in_units
from .states import held_by_uncertainty, part_short, text_of, verdict_words
from .views import FleetView, UnitView

TABLE_CYCLES = 15
KIND_WORDS: Final = {
    "unknown": "not known",
    "sterilization": "not known",
    "leak_test": "leak test",
    "penetration_test": "penetration test",
}
"""What stands in place of a program."""


def record_rows(view: UnitView, at: Clock, width: float, options: ReportOptions) -> list[Row]:
    """Return a unit's calendar, last cycles and service entries, for a text width [pt]."""
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
    note = f"newest first, times in {at.name}"
    rows = heading("Last cycles", width, note=note + programs_note(last["program"], options))
    if last.empty:
        return [*rows, *paragraph("None.", width, colour=style.MUTED)]
    unit = shown_unit("°C", options)
    shares = (0.165, 0.165, 0.105, 0.085, 0.085, 0.07, 0.325)
    names = (
        "started",
        "program",
        "exposure, min",
        f"lowest {unit.label}",
        f"highest {unit.label}",
        "F0, min",
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
        words = f"{mark} {verdict_words(verdict) or 'not judged'}".strip()
        reason = text_of(c.get("verdict_reason"))
        if verdict != "inside" and reason:
            words += f": {in_units(reason, options)}"
        elif verdict == "inside" and held_by_uncertainty(c):
            words += ", but only within the logger's uncertainty"
        program = text_of(c["program"]) or KIND_WORDS.get(str(c["kind"]), str(c["kind"]))
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
