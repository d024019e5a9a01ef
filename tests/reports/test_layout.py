"""No text outside the page and no overlapping text, on ordinary and odd data.

Asserted from the figures' own artists, as they stand after a draw.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from chamberdrift.reports import style
from chamberdrift.reports.document import Document, figures
from chamberdrift.reports.fleet import fleet_document
from chamberdrift.reports.front import title_words
from chamberdrift.reports.metrics import text_width_pt
from chamberdrift.reports.options import ReportOptions
from chamberdrift.reports.record import cycle_document
from chamberdrift.reports.unit import unit_document
from chamberdrift.reports.views import CycleView, FleetView, UnitView, cycle_view
from chamberdrift.shared.schema import CYCLES, FLAGS, RESIDUALS, SERVICE, TRACES
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text

LONG = "Clinique vétérinaire du Moulin-Vert, salle 12 bis, bench unit B"
IMPERIAL = ReportOptions(temperature_unit="°F", pressure_unit="psi", paper="letter")

FINE = 3.0
Boxes = list[tuple[str, float, float, float, float]]


def text_boxes(figure: Figure) -> Boxes:
    """Return (text, left, bottom, right, top) of each visible text, in points."""
    figure.set_dpi(72.0 * FINE)  # the raster renderer rounds small text to whole pixels
    canvas = FigureCanvasAgg(figure)
    figure.draw_without_rendering()
    renderer: Any = canvas.get_renderer()  # type: ignore[no-untyped-call]
    boxes = []
    for artist in figure.findobj(Text):
        assert isinstance(artist, Text)
        if not artist.get_visible() or not artist.get_text().strip():
            continue
        box = artist.get_window_extent(renderer)
        if box.width <= 0:
            continue
        corners = (box.x0 / FINE, box.y0 / FINE, box.x1 / FINE, box.y1 / FINE)
        boxes.append((artist.get_text(), *corners))
    return boxes


def outside(boxes: Boxes, width: float, height: float) -> list[str]:
    """Return texts that leave the page, or its outer 20 points where printers can't reach."""
    edge = 20.0
    return [
        text
        for text, x0, y0, x1, y1 in boxes
        if x0 < edge or y0 < edge or x1 > width - edge or y1 > height - edge
    ]


def overlaps(boxes: Boxes) -> list[tuple[str, str]]:
    """Return pairs of texts whose boxes overlap by more than rounding.

    A box holds the line's full ascent and descent; a quarter of its height may
    be shared by lines that are set close.
    """
    table = np.array([b[1:] for b in boxes])
    shrink = 0.25 * (table[:, 3] - table[:, 1])
    x0, y0, x1, y1 = table[:, 0] + 1.0, table[:, 1] + shrink, table[:, 2] - 1.0, table[:, 3]
    y1 = y1 - shrink * 0.4
    hit = (x0[:, None] < x1) & (x0 < x1[:, None]) & (y0[:, None] < y1) & (y0 < y1[:, None])
    first, second = np.nonzero(np.triu(hit, 1))
    return [(boxes[i][0], boxes[j][0]) for i, j in zip(first, second, strict=True)]


def check(document: Document) -> int:
    """Assert the layout of every page; return the number of pages."""
    pages = 0
    for figure in figures(document):
        pages += 1
        boxes = text_boxes(figure)
        assert boxes
        width, height = document.options.page_pt
        assert outside(boxes, width, height) == []
        assert overlaps(boxes) == []
    assert pages == len(document.pages)
    return pages


def flagged(builder: Any, name: str = "Otter Creek 2", **more: object) -> Any:
    return builder.unit_view(
        name,
        drift=1.0,
        flags=[builder.flag(name)],
        service=[builder.service_row(name, 55, "vent_path", "cleaned")],
        **more,
    )


def with_columns(view: UnitView, **columns: Any) -> UnitView:
    return replace(view, cycles=view.cycles.assign(**columns))


def no_cycles(builder: Any) -> Any:
    return builder.unit_view(cycles=0)


def one_cycle(builder: Any) -> Any:
    return builder.unit_view(cycles=1)


def three_cycles(builder: Any) -> Any:
    return flagged(builder, cycles=3, drift_cycles=3)


def three_thousand(builder: Any) -> Any:
    return flagged(builder, cycles=3000, per_day=4.0, gap_at=1500, drift_cycles=200)


def no_pressure(builder: Any) -> Any:
    return flagged(builder, pressure=False)


def no_flags(builder: Any) -> Any:
    return builder.unit_view()


def long_name(builder: Any) -> Any:
    return flagged(builder, LONG)


def odd_name(builder: Any) -> Any:
    return flagged(builder, "消毒器-3 $x_1^2$ \u202eabc\n\x1b[31m")


def no_trace(builder: Any) -> Any:
    return replace(flagged(builder), trace=lambda _: TRACES.empty())


def coarse_trace(builder: Any) -> Any:
    view = flagged(builder)
    return replace(view, trace=builder.trace_source(view.cycles, interval_s=60.0))


def gappy_trace(builder: Any) -> Any:
    view = flagged(builder)
    source = builder.trace_source(view.cycles)

    def get(cycle_id: str) -> Any:
        samples = source(cycle_id)
        samples.loc[300:700, "temperature_c"] = np.nan
        return samples.drop(index=range(900, 1100)).reset_index(drop=True)

    return replace(view, trace=get)


def constant(builder: Any) -> Any:
    view = flagged(builder)
    flat = view.residuals.assign(value=4.4, adjusted=4.4, expected=4.4, scale=0.0, z=np.nan)
    return replace(view, residuals=RESIDUALS.conform(flat))


def no_residuals(builder: Any) -> Any:
    return replace(flagged(builder), residuals=RESIDUALS.empty())


def no_program(builder: Any) -> Any:
    view = flagged(builder)
    return with_columns(view, program=pd.Series(pd.NA, index=view.cycles.index, dtype="string"))


def leak_tests_only(builder: Any) -> Any:
    view = builder.unit_view(cycles=12)
    none = pd.Series(pd.NaT, index=view.cycles.index, dtype="datetime64[ms, UTC]")
    return with_columns(view, kind="leak_test", exposure_start=none, leak_kpa_per_min=0.08)


def aborted(builder: Any) -> Any:
    view = builder.unit_view(cycles=5)
    none = pd.Series(pd.NaT, index=view.cycles.index, dtype="datetime64[ms, UTC]")
    return with_columns(
        view,
        exposure_start=none,
        exposure_end=none,
        exhaust_start=none,
        drying_start=none,
        ended_at=none,
        completion="cut_off",
    )


def bare_flag(builder: Any) -> Any:
    view = builder.unit_view(drift=0.5)
    row = {
        "flag_id": "f",
        "unit_id": view.unit.id,
        "part": "unknown",
        "severity": "stop",
        "first_seen": builder.AS_OF - pd.Timedelta(days=1),
    }
    return replace(view, flags=FLAGS.conform(pd.DataFrame([row])))


def many_flags(builder: Any) -> Any:
    name = "Otter Creek 2"
    parts = ("door_seal", "heater", "vent_path", "air_removal", "temperature_sensor", "logger")
    features = (
        "loss_over_capacity_k_per_min",
        "heater_duty",
        "exhaust_s",
        "saturation_deviation_k",
        "exposure_mean_c",
        "noise_k",
    )
    words = "A long sentence of evidence with numbers such as 12.34 K/min and 56 s. " * 5
    flags = [
        builder.flag(name, p, feature=f, evidence=words, alternatives="water_fill,controller")
        for p, f in zip(parts, features, strict=True)
    ]
    return builder.unit_view(name, drift=1.0, flags=flags)


def busy_service(builder: Any) -> Any:
    name = "Otter Creek 2"
    rows = [
        builder.service_row(name, float(d), "door_seal", "cleaned", note="wiped " * 30)
        for d in range(1, 50)
    ]
    return builder.unit_view(name, service=rows)


def repaired(builder: Any) -> Any:
    view = builder.unit_view(drift=1.0, repaired_before=17)
    row = builder.service_row(view.unit.id, 9.0, "door_seal", "replaced", result="confirmed")
    return replace(view, service=SERVICE.conform(pd.DataFrame([row])))


def two_flags_on_one_part(builder: Any) -> Any:
    name = "Otter Creek 2"
    first = builder.flag(name, "heater", "stop", feature="heater_duty", mode="stuck on")
    second = builder.flag(name, "heater", "watch", feature="heat_rate_k_per_min", flag_id="second")
    return builder.unit_view(name, drift=1.0, flags=[first, second])


def deferred(builder: Any) -> Any:
    view = flagged(builder)
    until = pd.Series([view.as_of + pd.Timedelta(days=4)]).astype("datetime64[ms, UTC]")
    put_off = {"flag_id": view.flags["flag_id"], "until": until, "reason": "part on order " * 20}
    return replace(view, deferrals=pd.DataFrame(put_off))


def silent(builder: Any) -> Any:
    return flagged(builder, last=builder.AS_OF - pd.Timedelta(days=40))


def repaired_and_flagged(builder: Any) -> Any:
    view = repaired(builder)
    flag = builder.flag(view.unit.id, "heater", feature="heater_duty")
    return replace(view, flags=FLAGS.conform(pd.DataFrame([flag])))


CASES = [
    no_cycles,
    one_cycle,
    three_cycles,
    three_thousand,
    no_pressure,
    no_flags,
    long_name,
    odd_name,
    no_trace,
    coarse_trace,
    gappy_trace,
    constant,
    no_residuals,
    no_program,
    leak_tests_only,
    aborted,
    bare_flag,
    many_flags,
    busy_service,
    repaired,
    repaired_and_flagged,
    two_flags_on_one_part,
    deferred,
    silent,
]


@pytest.mark.parametrize("make", CASES)
def test_unit_report_has_clean_pages(builder: Any, make: Callable[[Any], Any]) -> None:
    assert 1 <= check(unit_document(make(builder), ReportOptions())) <= 7


def test_ordinary_unit_report_has_two_to_four_pages(builder: Any) -> None:
    assert 2 <= check(unit_document(flagged(builder), ReportOptions())) <= 4
    assert 2 <= check(unit_document(no_flags(builder), ReportOptions())) <= 4


def test_other_units_paper_and_dates(builder: Any) -> None:
    for dates in ("iso", "day_first", "month_first"):
        check(unit_document(long_name(builder), replace(IMPERIAL, date_style=dates)))


@pytest.mark.parametrize("make", [c for c in CASES if c is not no_cycles])
def test_cycle_sheet_is_one_clean_page(builder: Any, make: Callable[[Any], Any]) -> None:
    view = make(builder)
    for options in (ReportOptions(), IMPERIAL):
        sheet = cycle_view(view, str(view.cycles["cycle_id"].iloc[-1]))
        assert check(cycle_document(sheet, options)) == 1


def test_cycle_sheet_of_an_unknown_unit(builder: Any) -> None:
    view = one_cycle(builder)
    bare = CYCLES.conform(
        pd.DataFrame(
            {
                "cycle_id": ["x@2026-11-24T00:00:00Z"],
                "unit_id": ["x"],
                "kind": ["unknown"],
                "started_at": [builder.AS_OF],
            }
        )
    )
    sheet = CycleView(view.config, view.unit, bare.iloc[0], TRACES.empty(), builder.AS_OF)
    assert check(cycle_document(sheet, ReportOptions())) == 1


@pytest.mark.parametrize(("units", "cycles"), [(1, 1), (3, 20), (12, 40), (60, 12), (130, 6)])
def test_fleet_report_has_clean_pages(builder: Any, units: int, cycles: int) -> None:
    check(fleet_document(builder.fleet_view(units, cycles=cycles), ReportOptions()))


def test_fleet_report_with_many_flags_repeats_its_header(builder: Any) -> None:
    view = builder.fleet_view(70, cycles=5, flagged=70)
    assert check(fleet_document(view, IMPERIAL)) >= 4


def test_fleet_report_in_other_units_dates_and_zone(builder: Any) -> None:
    view = builder.fleet_view(12, cycles=40)
    files = {u: f"unit-u-{u.encode().hex()}.pdf" for u in view.flags["unit_id"]}
    options = replace(IMPERIAL, date_style="month_first", zone="America/Argentina/Buenos_Aires")
    assert check(fleet_document(replace(view, files=files), options)) <= 3


def test_forty_flags_with_their_files(builder: Any) -> None:
    view = builder.fleet_view(60, cycles=12, flagged=40)
    files = {u: f"unit-u-{u.encode().hex() * 4}.pdf" for u in view.flags["unit_id"]}
    assert check(fleet_document(replace(view, files=files), ReportOptions())) <= 8


@pytest.mark.slow
def test_a_fleet_of_a_thousand_units(builder: Any) -> None:
    check(fleet_document(builder.fleet_view(1000, cycles=6, flagged=100), ReportOptions()))


def test_empty_fleet(builder: Any) -> None:
    view = builder.fleet_view(1, cycles=0, flagged=0)
    assert check(fleet_document(view, ReportOptions())) == 1


def test_fleet_with_long_names(builder: Any) -> None:
    view: FleetView = builder.fleet_view(9, cycles=10)

    def longer(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(unit_id=frame["unit_id"] + " " + LONG[:40])

    view = replace(
        view,
        cycles=longer(view.cycles),
        flags=longer(view.flags),
        residuals=longer(view.residuals),
    )
    check(fleet_document(view, ReportOptions()))


def test_long_names_shrink_before_they_are_cut(builder: Any) -> None:
    for name, size in (("ST-07", style.TITLE_PT), (LONG, 9.0)):
        shown, drawn = title_words(name, 390.0)
        assert shown == name
        assert drawn >= size
        assert text_width_pt(shown, drawn, bold=True) <= 390.0 + 1e-6
    assert "…" in title_words(LONG * 3, 390.0)[0]


def test_a_planted_overlap_and_a_planted_escape_are_found(builder: Any) -> None:
    document = unit_document(no_flags(builder), ReportOptions())
    figure = next(figures(document))
    boxes = text_boxes(figure)
    title = next(b for b in boxes if b[0] == "State")
    shifted = ("planted", title[1] + 3, title[2], title[3] + 3, title[4])
    assert ("State", "planted") in overlaps([*boxes, shifted])
    assert outside([("far", 500.0, 300.0, 610.0, 310.0)], 595.0, 842.0) == ["far"]
