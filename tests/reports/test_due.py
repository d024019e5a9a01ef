"""The calendar: hand-counted days and cycles against the site's intervals."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd
import pytest
from chamberdrift.reports.due import calendar
from chamberdrift.shared.config import Assignment, Config, Correction, ServiceInterval, Unit
from chamberdrift.shared.schema import SERVICE, UNITS


def with_service(builder: Any, rows: list[dict[str, object]], **config: Any) -> Any:
    view = builder.fleet_view(1, cycles=100, flagged=0)
    unit = view.config.units[0].id
    made = [builder.service_row(unit, **r) for r in rows]
    table = SERVICE.conform(pd.DataFrame(made)) if made else SERVICE.empty()
    settings = Config(sites=view.config.sites, units=view.config.units, **config)
    return replace(view, service=table, config=settings)


def row(days_ago: float, part: str, action: str, **more: object) -> dict[str, object]:
    return {"days_ago": days_ago, "part": part, "action": action, **more}


SEAL = {"service_intervals": (ServiceInterval("door_seal", days=100.0, cycles=60),)}


def test_days_and_cycles_since_the_last_service(builder: Any) -> None:
    # two cycles a day, the last of them 12 h before the report: 40 days hold 79 or 80
    view = with_service(builder, [row(40.1, "door_seal", "replaced")], **SEAL)
    due = calendar(view)
    assert list(due["state"]) == ["overdue"]
    since = view.service["time"].iloc[0]
    cycles = int((view.cycles["started_at"] > since).sum())
    assert due["detail"].iloc[0].startswith(f"40 of 100 days, {cycles} of 60 cycles")
    assert due["overdue_share"].iloc[0] == pytest.approx(cycles / 60)


def test_recent_service_is_in_time(builder: Any) -> None:
    assert calendar(with_service(builder, [row(3, "door_seal", "cleaned")], **SEAL)).empty


def test_a_check_alone_or_an_undone_entry_does_not_count(builder: Any) -> None:
    for entry in (row(3, "door_seal", "checked"), row(3, "door_seal", "replaced", undone=True)):
        due = calendar(with_service(builder, [entry], **SEAL))
        assert "no service logged" in due["detail"].iloc[0]
        assert "100 of 60 cycles" in due["detail"].iloc[0]


def test_due_soon(builder: Any) -> None:
    interval = (ServiceInterval("vent_path", days=100.0),)
    view = with_service(builder, [row(95, "vent_path", "cleaned")], service_intervals=interval)
    assert list(calendar(view)["state"]) == ["due soon"]


def test_logger_calibration(builder: Any) -> None:
    view = with_service(builder, [row(400, "logger", "calibrated")])
    due = calendar(view)
    assert list(due["what"]) == ["logger calibration"]
    assert list(due["state"]) == ["overdue"]
    assert "400 days since the last, interval 365 days" in due["detail"].iloc[0]


def test_a_logger_that_nobody_calibrated_falls_due_by_its_first_sample(builder: Any) -> None:
    view = with_service(builder, [])
    unit = view.config.units[0].id
    for days, states in ((100, []), (340, ["due soon"]), (400, ["overdue"])):
        first = (view.as_of - pd.Timedelta(days=days)).as_unit("ms")
        units = UNITS.conform(pd.DataFrame([{"unit_id": unit, "first_data": first}]))
        due = calendar(replace(view, units=units))
        assert list(due["state"]) == states
        assert all(f"{days} days on record, none entered" in d for d in due["detail"])


def test_leak_test_overdue_or_never_found(builder: Any) -> None:
    view = with_service(builder, [])
    assert calendar(view).empty  # a gravity unit without leak tests owes none
    cycles = view.cycles.copy()
    cycles.loc[80, "kind"] = "leak_test"
    due = calendar(replace(view, cycles=cycles))
    assert list(due["what"]) == ["leak test"]
    assert list(due["state"]) == ["overdue"]
    days = (view.as_of - cycles["started_at"].iloc[80]) / pd.Timedelta(days=1)
    assert due["overdue_share"].iloc[0] == pytest.approx(days / 7.0)
    unit = replace(view.config.units[0], air_removal="prevacuum")
    never = replace(view, config=replace(view.config, units=(unit,)))
    assert list(calendar(never)["state"]) == ["no record"]
    assert list(calendar(never)["detail"]) == ["none among its cycles of 50 days"]


def test_retired_units_owe_nothing(builder: Any) -> None:
    view = with_service(builder, [row(40.1, "door_seal", "replaced")], **SEAL)
    gone = replace(view.config.units[0], retired_at=view.as_of.to_pydatetime())
    assert calendar(replace(view, config=replace(view.config, units=(gone,)))).empty


def test_unit_without_cycles(builder: Any) -> None:
    view = builder.fleet_view(1, cycles=0, flagged=0)
    extra = replace(view.config, units=(*view.config.units, Unit("new")))
    assert "new" not in set(calendar(replace(view, config=extra))["unit_id"])


def test_a_dated_correction_counts_as_a_calibration(builder: Any) -> None:
    view = with_service(builder, [])
    unit = view.config.units[0].id
    for days, states in ((400, ["overdue"]), (10, [])):
        start = (view.as_of - pd.Timedelta(days=days)).to_pydatetime()
        for found in (
            {"corrections": (Correction(unit=unit, add_k=0.2, start=start),)},
            {
                "corrections": (Correction(logger="L1", add_k=0.2, start=start),),
                "assignments": (Assignment("L1", unit),),
            },
        ):
            due = calendar(with_service(builder, [], **found))
            assert list(due["state"]) == states
