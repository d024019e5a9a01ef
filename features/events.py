"""Steam and vacuum in a trace: the raw matter of cycles.

Two kinds of event, each found from fixed physical thresholds with hysteresis,
so that no statistic of the whole trace enters: pressurised steam (pressure well
above any atmosphere, or, without a pressure channel, temperature above any
boiling point of water at atmosphere), and vacuum (below any atmosphere).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from .samples import BoolArray, FloatArray, IntArray, Samples

STEAM_ON_KPA: Final = 115.0
STEAM_OFF_KPA: Final = 109.0
"""Above the highest atmosphere at sea level (about 105 kPa) with room for a sensor's zero."""
STEAM_ON_C: Final = 105.0
STEAM_OFF_C: Final = 102.0
"""Above the boiling point of water at the highest atmosphere (about 101 °C)."""
STEAM_LEAST_C: Final = 96.0
"""Cooler than this at any pressure it is not steam, but a pressure channel's zero."""
VACUUM_ON_KPA: Final = 60.0
VACUUM_OFF_KPA: Final = 68.0
"""Below the atmosphere at 3,000 m (70 kPa)."""
REST_S: Final = 90.0
REST_KPA: Final = 2.5
"""Pressure flat within REST_KPA for REST_S outside steam and vacuum parts two cycles: a
door was opened (no source; the shortest door opening is taken as a minute and a half)."""
BREAK_S: Final = 1200.0
"""A gap in the samples this long ends a cycle (no source)."""
PULSE_GAP_S: Final = 360.0
"""Without pressure, steam within this time after a short peak belongs to it (no source)."""


@dataclass(frozen=True)
class Event:
    """Samples ``start`` to ``stop`` (not included) of steam or of vacuum."""

    kind: str
    start: int
    stop: int


def find_events(samples: Samples) -> list[Event]:
    """Return all steam and vacuum events in time order."""
    temp, pressure = samples.temp_c, samples.pressure_kpa
    known = np.isfinite(pressure)
    state = np.zeros(len(temp), dtype=np.int8)
    state[
        np.where(known, (pressure > STEAM_ON_KPA) & (temp > STEAM_LEAST_C), temp > STEAM_ON_C)
    ] = 1
    state[
        np.where(
            known, (pressure < STEAM_OFF_KPA) | (temp < STEAM_LEAST_C - 2.0), temp < STEAM_OFF_C
        )
    ] = -1
    steam = _runs(_held(state))
    found = [Event("steam", a, b) for a, b in steam]
    if known.any():
        state = np.zeros(len(temp), dtype=np.int8)
        state[known & (pressure < VACUUM_ON_KPA)] = 1
        state[known & (pressure > VACUUM_OFF_KPA)] = -1
        found += [Event("vacuum", a, b) for a, b in _runs(_held(state))]
        found.sort(key=lambda e: e.start)
    return found


def quiet(samples: Samples) -> BoolArray:
    """Return where a trace may be cut: no hysteresis is in doubt there."""
    pressure = samples.pressure_kpa
    known = np.isfinite(pressure)
    cool = samples.temp_c < STEAM_LEAST_C - 2.0
    return np.asarray(
        np.where(known, (pressure < STEAM_OFF_KPA) & (pressure > VACUUM_OFF_KPA), True) & cool
    )


def _held(state: IntArray | np.ndarray) -> BoolArray:
    """Return true where the last decided state was on."""
    place = np.where(state != 0, np.arange(len(state)), 0)
    np.maximum.accumulate(place, out=place)
    return np.asarray(state[place] > 0)


def _runs(on: BoolArray) -> list[tuple[int, int]]:
    edge = np.flatnonzero(on[1:] != on[:-1]) + 1
    bounds = np.concatenate(([0], edge, [len(on)])) if len(on) else np.zeros(1, dtype=int)
    first = 0 if len(on) and on[0] else 1
    return [(int(bounds[k]), int(bounds[k + 1])) for k in range(first, len(bounds) - 1, 2)]


def parted(samples: Samples, before: Event, after: Event) -> bool:
    """Return whether the chamber rested at atmosphere between two events."""
    time, temp = samples.time_s, samples.temp_c
    a, b = before.stop - 1, after.start
    span = time[b] - time[a]
    if span < REST_S:
        return False
    if float(np.max(np.diff(time[a : b + 1]))) > BREAK_S:
        return True
    part = samples.pressure_kpa[a : b + 1]
    known = np.isfinite(part)
    if known.sum() >= 0.5 * len(part):
        return _rested(time[a : b + 1][known], part[known])
    if before.kind == "steam" and after.kind == "steam":
        level = _top(temp[before.start : before.stop])
        short = time[before.stop - 1] - time[before.start] < 240.0
        if short and span < PULSE_GAP_S and level < _top(temp[after.start : after.stop]) - 3.0:
            return False
        return float(temp[a : b + 1].min()) < 95.0 or _fell_fast(samples, before)
    return span > PULSE_GAP_S


def _top(values: FloatArray) -> float:
    return float(np.partition(values, -min(3, len(values)))[-min(3, len(values))])


def _fell_fast(samples: Samples, event: Event) -> bool:
    """Return whether a steam event ended by an exhaust and not by slow cooling."""
    time, temp = samples.time_s, samples.temp_c
    top = _top(temp[event.start : event.stop])
    high = np.flatnonzero(temp[event.start : event.stop] >= top - 4.0)
    start = event.start + int(high[-1])
    stop = min(event.stop, len(time) - 1)
    minutes = max(time[stop] - time[start], 1.0) / 60.0
    return bool((temp[start] - temp[stop]) / minutes > 4.0)


def _rested(time: FloatArray, pressure: FloatArray) -> bool:
    """Return whether pressure stood still for REST_S, seen by medians of five samples."""
    end = np.searchsorted(time, time + REST_S)
    mid = np.searchsorted(time, time + 0.5 * REST_S)
    start = np.flatnonzero(end < len(time))
    if not len(start):
        return False
    smooth = pressure
    if len(pressure) >= 5:
        stack = np.lib.stride_tricks.sliding_window_view(pressure, 5)
        smooth = np.concatenate((pressure[:2], np.median(stack, axis=1), pressure[-2:]))
    flat = (np.abs(smooth[end[start]] - smooth[start]) < REST_KPA) & (
        np.abs(smooth[mid[start]] - smooth[start]) < REST_KPA
    )
    return bool(flat.any())


def clusters(samples: Samples, events: list[Event]) -> list[list[Event]]:
    """Group events into lists that hold one cycle, or several without a rest between."""
    groups: list[list[Event]] = []
    for event in events:
        if groups and not parted(samples, groups[-1][-1], event):
            groups[-1].append(event)
        else:
            groups.append([event])
    return groups
