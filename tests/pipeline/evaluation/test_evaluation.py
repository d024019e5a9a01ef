"""Scores of small hand-made fleets, each number counted by hand."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
import pytest
from chamberdrift.pipeline.evaluation import AFTER, BEFORE, HEALTHY, score
from chamberdrift.pipeline.evaluation_dummies import flags_every, flags_nothing
from chamberdrift.pipeline.evaluation_match import match_cycles, score_cycles
from chamberdrift.pipeline.evaluation_options import EvaluationOptions
from chamberdrift.shared.schema import FLAGS

START = pd.Timestamp("2025-01-01T08:00Z")


def day(n: float) -> pd.Timestamp:
    return START + pd.Timedelta(days=n)


def truth_cycles(units: list[str], n: int, **more: Any) -> pd.DataFrame:
    rows = [
        {
            "unit_id": u,
            "exposure_start": day(i),
            "exposure_end": day(i) + pd.Timedelta(minutes=30),
            "kind": "sterilization",
            "program": "gravity-121x30",
            "verdict": "inside",
            "aborted": False,
        }
        | more
        for u in units
        for i in range(n)
    ]
    return pd.DataFrame(rows)


def found_cycles(truth: pd.DataFrame) -> pd.DataFrame:
    truth = truth.copy(deep=True)
    started = truth["exposure_start"] - pd.Timedelta(minutes=20)
    return pd.DataFrame(
        {
            "cycle_id": truth["unit_id"] + "@" + started.astype(str),
            "unit_id": truth["unit_id"],
            "kind": truth["kind"],
            "program": truth["program"],
            "started_at": started,
            "ended_at": truth["exposure_end"] + pd.Timedelta(minutes=15),
            "exposure_start": truth["exposure_start"].copy(),
            "exposure_end": truth["exposure_end"].copy(),
        }
    )


def judged(cycles: pd.DataFrame, verdict: str = "inside") -> pd.DataFrame:
    return pd.DataFrame({"cycle_id": cycles["cycle_id"], "verdict": verdict})


def flag(
    unit: str, at: float, part: str, severity: str = "service", **more: Any
) -> dict[str, Any]:
    return {
        "flag_id": f"{unit}-{part}-{at}",
        "unit_id": unit,
        "part": part,
        "severity": severity,
        "first_seen": day(at),
    } | more


def flags(*rows: dict[str, Any]) -> pd.DataFrame:
    return FLAGS.conform(pd.DataFrame(rows)) if rows else FLAGS.empty()


FAULT_COLUMNS = [
    "unit_id",
    "part",
    "mode",
    "onset",
    "first_failed_cycle_start",
    "failed_if_not_repaired",
    "repaired_at",
]


def fault(
    unit: str,
    part: str,
    mode: str = "",
    *,
    onset: float,
    first: float | None = None,
    failed: float | None = None,
    repaired: float | None = None,
) -> dict[str, Any]:
    times = [None if x is None else day(x) for x in (first, failed, repaired)]
    return dict(zip(FAULT_COLUMNS, [unit, part, mode, day(onset), *times], strict=True))


def faults(*rows: dict[str, Any]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=FAULT_COLUMNS)


def run(flag_table: pd.DataFrame, fault_table: pd.DataFrame, units: list[str], **more: Any) -> Any:
    truth = truth_cycles(units, 101)
    cycles = found_cycles(truth)
    return score(flag_table, cycles, judged(cycles), truth, fault_table, **more)


def test_cycles_match_by_half_of_the_longer_exposure() -> None:
    truth = truth_cycles(["a"], 3)
    found = found_cycles(truth)
    # Exactly half is left; less than half is; half is, but of the shorter only.
    found["exposure_start"] += pd.to_timedelta([15, 16, 0], unit="min")
    found["exposure_end"] += pd.to_timedelta([0, 0, 31], unit="min")
    assert match_cycles(truth, found)["truth"].tolist() == [0]


def test_a_cycle_split_in_two_counts_once_and_leaves_an_extra() -> None:
    truth = truth_cycles(["a"], 1)
    whole = found_cycles(truth)
    first, second = whole.copy(), whole.copy()
    first["exposure_end"] -= pd.Timedelta(minutes=10)
    second["exposure_start"] += pd.Timedelta(minutes=21)
    second["cycle_id"] += "b"
    both = pd.concat([first, second], ignore_index=True)
    seen = score(flags(), both, judged(both), truth, faults()).cycles
    assert (seen.matched, seen.missing, seen.extra) == (1, 0, 1)


def test_other_units_never_match() -> None:
    truth = truth_cycles(["a"], 1)
    found = found_cycles(truth_cycles(["b"], 1))
    assert match_cycles(truth, found).empty


def test_a_leak_test_without_exposure_matches_by_its_hold() -> None:
    truth = truth_cycles(["a"], 1, kind="leak_test", program=None)
    found = found_cycles(truth)
    found["exposure_start"] = pd.NaT
    found["exposure_end"] = pd.NaT
    assert len(match_cycles(truth, found)) == 1


def test_rows_without_exposure_beyond_the_truth_are_extra() -> None:
    truth = truth_cycles(["a"], 3)
    truth.loc[0, ["exposure_start", "exposure_end"]] = pd.NaT  # aborted in heat-up
    found = found_cycles(truth_cycles(["a"], 4))
    found.loc[[0, 3], ["exposure_start", "exposure_end"]] = pd.NaT
    seen = score(flags(), found, None, truth, faults()).cycles
    assert (seen.matched, seen.extra, seen.extra_without_exposure) == (2, 0, 1)


def test_verdicts_are_compared_pair_by_pair() -> None:
    truth = truth_cycles(["a"], 4)
    truth["verdict"] = ["inside", "outside", "incomplete", "inside"]
    cycles = found_cycles(truth)
    given = judged(cycles)
    given["verdict"] = ["inside", "inside", "incomplete", "inside"]
    seen = score(flags(), cycles, given, truth, faults()).cycles
    assert (seen.verdict_right, seen.verdict_known) == (3, 4)
    assert ("outside", "inside", 1) in seen.verdict_pairs


def test_lead_is_counted_to_the_first_failed_cycle() -> None:
    table = faults(fault("a", "heater", "element weak", onset=40, first=80, failed=79))
    seen = run(flags(flag("a", 65, "heater")), table, ["a"])
    (outcome,) = seen.faults
    assert outcome.raised_in_time
    assert outcome.part_right
    assert outcome.lead_days == pytest.approx(15.0)
    assert outcome.lead_share == pytest.approx(15 / 40)
    assert seen.headline.lead_enough == 1


def test_a_late_flag_is_not_in_time_and_has_a_negative_lead() -> None:
    table = faults(fault("a", "heater", onset=40, first=60))
    seen = run(flags(flag("a", 63, "heater")), table, ["a"])
    assert not seen.faults[0].raised_in_time
    assert seen.faults[0].lead_days == pytest.approx(-3.0)
    assert (seen.headline.raised, seen.headline.raised_in_time) == (1, 0)


def test_a_watch_does_not_raise_a_fault_and_a_stop_does() -> None:
    table = faults(
        fault("a", "heater", onset=40, first=60), fault("b", "heater", onset=40, first=60)
    )
    rows = flags(flag("a", 45, "heater", "watch"), flag("b", 45, "heater", "stop"))
    seen = run(rows, table, ["a", "b"])
    assert [o.raised_in_time for o in seen.faults] == [False, True]


@pytest.mark.parametrize(
    ("true", "mode", "named", "named_mode", "alternatives", "right"),
    [
        ("door_seal", "", "vent_path", "passing", "door_seal", True),
        ("door_seal", "", "vent_path", "passing", "heater", False),
        ("door_seal", "", "vent_path", "blocked", "door_seal", False),
        ("vent_path", "passing", "door_seal", "", "heater, vent_path", True),
        ("vent_path", "blocked", "door_seal", "", "vent_path", False),
        ("heater", "element weak", "door_seal", "", "heater", False),
        ("heater", "element weak", "heater", "", "", True),
    ],
)
def test_only_a_passing_vent_and_a_seal_stand_for_each_other(
    true: str, mode: str, named: str, named_mode: str, alternatives: str, right: bool
) -> None:
    row = flag("a", 50, named, mode=named_mode, alternatives=alternatives)
    seen = run(flags(row), faults(fault("a", true, mode, onset=40, first=80)), ["a"])
    assert seen.faults[0].part_right is right


def test_two_faults_at_once_each_get_their_flag() -> None:
    table = faults(
        fault("a", "heater", onset=30, first=90), fault("a", "air_removal", onset=35, first=95)
    )
    rows = flags(flag("a", 50, "air_removal"), flag("a", 60, "heater"))
    seen = run(rows, table, ["a"])
    assert [o.lead_days for o in seen.faults] == [pytest.approx(30.0), pytest.approx(45.0)]
    assert seen.headline.part_right == 2


def test_a_repair_is_the_deadline_when_it_comes_first() -> None:
    table = faults(fault("a", "heater", onset=30, failed=90, repaired=60))
    seen = run(flags(flag("a", 60.5, "heater")), table, ["a"])
    assert seen.faults[0].status == "repaired before it failed"
    assert not seen.faults[0].raised_in_time


def test_a_fault_that_fails_at_once_is_kept_apart() -> None:
    table = faults(fault("a", "heater", "element open", onset=50, first=51))
    seen = run(flags(flag("a", 53, "heater")), table, ["a"])
    assert seen.headline.faults == 0
    assert [(s.what, s.raised) for s in seen.by_status] == [("failed at once", 1)]


def test_false_flags_are_counted_where_no_fault_is() -> None:
    table = faults(fault("b", "heater", onset=50, failed=90, repaired=70))
    rows = flags(
        flag("a", 10, "door_seal"),
        flag("a", 10, "door_seal", "watch"),
        flag("b", 20, "heater"),
        flag("b", 49.5, "heater"),  # within the tolerance of the onset
        flag("b", 60, "heater"),
        flag("b", 80, "heater", "stop"),
    )
    seen = run(rows, table, ["a", "b"])
    counts = {(r.where, r.severity): r.flags for r in seen.rates}
    assert counts[HEALTHY, "service"] == 1
    assert counts[HEALTHY, "watch"] == 1
    assert counts[BEFORE, "service"] == 1
    assert (counts[AFTER, "service"], counts[AFTER, "stop"]) == (1, 1)
    healthy = seen.rate_of(HEALTHY, "service")
    assert healthy.unit_years == pytest.approx(100 / 365.25, rel=1e-2)
    assert seen.rate_of(AFTER, "service").unit_years == pytest.approx(29 / 365.25, rel=1e-2)


def test_an_episode_that_rises_counts_once() -> None:
    rows = [flag("a", 10, "heater"), flag("a", 12, "heater", "stop")]
    rows[1]["flag_id"] = rows[0]["flag_id"]
    seen = run(flags(*rows), faults(), ["a"])
    assert seen.rate_of(HEALTHY, "service").flags == 1
    assert seen.rate_of(HEALTHY, "stop").flags == 1


def test_each_confounder_has_its_row() -> None:
    truth = pd.DataFrame(
        {
            "unit_id": ["a", "a", "b"],
            "kind": ["heavier loads", "low mains", "heavier loads"],
            "start": [day(10), day(60), day(20)],
            "end": [day(20), day(70), day(30)],
        }
    )
    rows = flags(flag("a", 15, "heater"), flag("a", 95, "heater"))
    options = EvaluationOptions(confounder_tail_days=0.0)
    seen = run(rows, faults(), ["a", "b"], truth_confounders=truth, options=options)
    by_kind = {c.kind: c for c in seen.confounders}
    heavy = by_kind["heavier loads"]
    assert (heavy.windows, heavy.flags, heavy.held_share) == (2, 1, 0.5)
    assert by_kind["low mains"].flags == 0
    # A window of 10 days: starts 5..15 and 85..90 of 0..90 on a, none on b.
    assert heavy.chance == pytest.approx(15 / 180, rel=5e-3)


def test_forecasts_are_scored_first_and_weekly_against_the_day_without_repair() -> None:
    table = faults(fault("a", "heater", onset=30, failed=90, repaired=75))
    given = pd.DataFrame(
        {
            "unit_id": "a",
            "part": ["heater", "heater", "heater", "heater", "door_seal"],
            "time": [day(50), day(57), day(64), day(80), day(57)],
            "days_to_limit_low": [30.0, 34.0, 5.0, 1.0, 1.0],
            "days_to_limit_high": [None, 50.0, 20.0, 2.0, 2.0],
        }
    )
    seen = run(flags(flag("a", 50, "heater")), table, ["a"], forecasts=given)
    first, later, both = seen.forecasts
    # True days: 40 (held, open end), 33 (before the interval: forecast too late), 26 (beyond
    # it: too early); the fourth comes after the repair and the fifth is another part's.
    assert (first.forecasts, first.held) == (1, 1)
    assert (later.forecasts, later.held, later.too_early, later.too_late) == (2, 0, 1, 1)
    assert both.share == pytest.approx(1 / 3)


def test_dummies_stand_beside() -> None:
    truth = truth_cycles(["a", "b"], 250)
    cycles = found_cycles(truth)
    assert flags_nothing(cycles).empty
    every = flags_every(cycles, 100)
    assert every.groupby("unit_id").size().to_dict() == {"a": 2, "b": 2}
    with pytest.raises(ValueError, match="0"):
        flags_every(cycles, 0)


def test_text_and_json_hold_the_same_counts_and_repeat_to_the_byte() -> None:
    table = faults(fault("a", "heater", onset=40, first=80))
    rows = flags(flag("a", 65, "heater"), flag("b", 10, "door_seal"))
    one, two = (run(rows, table, ["a", "b"], name="x") for _ in range(2))
    assert json.dumps(one.as_dict()) == json.dumps(two.as_dict())
    assert one.text() == two.text()
    assert "1 (100.0 %)" in one.text()
    assert json.loads(json.dumps(one.as_dict()))["headline"]["faults"] == 1


def test_arguments_are_left_as_they_were() -> None:
    truth = truth_cycles(["a"], 5)
    cycles = found_cycles(truth)
    before = truth.copy(), cycles.copy()
    score(flags(), cycles, judged(cycles), truth, faults())
    pd.testing.assert_frame_equal(truth, before[0])
    pd.testing.assert_frame_equal(cycles, before[1])


def test_a_wrong_clock_is_counted_apart() -> None:
    """Two of ten cycles lie under the clock's fault and are found an hour late."""
    truth = truth_cycles(["a"], 10)
    found = found_cycles(truth)
    late = pd.Timedelta(hours=1)
    for name in ("started_at", "ended_at", "exposure_start", "exposure_end"):
        found.loc[8:, name] += late
    faults = pd.DataFrame(
        {
            "unit_id": ["a"],
            "part": ["logger"],
            "mode": ["clock"],
            "onset": [day(7.5)],
            "repaired_at": [pd.NaT],
        }
    )
    plain = score_cycles(truth, found, None)
    assert (plain.missing, plain.extra) == (2, 2)
    assert (plain.missing_logger, plain.extra_logger) == (0, 0)
    apart = score_cycles(truth, found, None, faults=faults)
    assert (apart.missing, apart.extra) == (2, 2)
    assert (apart.missing_logger, apart.extra_logger) == (2, 2)
