"""One page for one cycle: a measurement record against limits."""

from __future__ import annotations

import pandas as pd

from . import style
from .corrected import cycle_correction
from .cycle_panels import (
    exhaust_row,
    half_width,
    pair_row,
    saturation_row,
    sawtooth_row,
)
from .document import (
    Document,
    Target,
    pages_of,
    provenance_footer,
    sources_words,
    text_box,
    write,
)
from .flow import Cell, Row, TableColumn, Words, heading, paragraph, space, table
from .front import title_words
from .metrics import fit, printable
from .moments import Clock, clock
from .options import ReportOptions
from .overview import overview_rows
from .panels import Run, run_of
from .phases import phases_of
from .quantities import duration
from .recorded import program_words, recorded_lines
from .rewrite import in_units
from .states import text_of
from .views import CycleView


def cycle_sheet(
    view: CycleView,
    path: Target,
    *,
    options: ReportOptions = ReportOptions(),  # noqa: B008
) -> None:
    """Write one cycle's measurement record, a page; path and options as in ``fleet_report``."""
    write(cycle_document(view, options), path)


def cycle_document(view: CycleView, options: ReportOptions) -> Document:
    """Plan the cycle sheet's page."""
    width, _ = text_box(options)
    at = clock(view.config, view.config.site(view.unit.site), options)
    run = run_of(view.samples, view.cycle)
    fixed_rows = [*_title(view, at, width, options), *_values(view, width, options)]
    closing = [*_phases(view, at, width), *_closing(width)]
    room = text_box(options)[1] - sum(r.height for r in [*fixed_rows, *closing])
    rows = [*fixed_rows, *_panels(view, run, options, width, room), *closing]
    title = f"Cycle {printable(view.cycle['cycle_id'])}"
    footer = provenance_footer(view.provenance, _through(view), at, _sources(view))
    return Document(title, tuple(pages_of(rows, options)), footer, view.as_of, options)


def _through(view: CycleView) -> pd.Timestamp | None:
    if view.data_through is not None:
        return view.data_through
    return None if view.samples.empty else view.samples["time"].max()


def _sources(view: CycleView) -> str:
    found = []
    if "source" in view.samples.columns:
        found = sorted({text_of(s) for s in view.samples["source"].unique()} - {""})
    if not found:
        return sources_words(view.intake, view.as_of)
    named = view.intake[view.intake["sha256"].astype("string").str[:16].isin(found)]
    names = ", ".join(dict.fromkeys(str(e) for e in named["export"])) or "export"
    return f"samples from {names} (sha256 {', '.join(s[:12] + '…' for s in found[:3])})"


def _title(view: CycleView, at: Clock, width: float, options: ReportOptions) -> list[Row]:
    cycle = view.cycle
    name, size = title_words(view.unit.id, width - 110.0)
    site = view.config.site(view.unit.site)
    where = (site.name or site.id) if site else (view.unit.site or "site not stated")
    logger = text_of(cycle.get("logger_id"))
    facts = [
        where,
        program_words(text_of(cycle.get("program")), options)
        or str(cycle["kind"]).replace("_", " "),
        f"logger {logger}" if logger else "logger not stated",
    ]
    verdict = text_of(cycle.get("verdict"))
    stands = {
        "inside": "The recorded values are inside their limits.",
        "outside": "At least one recorded value is outside its limits.",
        "incomplete": "The record is incomplete: it can't be held against all limits.",
    }.get(verdict, "The record has not been held against limits.")
    reason = text_of(cycle.get("verdict_reason"))
    rows = [
        Row(
            24.0,
            (
                Words(0.0, 16.0, name, size, bold=True),
                Words(
                    width, 16.0, "Cycle record", style.HEAD_PT + 1.0, style.MUTED, align="right"
                ),
            ),
            bookmark=printable(cycle["cycle_id"]),
        ),
        *paragraph("  ·  ".join(facts), width, colour=style.MUTED),
        *paragraph(
            f"started {at.moment(cycle['started_at'], seconds=True)}, "
            f"{_ended(cycle, at)} ({at.name})  ·  "
            f"{text_of(cycle.get('completion')).replace('_', ' ') or 'completion not known'}",
            width,
            colour=style.MUTED,
        ),
        space(6.0),
        *paragraph(
            f"{style.VERDICT_MARKS.get(verdict, '')} {stands}".strip(),
            width,
            size=style.BODY_PT + 1.0,
            bold=True,
            colour=style.VERMILION if verdict == "outside" else style.INK,
        ),
    ]
    for sentence in (reason[:1].upper() + reason[1:], cycle_correction(cycle)):
        rows += paragraph(in_units(sentence, options), width) if sentence else []
    return rows


def _ended(cycle: pd.Series, at: Clock) -> str:
    if pd.isna(cycle["ended_at"]):
        return "no end recorded"
    return f"ended {at.moment(cycle['ended_at'], seconds=True)}"


def _values(view: CycleView, width: float, options: ReportOptions) -> list[Row]:
    shares = (0.19, 0.11, 0.075, 0.18, 0.145, 0.3)
    names = ("recorded value", "value", "±", "limit", "stands", "source of the limit")
    columns = [
        TableColumn(
            n,
            width * s,
            "right" if i in (1, 2) else "left",
            cut="wrap",
            inset=9.0 if i == 3 else 0.0,
        )
        for i, (n, s) in enumerate(zip(names, shares, strict=True))
    ]
    entries = []
    for line in recorded_lines(view.cycle, view.config.limits, options):
        first = line.stands.split(",")[0]
        mark = style.VERDICT_MARKS.get(first, "")
        colour = style.VERMILION if first == "outside" else style.INK
        cells = (
            Cell(line.what, bold=True),
            Cell(line.recorded),
            Cell(line.uncertainty, style.MUTED),
            Cell(line.limit),
            Cell(f"{mark} {line.stands}".strip() if line.stands else "–", colour),
            Cell(line.source, style.MUTED),
        )
        entries.append((cells, ""))
    rows = heading("Recorded values and limits", width)
    return [*rows, *table(columns, entries, size=style.SMALL_PT + 0.3)]


def _panels(
    view: CycleView, run: Run, options: ReportOptions, width: float, room: float
) -> list[Row]:
    """Return the panels, as tall as the room on the page allows; a pair goes first if short."""
    shown = run.aligned and len(run.seconds) > 2
    shares = {"temperature": 1.45, "pressure": float(run.has_pressure)}
    shares |= {"saturation": 1.15 * shown, "pair": 1.05 * shown}
    room -= 20.0
    if room < 72.0 * sum(shares.values()):
        shares["pair"] = 0.0
    total = sum(shares.values())
    tall = {name: min(share / total * room, 130.0 * share) for name, share in shares.items()}
    heights = (tall["temperature"], tall["pressure"])
    rows = [space(6.0), *overview_rows(run, [], view.samples, options, width, heights)]
    if shares["saturation"]:
        limits = view.config.limits
        rows += [space(3.0), saturation_row(run, limits, options, width, tall["saturation"])]
    if shares["pair"]:
        half = half_width(width)
        saw = sawtooth_row(run, options, half, tall["pair"])
        exhaust = exhaust_row(run, options, half, tall["pair"])
        rows += [space(3.0), pair_row(saw, exhaust, width)]
    return rows


def _phases(view: CycleView, at: Clock, width: float) -> list[Row]:
    spans = phases_of(view.samples, view.cycle)
    spans = spans[spans["phase"] != "idle"]
    if spans.empty:
        return []
    count = len(spans)
    words = []
    rows = []
    step = width / max(count, 5)
    for index, (name, start, end) in enumerate(spans.itertuples(index=False)):
        x = index * step
        size = style.SMALL_PT
        took = duration((end - start) / pd.Timedelta(seconds=1))
        words += [
            Words(
                x,
                8.0,
                fit(str(name).replace("_", " "), size, step - 6.0, bold=True),
                size,
                bold=True,
            ),
            Words(x, 17.0, fit(f"from {at.time(start, seconds=True)}", size, step - 6.0), size),
            Words(x, 26.0, fit(took, size, step - 6.0), size, style.MUTED),
        ]
    rows.append(Row(30.0, tuple(words)))
    return [space(4.0), *rows]


def _closing(width: float) -> list[Row]:
    text = (
        "This page records measurements of one logger against limits, with the source of each "
        "limit. It does not decide on the use of the load: the site's own procedure, with its "
        "indicators and tests, does. Agreement of temperature and pressure does not prove the "
        "quality of the steam."
    )
    return [space(5.0), *paragraph(text, width, size=style.SMALL_PT, colour=style.MUTED)]
