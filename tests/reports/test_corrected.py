"""Corrections of loggers, and programs' set points, as the pages tell them."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pandas as pd
from chamberdrift.reports import (
    ReportOptions,
    UnitView,
    cycle_sheet,
    cycle_view,
    show_text,
    unit_report,
)
from chamberdrift.shared.config import Correction
from pypdf import PdfReader

NAME = "Otter Creek 2"


def text_of(view: UnitView, **options: Any) -> list[str]:
    target = io.BytesIO()
    unit_report(view, target, options=ReportOptions(**options))
    return [p.extract_text() for p in PdfReader(target).pages]


def corrected_view(builder: Any, **more: Any) -> UnitView:
    view: UnitView = builder.unit_view(NAME, cycles=20)
    cycles = view.cycles.assign(correction_k=0.3, correction_kpa=-1.0)
    start = datetime(2026, 11, 1, tzinfo=UTC)
    found = Correction(logger="L-07", add_k=0.3, add_kpa=-1.0, start=start, **more)
    other = Correction(logger="L-99", add_k=5.0)
    return replace(view, cycles=cycles, config=replace(view.config, corrections=(found, other)))


def test_what_a_calibration_found_stands_on_the_pages(builder: Any) -> None:
    view = corrected_view(builder, note="certificate 118")
    words = "Corrected: +0.3 K and -1 kPa added to what logger L-07 recorded from 1 Nov 2026"
    first = " ".join(text_of(view)[0].split())
    assert f"{words} (certificate 118)." in first
    assert "L-99" not in first
    assert words in " ".join(show_text(view).split())
    cycle = cycle_view(view, str(view.cycles["cycle_id"].iloc[-1]))
    target = io.BytesIO()
    cycle_sheet(cycle, target, options=ReportOptions(temperature_unit="°F"))
    sheet = " ".join(PdfReader(target).pages[0].extract_text().split())
    assert (
        "Recorded values include +0.5 °F and -1 kPa that the logger's calibration found." in sheet
    )


def test_a_correction_yet_to_begin_is_not_told(builder: Any) -> None:
    view = corrected_view(builder)
    before = replace(view, as_of=pd.Timestamp("2026-10-01", tz="UTC"))
    assert "Corrected:" not in show_text(before)


def test_programs_say_their_set_point_in_the_readers_unit(builder: Any) -> None:
    """A set point is exact: 121 °C is 249.8 °F (NIST SP 811, appendix B)."""
    view = builder.unit_view(NAME, cycles=20)
    whole = " ".join("\n".join(text_of(view, temperature_unit="°F")).split())
    assert "gravity-121x30 (249.8 °F)" in whole  # the latest cycle
    assert "in names of programs 121 is 249.8 °F" in whole  # the table of cycles
    assert "249.8" not in " ".join(text_of(view))
