"""Odd traces: what makes a row, what does not, and how it ended."""

from __future__ import annotations

import json
from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.shared.config import Limits, Unit
from chamberdrift.shared.steam import p_sat_kpa

GRAVITY = Unit("u1", air_removal="gravity", programs=("gravity-121x15", "gravity-134x4"))
PREVACUUM = Unit("u1", air_removal="prevacuum", programs=("prevacuum-134x3.5",))


def reasons(row: pd.Series) -> dict[str, str]:
    """Return a row's reasons."""
    return dict(json.loads(row["null_reasons"]))


def test_preheating_makes_no_row(traces: ModuleType) -> None:
    """A chamber warmed to 90 °C and held dry is no cycle."""
    s = traces.Sketch().idle(900, 22.0)
    s.add(np.linspace(22.0, 90.0, 500), traces.ATMOSPHERE)
    s.add(90.0 + np.sin(np.arange(900) / 60.0), traces.ATMOSPHERE).cool(1800, 30.0, 600.0)
    assert len(extract(s.trace(), GRAVITY).cycles) == 0


def test_extended_drying_makes_no_row(traces: ModuleType) -> None:
    """A vacuum on warm walls after a cycle is neither a cycle nor a leak test."""
    s = traces.prevacuum()
    s.temp[-1], s.pressure[-1] = s.temp[-1][:400], s.pressure[-1][:400]
    s.evacuate(8.0, 180, 66.0).add(np.full(900, 66.0), 8.0).admit(traces.ATMOSPHERE, 60, 66.0)
    s.cool(1800, 30.0, 900.0)
    cycles = extract(s.trace(), PREVACUUM).cycles
    assert cycles["kind"].tolist() == ["sterilization"]


def test_back_to_back_hot_starts(traces: ModuleType) -> None:
    """Three cycles, each started while the chamber is hot."""
    s = traces.Sketch().idle(900, 22.0)
    for _ in range(3):
        s.ramp(121.5, 6.0).sawtooth(960, 121.5, 123.0, 2.0, 1.0).blow_down(25.0, 200)
        s.cool(240, 40.0, 300.0)
    s.cool(1800, 22.0, 900.0)
    cycles = extract(s.trace(interval_s=5.0, noise_k=0.1), GRAVITY).cycles
    assert cycles["completion"].tolist() == ["complete"] * 3
    assert (cycles["exposure_s"] - 965.0).abs().max() < 15.0
    assert reasons(cycles.iloc[1])["heat_rate_k_per_min"] == "started_above_60"
    assert cycles["idle_before_s"].iloc[1:].between(300.0, 400.0).all()


@pytest.mark.parametrize("pressure", [True, False])
def test_aborted_in_exposure(traces: ModuleType, pressure: bool) -> None:
    """Broken off after 5 of 15 minutes: aborted, with what was seen of its exposure."""
    row = extract(traces.gravity(hold_s=300).trace(pressure=pressure), GRAVITY).cycles.iloc[0]
    assert row["completion"] == "aborted"
    assert row["program"] == "gravity-121x15"
    assert row["exposure_s"] == pytest.approx(305.0, abs=2)


def test_aborted_in_heat_up(traces: ModuleType) -> None:
    """Broken off at 115 °C: a row without an exposure, and with the reason."""
    s = traces.Sketch().idle(900, 22.0).ramp(115.0, 6.0).blow_down(25.0, 200)
    cycles = extract(s.cool(1800, 22.0, 900.0).trace(), GRAVITY).cycles
    assert cycles["completion"].tolist() == ["aborted"]
    assert pd.isna(cycles["exposure_s"].iloc[0])
    assert reasons(cycles.iloc[0])["exposure_s"] == "set_point_not_reached"


def test_aborted_on_the_way_past_another_set_point(traces: ModuleType) -> None:
    """Broken off at 126 °C on the way to 134 °C is no exposure at 121 °C."""
    s = traces.Sketch().idle(900, 22.0).ramp(126.0, 6.0).blow_down(25.0, 200)
    row = extract(s.cool(1800, 22.0, 900.0).trace(), GRAVITY).cycles.iloc[0]
    assert row["completion"] == "aborted"
    assert pd.isna(row["exposure_s"])


def test_aborted_in_air_removal(traces: ModuleType) -> None:
    """Broken off in the first vacuum: a row of unknown kind."""
    s = traces.Sketch().idle(1200, 22.0).evacuate(20.0, 60, 22.0)
    s.admit(traces.ATMOSPHERE, 40, 22.0).idle(1800, 22.0)
    cycles = extract(s.trace(), PREVACUUM).cycles
    assert cycles["kind"].tolist() == ["unknown"]
    assert cycles["completion"].tolist() == ["aborted"]


def test_weak_heater_times_out_below_boiling(traces: ModuleType) -> None:
    """Seventy minutes of heating to 97 °C and no more still make a row."""
    s = traces.Sketch().idle(900, 22.0)
    temp = 103.0 - 81.0 * np.exp(-np.arange(4200) / 1600.0)
    s.add(temp, traces.ATMOSPHERE).cool(2400, 22.0, 600.0)
    cycles = extract(s.trace(interval_s=5.0), GRAVITY).cycles
    assert len(cycles) == 1
    assert cycles["completion"].iloc[0] == "aborted"
    assert pd.isna(cycles["exposure_s"].iloc[0])
    begun = (cycles["started_at"].iloc[0] - pd.Timestamp("2026-03-02T08:00:00Z")).total_seconds()
    assert abs(begun - 900.0) <= 30.0


def test_weak_heater_stays_under_the_limit(traces: ModuleType) -> None:
    """A plateau that creeps to 119.5 °C: no exposure, and the reason says why."""
    s = traces.Sketch().idle(900, 22.0).ramp(110.0, 6.0)
    temp = 119.6 - 9.6 * np.exp(-np.arange(2400) / 500.0)
    s.add(temp, p_sat_kpa(temp)).blow_down(25.0, 240).cool(1800, 22.0, 900.0)
    row = extract(s.trace(interval_s=5.0), GRAVITY).cycles.iloc[0]
    assert pd.isna(row["exposure_s"])
    assert reasons(row)["exposure_s"] in ("plateau_below_lower_limit", "set_point_not_reached")
    assert row["completion"] == "aborted"


def test_power_cut_and_resume(traces: ModuleType) -> None:
    """Heat gone for four minutes in exposure: one exposure, the dip inside, power_cut."""
    s = traces.Sketch().idle(900, 22.0).ramp(121.5, 6.0).sawtooth(405, 121.5, 123.0, 2.0, 1.0)
    low = s.last_c - 8.0
    down = np.linspace(s.last_c, low, 240)
    s.add(down, p_sat_kpa(down)).ramp(121.5, 4.0).sawtooth(900, 121.5, 123.0, 2.0, 1.0)
    s.blow_down(25.0, 240).cool(1800, 22.0, 900.0)
    cycles = extract(s.trace(), GRAVITY).cycles
    assert len(cycles) == 1
    row = cycles.iloc[0]
    assert row["completion"] == "power_cut"
    assert row["exposure_s"] > 405 + 240 + 900
    assert row["below_band_s"] > 150.0
    assert row["exposure_min_c"] < 115.0


def test_dips_inside_stay_in(traces: ModuleType) -> None:
    """A dip of a minute below the limit is counted, and does not end the exposure."""
    trace = traces.gravity().trace()
    hold = (trace["time"] - trace["time"].iloc[0]).dt.total_seconds()
    dip = (hold > 2700) & (hold < 2760)
    trace.loc[dip, "temperature_c"] = 120.2
    row = extract(trace, GRAVITY).cycles.iloc[0]
    assert row["exposure_s"] == pytest.approx(1205.0, abs=2)
    assert row["below_band_s"] == pytest.approx(59.0, abs=2.0)
    assert row["exposure_min_c"] == pytest.approx(120.2)


def test_a_plateau_above_the_band_is_measured_there(traces: ModuleType) -> None:
    """A plateau at 126 to 127.5 °C in a 121 °C program lies above the band by 2.5 K."""
    unit = Unit("u1", programs=("gravity-121x15",))
    s = traces.Sketch().idle(900, 22.0).ramp(126.0, 6.0).sawtooth(960, 126.0, 127.5, 2.0, 1.0)
    row = extract(s.blow_down(25.0, 240).cool(1800, 22.0, 900.0).trace(), unit).cycles.iloc[0]
    assert row["setpoint_c"] == 121.0
    assert row["overband_k"] == pytest.approx(2.5, abs=0.02)
    assert row["above_band_s"] > 955.0
    narrow = extract(traces.gravity().trace(), unit, Limits(band_width_k=1.0)).cycles.iloc[0]
    assert narrow["overband_k"] == pytest.approx(1.0, abs=0.02)


def test_drifted_sensor_keeps_its_set_point(traces: ModuleType) -> None:
    """Plateaus that sink by 2.4 K over twelve cycles stay cycles of the same set point."""
    unit = Unit("u1")
    s = traces.Sketch().idle(1200, 22.0)
    for k in range(12):
        low = 121.6 - 0.2 * k
        s.ramp(low, 6.0).sawtooth(930, low, low + 1.2, 2.0, 1.0).blow_down(25.0, 240)
        s.cool(2400, 22.0, 500.0)
    cycles = extract(s.trace(interval_s=5.0), unit).cycles
    assert cycles["setpoint_c"].tolist() == [121.0] * 12
    last = cycles.iloc[-1]
    assert pd.isna(last["exposure_s"]) or last["below_band_s"] > 60.0
    if pd.isna(last["exposure_s"]):
        assert reasons(last)["exposure_s"] == "plateau_below_lower_limit"


def test_custom_program(traces: ModuleType) -> None:
    """A configured 118 °C program, and an unconfigured 127 °C one read off its plateau."""
    unit = Unit("u1", programs=("unknown-118x20",))
    sketch = traces.gravity(setpoint=118.0, hold_s=1230)
    assert extract(sketch.trace(), unit).cycles["program"].iloc[0] == "unknown-118x20"
    odd = traces.gravity(setpoint=129.0, hold_s=630).trace()
    assert extract(odd, Unit("u2")).cycles["setpoint_c"].iloc[0] == 129.0


@pytest.mark.parametrize("setpoint", [121.0, 126.0, 132.0, 134.0])
def test_nominal_set_points(traces: ModuleType, setpoint: float) -> None:
    """Published set points are found without a configuration."""
    row = extract(traces.gravity(setpoint=setpoint, hold_s=960).trace(), Unit("u1")).cycles.iloc[0]
    assert row["setpoint_c"] == setpoint
    assert row["program_source"] == "published"


def test_export_that_ends_in_exposure(traces: ModuleType) -> None:
    """Cut off at the end, then whole once the next export is there."""
    trace = traces.gravity().trace(interval_s=5.0)
    first = extract(trace.iloc[:480], GRAVITY)
    assert first.cycles["completion"].tolist() == ["cut_off"]
    assert first.resume_from is not None
    assert first.resume_from <= first.cycles["started_at"].iloc[0]
    rest = trace[trace["time"] >= first.resume_from].reset_index(drop=True)
    assert extract(rest, GRAVITY).cycles["completion"].tolist() == ["complete"]


def test_export_that_starts_in_exposure(traces: ModuleType) -> None:
    """Cut off at the start: the row says so."""
    trace = traces.gravity().trace(interval_s=5.0)
    cycles = extract(trace.iloc[480:].reset_index(drop=True), GRAVITY).cycles
    assert cycles["completion"].tolist() == ["cut_off"]
    assert reasons(cycles.iloc[0])["started_at"] == "export_starts_in_mid_cycle"


def test_one_file_a_cycle(traces: ModuleType) -> None:
    """Exports around cycles only, hours apart, are cycles of their own."""
    parts = [
        traces.gravity(idle_s=120).trace(interval_s=5.0, start=f"2026-03-02T{h:02d}:00:00Z")
        for h in (8, 11, 15)
    ]
    short = [p.iloc[:560] for p in parts]
    cycles = extract(pd.concat(short, ignore_index=True), GRAVITY).cycles
    assert cycles["completion"].tolist() == ["complete"] * 3
    assert cycles["open_pressure_kpa"].notna().all()


def test_spikes_and_stuck_runs(traces: ModuleType) -> None:
    """Single odd samples do not enter minimum and maximum; a stuck run is reported."""
    trace = traces.gravity().trace(interval_s=5.0)
    trace.loc[[480, 500], "temperature_c"] = [85.0, 300.0]
    row = extract(trace, GRAVITY).cycles.iloc[0]
    assert row["exposure_min_c"] > 120.9
    assert row["exposure_max_c"] < 123.1
    trace.loc[500:540, "temperature_c"] = 122.2
    stuck = extract(trace, GRAVITY).cycles.iloc[0]
    assert stuck["stuck_s"] >= 195.0
    assert stuck["exposure_s"] == pytest.approx(row["exposure_s"])


def test_pressure_that_sticks(traces: ModuleType) -> None:
    """A pressure that stays at atmosphere through a cycle does not hide it."""
    trace = traces.gravity().trace(interval_s=5.0)
    trace["pressure_kpa"] = 101.3
    row = extract(trace, GRAVITY).cycles.iloc[0]
    assert row["exposure_s"] == pytest.approx(1200.0, abs=10)
    assert pd.isna(row["saturation_deviation_k"])


def test_altitude(traces: ModuleType) -> None:
    """At 79.5 kPa the open reading gives the atmosphere, and exhaust is against it."""
    trace = traces.gravity().trace()
    open_ = trace["pressure_kpa"] < 101.31
    gauge = trace["pressure_kpa"] - 101.3
    trace["pressure_kpa"] = gauge * (210.0 - 79.5) / (210.0 - 101.3) + 79.5
    trace.loc[open_, "pressure_kpa"] = 79.5
    row = extract(trace, GRAVITY).cycles.iloc[0]
    assert row["atmosphere_kpa"] == pytest.approx(79.5, abs=0.1)
    assert not bool(row["atmosphere_assumed"])
    assert row["exhaust_s"] == pytest.approx(34.66, rel=0.02)


def test_gauge_channel_with_assumed_atmosphere(traces: ModuleType) -> None:
    """What intake assumed is carried to the cycle."""
    trace = traces.gravity().trace()
    trace["atmosphere_kpa"] = 101.325
    trace["atmosphere_assumed"] = True
    row = extract(trace, GRAVITY).cycles.iloc[0]
    assert bool(row["atmosphere_assumed"])
    assert row["atmosphere_kpa"] == pytest.approx(101.325)


def test_current_channel(traces: ModuleType) -> None:
    """A current channel gives the duty directly."""
    trace = traces.gravity().trace()
    phase = np.arange(len(trace)) % 100
    trace["current_a"] = np.where(phase < 35, 8.0, 0.02)
    trace["mains_v"] = 229.0
    trace["ambient_c"] = 21.5
    row = extract(trace, GRAVITY).cycles.iloc[0]
    assert row["current_duty"] == pytest.approx(0.35, abs=0.02)
    assert row["mains_v"] == 229.0
    assert row["ambient_c"] == 21.5


def test_a_cut_that_outlasts_a_short_hold_is_a_power_cut(traces: ModuleType) -> None:
    """Heat gone for 5 min in a hold of 4 min: most of the exposure is the one dip."""
    s = traces.Sketch().idle(900, 22.0).ramp(134.5, 6.0).sawtooth(80, 134.5, 136.0, 3.0, 1.5)
    down = np.linspace(s.last_c, s.last_c - 12.0, 300)
    s.add(down, p_sat_kpa(down)).ramp(134.5, 4.0).sawtooth(170, 134.5, 136.0, 3.0, 1.5)
    s.blow_down(25.0, 240).cool(1800, 22.0, 900.0)
    cycles = extract(s.trace(interval_s=5.0), GRAVITY).cycles
    assert cycles["completion"].tolist() == ["power_cut"]
    assert cycles["exposure_s"].iloc[0] > 80 + 300 + 170


def test_a_lost_mains_channel_says_power_cut(traces: ModuleType) -> None:
    """A mains channel that goes to nothing in a cycle says power_cut."""
    trace = traces.gravity().trace()
    trace["mains_v"] = 229.0
    trace.loc[2600:2630, "mains_v"] = 0.0
    assert extract(trace, GRAVITY).cycles["completion"].iloc[0] == "power_cut"


def test_arguments_are_not_mutated(traces: ModuleType) -> None:
    """The trace given is the trace left."""
    trace = traces.gravity().trace(interval_s=5.0)
    before = trace.copy(deep=True)
    extract(trace, GRAVITY)
    pd.testing.assert_frame_equal(trace, before)


@pytest.mark.parametrize("minutes", [2, 10, 30])
def test_a_cycle_is_over_once_it_rests_at_atmosphere(traces: ModuleType, minutes: int) -> None:
    """Loggers that stop soon after, while the chamber cools, cut nothing off."""
    sketch = traces.Sketch().idle(1200, 22.0).ramp(121.5, 6.0)
    sketch.sawtooth(1200, 121.5, 123.0, 2.0, 1.0).blow_down(25.0, 200)
    trace = sketch.cool(60 * minutes, 22.0, 2400.0).trace(interval_s=5.0, noise_k=0.05)
    assert extract(trace, GRAVITY).cycles["completion"].tolist() == ["complete"]
