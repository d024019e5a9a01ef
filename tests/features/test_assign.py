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


def test_unknown_stays_unknown() -> None:
    """Without a set point there is no program, and a leak test has none."""
    frame = cycles([float("nan")] * 2, setpoint=float("nan"))
    frame["kind"] = ["unknown", "leak_test"]
    out = assign_programs(CYCLES.conform(frame), Unit("u"))
    assert out["program"].isna().all()
    assert out["kind"].tolist() == ["unknown", "leak_test"]
