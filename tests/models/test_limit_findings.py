"""Broken limits make flags when repeated; danger stops at once; loggers come first."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from chamberdrift.models.findings import Findings
from chamberdrift.models.lifecycle import Ledger
from chamberdrift.models.limit_findings import absolute_row, limit_row
from chamberdrift.models.scores import K
from chamberdrift.models.signatures import SIGNATURE_PARTS
from chamberdrift.shared.config import Limits

ROW: dict[str, Any] = {
    "kind": "sterilization",
    "overband_k": 0.0,
    "pressure_max_kpa": 230.0,
    "gap_s": 5.0,
    "stuck_s": 10.0,
    "sample_interval_s": 5.0,
    "setpoint_c": 121.0,
    "exposure_max_c": 123.0,
    "plateau_c": 122.0,
    "saturation_deviation_k": 0.1,
    "leak_kpa_per_min": math.nan,
}


def feed(rows: list[tuple[float, str, dict[str, Any]]], part: str = "") -> Ledger:
    findings, ledger = Findings(), Ledger("u")
    t = np.array([4.0 if p == part else 0.0 for p in SIGNATURE_PARTS])
    for now, cause, changes in rows:
        limit_row(findings, ledger, now, cause, {**ROW, **changes}, t, "c", Limits())
    return ledger


def severities(ledger: Ledger) -> list[tuple[str, str]]:
    return [(r["part"], r["severity"]) for r in ledger.rows()]


def test_one_cycle_outside_is_an_event_and_no_flag() -> None:
    assert severities(feed([(1.0, "", {}), (2.0, "cold", {}), (3.0, "", {})])) == []


def test_repetition_makes_a_flag_and_two_days_make_it_service() -> None:
    rows = [(1.0, "cold", {}), (1.2, "cold", {}), (1.4, "cold", {})]
    assert severities(feed(rows)) == [("unknown", "watch")]
    assert ("unknown", "service") in severities(feed([*rows, (2.5, "cold", {})]))


def test_leak_tests_count_against_leak_tests_however_many_cycles_lie_between() -> None:
    """A test a week, and forty cycles: the third one that is too leaky calls."""
    rows: list[tuple[float, str, dict[str, Any]]] = []
    for week in range(3):
        rows.append((7.0 * week, "leak", {"kind": "leak_test"}))
        rows += [(7.0 * week + 0.15 * k, "", {}) for k in range(1, 41)]
    ledger = feed(rows)
    assert severities(ledger) == [("door_seal", "watch"), ("door_seal", "service")]
    assert "3 of the last 3 leak tests had a leak rate" in ledger.rows()[-1]["evidence"]


def test_tries_that_never_reach_the_temperature_call_for_a_visit() -> None:
    rows = [(float(d), "unreached", {"setpoint_c": math.nan}) for d in (1, 2, 3)]
    ledger = feed(rows)
    assert ("heater", "service") in severities(ledger)
    assert "door_seal" in ledger.rows()[-1]["alternatives"]
    assert "did not reach" in ledger.rows()[-1]["evidence"]
    assert ("door_seal", "service") in severities(feed(rows, part="door_seal"))


def test_cycles_given_up_again_and_again_call_and_single_ones_are_silent() -> None:
    seldom = [(float(d), "given_up" if d % 4 == 0 else "", {}) for d in range(1, 30)]
    assert severities(feed(seldom)) == []
    often = [(float(d), "given_up", {"setpoint_c": math.nan}) for d in range(1, 6)]
    assert severities(feed(often, part="air_removal"))[-1] == ("air_removal", "service")
    assert severities(feed(often))[-1] == ("unknown", "service")


def test_a_broken_limit_is_laid_to_the_part_that_stands_out() -> None:
    rows = [(float(d), "cold", {}) for d in range(1, 5)]
    assert ("heater", "service") in severities(feed(rows, part="heater"))


def test_leak_tests_call_for_the_seal_after_three() -> None:
    rows = [(float(d), "leak", {"kind": "leak_test"}) for d in (1, 8, 15)]
    assert ("door_seal", "service") not in severities(feed(rows[:2]))
    ledger = feed(rows)
    assert ("door_seal", "service") in severities(ledger)
    assert "vent_path" in ledger.rows()[-1]["alternatives"]


def test_one_leak_test_far_over_its_limit_is_worth_a_watch() -> None:
    limit = Limits().leak_kpa_per_min

    def one(rate: float) -> list[tuple[str, str]]:
        return severities(feed([(1.0, "leak", {"kind": "leak_test", "leak_kpa_per_min": rate})]))

    assert one(1.5 * limit) == []
    assert one(3.0 * limit) == [("door_seal", "watch")]


def test_relief_pressure_stops_at_once() -> None:
    ledger = feed([(1.0, "", {"pressure_max_kpa": 400.0})])
    (row,) = ledger.rows()
    assert row["severity"] == "stop"
    assert "out of use" in row["evidence"]


def test_far_over_the_band_stops_at_once_unless_a_hotter_program_is_usual() -> None:
    hot = {"overband_k": 8.0, "exposure_max_c": 133.0}
    assert [r["severity"] for r in feed([(1.0, "hot", hot)]).rows()] == ["stop"]
    usual = [(0.1 * i, "", {"setpoint_c": 134.0}) for i in range(3)]
    assert feed([*usual, (1.0, "", hot)]).rows() == []


@pytest.mark.parametrize(("over", "severity"), [(1.2, "service"), (2.4, "stop")])
def test_how_far_above_the_band_stops_at_once(over: float, severity: str) -> None:
    one = {"overband_k": over, "exposure_max_c": 125.0 + over}
    rows = feed([(1.0, "hot", one)], part="temperature_sensor").rows()
    assert [r["severity"] for r in rows] == (["stop"] if severity == "stop" else [])
    often = feed([(float(i), "hot", one) for i in range(1, 4)], part="temperature_sensor")
    assert severity in {r["severity"] for r in often.rows()}


def test_a_heater_that_stays_on_again_and_again_stops() -> None:
    hot = {"overband_k": 1.0, "exposure_max_c": 126.0}
    ledger = feed([(float(i), "hot", hot) for i in range(1, 4)], part="heater")
    assert severities(ledger)[-1] == ("heater", "stop")


def test_a_flag_for_a_visit_explains_more_than_a_watch() -> None:
    """Cycles that end while air is removed are a weak pump's, whatever else is watched."""
    ledger, findings, none = Ledger("u"), Findings(), np.zeros(K)
    ledger.raise_flag("heater", "watch", 0.0, {"layer": "drift"})
    ledger.raise_flag("air_removal", "service", 0.0, {"layer": "drift"})
    for i in range(1, 7):
        limit_row(findings, ledger, float(i), "given_up", ROW, none, f"u@{i}", Limits())
    assert [(e.part, e.severity) for e in ledger.standing_all()] == [
        ("heater", "watch"),
        ("air_removal", "service"),
    ]


def test_a_chamber_heated_without_water_stops_at_once() -> None:
    dry = {"setpoint_c": math.nan, "exposure_max_c": math.nan, "plateau_c": 185.0}
    (row,) = feed([(1.0, "superheat", dry)]).rows()
    assert (row["part"], row["severity"]) == ("water_fill", "stop")
    assert "185 °C" in row["evidence"]
    assert "without water" in row["evidence"]


def test_above_the_band_and_far_above_saturation_is_a_dry_chamber() -> None:
    # Saturated steam is as hot as its pressure says (IAPWS-IF97), however long a heater is on.
    hot = {"overband_k": 8.0, "exposure_max_c": 133.0}
    dry = {**hot, "saturation_deviation_k": 7.5}
    (row,) = feed([(1.0, "hot", dry)], part="heater").rows()
    assert (row["part"], row["severity"]) == ("water_fill", "stop")
    assert "7.5 K above saturation" in row["evidence"]
    assert feed([(1.0, "hot", hot)]).rows()[0]["part"] == "heater"
    later = feed([(1.0, "hot", dry), (2.0, "hot", {**hot, "saturation_deviation_k": 1.0})])
    assert {part for part, _ in severities(later)} == {"water_fill"}


def test_a_stuck_channel_is_the_loggers_and_nothing_else_is_said() -> None:
    stuck = {"stuck_s": 600.0, "overband_k": 9.0, "exposure_max_c": 139.0}
    ledger = feed([(float(i), "hot", stuck) for i in range(1, 7)])
    assert {p for p, _ in severities(ledger)} == {"logger"}
    assert ledger.rows()[-1]["mode"] == "stuck"
    said = ledger.rows()[-1]["evidence"]
    assert said.startswith("5 of the last 5 cycles had a reading that stood still.")
    assert "not held against the sterilizer" in said


def test_a_coarse_channel_that_always_stands_still_is_not_stuck() -> None:
    assert feed([(float(i), "", {"stuck_s": 60.0 + i}) for i in range(1, 30)]).rows() == []


def test_drop_outs_are_named() -> None:
    ledger = feed([(float(i), "", {"gap_s": 300.0}) for i in range(1, 7)])
    assert severities(ledger) == [("logger", "watch"), ("logger", "service")]
    assert ledger.rows()[-1]["mode"] == "drop-outs"


def test_a_duty_near_one_calls_without_any_baseline() -> None:
    findings, ledger = Findings(), Ledger("u")
    none = np.zeros(K)
    for i in range(12):
        absolute_row(findings, ledger, 1.0 + i * 0.3, 0.94, none, "c")
        absolute_row(findings, ledger, 1.0 + i * 0.3, math.nan, none, "c")
    (row,) = ledger.rows()
    assert (row["part"], row["severity"], row["layer"]) == ("heater", "service", "limit")


def test_nobody_breaks_off_every_cycle_for_days() -> None:
    broken = [(1.0 + i / 5.0, "broken_off", {}) for i in range(10)]
    assert severities(feed(broken[:7])) == []
    assert severities(feed(broken)) == [("unknown", "watch"), ("unknown", "service")]
    assert severities(feed(broken, "controller"))[-1] == ("controller", "service")
    some = [(1.0 + i / 5.0, "broken_off" if i % 3 else "", {}) for i in range(30)]
    assert severities(feed(some)) == []
