"""Climbs that a limit of the machine's stops, and exhausts as slow as the saw-tooth's falls.

Straight lines and saw-teeth: where a climb broke off, where the exhaust began and where
steam went missing is known by construction.
"""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import Extraction, extract
from chamberdrift.features.memory import Memory
from chamberdrift.models.verdicts import verdicts
from chamberdrift.shared.config import Limits, Unit

UNIT = Unit("u1", air_removal="gravity", programs=("gravity-121x20", "gravity-134x4"))


def climb(traces: ModuleType, top_c: float) -> Any:
    """Heat without a turn and blow down."""
    s = traces.Sketch().idle(1200, 22.0).ramp(top_c, 6.0)
    return s.blow_down(25.0, 240).cool(3600, 22.0, 900.0)


def joined(*sketches: Any) -> pd.DataFrame:
    whole = sketches[0]
    for more in sketches[1:]:
        for temp, pressure in zip(more.temp, more.pressure, strict=True):
            whole.add(temp, pressure)
    trace: pd.DataFrame = whole.trace(interval_s=5.0)
    return trace


def test_climbs_that_break_off_at_one_temperature_were_stopped_by_the_machine(
    traces: ModuleType,
) -> None:
    """From the third on: the first ones might be an operator's, on the way to 134 °C."""
    trace = joined(*(climb(traces, top) for top in (128.1, 128.3, 128.2, 128.3)))
    cycles = extract(trace, UNIT).cycles
    assert cycles["program"].isna().tolist() == [True, True, False, False]
    assert cycles["program"].tolist()[2:] == ["gravity-121x20"] * 2
    assert cycles["completion"].tolist() == ["aborted"] * 4
    assert cycles["exposure_s"].tolist()[2:] == [pytest.approx(73.0, abs=7.0)] * 2
    judged = verdicts(cycles, Limits())
    assert judged["verdict"].tolist() == ["incomplete", "incomplete", "outside", "outside"]
    assert judged["cause"].tolist()[2:] == ["hot", "hot"]


def test_climbs_that_break_off_anywhere_were_stopped_by_operators(traces: ModuleType) -> None:
    trace = joined(*(climb(traces, top) for top in (127.0, 130.5, 125.0, 132.0, 128.6)))
    cycles = extract(trace, UNIT).cycles
    assert cycles["program"].isna().all()
    assert set(verdicts(cycles, Limits())["verdict"]) == {"incomplete"}


def test_stopped_climbs_do_not_teach_the_usual_plateau(traces: ModuleType) -> None:
    sketches = [climb(traces, 128.2) for _ in range(6)]
    cycles = extract(joined(*sketches, traces.gravity(setpoint=121.0)), UNIT).cycles
    assert cycles["program"].tolist()[-1] == "gravity-121x20"
    assert cycles["completion"].tolist()[-1] == "complete"


def test_what_was_stopped_is_remembered_across_a_cut(traces: ModuleType) -> None:
    """Cut before the third climb and resumed: equal to the whole, by memory and by cycles."""
    trace = joined(*(climb(traces, top) for top in (128.1, 128.3, 128.2)))
    whole = extract(trace, UNIT).cycles
    third = whole["started_at"].iloc[2]
    first: Extraction = extract(trace[trace["time"] < third], UNIT)
    rest = trace[trace["time"] >= first.resume_from]
    memory = Memory.from_json(first.memory.to_json())
    final = first.cycles[first.cycles["started_at"] < first.resume_from]
    for later in (
        extract(rest, UNIT, memory=memory),
        extract(rest, UNIT, earlier=final),
    ):
        again = pd.concat([final, later.cycles], ignore_index=True)
        pd.testing.assert_frame_equal(again, whole)


@pytest.mark.parametrize("fallen_s", [10, 40, 70])
def test_an_exhaust_that_begins_in_mid_fall_is_not_drawn_back_to_the_last_turn(
    traces: ModuleType, fallen_s: int
) -> None:
    """Saw-tooth of 1.5 K at 2 up and 1 K/min down; then 4 K/min."""
    s = traces.Sketch().idle(1200, 22.0).ramp(121.5, 6.0)
    s.sawtooth(8 * 135 + 45 + fallen_s, 121.5, 123.0, 2.0, 1.0)
    end = s.now_s
    s.ramp(101.5, 4.0).cool(3600, 22.0, 900.0)
    (row,) = extract(s.trace(interval_s=5.0, noise_kpa=0.1), UNIT).cycles.to_dict("records")
    start = pd.Timestamp("2026-03-02T08:00:00Z")
    found = (row["exhaust_start"] - start).total_seconds()
    assert found == pytest.approx(end - 1, abs=10.0)


def test_an_exhaust_as_slow_as_the_saw_tooth_is_placed_half_way(traces: ModuleType) -> None:
    """Nothing tells when it began between the last turn and where the next would have been."""
    s = traces.Sketch().idle(1200, 22.0).ramp(121.5, 6.0)
    s.sawtooth(8 * 60 + 20, 121.5, 123.5, 6.0, 3.0)
    turn = s.now_s
    s.ramp(101.5, 3.2).cool(3600, 22.0, 900.0)
    (row,) = extract(s.trace(interval_s=5.0), UNIT).cycles.to_dict("records")
    start = pd.Timestamp("2026-03-02T08:00:00Z")
    after = (row["exhaust_start"] - start).total_seconds() - turn
    assert 10.0 < after < 30.0  # 40 s from turn to turn


def test_an_exposure_goes_on_where_steam_is_lost_and_the_heat_stays(traces: ModuleType) -> None:
    """After 600 s of steam the pressure goes in 40 s; the dry chamber is kept at 122 °C."""
    s = traces.Sketch().idle(1200, 22.0).ramp(121.5, 6.0).sawtooth(600, 121.5, 123.0, 2.0, 1.0)
    level = float(s.pressure[-1][-1])
    phase = np.arange(1, 641)
    temp = 122.2 + 0.7 * np.sin(phase / 15.0)
    s.add(temp, np.maximum(101.3, level - (level - 101.3) * phase / 40.0))
    end = s.now_s
    s.cool(3600, 22.0, 400.0)
    cycles = extract(s.trace(interval_s=5.0, noise_kpa=0.1), UNIT).cycles
    (row,) = cycles.to_dict("records")
    start = pd.Timestamp("2026-03-02T08:00:00Z")
    assert (row["exposure_end"] - start).total_seconds() == pytest.approx(end, abs=15.0)
    assert row["saturation_deviation_k"] > 10.0
    (judged,) = verdicts(cycles, Limits()).to_dict("records")
    assert (judged["verdict"], judged["cause"]) == ("outside", "superheat")


def test_a_stuck_temperature_in_an_exhaust_is_no_heat_that_stays(traces: ModuleType) -> None:
    """The channel shows its last value for 300 s while the pressure falls as in any exhaust."""
    s = traces.Sketch().idle(1200, 22.0).ramp(121.5, 6.0).sawtooth(1210, 121.5, 123.0, 2.0, 1.0)
    end = s.now_s
    s.blow_down(25.0, 300)
    s.temp[-1] = np.full(300, s.temp[-2][-1])
    s.cool(3600, 22.0, 900.0)
    (row,) = extract(s.trace(interval_s=5.0), UNIT).cycles.to_dict("records")
    start = pd.Timestamp("2026-03-02T08:00:00Z")
    assert (row["exposure_end"] - start).total_seconds() == pytest.approx(end, abs=15.0)


def test_steam_lost_before_the_set_point_is_no_power_cut(traces: ModuleType) -> None:
    """Levels off at 128 °C, loses its steam and is heated on dry to 136 °C."""
    s = traces.Sketch().idle(1200, 22.0).ramp(120.0, 6.0).ramp(128.0, 1.0).ramp(128.5, 0.1)
    level = float(s.pressure[-1][-1])
    temp = np.concatenate((np.linspace(128.5, 136.0, 150), np.linspace(136.0, 135.0, 200)))
    s.add(temp, np.maximum(101.3, level - (level - 101.3) * np.arange(1, 351) / 40.0))
    s.cool(3600, 22.0, 400.0)
    cycles = extract(s.trace(interval_s=5.0), UNIT).cycles
    (row,) = cycles.to_dict("records")
    assert row["completion"] == "aborted"
    assert pd.isna(row["exposure_s"])
    (judged,) = verdicts(cycles, Limits()).to_dict("records")
    assert judged["verdict"] == "outside"
