"""The columns of the ``cycles`` table."""

from __future__ import annotations

from typing import Final

from .schema_types import Column

_COMMON = "common practice, no source"
_SAW = "null (no_sawtooth): period under 4 samples, amplitude under 3 times noise or resolution"
_P = "null without a pressure channel"


def _f(
    name: str, unit: str, meaning: str, method: str = "", source: str = "", validity: str = ""
) -> Column:
    return Column(name, "float64", unit, meaning, method, source, validity)


CYCLE_COLUMNS: Final[tuple[Column, ...]] = (
    Column("cycle_id", "string", "", "unit id + @ + started_at to the second", required=True),
    Column("aliases", "string", "", "earlier ids of the same cycle, by comma"),
    Column("unit_id", "string", "", "the sterilizer", required=True),
    Column("logger_id", "string", "", "the data logger"),
    Column(
        "program",
        "string",
        "",
        "<gravity|prevacuum|unknown>-<°C>x<min>",
        "set point from the plateau; exposure time from configuration, else the mode of the "
        "unit's earlier cycles (10 or more) at that temperature, else the shortest published",
        "shared.programs",
        "null for leak tests and where no plateau was reached",
    ),
    Column("program_source", "string", "", "configuration, history, published or none"),
    Column(
        "kind", "string", "", "sterilization, leak_test, penetration_test, unknown", required=True
    ),
    Column("completion", "string", "", "complete, aborted, power_cut, cut_off"),
    Column("setpoint_c", "float64", "°C", "nominal set point of the plateau"),
    Column("started_at", "time", "UTC", "start of heating or evacuation", required=True),
    Column(
        "ended_at",
        "time",
        "UTC",
        "end of the cycle",
        "pressure within 3 kPa of atmosphere (without pressure: below 100 °C and falling) "
        "for 60 s after exhaust, or the end of vacuum or heated drying",
    ),
    Column("exposure_start", "time", "UTC", "first sample at or above the program's lower limit"),
    Column(
        "exposure_end",
        "time",
        "UTC",
        "last sample at or above the lower limit before the sustained fall of the exhaust",
    ),
    Column("exhaust_start", "time", "UTC", "start of the sustained fall"),
    Column("drying_start", "time", "UTC", "start of vacuum or heated drying"),
    _f("plateau_c", "°C", "median temperature of the plateau"),
    _f("plateau_s", "s", "from within 3.5 K of the plateau to exhaust_start"),
    _f("exposure_s", "s", "exposure_end - exposure_start; dips inside stay in"),
    _f("below_band_s", "s", "time below the lower limit within exposure"),
    _f("above_band_s", "s", "time above the upper limit within exposure"),
    _f("overband_k", "K", "largest excess over the upper limit within exposure, else 0"),
    _f("exposure_min_c", "°C", "least temperature in exposure, raw samples"),
    _f("exposure_max_c", "°C", "greatest temperature in exposure, raw samples"),
    _f("exposure_mean_c", "°C", "mean temperature in exposure"),
    _f("exposure_sd_c", "K", "standard deviation of temperature in exposure"),
    _f("exposure_slope_k_per_min", "K/min", "least-squares slope of temperature in exposure"),
    _f("overshoot_k", "K", "exposure_max_c - setpoint_c"),
    _f(
        "equilibration_s",
        "s",
        "from Tsat(p) in band to T in band",
        source="EN 285, definition from memory",
        validity=_P,
    ),
    _f("heat_start_c", "°C", "temperature at the start of heating"),
    _f("heat_up_s", "s", "start of heating to exposure_start"),
    _f(
        "heat_rate_k_per_min",
        "K/min",
        "(T2 - T1)/(t2 - t1), 60 to 100 °C",
        validity="null when heating starts above 60 °C",
    ),
    _f(
        "heat_rate_pressurised_k_per_min",
        "K/min",
        "(T2 - T1)/(t2 - t1), 105 °C to 2 K under the lower limit",
    ),
    _f("seat_s", "s", "time from 102 to 110 °C, pressure rising"),
    _f(
        "rise_k_per_min",
        "K/min",
        "median slope of settled heater-on runs, positive",
        source=_COMMON,
        validity=_SAW,
    ),
    _f(
        "fall_k_per_min",
        "K/min",
        "median slope of settled heater-off runs, positive",
        source=_COMMON,
        validity=_SAW,
    ),
    _f("heater_duty", "1", "fall/(rise + fall) = L/P", validity=_SAW),
    _f("heater_duty_se", "1", "standard error of heater_duty", validity=_SAW),
    _f("power_over_capacity_k_per_min", "K/min", "rise + fall = P/C", validity=_SAW),
    _f("power_over_capacity_se", "K/min", "its standard error", validity=_SAW),
    _f("loss_over_capacity_k_per_min", "K/min", "fall = L/C", validity=_SAW),
    _f("loss_over_capacity_se", "K/min", "its standard error", validity=_SAW),
    _f("sawtooth_period_s", "s", "median period of settled saw-teeth", validity=_SAW),
    Column("sawtooth_count", "int64", "", "settled saw-teeth used"),
    _f(
        "saturation_deviation_k",
        "K",
        "mean of T - Tsat(p), last two thirds of exposure",
        "saturation by IAPWS-IF97 region 4",
        "IAPWS R7-97(2012)",
        _P,
    ),
    _f("saturation_deviation_se", "K", "its standard error", validity=_P),
    _f("superheat_k", "K", "95th percentile of T - Tsat(p) over the same samples", validity=_P),
    _f(
        "boil_plateau_c",
        "°C",
        "temperature of the boil-off plateau near 100 °C in heat-up",
        validity="null where the trace shows no plateau",
    ),
    _f(
        "open_pressure_kpa",
        "kPa",
        "median while the chamber is open before the cycle",
        validity="null without a pressure channel or an open chamber",
    ),
    _f("open_temperature_c", "°C", "median temperature while the chamber is open before it"),
    _f("atmosphere_kpa", "kPa", "atmosphere used for this cycle"),
    Column("atmosphere_assumed", "bool", "", "no atmosphere known: 101.325 kPa taken"),
    _f(
        "exhaust_s",
        "s",
        "from 80 % to 20 % of the gauge pressure at the end of exposure",
        validity=_P,
    ),
    _f("exhaust_tau_s", "s", "fitted time constant over the same span", validity=_P),
    _f(
        "f0_min",
        "min",
        "lethality over the whole cycle, Tref 121.1 °C, z = 10 K",
        "trapezoid",
        "first-order model; see check values in tests",
    ),
    _f(
        "leak_kpa_per_min",
        "kPa/min",
        "slope over the last 10 min of a leak test's hold",
        "air leakage only: temperature corrected, settling excluded",
        validity="null with a reason: drift over 2 K, start near Tsat of wet walls, curvature",
    ),
    _f("leak_se", "kPa/min", "its standard error"),
    _f("vacuum_min_kpa", "kPa", "deepest pressure of air removal or leak test", validity=_P),
    Column("pulse_count", "int64", "", "completed air-removal pulses", validity=_P),
    _f("pulse_evacuation_s", "s", "median time from 100 to 30 kPa in the pulses", validity=_P),
    _f("air_inlet_s", "s", "time of vacuum break after drying", validity=_P),
    _f("drying_s", "s", "vacuum or heated drying only, else null"),
    _f("drying_vacuum_kpa", "kPa", "median pressure in the last half of drying", validity=_P),
    _f("pressure_max_kpa", "kPa", "greatest pressure of the cycle", validity=_P),
    _f(
        "idle_before_s",
        "s",
        "from the end of the cycle before to started_at",
        validity="null for the first cycle of a trace",
    ),
    _f(
        "ambient_c",
        "°C",
        "room temperature: channel, else the chamber's reading after a long idle",
    ),
    _f("mains_v", "V", "median mains voltage in heat-up", validity="null without a channel"),
    _f(
        "current_duty",
        "1",
        "share of exposure with heater current on",
        validity="null without a current channel",
    ),
    _f("sensor_lag_s", "s", "lag of temperature behind Tsat(p) in exposure", validity=_P),
    _f("noise_k", "K", "robust noise of the temperature channel (1 SD)"),
    _f("resolution_k", "K", "smallest step of the temperature channel"),
    _f("stuck_s", "s", "longest run of one unchanged value where a change was due"),
    _f("sample_interval_s", "s", "median interval"),
    _f("gap_s", "s", "longest gap inside the cycle"),
    Column("null_reasons", "string", "", "JSON object: column to reason"),
)
