"""One cycle: from its events to a row of the cycles table."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from ..shared.config import Limits, Unit
from ..shared.programs import BAND_WIDTH_K, Program
from ..shared.steam import STANDARD_ATMOSPHERE_KPA, f0_min
from . import exhaust as exhaust_module
from . import heatup, leak, plateau, saturation, sawtooth, vacuum
from .crossing import line, median, noise_sd, resolution, share_below
from .events import Event
from .samples import FloatArray, Samples

LONG_IDLE_S: Final = 3.0 * 3600.0
"""Idle after which an open chamber reads the room (no source)."""
POWER_CUT_K_PER_MIN: Final = 4.0
"""A closed chamber that loses its heater falls slower than this; an exhaust is faster."""
SETTLE_S: Final = 600.0
"""Samples this long after a cycle's end are looked at before it is final [s]."""

NEEDS_PRESSURE: Final = (
    "equilibration_s",
    "saturation_deviation_k",
    "superheat_k",
    "open_pressure_kpa",
    "exhaust_s",
    "exhaust_tau_s",
    "vacuum_min_kpa",
    "pulse_evacuation_s",
    "air_inlet_s",
    "drying_vacuum_kpa",
    "pressure_max_kpa",
)
SAWTOOTH: Final = (
    "rise_k_per_min",
    "fall_k_per_min",
    "heater_duty",
    "power_over_capacity_k_per_min",
    "loss_over_capacity_k_per_min",
    "sawtooth_period_s",
)
EXPOSURE: Final = (
    "exposure_s",
    "below_band_s",
    "above_band_s",
    "overband_k",
    "exposure_min_c",
    "exposure_max_c",
    "exposure_mean_c",
    "exposure_sd_c",
    "exposure_slope_k_per_min",
    "overshoot_k",
)


@dataclass
class Row:
    """A row in the making: values, and why the others are null."""

    values: dict[str, Any] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)

    def null(self, names: tuple[str, ...], reason: str) -> None:
        """Note why columns have no value, unless they have one or a reason."""
        for name in names:
            if name not in self.values:
                self.reasons.setdefault(name, reason)

    def put(self, name: str, value: float, reason: str = "not_seen") -> None:
        """Store a value, or a reason where it is not finite."""
        if np.isfinite(value):
            self.values[name] = float(value)
        else:
            self.reasons.setdefault(name, reason)


@dataclass(frozen=True)
class Place:
    """Where a cycle may lie: indices of its context, and what is known before it."""

    left: int
    """First sample that no earlier cycle owns."""
    right: int
    """First sample of the next cycle's events, or the number of samples."""
    last: bool
    """No events follow."""
    previous_end_s: float
    """End of the cycle before [s]; NaN for none."""


def build(
    samples: Samples,
    events: list[Event],
    place: Place,
    unit: Unit,
    limits: Limits,
    earlier: dict[float, float],
    programs: tuple[Program, ...],
) -> tuple[Row, int] | None:
    """Return the row of the cycle that a group of events holds, and its end's index.

    None where the events are no cycle: a blip of steam, a drying without a
    cycle.
    """
    steam = [e for e in events if e.kind == "steam"]
    vacua = [e for e in events if e.kind == "vacuum"]
    if not steam:
        return _vacuum_only(samples, vacua, place, unit, limits)
    return _steam_cycle(samples, steam, vacua, place, unit, limits, earlier, programs)


def _row(samples: Samples, start: int, end: int, unit: Unit, place: Place) -> Row:
    """Return a row with identity, circumstances and logger facts."""
    row = Row()
    time = samples.time_s
    ms = int(samples.time_ms[start])
    row.values.update(
        cycle_id=f"{unit.id}@{np.datetime64(ms // 1000, 's')}Z",
        unit_id=unit.id,
        started_at=ms,
        ended_at=int(samples.time_ms[end]),
    )
    if samples.logger_id is not None:
        row.values["logger_id"] = samples.logger_id[start]
    part = time[start : end + 1]
    steps = np.diff(part)
    if len(steps):
        row.put("sample_interval_s", median(steps))
        row.put("gap_s", float(steps.max()))
    if np.isfinite(place.previous_end_s):
        row.put("idle_before_s", float(time[start]) - place.previous_end_s)
    else:
        row.reasons["idle_before_s"] = "first_cycle_of_the_trace"
    return row


def _circumstances(row: Row, samples: Samples, place: Place, start: int) -> None:
    """Add the open chamber, the atmosphere, the room and the mains."""
    time = samples.time_s
    first = max(place.left, int(np.searchsorted(time, time[start] - 7200.0)))
    calm = slice(first, start)
    pressure, warm = saturation.open_chamber(
        time[calm], samples.pressure_kpa[calm], samples.temp_c[calm]
    )
    row.put("open_pressure_kpa", pressure, "chamber_not_seen_open")
    row.put("open_temperature_c", warm, "chamber_not_seen_open")
    atmosphere = STANDARD_ATMOSPHERE_KPA
    assumed = True
    if samples.atmosphere_kpa is not None and np.isfinite(samples.atmosphere_kpa[start]):
        atmosphere, assumed = float(samples.atmosphere_kpa[start]), False
        if samples.assumed is not None:
            assumed = bool(samples.assumed[start])
    elif np.isfinite(pressure):
        atmosphere, assumed = pressure, False
    row.values["atmosphere_kpa"] = atmosphere
    row.values["atmosphere_assumed"] = assumed
    idle = row.values.get("idle_before_s", np.nan)
    if samples.ambient_c is not None:
        row.put("ambient_c", median(_finite(samples.ambient_c[start : start + 60])))
    elif np.isfinite(warm) and warm < 45.0 and idle >= LONG_IDLE_S:
        row.put("ambient_c", median(samples.temp_c[max(first, start - 60) : start + 1]))
    else:
        row.reasons["ambient_c"] = "no_long_idle"


def _finite(values: FloatArray) -> FloatArray:
    return values[np.isfinite(values)]


def _channel(row: Row, samples: Samples, start: int, end: int) -> tuple[float, float]:
    """Add noise, resolution and stuck time; return noise of temperature and pressure."""
    temp = samples.raw_c[start : end + 1]
    noise = noise_sd(temp)
    row.put("noise_k", noise, "too_coarse")
    row.put("resolution_k", resolution(temp), "never_moved")
    change = np.flatnonzero(np.diff(temp) != 0.0)
    bounds = np.concatenate(([0], change + 1, [len(temp) - 1]))
    run = np.diff(samples.time_s[start : end + 1][bounds])
    row.put("stuck_s", float(run.max()) if len(run) else 0.0)
    noise_p = noise_sd(_finite(samples.pressure_kpa[start : end + 1]))
    return (noise if np.isfinite(noise) else 0.0), (noise_p if np.isfinite(noise_p) else 0.0)


def _local_atmosphere(row: Row) -> float:
    """Return the open chamber's pressure by the channel itself, else the stated one."""
    value = row.values.get("open_pressure_kpa", row.values["atmosphere_kpa"])
    return float(value)


def _steam_cycle(
    samples: Samples,
    steam: list[Event],
    vacua: list[Event],
    place: Place,
    unit: Unit,
    limits: Limits,
    earlier: dict[float, float],
    programs: tuple[Program, ...],
) -> tuple[Row, int] | None:
    time, temp, pressure = samples.time_s, samples.temp_c, samples.pressure_kpa
    tops = [plateau.sustained_top(time[e.start : e.stop], temp[e.start : e.stop]) for e in steam]
    best = max(tops)
    mains = [e for e, top in zip(steam, tops, strict=True) if top >= best - 4.0]
    main = mains[0] if len(mains) == 1 else Event("steam", mains[0].start, mains[-1].stop)
    seconds = float(time[main.stop - 1] - time[main.start])
    if best < 104.0 or (seconds < 60.0 and len(steam) < 2 and not vacua):
        return None
    n = len(time)
    edge = min(main.stop + _samples_within(time, main.stop, 900.0), place.right, n)
    hot = slice(main.start, edge)
    noise = _noise(temp[main.start : main.stop])
    noise_p = _noise(_finite(pressure[main.start : main.stop]))
    flat = plateau.find_plateau(time[hot], temp[hot], pressure[hot], noise, noise_p)
    exhaust = main.start + flat.exhaust
    before = [e for e in vacua if e.start < main.start + flat.first]
    after = [e for e in vacua if e.start > exhaust]
    first = min([steam[0].start, *(e.start for e in before)])
    start, heating = _start(samples, steam, before, place, first, noise, noise_p)
    row = _row(samples, start, max(start, exhaust), unit, place)
    noise, noise_p = _channel(row, samples, start, max(exhaust, start))
    _circumstances(row, samples, place, start)
    atmosphere = _local_atmosphere(row)
    end, finished = _end(row, samples, after, exhaust, place, atmosphere, noise_p)
    part = slice(start, end + 1)
    row.values["ended_at"] = int(samples.time_ms[end])
    row.put("gap_s", float(np.max(np.diff(time[part]))) if end > start else 0.0)
    row.put("f0_min", f0_min(time[part], temp[part]))
    row.values["kind"] = "unknown"
    setpoint, _ = plateau.choose_setpoint(flat.level_c, programs, earlier)
    top = float(np.max(temp[hot]))
    got = plateau.reached(flat, setpoint, top)
    sags = flat.held and flat.level_c >= setpoint - plateau.NOT_REACHED_K
    row.values["plateau_c"] = flat.level_c
    row.put("plateau_s", float(time[exhaust] - time[main.start + flat.first]))
    bounds = None
    if got or sags:
        row.values["kind"] = "sterilization"
        row.values["setpoint_c"] = setpoint
        bounds = plateau.exposure_bounds(time[hot], temp[hot], 0, flat.exhaust, setpoint, noise)
    else:
        row.null(("setpoint_c",), "no_plateau_at_a_set_point")
    if bounds is None:
        row.null(
            EXPOSURE + SAWTOOTH,
            "plateau_below_lower_limit" if sags else "set_point_not_reached",
        )
        arrival = main.start + flat.first
    else:
        arrival = main.start + bounds[0]
        _exposure(row, samples, arrival, main.start + bounds[1], setpoint, limits, noise)
    row.values["exhaust_start"] = int(samples.time_ms[exhaust])
    _heat_up(row, samples, start, heating, arrival, setpoint, noise, bounds is not None)
    _with_pressure(row, samples, before, start, arrival, exhaust, end, atmosphere, setpoint)
    row.values["completion"] = _completion(
        samples, flat, steam, end, finished, place, got or sags, start, row
    )
    return row, end


def _samples_within(time: FloatArray, k: int, seconds: float) -> int:
    k = min(k, len(time) - 1)
    return int(np.searchsorted(time, time[k] + seconds)) - k + 1


def _noise(values: FloatArray) -> float:
    noise = noise_sd(values)
    return noise if np.isfinite(noise) else 0.0


def _start(
    samples: Samples,
    steam: list[Event],
    before: list[Event],
    place: Place,
    first: int,
    noise: float,
    noise_p: float,
) -> tuple[int, int]:
    """Return first sample of the cycle, and of heating."""
    time, temp = samples.time_s, samples.temp_c
    left = max(place.left, int(np.searchsorted(time, time[first] - 10800.0)))
    if before and before[0].start < steam[0].start:
        pump = heatup.evacuation_start(time, samples.pressure_kpa, before[0].start, left, noise_p)
        return max(pump, left), max(pump, left)
    heating = left + heatup.heating_start(time[left : first + 1], temp[left : first + 1], noise)
    return heating, heating


def _end(
    row: Row,
    samples: Samples,
    after: list[Event],
    exhaust: int,
    place: Place,
    atmosphere: float,
    noise_p: float,
) -> tuple[int, bool]:
    """Return the last sample of the cycle and whether its end was seen."""
    time, temp, pressure = samples.time_s, samples.temp_c, samples.pressure_kpa
    right = max(place.right, exhaust + 1)
    dry = vacuum.drying(samples, after, exhaust, right, atmosphere, noise_p)
    if dry is not None:
        row.values["drying_start"] = int(samples.time_ms[dry.start])
        row.put("drying_s", float(time[dry.hold_end] - time[dry.start]))
        row.put(
            "drying_vacuum_kpa",
            median(pressure[(dry.start + dry.hold_end) // 2 : dry.hold_end + 1]),
        )
        if dry.finished:
            row.put("air_inlet_s", float(time[dry.stop] - time[dry.hold_end]))
        else:
            row.reasons["air_inlet_s"] = "cut_off"
        return min(dry.stop, len(time) - 1), dry.finished
    row.null(("drying_s", "drying_vacuum_kpa", "air_inlet_s"), "no_vacuum_drying")
    tail = slice(exhaust, right)
    known = np.isfinite(pressure[tail])
    if known.sum() > 0.5 * max(len(known), 1):
        near = np.abs(pressure[tail] - atmosphere) <= vacuum.AT_ATMOSPHERE_KPA
        rest = vacuum.stays(time[tail], near, vacuum.REST_S)
        if rest is None:  # the channel's zero may have moved in the cycle
            rest = vacuum.stays(time[tail], (pressure[tail] < 112.0) & (temp[tail] < 99.0), 60.0)
    else:
        rest = vacuum.stays(time[tail], temp[tail] < 100.0, vacuum.REST_S)
    if rest is not None:
        return exhaust + rest, True
    return max(exhaust, min(right, len(time)) - 1), False


def _exposure(
    row: Row,
    samples: Samples,
    first: int,
    last: int,
    setpoint: float,
    limits: Limits,
    noise: float,
) -> None:
    """Add the exposure's statistics and its saw-tooth."""
    part = slice(first, last + 1)
    time, temp = samples.time_s[part], samples.temp_c[part]
    upper = setpoint + limits.band_width_k
    row.values["exposure_start"] = int(samples.time_ms[first])
    row.values["exposure_end"] = int(samples.time_ms[last])
    row.put("exposure_s", float(time[-1] - time[0]))
    row.put("below_band_s", share_below(time, temp, setpoint))
    row.put("above_band_s", share_below(time, -temp, -upper))
    top = float(temp.max())
    row.put("overband_k", max(0.0, top - upper))
    row.put("exposure_min_c", float(temp.min()))
    row.put("exposure_max_c", top)
    row.put("exposure_mean_c", float(temp.mean()))
    row.put("exposure_sd_c", float(temp.std(ddof=1)) if len(temp) > 1 else np.nan, "too_coarse")
    row.put("exposure_slope_k_per_min", line(time, temp)[0] * 60.0, "too_coarse")
    row.put("overshoot_k", top - setpoint)
    tooth = sawtooth.measure(time, temp, noise, row.values.get("resolution_k", 0.0))
    if tooth.reason:
        row.null(SAWTOOTH, tooth.reason)
        row.values["sawtooth_count"] = 0
    else:
        row.put("rise_k_per_min", tooth.rise)
        row.put("fall_k_per_min", tooth.fall)
        row.put("heater_duty", tooth.duty)
        row.put("heater_duty_se", tooth.duty_error)
        row.put("power_over_capacity_k_per_min", tooth.rise + tooth.fall)
        row.put("power_over_capacity_se", float(np.hypot(tooth.rise_error, tooth.fall_error)))
        row.put("loss_over_capacity_k_per_min", tooth.fall)
        row.put("loss_over_capacity_se", tooth.fall_error)
        row.put("sawtooth_period_s", tooth.period_s)
        row.values["sawtooth_count"] = tooth.count
    if samples.current_a is not None:
        amps = samples.current_a[part]
        known = np.isfinite(amps)
        peak = float(amps[known].max()) if known.any() else 0.0
        if known.sum() > 3 and peak > 0.2:
            row.put("current_duty", float(np.mean(amps[known] > 0.5 * peak)))
    row.null(("current_duty",), "no_current_channel")


def _heat_up(
    row: Row,
    samples: Samples,
    start: int,
    heating: int,
    arrival: int,
    setpoint: float,
    noise: float,
    exposed: bool,
) -> None:
    """Add start temperature, heat-up time and the windows' rates."""
    time, temp = samples.time_s, samples.temp_c
    row.put("heat_start_c", median(temp[max(0, heating - 1) : heating + 2]))
    if exposed:
        row.put("heat_up_s", float(time[arrival] - time[heating]))
    else:
        row.reasons["heat_up_s"] = "set_point_not_reached"
    values, why = heatup.windows(samples, start, arrival, setpoint, noise)
    for name, value in values.items():
        row.put(name, value)
    for name, reason in why.items():
        row.reasons[name] = reason
    part = slice(start, arrival + 1)
    row.put("boil_plateau_c", heatup.boil_plateau(time[part], temp[part]), "no_plateau")
    if samples.mains_v is not None:
        row.put("mains_v", median(_finite(samples.mains_v[part])))
    else:
        row.reasons["mains_v"] = "no_mains_channel"


def _with_pressure(
    row: Row,
    samples: Samples,
    before: list[Event],
    start: int,
    arrival: int,
    exhaust: int,
    end: int,
    atmosphere: float,
    setpoint: float,
) -> None:
    """Add what needs a pressure channel."""
    time, temp, pressure = samples.time_s, samples.temp_c, samples.pressure_kpa
    part = pressure[start : end + 1]
    if np.isfinite(part).sum() < 0.5 * len(part):
        reason = "no_pressure" if not np.isfinite(part).any() else "pressure_drop_out"
        for name in NEEDS_PRESSURE:
            row.values.pop(name, None)
            row.reasons[name] = reason
        return
    row.put("pressure_max_kpa", float(np.nanmax(part)))
    if "exposure_s" in row.values:
        last = arrival + int(
            np.searchsorted(
                time[arrival : exhaust + 1], row.values["exposure_end"] / 1000.0 + 1e-6
            )
        )
        exp = slice(arrival, max(last, arrival + 1))
        mean, error, hot = saturation.deviation(time[exp], temp[exp], pressure[exp])
        row.put("saturation_deviation_k", mean, "too_coarse")
        row.put("saturation_deviation_se", error, "too_coarse")
        row.put("superheat_k", hot, "too_coarse")
        back = max(start, int(np.searchsorted(time, time[arrival] - 600.0)))
        ahead = min(exhaust, int(np.searchsorted(time, time[arrival] + 600.0))) + 1
        row.put(
            "equilibration_s",
            saturation.equilibration(
                time[back:ahead], temp[back:ahead], pressure[back:ahead], setpoint
            ),
            "band_not_reached_by_both",
        )
    else:
        row.null(
            ("saturation_deviation_k", "superheat_k", "equilibration_s"), "set_point_not_reached"
        )
    out = slice(exhaust, min(end + 2, len(time)))
    seconds, tau, why = exhaust_module.exhaust_times(time[out], pressure[out], atmosphere)
    row.put("exhaust_s", seconds, why)
    row.put("exhaust_tau_s", tau, why)
    count, evacuation, deepest = vacuum.pulses(samples, before, arrival)
    row.values["pulse_count"] = count
    row.put("pulse_evacuation_s", evacuation, "no_pulses")
    row.put("vacuum_min_kpa", deepest, "no_vacuum")


def _completion(
    samples: Samples,
    flat: plateau.Plateau,
    steam: list[Event],
    end: int,
    finished: bool,
    place: Place,
    got: bool,
    start: int,
    row: Row,
) -> str:
    """Return how the cycle ended, as far as its trace shows."""
    if start == 0 and place.left == 0 and samples.temp_c[0] > 95.0:
        row.reasons["started_at"] = "export_starts_in_mid_cycle"
        return "cut_off"
    if not finished and place.last:
        return "cut_off"
    if samples.mains_v is not None and _mains_lost(samples, start, end):
        return "power_cut"
    if not got:
        return "aborted"
    return "complete"


def _mains_lost(samples: Samples, start: int, end: int) -> bool:
    assert samples.mains_v is not None
    part = samples.mains_v[start : end + 1]
    return bool(np.nanmin(part) < 0.3 * np.nanmedian(part)) if np.isfinite(part).any() else False


def _vacuum_only(
    samples: Samples, vacua: list[Event], place: Place, unit: Unit, limits: Limits
) -> tuple[Row, int] | None:
    """Return the row of a leak test, or of a cycle that ended in air removal."""
    time, temp, pressure = samples.time_s, samples.temp_c, samples.pressure_kpa
    longest = max(vacua, key=lambda e: time[e.stop - 1] - time[e.start])
    noise_p = _noise(_finite(pressure[longest.start : longest.stop]))
    left = max(place.left, int(np.searchsorted(time, time[vacua[0].start] - 10800.0)))
    start = max(left, heatup.evacuation_start(time, pressure, vacua[0].start, left, noise_p))
    row = _row(samples, start, vacua[-1].stop - 1, unit, place)
    _channel(row, samples, start, vacua[-1].stop - 1)
    _circumstances(row, samples, place, start)
    atmosphere = _local_atmosphere(row)
    cut = vacua[-1].stop >= len(time)
    right = min(place.right, len(time))
    rest = (
        None
        if cut
        else vacuum.at_atmosphere(
            time[vacua[-1].stop : right], pressure[vacua[-1].stop : right], atmosphere, seconds=0.0
        )
    )
    end = vacua[-1].stop + rest if rest is not None else max(min(right, len(time)) - 1, start)
    if rest is None and not cut:
        end = min(vacua[-1].stop, len(time) - 1)
    row.values["ended_at"] = int(samples.time_ms[end])
    hold = slice(longest.start, longest.stop)
    first, last = leak.hold_bounds(time[hold], pressure[hold])
    held = float(time[hold][last] - time[hold][first])
    drift = float(temp[hold][first : last + 1].max() - temp[hold][first])
    row.put("vacuum_min_kpa", float(np.nanmin(pressure[hold])))
    row.put("f0_min", f0_min(time[start : end + 1], temp[start : end + 1]))
    row.put("heat_start_c", float(temp[start]))
    after_cycle = row.values.get("idle_before_s", np.inf) < 600.0 and temp[start] > 60.0
    if after_cycle and len(vacua) == 1:
        return None  # extended drying
    if held >= leak.LEAST_HOLD_S and drift < 15.0:
        found = leak.leak_rate(
            time[hold][first : last + 1],
            temp[hold][first : last + 1],
            pressure[hold][first : last + 1],
            start_limit_kpa=limits.leak_start_kpa,
            noise_p=noise_p,
        )
        row.values["kind"] = "leak_test"
        row.put("leak_kpa_per_min", found.rate_kpa_per_min, found.reason)
        row.put("leak_se", found.error_kpa_per_min, found.reason)
        row.values["completion"] = "cut_off" if cut else "complete"
    else:
        row.values["kind"] = "unknown"
        row.values["completion"] = "cut_off" if cut else "aborted"
        row.reasons["leak_kpa_per_min"] = "hold_too_short"
    row.null(EXPOSURE + SAWTOOTH + ("heat_up_s", "setpoint_c"), "no_heating")
    return row, end


def finish(rows: list[Row]) -> list[dict[str, Any]]:
    """Return plain dictionaries with the reasons as JSON."""
    return [{**r.values, "null_reasons": json.dumps(r.reasons, sort_keys=True)} for r in rows]


_ = BAND_WIDTH_K
