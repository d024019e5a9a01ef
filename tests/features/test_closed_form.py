"""Features of traces whose answers are formulas."""

from __future__ import annotations

import json
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract, phases, sawtooth
from chamberdrift.features.exhaust import exhaust_times
from chamberdrift.features.leak import hold_bounds, leak_rate, pump_stopped
from chamberdrift.features.saturation import sensor_lag
from chamberdrift.features.sawtooth import measure
from chamberdrift.shared.config import Unit
from chamberdrift.shared.schema import CYCLES
from chamberdrift.shared.steam import p_sat_kpa, t_sat_c

UNIT = Unit("u1", air_removal="gravity", programs=("gravity-121x15",))
START = pd.Timestamp("2026-03-02T08:00:00Z")


def only(trace: pd.DataFrame, unit: Unit = UNIT) -> pd.Series:
    """Return the one cycle of a trace."""
    cycles = extract(trace, unit).cycles
    assert len(cycles) == 1
    return cycles.iloc[0]


def test_gravity_cycle_to_the_letter(traces: ModuleType) -> None:
    """Ramp 6 K/min from 22 °C, saw-tooth 2 up and 1 down, blow-down with 25 s: all known."""
    row = only(traces.gravity().trace())
    heating_s = 1200 + (121.0 - 22.0) / 6.0 * 60.0  # when 121 °C is reached
    assert row["kind"] == "sterilization"
    assert row["completion"] == "complete"
    assert row["program"] == "gravity-121x15"
    assert row["cycle_id"] == f"u1@{row['started_at']:%Y-%m-%dT%H:%M:%S}Z"
    assert abs((row["started_at"] - START).total_seconds() - 1199) <= 1
    assert abs((row["exposure_start"] - START).total_seconds() - (heating_s - 1)) <= 1
    assert row["exposure_s"] == pytest.approx(1200 + 5, abs=1)
    assert row["exposure_s"] == (row["exposure_end"] - row["exposure_start"]).total_seconds()
    assert row["heat_rate_k_per_min"] == pytest.approx(6.0, rel=1e-3)
    assert row["heat_rate_pressurised_k_per_min"] == pytest.approx(6.0, rel=1e-3)
    assert row["seat_s"] == pytest.approx(8.0 / 6.0 * 60.0, rel=1e-3)
    assert row["rise_k_per_min"] == pytest.approx(2.0, rel=0.01)
    assert row["fall_k_per_min"] == pytest.approx(1.0, rel=0.01)
    assert row["heater_duty"] == pytest.approx(1.0 / 3.0, abs=0.005)
    assert row["sawtooth_period_s"] == pytest.approx(135.0, abs=1.0)
    assert row["exhaust_s"] == pytest.approx(25.0 * np.log(4.0), rel=0.01)
    assert row["exhaust_tau_s"] == pytest.approx(25.0, rel=0.01)
    assert row["saturation_deviation_k"] == pytest.approx(0.0, abs=1e-6)
    assert row["equilibration_s"] == pytest.approx(0.0, abs=1e-6)
    assert row["open_pressure_kpa"] == pytest.approx(101.3)
    assert row["below_band_s"] == 0.0
    assert row["overband_k"] == 0.0
    assert row["overshoot_k"] == pytest.approx(row["exposure_max_c"] - 121.0)


def test_all_columns_and_reasons(traces: ModuleType) -> None:
    """The table is the schema's, and each null of a plain cycle has its reason."""
    cycles = extract(traces.gravity().trace(), UNIT).cycles
    assert list(cycles.columns) == CYCLES.names
    row: Any = cycles.iloc[0]
    reasons = json.loads(row["null_reasons"])
    silent = {"aliases", "drying_start", "leak_kpa_per_min", "leak_se"}
    silent |= {"leak_low_kpa_per_min", "leak_high_kpa_per_min"}
    silent |= {"correction_k", "correction_kpa"}  # known where samples are taken in
    unexplained = [c for c in cycles if pd.isna(row[c]) and c not in reasons and c not in silent]
    assert unexplained == []
    assert not [c for c in reasons if c in cycles and pd.notna(row[c])]


@pytest.mark.parametrize("interval_s", [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0])
def test_each_end_of_an_exposure_is_within_one_interval(
    traces: ModuleType, interval_s: float
) -> None:
    """Sampled from 1 to 60 s, each end of the exposure is within one interval."""
    row = only(traces.gravity().trace(interval_s=interval_s))
    begin = 1200 + (121.0 - 22.0) / 6.0 * 60.0 - 1.0
    stop = begin + 1205.0
    assert -0.01 <= (row["exposure_start"] - START).total_seconds() - begin <= interval_s
    assert -interval_s <= (row["exposure_end"] - START).total_seconds() - stop <= interval_s
    assert row["setpoint_c"] == 121.0
    assert row["sample_interval_s"] == interval_s


@pytest.mark.parametrize(("noise_k", "step_k"), [(0.1, 0.0), (0.5, 0.0), (0.0, 0.5), (0.5, 0.5)])
def test_noise_and_coarse_steps_leave_one_cycle(
    traces: ModuleType, noise_k: float, step_k: float
) -> None:
    """Noise and resolution up to 0.5 K leave one cycle with its times."""
    trace = traces.gravity().trace(interval_s=5.0, noise_k=noise_k, step_k=step_k, noise_kpa=0.3)
    row = only(trace)
    assert row["completion"] == "complete"
    assert abs(row["exposure_s"] - 1205.0) <= 20.0
    assert abs(row["heat_up_s"] - 990.0) <= 25.0
    if not step_k:
        assert row["noise_k"] == pytest.approx(noise_k, rel=0.25)
    else:
        assert row["resolution_k"] == pytest.approx(step_k)


def test_irregular_samples(traces: ModuleType) -> None:
    """A third of the samples dropped at random, and a gap, change no time by much."""
    trace = traces.gravity().trace(interval_s=5.0)
    rng = np.random.default_rng(3)
    keep = rng.random(len(trace)) > 0.33
    hold = (trace["time"] - START).dt.total_seconds()
    keep &= ~((hold > 2600) & (hold < 2780)).to_numpy()
    row = only(trace[keep].reset_index(drop=True))
    assert abs(row["exposure_s"] - 1205.0) <= 30.0
    assert row["gap_s"] >= 180.0


def test_without_pressure_times_stay_and_the_rest_is_null(traces: ModuleType) -> None:
    """Temperature alone gives the same times; what needs pressure is null with a reason."""
    row = only(traces.gravity().trace(pressure=False))
    assert row["exposure_s"] == pytest.approx(1205.0, abs=1)
    reasons = json.loads(row["null_reasons"])
    for name in ("exhaust_s", "saturation_deviation_k", "equilibration_s", "open_pressure_kpa"):
        assert pd.isna(row[name])
        assert reasons[name] == "no_pressure"
    assert bool(row["atmosphere_assumed"])


def test_a_drawn_prevacuum_cycle_is_read_as_drawn(traces: ModuleType) -> None:
    """Pulses, exhaust, vacuum drying and vacuum break of a drawn prevacuum cycle."""
    unit = Unit("u1", air_removal="prevacuum", programs=("prevacuum-134x3.5", "prevacuum-121x20"))
    trace = traces.prevacuum().trace()
    row = only(trace, unit)
    assert row["program"] == "prevacuum-134x3.5"
    assert row["pulse_count"] == 4
    assert row["air_removal_vacuum_kpa"] == pytest.approx(12.6, abs=0.1)
    assert row["vacuum_min_kpa"] == pytest.approx(8.0, abs=0.1)  # deepest in drying
    assert row["drying_s"] == pytest.approx(600.0, abs=3)
    assert row["drying_vacuum_kpa"] == pytest.approx(8.0, abs=0.1)
    assert row["air_inlet_s"] == pytest.approx(60.0, abs=4)
    assert row["exhaust_tau_s"] == pytest.approx(20.0, rel=0.02)
    drawn = phases(trace, row)
    assert drawn["phase"].tolist() == [
        "idle", "air_removal", "heat_up", "exposure", "exhaust", "drying", "idle",
    ]  # fmt: skip
    assert (drawn["start"].iloc[1:].to_numpy() >= drawn["end"].iloc[:-1].to_numpy()).all()


@pytest.mark.parametrize("leak", [0.0, 0.05, 0.13, 0.4])
@pytest.mark.parametrize("interval_s", [1.0, 5.0, 15.0])
def test_leak_test(traces: ModuleType, leak: float, interval_s: float) -> None:
    """A straight rise of known slope is read within 0.02 kPa/min under noise."""
    trace = traces.leak_test(leak=leak).trace(interval_s=interval_s, noise_kpa=0.1, noise_k=0.05)
    row = only(trace)
    assert row["kind"] == "leak_test"
    assert pd.isna(row["program"])
    assert row["leak_kpa_per_min"] == pytest.approx(leak, abs=0.02)
    assert row["leak_se"] < 0.02


def test_leak_levelling_off() -> None:
    """Water that levels off is told from air: the straight part is the leak."""
    time = np.arange(0.0, 900.0, 2.0)
    rng = np.random.default_rng(1)
    wet = 5.0 + 0.08 / 60.0 * time + 1.0 * (1.0 - np.exp(-time / 110.0))
    found = leak_rate(
        time, np.full_like(time, 25.0), wet + rng.normal(0, 0.05, len(time)), start_limit_kpa=30.0
    )
    assert found.rate_kpa_per_min == pytest.approx(0.08, abs=0.02)


@pytest.mark.parametrize(
    ("start", "drift_k", "bend", "reason"),
    [
        (5.0, 4.0, 0.0, "temperature_drift"),
        (35.0, 0.0, 0.0, "start_pressure_too_high"),
        (5.0, 0.0, 6.0, "curvature"),
    ],
)
def test_leak_nulls(start: float, drift_k: float, bend: float, reason: str) -> None:
    """Drift over 2 K, a high start and a rise that has not settled give no number."""
    time = np.arange(0.0, 900.0, 5.0)
    pressure = start + 0.05 / 60.0 * time + bend * (1.0 - np.exp(-time / 400.0))
    temp = 25.0 + drift_k * time / 600.0
    found = leak_rate(time, temp, pressure, start_limit_kpa=30.0)
    assert np.isnan(found.rate_kpa_per_min)
    assert found.reason in (reason, "wet_walls")


@pytest.mark.parametrize("drift_k", [-6.0, 6.0])
@pytest.mark.parametrize("leak", [0.0, 0.08, 0.3])
def test_a_rate_that_temperature_hides_lies_within_its_bounds(leak: float, drift_k: float) -> None:
    """A closed dry vessel whose temperature moves by 6 K: p dT/T by the gas law, leakage known."""
    time = np.arange(0.0, 900.0, 5.0)
    temp = 75.0 + drift_k * time / 600.0
    pressure = (8.0 + leak / 60.0 * time) * (temp + 273.15) / 348.15
    pressure += np.random.default_rng(3).normal(0.0, 0.1, len(time))
    found = leak_rate(time, temp, pressure, start_limit_kpa=30.0)
    assert found.reason == "temperature_drift"
    assert found.low_kpa_per_min <= leak <= found.high_kpa_per_min
    assert found.high_kpa_per_min - found.low_kpa_per_min < 0.12


def test_vapour_that_condenses_widens_the_bounds() -> None:
    """Walls near boiling that cool from 45 to 39 °C hide up to 2.6 kPa of vapour (IF97)."""
    time = np.arange(0.0, 900.0, 5.0)
    found = leak_rate(time, 45.0 - 4.0 * time / 600.0, 8.0 + 0.0 * time, start_limit_kpa=30.0)
    assert found.reason == "temperature_drift"
    assert np.isnan(found.low_kpa_per_min)
    assert found.high_kpa_per_min > 0.13


def test_leak_of_a_warming_chamber() -> None:
    """A closed dry vessel at 4 kPa gains about 0.1 kPa per 10 K (ISO 17665:2024 annex C.6)."""
    time = np.arange(0.0, 900.0, 5.0)
    temp = 22.0 + 1.2 * time / 600.0
    pressure = 4.0 * (temp + 273.15) / 295.15
    assert pytest.approx(0.137, abs=0.001) == 4.0 * 10.0 / 293.15  # at 20 °C
    found = leak_rate(time, temp, pressure, start_limit_kpa=30.0)
    assert found.rate_kpa_per_min == pytest.approx(0.0, abs=1e-4)


def test_exhaust_time_is_that_of_the_integrated_flow() -> None:
    """Choked, then subsonic flow integrated at 10 ms: exhaust_s is that of the integral.

    Orifice flow of an ideal gas (isentropic, kappa 1.3): textbook relations, from memory.
    """
    kappa, step, atmosphere, area = 1.3, 0.01, 101.3, 0.02
    critical = (2.0 / (kappa + 1.0)) ** (kappa / (kappa - 1.0))
    assert atmosphere / critical == pytest.approx(186.0, abs=1.0)  # choked above about 186 kPa
    p, values = 211.0, []
    for _ in range(40_000):
        values.append(p)
        ratio = max(atmosphere / p, critical)
        flow = np.sqrt(max(ratio ** (2 / kappa) - ratio ** ((kappa + 1) / kappa), 0.0))
        p = max(p - area * p * flow / 0.2 * step * 1.0, atmosphere)
    fine = np.asarray(values)
    share = (fine - atmosphere) / (fine[0] - atmosphere)
    exact = (np.argmax(share < 0.2) - np.argmax(share < 0.8)) * step
    for interval in (1, 5, 15):
        rows = np.arange(0, len(fine), interval * 100)
        seconds, tau, why = exhaust_times(rows.astype(np.float64) * step, fine[rows], atmosphere)
        assert why == ""
        assert seconds == pytest.approx(exact, abs=max(0.02 * exact, 0.3 * interval))
        assert tau == pytest.approx(exact / np.log(4.0), rel=0.2)


@pytest.mark.parametrize("duty", [0.2, 0.35, 0.5, 0.7])
@pytest.mark.parametrize(
    ("per_period", "tolerance"), [(4.6, 0.05), (6.0, 0.05), (10.0, 0.02), (25.0, 0.02)]
)
def test_sawtooth_of_known_power_loss_capacity(
    duty: float, per_period: float, tolerance: float
) -> None:
    """P/C and L/C given: duty within 0.02 from ten samples a period, 0.05 down to four."""
    power_over_capacity, interval = 4.0, 5.0
    loss = duty * power_over_capacity
    rise, fall = power_over_capacity - loss, loss
    period = per_period * interval
    swing = rise / 60.0 * duty * period
    time = np.arange(0.0, 1800.0, interval) + 1.7
    phase = time % period
    up = duty * period
    temp = np.where(phase < up, rise / 60.0 * phase, swing - fall / 60.0 * (phase - up))
    rng = np.random.default_rng(11)
    noise = 0.02 * swing
    found = measure(time, 121.5 + temp + rng.normal(0.0, noise, len(time)), noise, 1e-3)
    assert found.reason == ""
    assert found.duty == pytest.approx(duty, abs=tolerance)
    if per_period >= 10.0:
        assert found.rise + found.fall == pytest.approx(power_over_capacity, rel=0.06)
        assert found.fall == pytest.approx(loss, rel=0.08)
        assert abs(found.duty - duty) < 4.0 * found.duty_error + 0.01


@pytest.mark.parametrize(("per_period", "swing", "noise"), [(3.0, 1.0, 0.02), (20.0, 0.1, 0.06)])
def test_no_sawtooth_is_read_below_four_samples_or_three_noises(
    per_period: float, swing: float, noise: float
) -> None:
    """Under 4 samples a period or under 3 times the noise: none is read."""
    time = np.arange(0.0, 1800.0, 5.0)
    phase = (time / (per_period * 5.0)) % 1.0
    temp = 122.0 + swing * np.where(phase < 0.4, phase / 0.4, (1.0 - phase) / 0.6)
    rng = np.random.default_rng(5)
    found = measure(time, temp + rng.normal(0.0, noise, len(time)), noise, 1e-3)
    assert found.reason == "no_sawtooth"


def test_proportioned_heat_has_no_sawtooth(traces: ModuleType) -> None:
    """A flat plateau with noise gives null and the reason."""
    sketch = traces.Sketch().idle(1200, 22.0).ramp(122.5, 6.0)
    sketch.add(np.full(1200, 122.5), float(p_sat_kpa(122.5))).blow_down(25.0, 240)
    row = only(sketch.cool(1800, 22.0, 900.0).trace(noise_k=0.05))
    assert pd.isna(row["heater_duty"])
    assert json.loads(row["null_reasons"])["heater_duty"] == "no_sawtooth"
    assert row["sawtooth_count"] == 0


@pytest.mark.parametrize("tau", [3.0, 8.0, 20.0])
def test_sensor_lag_is_measured(tau: float) -> None:
    """First-order lag of a saw-tooth: the time constant comes back within 15 %."""
    time = np.arange(0.0, 1200.0, 1.0)
    phase = time % 60.0
    true = 122.0 + np.where(phase < 24.0, phase / 24.0, (60.0 - phase) / 36.0) * 1.5
    temp = true.copy()
    for k in range(1, len(temp)):
        temp[k] = temp[k - 1] + (0.5 * (true[k] + true[k - 1]) - temp[k - 1]) * (
            1.0 - np.exp(-1.0 / tau)
        )
    found = sensor_lag(time, temp, true, 0.01)
    assert found == pytest.approx(tau, rel=0.15)


def test_first_order_heating(traces: ModuleType) -> None:
    """Heating towards 180 °C with one time constant: windows follow from the logarithm."""
    tau, end, start = 900.0, 180.0, 22.0
    seconds = int(tau * np.log((end - start) / (end - 121.6)))
    sketch = traces.Sketch().idle(900, start)
    temp = end + (start - end) * np.exp(-np.arange(1, seconds + 1) / tau)
    sketch.add(temp, np.maximum(p_sat_kpa(temp), traces.ATMOSPHERE))
    sketch.sawtooth(1200, 121.5, 123.0, 2.0, 1.0).blow_down(25.0, 240).cool(1800, 22.0, 900.0)
    row = only(sketch.trace())

    def between(low: float, high: float) -> float:
        return tau * float(np.log((end - low) / (end - high)))

    assert row["heat_rate_k_per_min"] == pytest.approx(40.0 / between(60, 100) * 60.0, rel=2e-3)
    assert row["seat_s"] == pytest.approx(between(102, 110), rel=5e-3)
    assert row["heat_up_s"] == pytest.approx(between(start, 121.0), abs=max(2.0, 0.02 * seconds))


def test_air_in_steam_shows_as_a_lower_temperature(traces: ModuleType) -> None:
    """Two kelvin of air (5.7 % of pressure at 134 °C) shows as a deviation of -2 K."""
    trace = traces.prevacuum().trace()
    mixed = trace.copy()
    hot = mixed["temperature_c"] > 120.0
    # 1 - p(132)/p(134) = 0.0571 by IF97: that share of the pressure is not steam.
    mixed.loc[hot, "temperature_c"] = t_sat_c(mixed.loc[hot, "pressure_kpa"] * (1.0 - 0.0571))
    unit = Unit("u1", air_removal="prevacuum", programs=("prevacuum-132x3",))
    row = only(mixed, unit)
    assert row["saturation_deviation_k"] == pytest.approx(-2.0, abs=0.05)
    assert row["superheat_k"] == pytest.approx(-2.0, abs=0.1)


def test_empty_and_short_traces(traces: ModuleType) -> None:
    """No samples, one sample or idle only: no cycles, no failure."""
    trace = traces.gravity().trace()
    assert len(extract(trace.iloc[:0], UNIT).cycles) == 0
    assert extract(trace.iloc[:0], UNIT).resume_from is None
    assert len(extract(trace.iloc[:1], UNIT).cycles) == 0
    assert len(extract(trace.iloc[:600], UNIT).cycles) == 0


def test_steam_let_in_by_a_valve_has_no_heater_duty(traces: ModuleType) -> None:
    """A separate generator raises 105 to 132 °C in under two minutes; its valve swings."""
    sketch = traces.Sketch().idle(1200, 60.0).ramp(134.5, 30.0)
    sketch.sawtooth(900, 134.5, 136.0, 6.0, 3.0).blow_down(20.0, 240).cool(1800, 40.0, 900.0)
    row = extract(sketch.trace(), Unit("u1", programs=("unknown-134x15",))).cycles.iloc[0]
    assert pd.isna(row["heater_duty"])
    assert json.loads(row["null_reasons"])["heater_duty"] == "no_sawtooth"


def test_two_slow_swings_are_no_rhythm(traces: ModuleType) -> None:
    """A period longer than a third of the exposure shows nothing."""
    sketch = traces.Sketch().idle(1200, 22.0).ramp(121.5, 6.0)
    sketch.sawtooth(1210, 121.5, 124.5, 0.5, 1.0).blow_down(25.0, 240).cool(1800, 22.0, 900.0)
    row = extract(sketch.trace(), UNIT).cycles.iloc[0]
    assert pd.isna(row["heater_duty"])


def test_a_pump_at_its_limit_is_told_from_one_that_stopped() -> None:
    """An exponential fall to 15 kPa goes on for ever; one to 5 kPa that stops at 12 kPa bends."""
    time = np.arange(0.0, 900.0, 5.0)
    runs = 15.0 + 45.0 * np.exp(-time / 40.0)
    stops = np.maximum(5.0 + 55.0 * np.exp(-time / 40.0), 12.0)
    for pressure, stopped in ((runs, False), (stops, True)):
        first, _ = hold_bounds(time, pressure)
        assert pump_stopped(time, pressure, first) == stopped


@pytest.mark.parametrize("minutes", [0.5, 8.0])
def test_a_vacuum_lost_in_minutes_is_a_leak_and_one_let_up_is_not(
    traces: ModuleType, minutes: float
) -> None:
    """From 6 kPa to the atmosphere: 11.9 kPa/min is a leak, 191 kPa/min an inlet."""
    rate = 95.3 / minutes
    s = traces.Sketch().idle(1200, 24.0).evacuate(6.0, 240, 23.0)
    rise = np.minimum(6.0 + rate * np.arange(60.0 * minutes + 60.0) / 60.0, 101.3)
    s.add(np.full(len(rise), 24.0), rise).idle(1800, 24.0)
    row = only(s.trace(interval_s=5.0, noise_kpa=0.1, noise_k=0.05))
    assert (row["kind"] == "leak_test") == (minutes > 1.0)
    if minutes > 1.0:
        assert row["leak_kpa_per_min"] == pytest.approx(rate, rel=0.02)


def test_a_saw_tooth_with_a_short_run_has_one_answer_whatever_the_phase() -> None:
    """On for 26 s of 130 s, rise 6.8 and fall 1.7 K/min, read each 20 s in steps of 0.5 K."""
    duties = []
    for phase in np.arange(0.0, 130.0, 10.0):
        for period in (126.0, 130.0, 136.0):
            time = np.arange(0.0, 1800.0, 20.0)
            at = np.mod(time + phase, period)
            height, on = 2.95, 0.2 * period
            swing = np.where(at < on, height * at / on, height * (period - at) / (period - on))
            found = sawtooth.measure(time, np.round(2.0 * (121.5 + swing)) / 2.0, 0.0, 0.5)
            if not found.reason:
                duties.append(found.duty)
    assert len(duties) > 20
    assert np.ptp(duties) < 0.08
    assert np.median(duties) == pytest.approx(0.2, abs=0.05)


def test_a_hold_on_cooling_walls_is_a_leak_test(traces: ModuleType) -> None:
    """Walls from 91 to 62 °C take 20.4 kPa down to 18.8 kPa (gas law): deepest at its end."""
    s = traces.Sketch().idle(1200, 62.0).evacuate(20.4, 120, 91.0)
    temp = np.linspace(91.0, 62.0, 900)
    s.add(temp, 20.4 * (temp + 273.15) / (91.0 + 273.15))
    s.admit(101.3, 60, 57.0).idle(1800, 45.0)
    row = only(s.trace(interval_s=5.0, noise_kpa=0.1, noise_k=0.05))
    assert row["kind"] == "leak_test"
    assert json.loads(row["null_reasons"])["leak_kpa_per_min"] == "temperature_drift"
