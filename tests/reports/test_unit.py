"""What a unit's report and a cycle's sheet say, read back from the PDF's text."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from chamberdrift.reports import ReportOptions, cycle_sheet, cycle_view, unit_report
from chamberdrift.reports.bench import (
    CARRY,
    CHECKS,
    GENERAL,
    MAINS,
    STEAM,
    VESSEL,
    cautions_for,
    split_cautions,
)
from chamberdrift.reports.carrying import carrying_features
from chamberdrift.reports.opened import open_flags
from chamberdrift.reports.recorded import recorded_lines, saturation_uncertainty_k, stands
from chamberdrift.reports.recovery import Recovery, latest_repair, mended, recoveries
from chamberdrift.reports.ticks import day_of
from chamberdrift.reports.trend import hard_limits, shared_span, trend_of
from chamberdrift.reports.views import unit_view
from chamberdrift.shared.config import Limits
from chamberdrift.shared.parts import PARTS
from chamberdrift.shared.schema import SERVICE, UNITS
from pypdf import PdfReader

FORBIDDEN = re.compile(r"\b(pass(ed|es)?|sterile|releas\w*|fail(ed)?)\b", re.IGNORECASE)
NAME = "Otter Creek 2"


def text_of(view: Any, **options: Any) -> list[str]:
    target = io.BytesIO()
    unit_report(view, target, options=ReportOptions(**options))
    return [p.extract_text() for p in PdfReader(target).pages]


def sheet_of(view: Any, cycle_id: str, **options: Any) -> list[str]:
    target = io.BytesIO()
    cycle_sheet(cycle_view(view, cycle_id), target, options=ReportOptions(**options))
    return [p.extract_text() for p in PdfReader(target).pages]


def flagged(builder: Any, **more: Any) -> Any:
    return builder.unit_view(NAME, cycles=60, drift=1.0, flags=[builder.flag(NAME, **more)])


@pytest.fixture(scope="module")
def pages(builder: Any) -> list[str]:
    return text_of(flagged(builder))


def test_state_and_trend_that_carries_the_flag_come_first(pages: list[str]) -> None:
    first = re.sub(r"\s+", " ", pages[0])
    assert first.startswith(NAME)
    order = [
        "State",
        "Door seal: service since 16 Nov 2026",
        "likely 12 days (8–20) until a cycle falls outside its limits",
        "vent path would look alike",
        "59 cycles in the last 30 days",
        "Trends",
        "Heat loss over heat capacity",
        "drift began about 5 Nov",
        "Time from 102 to 110 °C",
    ]
    places = [first.index(words) for words in order]
    assert places == sorted(places)


def test_every_section_is_there(pages: list[str]) -> None:
    whole = "\n".join(pages)
    for words in (
        "Latest cycle",
        "Temperature against saturation",
        "Heater switching",
        "Exhaust, gauge, log scale",
        "exposure",
        "What to check, in this order",
        "Before you begin",
        "Last cycles",
        "◆ outside limits",
        "inside limits",
        "◇ incomplete",
        "store: clinics-store, commit 41",
        "data through 24 Nov 2026",
        "Europe/Paris",
        "newest otter-creek/Otter Creek 2-2026-11.csv",
    ):
        assert words in whole
    assert not FORBIDDEN.search(whole)


def test_cautions_stand_before_the_checks(pages: list[str]) -> None:
    whole = "\n".join(pages)
    flat = re.sub(r"\s+", " ", whole)
    first, _, listed = flat.partition("What to check, in this order")
    check = "Look along the seal for cuts and flat spots"
    assert first.index("Before any work: chamber cool and at room pressure") < first.index(check)
    assert listed.index(STEAM[:40]) < listed.index(check)
    assert GENERAL[:60] in flat


def test_stop_is_said_in_words(builder: Any) -> None:
    first = text_of(flagged(builder, severity="stop"))[0]
    assert "Take the unit out of use until it is checked" in first
    assert "■ stop" in first


def test_silence_is_said(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=10, last=builder.AS_OF - pd.Timedelta(days=8))
    assert "No data for 8 days" in text_of(view)[0]


def test_a_unit_that_stands_cold_is_not_silent(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=10, last=builder.AS_OF - pd.Timedelta(days=8))
    arriving = replace(view, data_through=builder.AS_OF - pd.Timedelta(hours=5))
    first = re.sub(r"\s+", " ", text_of(arriving)[0])
    assert "no cycle for 8 days" in first
    assert "it is not in use, or it no longer heats" in first
    assert "No data for" not in first


def test_other_units_reach_every_number_and_every_sentence(builder: Any) -> None:
    pages = text_of(flagged(builder), temperature_unit="°F", pressure_unit="psi")
    whole = re.sub(r"\s+", " ", "\n".join(pages))
    for words in (
        "lower limit 249.8 °F",
        "Heat loss over heat capacity rose from 7.9 to 10.6 °F/min in 20 days",
        "Time from 215.6 to 230 °F (seal seating)",
        "lowest temperature 248.7 °F under 249.8 °F",
    ):
        assert words in whole
    assert "°C" not in whole
    assert "kPa" not in whole
    assert not re.search(r"\d K\b", whole)


def test_other_units_reach_the_cycle_sheet(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=60, drift=1.0)
    (text,) = sheet_of(
        view, view.cycles["cycle_id"].iloc[-1], temperature_unit="°F", pressure_unit="psi"
    )
    assert "Lowest temperature 248.7 °F under 249.8 °F" in text
    assert "°C" not in text
    assert "kPa" not in text


def test_dates_and_zone_are_the_readers(builder: Any) -> None:
    whole = "\n".join(text_of(flagged(builder), date_style="iso", zone="Asia/Tokyo"))
    assert "2026-11-16" in whole
    assert "Asia/Tokyo" in whole
    assert "Nov 2026" not in whole


def test_flag_without_a_feature_shows_what_stands_out_most(builder: Any) -> None:
    view = flagged(builder, feature="", part="unknown", layer="forest")
    opened = open_flags(view)
    (first, flag), *_ = carrying_features(view, opened)
    z = view.residuals.groupby("feature")["z"].apply(lambda s: s.tail(15).median()).abs()
    assert first == z.idxmax()
    assert flag is not None


def test_trend_of_a_unit_without_baseline_is_its_bare_values(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=8)
    bare = replace(view, residuals=view.residuals.head(0))
    trend = trend_of(bare, "heater_duty", ReportOptions())
    assert not trend.judged
    assert trend.raw == pytest.approx(100.0 * view.cycles["heater_duty"].to_numpy(float))
    assert np.isnan(trend.adjusted).all()
    assert len(trend_of(bare, "drying_s", ReportOptions()).x) == 0


def test_programs_of_other_levels_do_not_make_the_trend_jump(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=60)
    hot = np.arange(60) % 3 == 0
    programs = pd.Series(np.where(hot, "gravity-134x5", "gravity-121x30"), dtype="string")
    own = view.residuals["feature"] == "heater_duty"
    res = view.residuals[own].reset_index(drop=True)
    columns = {c: res[c].astype(float) for c in ("value", "adjusted", "expected", "scale")}
    for name in ("value", "adjusted", "expected"):
        columns[name] = columns[name] + np.where(hot, 0.15, 0.0)
    columns["scale"] = columns["scale"] * np.where(hot, 2.0, 1.0)
    moved = replace(
        view,
        cycles=view.cycles.assign(program=programs),
        residuals=pd.concat([view.residuals[~own], res.assign(**columns)], ignore_index=True),
    )
    before = moved.residuals.copy()
    trend = trend_of(moved, "heater_duty", ReportOptions())
    assert trend.raw == pytest.approx(100.0 * columns["value"].to_numpy(float))
    assert np.ptp(trend.expected) < 1e-9  # one level: that of the usual program
    assert np.ptp(trend.scale) < 1e-9
    z = (trend.adjusted - trend.expected) / trend.scale
    wanted = (columns["adjusted"] - columns["expected"]) / columns["scale"]
    assert z == pytest.approx(wanted.to_numpy(float))
    pd.testing.assert_frame_equal(moved.residuals, before)


def test_a_repair_is_told_at_the_level_of_each_cycles_own_program(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=120, drift=1.0, repaired_before=20)
    hot = np.arange(120) % 2 == 0
    programs = pd.Series(np.where(hot, "gravity-134x5", "gravity-121x30"), dtype="string")
    by_cycle = dict(zip(view.cycles["cycle_id"], hot, strict=True))
    lift = np.where(view.residuals["cycle_id"].map(by_cycle), 1.5, 0.0)
    own = view.residuals["feature"] == "loss_over_capacity_k_per_min"
    lift = np.where(own, lift, 0.0)
    res = view.residuals.assign(
        adjusted=view.residuals["adjusted"] + lift, expected=view.residuals["expected"] + lift
    )
    row = builder.service_row(NAME, 10.4, "door_seal", "replaced")
    view = replace(
        view,
        cycles=view.cycles.assign(program=programs),
        residuals=res,
        service=SERVICE.conform(pd.DataFrame([row])),
    )
    found = mended(view)
    loss = next(r for r in found if r.feature == "loss_over_capacity_k_per_min")
    assert loss.back >= 14
    whole = re.sub(r"\s+", " ", " ".join(text_of(view)))
    assert "the work agrees with the finding" in whole
    assert whole.index("After the repair") < whole.index("Trends")


def test_a_repair_beyond_the_healthy_side_is_not_held_against_the_work() -> None:
    before = np.linspace(5.0, 8.0, 30)
    recovery = Recovery("seat_s", before, np.full(15, 3.0), healthy=4.0, scale=0.1)
    assert (recovery.back, recovery.beyond) == (0, 15)
    assert "15 beyond it on the other side; the work agrees" in recovery.words()
    still = replace(recovery, after=np.full(15, 7.0))
    assert (still.back, still.beyond) == (0, 0)
    assert "not settled" in still.words()


def test_work_on_a_part_that_had_not_moved_gets_a_sentence_and_no_page(builder: Any) -> None:
    row = builder.service_row(NAME, 6.0, "vent_path", "cleaned")
    view = builder.unit_view(NAME, cycles=60)
    whole = " ".join(text_of(replace(view, service=SERVICE.conform(pd.DataFrame([row])))))
    whole = re.sub(r"\s+", " ", whole)
    assert "Vent path cleaned 19 Nov 2026 06:00; exhaust time, 80 to 20 % of gauge" in whole
    assert "had not moved before, so it can't tell" in whole
    assert "After the repair" not in whole


def test_a_flags_repair_leads_only_where_nothing_calls_for_work(builder: Any) -> None:
    view = builder.unit_view(
        NAME, cycles=120, drift=1.0, repaired_before=17, flags=[builder.flag(NAME, "heater")]
    )
    row = builder.service_row(NAME, 9.0, "door_seal", "replaced")
    view = replace(view, service=SERVICE.conform(pd.DataFrame([row])))
    whole = " ".join(text_of(view))
    assert whole.index("Trends") < whole.index("After the repair")


def test_equilibration_below_zero_is_said_as_what_it_is(builder: Any) -> None:
    cycle = builder.unit_view(NAME, cycles=2).cycles.iloc[0].copy()
    for seconds, recorded, about in (
        (-1.0, "none", "temperature reached the band 1 s before saturation did"),
        (0.0, "none", "for information"),
        (7.0, "7 s", "for information"),
    ):
        cycle["equilibration_s"] = seconds
        lines = {x.what: x for x in recorded_lines(cycle, Limits(), ReportOptions())}
        assert lines["equilibration time"].recorded == recorded
        assert lines["equilibration time"].source == about
    cycle["equilibration_s"] = float("nan")
    assert not [x for x in recorded_lines(cycle, Limits(), ReportOptions()) if "equil" in x.what]


def test_the_first_page_says_what_to_bring_and_what_first(builder: Any) -> None:
    first = re.sub(r"\s+", " ", text_of(flagged(builder, severity="stop"))[0])
    order = [
        "Take the unit out of use",
        "Before any work: chamber cool and at room pressure, mains isolated",
        "■ Door seal: stop",
        "Bring: door seal; cleaning kit",
        "First: Look along the seal",
        "Trends",
    ]
    places = [first.index(words) for words in order]
    assert places == sorted(places)
    watched = re.sub(r"\s+", " ", text_of(flagged(builder, severity="watch"))[0])
    assert "Bring:" not in watched
    assert "First:" in watched


def test_a_gap_says_whether_cycles_ran_in_it(builder: Any) -> None:
    silent = builder.unit_view(NAME, cycles=80, gap_at=30)
    assert "no data" in text_of(silent)[0]
    assert "not measured" not in text_of(silent)[0]
    full = builder.unit_view(NAME, cycles=80)
    start = full.cycles["started_at"].iloc[30]
    end = full.cycles["started_at"].iloc[60]
    left_out = full.residuals["started_at"].between(start, end)
    without = replace(full, residuals=full.residuals[~left_out])
    assert "not measured" in text_of(without)[0]
    assert "no data" not in text_of(without)[0]


def test_the_footer_names_no_export_from_after_the_reports_moment(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=5)
    later = view.intake.assign(
        export="later.csv",
        sha256="b" * 64,
        first_time=pd.Series([view.as_of + pd.Timedelta(days=3)]).astype("datetime64[ms, UTC]"),
        last_time=pd.Series([view.as_of + pd.Timedelta(days=9)]).astype("datetime64[ms, UTC]"),
    )
    both = replace(view, intake=pd.concat([view.intake, later], ignore_index=True))
    first = text_of(both)[0]
    assert "from 1 export, newest otter-creek/Otter Creek 2-2026-11.csv" in first
    assert "later.csv" not in first


def test_a_units_page_says_how_far_its_own_data_reach(builder: Any) -> None:
    fleet = builder.fleet_view(4, cycles=5)
    unit = str(fleet.cycles["unit_id"].iloc[0])
    own = builder.AS_OF - pd.Timedelta(days=2)
    units = UNITS.conform(pd.DataFrame({"unit_id": [unit], "site": ["x"], "last_data": [own]}))
    fleet = replace(fleet, units=units, data_through=builder.AS_OF)
    assert "data through 23 Nov 2026 06:00" in text_of(unit_view(fleet, unit))[0]
    other = str(fleet.cycles["unit_id"].iloc[-1])
    assert unit_view(fleet, other).data_through == builder.AS_OF


def test_one_odd_cycle_leaves_the_panel_and_is_counted(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=60)
    own = view.residuals["feature"] == "heater_duty"
    values = view.residuals["value"].astype(float).to_numpy().copy()
    values[np.flatnonzero(own)[[10, 20]]] = 40.0
    odd = replace(view, residuals=view.residuals.assign(value=values))
    first = text_of(odd)[0]
    assert "2 values beyond the panel" in first
    assert "beyond the panel" not in text_of(view)[0]
    assert "4000" not in first  # no tick up there


def test_a_long_silence_does_not_squeeze_what_is_known(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=60, last=builder.AS_OF - pd.Timedelta(days=300))
    trend = trend_of(view, "heater_duty", ReportOptions())
    low, high = shared_span([(trend, None)], view.as_of)
    known = trend.x.max() - trend.x.min()
    assert known / (high - low) > 0.6
    assert high > trend.x.max() + 8.0
    assert "no data" in text_of(view)[0]


def test_no_exhaust_is_drawn_where_no_pressure_was_left(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=3)
    source = view.trace
    flat = replace(view, trace=lambda i: source(i).assign(pressure_kpa=101.3))
    assert "There was no pressure left to let out." in " ".join(text_of(flat))


def test_forecasts_count_from_the_last_cycle(builder: Any) -> None:
    view = flagged(builder)
    last = view.cycles["started_at"].max()
    earlier = view.residuals["started_at"] < last - pd.Timedelta(days=6)
    late = replace(view, residuals=view.residuals[earlier])
    trend = trend_of(late, "loss_over_capacity_k_per_min", ReportOptions())
    assert trend.last_cycle == pytest.approx(day_of(last))
    assert trend.last_cycle - trend.x.max() > 6.0
    _, end = shared_span([(trend, late.flags.iloc[0])], late.as_of)
    assert end >= day_of(last) + 20.0  # the flag's late end


def test_hard_limits_by_program() -> None:
    limits = Limits()

    def values(feature: str, program: str | None, *, relative: bool = False) -> list[float]:
        return [x.value for x in hard_limits(feature, limits, program, relative=relative)]

    assert values("exposure_min_c", "prevacuum-134x3.5") == [134.0]
    assert values("exposure_max_c", "prevacuum-134x3.5") == [138.0]
    assert values("exposure_mean_c", "gravity-121x30", relative=True) == [0.0, 4.0]
    assert values("exposure_s", "gravity-121x30") == [1800.0]
    assert values("exposure_s", "gravity-121x30", relative=True) == [1.0]
    assert values("leak_kpa_per_min", None) == [0.13]
    assert values("heater_duty", None) == [1.0]
    assert values("exposure_s", None) == []
    assert values("noise_k", "gravity-121x30") == []


def test_every_part_has_checks_and_things_to_carry() -> None:
    assert set(CHECKS) == set(PARTS)
    assert set(CARRY) == set(PARTS)
    for part in PARTS:
        cautions = cautions_for([part])
        assert cautions[-1] == GENERAL
        touched = {c for check in CHECKS[part] for c in check.touches}
        assert set(cautions[:-1]) == touched
    assert MAINS in cautions_for(["heater"])
    assert VESSEL in cautions_for(["door_seal"])


@pytest.mark.parametrize("part", list(PARTS))
def test_cautions_of_the_flags_own_check_are_told_from_the_check(part: str) -> None:
    from chamberdrift.models.bench import bench_check

    caution, check = split_cautions(bench_check(part, ""))
    assert check
    assert "caution" not in check.lower()
    assert f"{caution} {check}" == bench_check(part, "")


def test_a_text_of_cautions_alone_stays_whole() -> None:
    assert split_cautions("Caution: steam.") == ("", "Caution: steam.")


def test_after_a_repair_cycles_at_the_healthy_level_are_counted(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=120, drift=1.0, repaired_before=10)
    row = builder.service_row(NAME, 5.4, "door_seal", "replaced")
    view = replace(view, service=SERVICE.conform(pd.DataFrame([row])))
    repair = latest_repair(view)
    assert repair is not None
    found = recoveries(view, repair)
    assert found[0].feature in ("loss_over_capacity_k_per_min", "seat_s")
    for recovery in found:
        own = view.residuals[view.residuals["feature"] == recovery.feature]
        after = own[own["started_at"] >= repair["time"]]
        assert len(recovery.after) == len(after) == 10
        level, sd, _ = builder.FEATURES[recovery.feature]
        inside = int(((after["adjusted"] - level).abs() <= 3 * sd).sum())
        assert recovery.back == inside
        assert inside >= 9
    whole = re.sub(r"\s+", " ", "\n".join(text_of(view)))
    assert f"{found[0].back} of 10 cycles since are back at the healthy level; 5 more" in whole


def test_repair_of_the_wrong_part_is_not_called_settled(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=120, drift=1.0)
    row = builder.service_row(NAME, 9.0, "door_seal", "replaced")
    whole = "\n".join(text_of(replace(view, service=SERVICE.conform(pd.DataFrame([row])))))
    whole = re.sub(r"\s+", " ", whole)
    assert "0 of 15 cycles since are back" in whole
    assert "the finding is not settled" in whole


def test_old_or_undone_service_makes_no_repair_section(builder: Any) -> None:
    for days, undone in ((200.0, False), (5.0, True)):
        row = builder.service_row(NAME, days, "door_seal", "replaced", undone=undone)
        view = builder.unit_view(NAME, cycles=30)
        view = replace(view, service=SERVICE.conform(pd.DataFrame([row])))
        assert latest_repair(view) is None


def test_each_service_has_its_mark_and_the_latest_its_label(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=60)
    rows = [
        builder.service_row(NAME, 6.0, "air_removal", "replaced"),
        builder.service_row(NAME, 4.0, "door_seal", "replaced"),
    ]
    whole = " ".join(text_of(replace(view, service=SERVICE.conform(pd.DataFrame(rows)))))
    first = whole.partition("Trends")[2].partition("Latest cycle")[0]
    marks = first.count("▼")
    labels = first.count("door seal replaced")
    assert labels >= 1
    assert marks == 2 * labels


def test_cycle_sheet_is_a_record(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=6)
    cycle = view.cycles.iloc[3]
    (text,) = sheet_of(view, cycle["cycle_id"])
    flat = re.sub(r"\s+", " ", text)
    for words in (
        "Cycle record",
        "Recorded values and limits",
        "The recorded values are inside their limits.",
        "at least 30 min",
        "not checked",
        "lethality F0",
        "reference 121.1 °C, z 10 K",
        "It does not decide on the use of the load",
        "does not prove the quality of the steam",
        "heat up",
        "exhaust",
        "5f1d0c9e8a7b",
        "page 1 of 1",
    ):
        assert words in flat
    assert not FORBIDDEN.search(text)


def test_cycle_is_found_by_an_earlier_id(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=3)
    cycles = view.cycles.assign(aliases=["", "old@1,older@1", ""])
    moved = replace(view, cycles=cycles)
    assert cycle_view(moved, "older@1").cycle["cycle_id"] == cycles["cycle_id"].iloc[1]
    with pytest.raises(KeyError, match="nothing"):
        cycle_view(moved, "nothing")


def test_recorded_values_outside_are_said_with_their_uncertainty(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=2)
    cycle = view.cycles.iloc[0].copy()
    cycle["exposure_s"], cycle["exposure_min_c"], cycle["exposure_max_c"] = 1500.0, 120.7, 126.2
    cycle["saturation_deviation_k"] = float("nan")
    lines = {x.what: x for x in recorded_lines(cycle, Limits(), ReportOptions())}
    assert lines["exposure time"].stands == "outside"
    assert lines["lowest temperature"].stands == "outside, within uncertainty"
    assert lines["highest temperature"].stands == "outside"
    assert lines["temperature less saturation"].stands == "not recorded"
    assert lines["lowest temperature"].limit == "at least 121.00 °C"
    assert lines["lowest temperature"].uncertainty == "0.5 K"


def test_assumed_atmosphere_is_not_held_against_the_limit(builder: Any) -> None:
    cycle = builder.unit_view(NAME, cycles=2).cycles.iloc[0].copy()
    cycle["saturation_deviation_k"], cycle["atmosphere_assumed"] = 5.0, True
    lines = {x.what: x for x in recorded_lines(cycle, Limits(), ReportOptions())}
    assert "not held against" in lines["temperature less saturation"].stands


def test_leak_test_has_its_own_line(builder: Any) -> None:
    cycle = builder.unit_view(NAME, cycles=2).cycles.iloc[0].copy()
    cycle["kind"], cycle["leak_kpa_per_min"], cycle["leak_se"] = "leak_test", 0.2, 0.01
    cycle["program"] = pd.NA
    lines = {x.what: x for x in recorded_lines(cycle, Limits(), ReportOptions())}
    assert lines["air leakage"].stands == "outside"
    assert lines["air leakage"].recorded == "0.200 kPa/min"
    assert "lethality F0" not in lines
    for unit, words in (("bar", "0.00200 bar/min"), ("psi", "0.0290 psi/min")):
        shown = recorded_lines(cycle, Limits(), ReportOptions(pressure_unit=unit))
        assert next(x for x in shown if x.what == "air leakage").recorded == words
    assert "temperature less saturation" not in lines


def test_saturation_uncertainty_combines_both_channels() -> None:
    # dTsat/dp from the IF97 table: 120.21 °C at 200 kPa, 123.25 °C at 220 kPa (handbook
    # values, from memory): 0.152 K/kPa; with ±2 kPa and ±0.5 K that is 0.585 K.
    assert saturation_uncertainty_k(121.7, Limits()) == pytest.approx(0.585, abs=0.01)


def test_where_a_value_stands() -> None:
    assert stands(5.0, 1.0, low=5.0) == "inside"
    assert stands(4.5, 1.0, low=5.0) == "outside, within uncertainty"
    assert stands(3.5, 1.0, low=5.0) == "outside"
    assert stands(4.5, float("nan"), low=5.0) == "outside"
    assert stands(float("nan"), 1.0, low=5.0) == "not recorded"
