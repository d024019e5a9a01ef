"""Samples lost around an exposure: what is not seen is said, not judged."""

from __future__ import annotations

from types import ModuleType

import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.shared.config import Unit

UNIT = Unit("u1", air_removal="gravity", programs=("gravity-121x20",))


@pytest.mark.parametrize("lost_s", [(2400, 2700), (3000, 3500)])
def test_a_gap_at_the_exposures_end_is_a_gap_and_no_operator(
    traces: ModuleType, lost_s: tuple[int, int]
) -> None:
    trace = traces.gravity(hold_s=1210).trace(interval_s=5.0, noise_k=0.03)
    whole = extract(trace, UNIT).cycles.iloc[0]
    second = (trace["time"] - trace["time"].iloc[0]).dt.total_seconds()
    start = (whole["exposure_start"] - trace["time"].iloc[0]).total_seconds()
    first, last = (start + s - 2400 for s in lost_s)
    kept = trace[(second < first - 5.0) | (second > last)].reset_index(drop=True)
    cycle = extract(kept, UNIT).cycles.iloc[0]
    assert cycle["completion"] == "complete"
    assert cycle["exposure_gap_s"] >= lost_s[1] - lost_s[0]
    assert pd.notna(cycle["exposure_s"])


def without(trace: pd.DataFrame, first_s: float, last_s: float) -> pd.DataFrame:
    """Return a trace without the samples between two times from its start."""
    second = (trace["time"] - trace["time"].iloc[0]).dt.total_seconds()
    return trace[(second <= first_s) | (second >= last_s)].reset_index(drop=True)


def test_a_swing_before_the_gap_is_not_its_end(traces: ModuleType) -> None:
    """A few samples of a saw-tooth's fall, then none until the exhaust is nearly over."""
    sketch = traces.gravity(hold_s=1210, rise=4.0, fall=3.0, tau_s=60.0)
    trace = sketch.trace(interval_s=1.0, noise_k=0.03)
    whole = extract(trace, UNIT).cycles.iloc[0]
    start = (whole["exposure_start"] - trace["time"].iloc[0]).total_seconds()
    temp = trace["temperature_c"].to_numpy()
    k = round(start) + 900
    lost = k + int(temp[k : k + 120].argmax()) + 20.0
    fallen = start + 1200.0 + int((temp[round(start) + 1200 :] < 110.0).argmax())
    cycle = extract(without(trace, lost, fallen), UNIT).cycles.iloc[0]
    assert cycle["exposure_s"] == pytest.approx(lost - start, abs=10.0)
    assert cycle["completion"] == "complete"
    assert cycle["exposure_gap_s"] == pytest.approx(fallen - lost, abs=3.0)


def test_a_climb_whose_end_and_hold_are_lost_was_not_broken_off(traces: ModuleType) -> None:
    unit = Unit("u1", air_removal="gravity", programs=("gravity-134x4",))
    sketch = traces.gravity(setpoint=134.0, hold_s=250, tau_s=40.0)
    trace = sketch.trace(interval_s=1.0, noise_k=0.03)
    start = (extract(trace, unit).cycles.iloc[0]["exposure_start"] - trace["time"].iloc[0]) / (
        pd.Timedelta("1s")
    )
    temp = trace["temperature_c"].to_numpy()
    fallen = start + 240.0 + int((temp[round(start) + 240 :] < 109.0).argmax())
    lost = without(trace, start - 40.0, fallen)
    cycle = extract(lost, unit).cycles.iloc[0]
    assert pd.isna(cycle["exposure_s"])
    assert cycle["completion"] == "cut_off"
    # The same climb and fall without a gap was stopped by somebody.
    gone = lost["time"].diff().max() - pd.Timedelta("20s")
    late = lost["time"] > trace["time"].iloc[0] + pd.Timedelta(seconds=start)
    near = lost.assign(time=lost["time"].where(~late, lost["time"] - gone))
    assert extract(near, unit).cycles.iloc[0]["completion"] == "aborted"


@pytest.mark.parametrize("lacking", [(1, 3), (1, 2), (2, 5), (3, 5)])
@pytest.mark.parametrize("vacuum", [False, True])
def test_a_pressure_that_lacks_samples_ends_a_cycle_all_the_same(
    traces: ModuleType, lacking: tuple[int, int], vacuum: bool
) -> None:
    """A slower pressure channel, or one with holes: two or three of five samples in a row."""
    unit = Unit("u1", programs=("prevacuum-134x3.5",)) if vacuum else UNIT
    trace = (traces.prevacuum() if vacuum else traces.gravity()).trace(
        interval_s=2.0, noise_k=0.03
    )
    whole = extract(trace, unit).cycles.iloc[0]
    holed = trace.copy()
    few, every = lacking
    holed.loc[(holed.index % every) < few, "pressure_kpa"] = float("nan")
    cycle = extract(holed, unit).cycles.iloc[0]
    assert cycle["completion"] == "complete"
    for name in ("exposure_s", "exhaust_s", "closing_s", *(["drying_s"] if vacuum else [])):
        assert cycle[name] == pytest.approx(whole[name], abs=6.0), name
    if vacuum:
        assert cycle["drying_vacuum_kpa"] == pytest.approx(whole["drying_vacuum_kpa"], abs=0.1)
        assert cycle["air_inlet_s"] == pytest.approx(whole["air_inlet_s"], abs=6.0)
    for name in ("started_at", "ended_at"):
        assert abs(cycle[name] - whole[name]) <= pd.Timedelta("6s"), name


def test_a_vacuum_break_is_told_beside_a_hole_in_the_pressure(traces: ModuleType) -> None:
    """A hole too long to be read across, in the minutes before air is let in."""
    unit = Unit("u1", programs=("prevacuum-134x3.5",))
    trace = traces.prevacuum().trace(interval_s=2.0, noise_k=0.03)
    whole = extract(trace, unit).cycles.iloc[0]
    ended = (trace["time"] - whole["ended_at"]).dt.total_seconds()
    trace.loc[ended.between(-400.0, -360.0), "pressure_kpa"] = float("nan")
    cycle = extract(trace, unit).cycles.iloc[0]
    assert cycle["air_inlet_s"] == whole["air_inlet_s"]
    assert cycle["drying_vacuum_kpa"] == pytest.approx(8.0, abs=0.1)
