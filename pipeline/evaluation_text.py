"""An evaluation as tables that people read."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .evaluation import Evaluation


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return rows aligned under their headings: first column left, the others right."""
    widths = [max(len(r[i]) for r in (head, *rows)) for i in range(len(head))]
    lines = []
    for row in (head, *rows):
        cells = [
            c.ljust(w) if i == 0 else c.rjust(w)
            for i, (c, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)


def number(value: float | None, digits: int = 2) -> str:
    """Return a number with fixed digits, or a dash where there is none."""
    return "-" if value is None else f"{value:.{digits}f}"


def share(part: int, whole: int) -> str:
    """Return a count and its share, or a dash for nothing of nothing."""
    return f"{part} ({100 * part / whole:.1f} %)" if whole else "-"


def percent(value: float | None) -> str:
    """Return a share as per cent, or a dash."""
    return "-" if value is None else f"{100 * value:.1f} %"


def render(e: Evaluation) -> str:
    """Return the whole evaluation as text."""
    parts = [_cycles(e), _faults(e), _rates(e)]
    if e.confounders:
        parts.append(_confounders(e))
    parts.append(_forecasts(e))
    heading = f"Evaluation: {e.name}\n\n" if e.name else ""
    return heading + "\n\n".join(parts) + "\n"


def _cycles(e: Evaluation) -> str:
    c = e.cycles
    rows = [
        ["cycles run, with a time to match by", str(c.truth)],
        ["found and matched", share(c.matched, c.truth)],
        ["missing", str(c.missing)],
        ["  of these under a logger's wrong clock or lost samples", str(c.missing_logger)],
        ["extra, with an exposure", str(c.extra)],
        ["  of these under a logger's wrong clock or lost samples", str(c.extra_logger)],
        ["extra, without one", str(c.extra_without_exposure)],
        ["kind right", share(c.kind_right, c.matched)],
        ["program right", share(c.program_right, c.program_known)],
        ["verdict right", share(c.verdict_right, c.verdict_known)],
        ["  outside, judged inside within the channel's uncertainty", str(c.inside_within)],
    ]
    wrong = [
        f"{n} {'cycle' if n == 1 else 'cycles'} {true} judged {given}"
        for true, given, n in c.verdict_pairs
        if true != given
    ]
    tail = "\nWrong verdicts: " + "; ".join(wrong) + "." if wrong else ""
    return "Cycles\n" + table(["", "count"], rows) + tail


def _faults(e: Evaluation) -> str:
    rows = [
        [
            s.what,
            str(s.faults),
            share(s.raised_in_time, s.faults),
            share(s.part_right, s.raised),
            number(s.median_lead_days, 1),
            percent(s.median_lead_share),
            share(s.lead_enough, s.faults),
            percent(s.chance),
        ]
        for s in (e.headline, *e.by_status, *e.by_fault)
    ]
    head = [
        "Faults",
        "count",
        "raised in time",
        "right part first",
        "median lead [d]",
        "of onset to failing",
        "lead enough",
        "by chance",
    ]
    o = e.options
    return (
        table(head, rows)
        + "\nRaised in time: a service or stop flag before the first failed cycle or the repair, "
        f"whichever was earlier. Lead enough: {o.lead_goal_days:g} days or "
        f"{100 * o.lead_goal_share:g} % of the time from onset to failing. By chance: share of "
        "windows of the same length on healthy units that hold a flag."
    )


def _rates(e: Evaluation) -> str:
    rows = [
        [
            f"{r.severity}, {r.where}",
            str(r.units),
            number(r.unit_years, 1),
            str(r.flags),
            number(r.per_unit_year, 3),
            number(r.upper, 3),
            number(r.designed, 3),
        ]
        for r in e.rates
    ]
    bound = f"{100 * e.options.bound_confidence:g} % bound"
    head = ["False flags", "units", "unit-years", "flags", "per unit-year", bound, "designed"]
    return table(head, rows)


def _confounders(e: Evaluation) -> str:
    rows = [
        [
            c.kind,
            str(c.units),
            str(c.windows),
            number(c.unit_years, 1),
            str(c.flags),
            number(c.per_unit_year, 3),
            number(c.upper, 3),
            percent(c.held_share),
            percent(c.chance),
        ]
        for c in e.confounders
    ]
    head = [
        "Harmless changes",
        "units",
        "windows",
        "unit-years",
        "flags",
        "per unit-year",
        "bound",
        "windows held",
        "by chance",
    ]
    return table(head, rows)


def _forecasts(e: Evaluation) -> str:
    if not e.forecasts:
        return "Forecasts\nNone was given to score."
    rows = [
        [
            f.when,
            str(f.forecasts),
            str(f.faults),
            percent(f.share),
            str(f.too_early),
            str(f.too_late),
            number(f.median_width_days, 1),
            str(f.without_interval),
        ]
        for f in e.forecasts
    ]
    head = [
        "Forecasts (80 % interval)",
        "scored",
        "faults",
        "held",
        "too early",
        "too late",
        "median width [d]",
        "no interval",
    ]
    return table(head, rows)
