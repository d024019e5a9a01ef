"""The head of a unit's report: which unit, which part, how urgent, and what to bring."""

from __future__ import annotations

import pandas as pd

from . import style
from .bench import carry_for, split_cautions, steps_for
from .corrected import correction_sentences
from .flow import Row, Words, heading, paragraph, run_in, space
from .metrics import fit, printable, text_width_pt
from .moments import Clock
from .opened import open_flags, work_words
from .options import ReportOptions
from .other_holds import other_holds_sentence
from .recovery import repair_sentence
from .rewrite import in_units
from .states import (
    counted_from,
    flag_parts,
    gravest,
    last_data,
    standing_sentences,
    text_of,
)
from .views import UnitView

MOST_DETAILED = 3
"""Flags with their own lines of what to bring and to check first."""
INDENT_PT = 14.0
LEAST_TITLE_PT = 9.0
BEFORE_WORK = (
    "Before any work: chamber cool and at room pressure, mains isolated; read the cautions under "
    "What to check."
)


def title_rows(view: UnitView, opened: pd.DataFrame, at: Clock, width: float) -> list[Row]:
    """Return the unit's name, its gravest severity, and what it is."""
    worst = gravest(opened).get(view.unit.id, "")
    mark = f"{style.SEVERITY_MARKS[worst]} {worst}" if worst else "no open flag"
    colour = style.SEVERITY_COLOURS.get(worst, style.MUTED)
    name, size = title_words(view.unit.id, width - 110.0)
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
                Words(0.0, 16.0, name, size, bold=True),
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


def title_words(name: str, width: float) -> tuple[str, float]:
    """Return a name and the size at which it fits, cut in its middle only at the smallest."""
    text = printable(name)
    wide = max(1.0, text_width_pt(text, style.TITLE_PT, bold=True))
    size = max(LEAST_TITLE_PT, style.TITLE_PT * min(1.0, 0.999 * width / wide))
    return fit(text, size, width, bold=True), size


def state_rows(view: UnitView, at: Clock, width: float, options: ReportOptions) -> list[Row]:
    """Return the state: each open flag with what to bring and to do first, then the rest."""
    opened = open_flags(view)
    rows = heading("State", width)
    if "stop" in set(opened["severity"]):
        text = "Take the unit out of use until it is checked, by the site's own procedure."
        rows += [*paragraph(text, width, bold=True), space(1.5)]
    if len(opened):
        rows += [*paragraph(BEFORE_WORK, width), space(2.5)]
    counted = counted_from(last_data(view), view.as_of, at)
    told: set[str] = set()
    for _, flag in opened.iterrows():
        detailed = len(told) < MOST_DETAILED and str(flag["part"]) not in told
        rows += _flag_rows(flag, at, counted, width, options, detailed=detailed)
        told.add(str(flag["part"]))
    if opened.empty:
        rows += [*paragraph("No open flag.", width), space(1.5)]
    facts = [repair_sentence(view, at), *standing_sentences(view, at), other_holds_sentence(view)]
    for sentence in (*facts, *correction_sentences(view, at)):
        if sentence:
            rows += [*paragraph(in_units(sentence, options), width), space(1.5)]
    return rows


def _flag_rows(
    flag: pd.Series,
    at: Clock,
    counted: str,
    width: float,
    options: ReportOptions,
    *,
    detailed: bool,
) -> list[Row]:
    severity = str(flag["severity"])
    head, rest = flag_parts(flag, at, counted)
    mark = style.SEVERITY_MARKS.get(severity, "")
    colour = style.SEVERITY_COLOURS.get(severity, style.INK)
    rows = run_in(f"{mark} {head}", rest, width, head_colour=colour)
    work = work_words(flag, at)
    if work:
        rows += run_in("Done:", f"{work}.", width, indent=INDENT_PT)
    if not pd.isna(flag["deferred_until"]):
        late = f"until {at.date(flag['deferred_until'])}: {text_of(flag['defer_reason'])}"
        rows += run_in("Deferred", late, width, bold=False, indent=INDENT_PT)
    if detailed:
        first = in_units(first_check(flag), options)
        lines = [("First:", first)]
        if severity != "watch":
            lines.insert(0, ("Bring:", "; ".join(carry_for(str(flag["part"])))))
        for word, text in lines:
            rows += run_in(word, text, width, head_colour=style.MUTED, indent=INDENT_PT)
    return [*rows, space(2.5)]


def first_check(flag: pd.Series) -> str:
    """Return the first thing to do about a flag, cautions left to the list of checks."""
    _, check = split_cautions(text_of(flag["bench_check"]))
    return check or steps_for(str(flag["part"]))[0].do
