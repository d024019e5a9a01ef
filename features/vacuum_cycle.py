"""Cycles without steam: leak tests, and those broken off in air removal."""

from __future__ import annotations

from typing import Final

import numpy as np

from ..shared.config import Limits, Unit
from ..shared.steam import KELVIN, f0_min
from . import heatup, leak, vacuum
from .events import Event
from .on_change import Recorded
from .row import (
    EXPOSURE,
    SAWTOOTH,
    Place,
    Row,
    add_channel,
    add_circumstances,
    begin,
    finite,
    local_atmosphere,
    noise_of,
)
from .samples import Samples

DRYING_IDLE_S: Final = 1800.0
DRYING_WARM_C: Final = 60.0
DRYING_LEAST_S: Final = 240.0
"""A single vacuum this long on warm walls soon after a cycle is drying, no test (no source)."""
BLIP_S: Final = 60.0
BLIP_SAMPLES: Final = 3
"""A vacuum shorter than both is a channel's blip (no source)."""
PUMPED_KPA: Final = 12.0
"""A pump that dries a chamber gets below this (no source)."""
ABOVE_PUMPED_KPA: Final = 1.5
"""A vacuum this far above that of the last drying is held, not pumped (no source)."""


def vacuum_cycle(
    samples: Samples,
    vacua: list[Event],
    place: Place,
    unit: Unit,
    limits: Limits,
    *,
    steamed: bool = False,
) -> tuple[Row, int, bool] | None:
    """Return a leak test or a cycle that ended in air removal: row, end, end seen.

    None for drying that goes on after a cycle. Where the vacuum was filled with
    steam, if only for moments, it is no leak test (``steamed``).
    """
    time, temp, pressure = samples.time_s, samples.temp_c, samples.pressure_kpa
    longest = max(vacua, key=lambda e: float(time[e.stop - 1] - time[e.start]))
    noise_p = noise_of(finite(pressure[longest.start : longest.stop]))
    left = max(place.left, int(time.searchsorted(time[vacua[0].start] - heatup.LONGEST_S)))
    start = max(left, heatup.evacuation_start(time, pressure, vacua[0].start, left, noise_p))
    row = begin(samples, start, vacua[-1].stop - 1, unit, place)
    if start >= vacua[-1].stop - 1:
        return None  # all of it belongs to the cycle before
    seconds = float(time[longest.stop - 1] - time[longest.start])
    if seconds < BLIP_S and longest.stop - longest.start < BLIP_SAMPLES:
        return None
    soon = float(row.values.get("idle_before_s", np.inf)) < DRYING_IDLE_S
    warm = soon and temp[start] > DRYING_WARM_C
    if (
        warm
        and len(vacua) == 1
        and seconds > DRYING_LEAST_S
        and not _valve_shut(samples, longest, place.pumped_kpa)
    ):
        return None
    add_channel(row, samples, start, vacua[-1].stop - 1)
    add_circumstances(row, samples, place, start)
    stop = vacua[-1].stop
    right = min(place.right, len(time))
    cut = place.last and stop >= right
    atmosphere = local_atmosphere(row, samples, min(stop, right), right)
    rest = vacuum.stays(
        time[stop:right],
        np.abs(pressure[stop:right] - atmosphere) <= vacuum.AT_ATMOSPHERE_KPA,
        0.0,
    )
    end = min(stop if rest is None else stop + rest, right - 1)
    row.values["ended_at"] = int(samples.time_ms[end])
    row.put("f0_min", f0_min(time[start : end + 1], temp[start : end + 1]), "too_coarse")
    recorded = Recorded(samples, place.left, end)
    steps = recorded.steps(start, end)
    row.put("gap_s", float(steps.max()) if len(steps) else 0.0)
    row.put("heat_start_c", float(temp[start]))
    _test_or_not(row, samples, recorded, longest, limits, cut, steamed)
    row.null((*EXPOSURE, *SAWTOOTH, "heat_up_s", "setpoint_c", "closing_s"), "no_heating")
    return row, end, not cut


def _valve_shut(samples: Samples, event: Event, pumped_kpa: float) -> bool:
    """Return whether a vacuum was held with the pump off, and not pumped on and on.

    A pump goes on down to its limit, such as that of the last drying; a hold
    starts above it, or rises.
    """
    known = np.isfinite(samples.pressure_kpa[event.start : event.stop])
    time = samples.time_s[event.start : event.stop][known]
    pressure = samples.pressure_kpa[event.start : event.stop][known]
    first, last = leak.hold_bounds(time, pressure)
    if time[last] - time[first] < leak.LEAST_HOLD_S:
        return False
    hold_t, hold = time[first : last + 1], pressure[first : last + 1]
    early = float(np.median(hold[hold_t <= hold_t[0] + 150.0]))
    late = float(np.median(hold[hold_t >= hold_t[-1] - 150.0]))
    noise = noise_of(hold)
    limit = np.fmin(PUMPED_KPA, pumped_kpa + max(ABOVE_PUMPED_KPA, noise))
    return bool(late - early > max(0.3, noise) or min(early, late) > limit)


def _test_or_not(
    row: Row,
    samples: Samples,
    recorded: Recorded,
    event: Event,
    limits: Limits,
    cut: bool,
    steamed: bool,
) -> None:
    """Fill kind, completion and leakage."""
    known = np.isfinite(samples.pressure_kpa[event.start : event.stop])
    time = samples.time_s[event.start : event.stop][known]
    temp = samples.temp_c[event.start : event.stop][known]
    pressure = samples.pressure_kpa[event.start : event.stop][known]
    row.put("vacuum_min_kpa", float(pressure.min()))
    row.put("air_removal_vacuum_kpa", float(pressure.min()))
    row.values["pulse_count"] = 0
    first, last = leak.hold_bounds(time, pressure)
    held = float(time[last] - time[first])
    if held < leak.LEAST_HOLD_S:
        # Walls that cool take the pressure of what they hold down with them (p/T constant).
        kelvin = temp + KELVIN
        first, last = leak.hold_bounds(time, pressure * (float(kelvin.min()) / kelvin))
        held = float(time[last] - time[first])
    lost = None if steamed else leak.lost_vacuum(time, temp, pressure)
    if lost is not None:
        row.values["kind"] = "leak_test"
        row.values["completion"] = "cut_off" if cut else "complete"
        row.put("leak_kpa_per_min", lost.rate_kpa_per_min)
        row.put("leak_se", lost.error_kpa_per_min)
    elif held >= leak.LEAST_HOLD_S and not steamed:
        row.values["kind"] = "leak_test"
        row.values["completion"] = "cut_off" if cut else "complete"
        hold = slice(first, last + 1)
        steps = recorded.steps(event.start + first, event.start + last) if known.all() else None
        found = leak.leak_rate(
            time[hold],
            temp[hold],
            pressure[hold],
            start_limit_kpa=limits.leak_start_kpa,
            steps=steps,
        )
        row.put("leak_kpa_per_min", found.rate_kpa_per_min, found.reason)
        row.put("leak_se", found.error_kpa_per_min, found.reason)
        # A pump that runs at its limit would keep any leak within bounds.
        stopped = bool(found.reason) and leak.pump_stopped(time, pressure, first)
        if stopped and np.isfinite(found.low_kpa_per_min):
            row.values["leak_low_kpa_per_min"] = found.low_kpa_per_min
        if stopped and np.isfinite(found.high_kpa_per_min):
            row.values["leak_high_kpa_per_min"] = found.high_kpa_per_min
    else:
        row.values["kind"] = "unknown"
        row.values["completion"] = "cut_off" if cut else "aborted"
        row.reasons["leak_kpa_per_min"] = "steam_let_in" if steamed else "hold_too_short"
