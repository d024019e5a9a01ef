"""Programs over time: configuration, history, published times, tests."""

from __future__ import annotations

import pandas as pd
import pytest
from chamberdrift.features import assign_programs
from chamberdrift.shared.config import Unit
from chamberdrift.shared.schema import CYCLES


def cycles(
    holds_s: list[float], *, setpoint: float = 121.0, gap_h: float = 5.0, **extra: object
) -> pd.DataFrame:
    """Return cycles with given holds."""
    start = pd.Timestamp("2026-03-02T08:00:00Z") + pd.to_timedelta(
        [gap_h * k for k in range(len(holds_s))], unit="h"
    )
    frame = pd.DataFrame(
        {
            "cycle_id": [f"u@{t:%Y-%m-%dT%H:%M:%S}Z" for t in start],
            "unit_id": "u",
            "kind": "sterilization",
            "completion": "complete",
            "setpoint_c": setpoint,
            "started_at": start.as_unit("ms"),
            "ended_at": (start + pd.Timedelta(hours=1)).as_unit("ms"),
            "exposure_s": holds_s,
            "plateau_s": holds_s,
            "sample_interval_s": 5.0,
            "pulse_count": 0,
            **extra,
        }
    )
    return CYCLES.conform(frame)


def test_configuration_goes_first() -> None:
    """A configured time counts from the first cycle."""
    out = assign_programs(cycles([1210.0]), Unit("u", programs=("gravity-121x20",)))
    assert out["program"].tolist() == ["gravity-121x20"]
    assert out["program_source"].tolist() == ["configuration"]


def test_history_after_ten_cycles_never_from_itself() -> None:
    """Ten earlier cycles set the time; the first ten use the shortest published one."""
    out = assign_programs(cycles([1210.0] * 11 + [700.0]), Unit("u"))
    assert out["program"].tolist()[:10] == ["unknown-121x15"] * 10
    assert out["program"].tolist()[10:] == ["unknown-121x20"] * 2
    assert out["program_source"].tolist()[9:11] == ["published", "history"]
    assert out["completion"].iloc[-1] == "aborted"


def test_causal() -> None:
    """What comes later does not change what was assigned before."""
    whole = assign_programs(cycles([1210.0] * 15), Unit("u"))
    part = assign_programs(cycles([1210.0] * 9), Unit("u"))
    assert whole["program"].tolist()[:9] == part["program"].tolist()
    again = assign_programs(whole, Unit("u"))
    pd.testing.assert_frame_equal(again, whole)


def test_nearest_of_several_configured_times() -> None:
    """Between configured times the nearest in proportion was run, even when cut short."""
    unit = Unit("u", programs=("prevacuum-134x3.5", "prevacuum-134x18"), air_removal="prevacuum")
    out = assign_programs(cycles([215.0, 1085.0, 960.0], setpoint=134.0), unit)
    assert out["program"].tolist() == [
        "prevacuum-134x3.5", "prevacuum-134x18", "prevacuum-134x18",
    ]  # fmt: skip
    assert out["completion"].tolist() == ["complete", "complete", "aborted"]


@pytest.mark.parametrize(
    ("drying", "kind"), [(None, "penetration_test"), (700.0, "sterilization")]
)
def test_penetration_test_by_missing_drying(drying: float | None, kind: str) -> None:
    """The day's first short cycle counts as a test only where drying is missing."""
    unit = Unit("u", programs=("prevacuum-134x3.5",), air_removal="prevacuum")
    frame = cycles([215.0] * 8, setpoint=134.0, gap_h=6.0, pulse_count=3)
    frame["drying_s"] = [700.0] * 7 + [drying]
    out = assign_programs(CYCLES.conform(frame), unit)
    assert out["kind"].tolist() == ["sterilization"] * 7 + [kind]


def test_penetration_test_by_a_drying_that_is_short_and_always_alike() -> None:
    """180 s of 700 again and again is a test's; doors opened early are a person's."""
    unit = Unit("u", programs=("prevacuum-134x3.5", "prevacuum-134x5"), air_removal="prevacuum")
    frame = cycles([215.0] * 12, setpoint=134.0, gap_h=6.0, pulse_count=3)
    frame["drying_s"] = [700.0] * 7 + [178.0, 182.0, 180.0, 181.0, 700.0]
    kinds = assign_programs(CYCLES.conform(frame), unit)["kind"].tolist()
    assert kinds == ["sterilization"] * 9 + ["penetration_test"] * 2 + ["sterilization"]
    frame["drying_s"] = [700.0] * 7 + [178.0, 320.0, 90.0, 250.0, 700.0]
    kinds = assign_programs(CYCLES.conform(frame), unit)["kind"].tolist()
    assert kinds == ["sterilization"] * 12


def test_unknown_stays_unknown() -> None:
    """Without a set point there is no program, and a leak test has none."""
    frame = cycles([float("nan")] * 2, setpoint=float("nan"))
    frame["kind"] = ["unknown", "leak_test"]
    out = assign_programs(CYCLES.conform(frame), Unit("u"))
    assert out["program"].isna().all()
    assert out["kind"].tolist() == ["unknown", "leak_test"]


def test_three_and_a_half_minutes_are_told_at_15_s() -> None:
    """Of 216 s held, samples 15 s apart show 195 or 210 s: whole minutes don't explain them."""
    frame = cycles([210.0, 195.0, 210.0, 210.0] * 3, setpoint=134.0)
    frame["sample_interval_s"] = 15.0
    assert assign_programs(frame, Unit("u"))["program"].iloc[-1] == "unknown-134x3.5"


@pytest.mark.parametrize(
    ("holds_s", "setpoint", "program"),
    [
        ([254.0, 262.0, 270.0, 258.0], 134.0, "unknown-134x4"),  # 4 min and 14 to 30 s
        ([1214.0, 1222.0, 1230.0, 1219.0], 121.0, "unknown-121x20"),
        ([210.0, 214.0, 218.0, 210.0], 134.0, "unknown-134x3.5"),  # too long for 3, short of 4
        ([224.0, 231.0, 240.0, 228.0], 134.0, "unknown-134x3.5"),
        ([1195.0, 1200.0, 1205.0, 1190.0], 121.0, "unknown-121x20"),  # samples show less
    ],
)
def test_a_time_from_history_is_the_programs_and_not_the_controllers(
    holds_s: list[float], setpoint: float, program: str
) -> None:
    """A controller holds for its program's time plus seconds, never less (common practice)."""
    out = assign_programs(cycles(holds_s * 3 + [holds_s[0]], setpoint=setpoint), Unit("u"))
    assert out["program"].iloc[-1] == program


def test_holds_that_end_alike_are_the_machines_and_single_ones_a_persons() -> None:
    """A timer that runs short ends holds alike; stops by hand differ in length."""
    unit = Unit("u", programs=("gravity-121x20",), air_removal="gravity")
    timer = assign_programs(cycles([1215.0] * 3 + [900.0, 902.0, 901.0, 903.0]), unit)
    assert timer["completion"].tolist()[3:] == ["aborted"] * 2 + ["complete"] * 2
    hand = assign_programs(cycles([1215.0] * 3 + [900.0, 500.0, 760.0, 300.0]), unit)
    assert hand["completion"].tolist()[3:] == ["aborted"] * 4
