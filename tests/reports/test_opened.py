"""A finding whose part was worked on waits for cycles, and every page and line says so."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import pandas as pd
import pytest
from chamberdrift.reports import fleet_report, show_text, summary_text, unit_report
from chamberdrift.reports.opened import open_flags, waiting_count
from chamberdrift.reports.recovery import AFTER
from chamberdrift.reports.views import FleetView
from chamberdrift.shared.schema import SERVICE
from pypdf import PdfReader

WAITING = "Replaced 25 Nov 2026, waiting for cycles: 0 of 15 since"


def worked(builder: Any, *rows: dict[str, object]) -> FleetView:
    """Return a fleet of five flagged units with service entries."""
    view: FleetView = builder.fleet_view(5, cycles=40)
    return replace(view, service=SERVICE.conform(pd.DataFrame(list(rows))))


def heater_unit(builder: Any) -> str:
    """Return the unit with the heater's flag of grade service."""
    flags = builder.fleet_view(5, cycles=40).flags
    return str(flags.loc[flags["part"] == "heater", "unit_id"].iloc[0])


def text_of(view: FleetView) -> str:
    target = io.BytesIO()
    fleet_report(view, target)
    return " ".join(" ".join(p.extract_text() for p in PdfReader(target).pages).split())


def test_a_finding_serviced_after_the_last_cycle_waits_behind_the_others(builder: Any) -> None:
    unit = heater_unit(builder)
    view = worked(builder, builder.service_row(unit, 0.1, "heater", "replaced"))
    opened = open_flags(view)
    assert waiting_count(opened) == 1
    assert opened["unit_id"].iloc[-1] == unit
    said = text_of(view)
    assert WAITING in said
    assert "1 of them waiting for cycles" in said
    assert "heating element and its gasket" not in said  # nobody carries one for it again
    night = summary_text(view)
    assert "(1 serviced, waiting for cycles)" in night
    assert "after replaced" in night


def test_the_units_own_words_and_page_say_it(builder: Any) -> None:
    flag = builder.flag("Otter Creek 2", "heater")
    row = builder.service_row("Otter Creek 2", 0.1, "heater", "replaced")
    view = builder.unit_view("Otter Creek 2", cycles=40, flags=[flag], service=[row])
    assert f"Done: {WAITING}" in " ".join(show_text(view).split())
    target = io.BytesIO()
    unit_report(view, target)
    page = " ".join(PdfReader(target).pages[0].extract_text().split())
    assert f"Done: {WAITING}." in page


@pytest.mark.parametrize("days_ago", [3.0, 8.0])
def test_after_enough_cycles_it_is_on_the_list_again(builder: Any, days_ago: float) -> None:
    """Two cycles a day: six of fifteen after three days, all of them after eight."""
    unit = heater_unit(builder)
    view = worked(builder, builder.service_row(unit, days_ago, "heater", "cleaned"))
    [flag] = [f for _, f in open_flags(view).iterrows() if f["unit_id"] == unit]
    started = view.cycles.loc[view.cycles["unit_id"] == unit, "started_at"]
    since = int((started > flag["work_at"]).sum())
    assert flag["cycles_since"] == since
    assert flag["waiting"] == (since < AFTER)
    assert ("still found after 15 cycles" in text_of(view)) == (since >= AFTER)


def test_a_stop_stays_where_it_is(builder: Any) -> None:
    view: FleetView = builder.fleet_view(5, cycles=40)
    unit = str(view.flags.loc[view.flags["severity"] == "stop", "unit_id"].iloc[0])
    after = worked(builder, builder.service_row(unit, 0.1, "door_seal", "replaced"))
    opened = open_flags(after)
    assert opened["severity"].iloc[0] == "stop"
    assert waiting_count(opened) == 0
    assert WAITING in text_of(after)


def test_work_on_a_part_that_looks_alike_counts_and_other_work_does_not(builder: Any) -> None:
    flag = builder.flag("Otter Creek 2", "door_seal")  # a passing vent looks alike
    for part, action, waits in (
        ("vent_path", "cleaned", True),
        ("heater", "replaced", False),
        ("door_seal", "checked", False),
    ):
        row = builder.service_row("Otter Creek 2", 0.1, part, action, result="not_found")
        view = builder.unit_view("Otter Creek 2", cycles=20, flags=[flag], service=[row])
        assert open_flags(view)["waiting"].tolist() == [waits], part
    assert "Done: Checked 25 Nov 2026: nothing was found" in " ".join(show_text(view).split())


def test_work_from_before_the_finding_or_taken_back_does_not_count(builder: Any) -> None:
    flag = builder.flag("Otter Creek 2", "heater")  # raised nine days ago
    early = builder.service_row("Otter Creek 2", 10.0, "heater", "replaced")
    undone = builder.service_row("Otter Creek 2", 0.1, "heater", "replaced", undone=True)
    view = builder.unit_view("Otter Creek 2", cycles=20, flags=[flag], service=[early, undone])
    assert open_flags(view)["waiting"].tolist() == [False]
    assert "Done:" not in show_text(view)
