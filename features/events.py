"""Steam, vacuum and boiling in a trace: the raw matter of cycles.

Events are found from fixed physical thresholds with hysteresis, so that no
statistic of the whole trace enters: pressurised steam (pressure well above any
atmosphere, or, without a pressure channel, temperature above any boiling point
of water at atmosphere); vacuum (below any atmosphere); and boiling that never
came under pressure.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from ..shared.steam import t_sat_c
from .plateau import sustained_top
from .quick import diff, share_of, true_at
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
REST_RISE_K: Final = 0.7
"""Pressure flat within REST_KPA for REST_S outside steam and vacuum parts two cycles: a
door was opened (no source; the shortest door opening is taken as a minute and a half)."""
OPENED_C: Final = 88.0
SHUT_S: Final = 900.0
"""An opened chamber cools below this [°C] within this time, a shut one full of steam stays near
boiling (no source)."""
BREAK_S: Final = 1200.0
"""A gap in the samples this long ends a cycle, and one in the pressure a vacuum (no source)."""
UNRESTED_S: Final = 1800.0
"""So long without steam and vacuum parts two cycles, whatever the pressure did (no source)."""
FILLING_S: Final = 5400.0
"""A weak heater may fill an evacuated chamber with steam for so long (no source)."""
BOIL_ON_C: Final = 70.0
BOIL_OFF_C: Final = 64.0
"""Hotter than any room, cooler than water boils at any site (no source)."""
BOIL_NEAR_K: Final = 1.5
"""This near to the boiling point for a minute, water boiled (no source)."""
BOIL_LONG_S: Final = 600.0
BOIL_RISE_KPA: Final = 2.0
"""Boiling this long lifts the pressure this much through the vent's resistance (no source)."""
HOLD_S: Final = 120.0
HOLD_C: Final = 113.0
"""Steam near its top this long, and this hot, is an exposure and no pulse (no source)."""
EXHAUST_K_PER_MIN: Final = 6.0
"""A chamber shut off from its heater falls slower than this; an exhaust is faster (no source)."""
REDRIED_K: Final = 10.0
"""Drying boils water this far below the hold at least (no source: 121 and 134 °C are 13 K
apart, and a program started at once heats its chamber)."""
DRYING_S: Final = 180.0
"""The first vacuum after an exposure is its drying if it lasts this long (no source)."""
TEST_S: Final = 780.0
"""A vacuum this long after drying and an air inlet is a leak test: 5 min of settling, 10 of
measuring, less coarse ends (common practice)."""
OPENED_KPA: Final = 70.0
"""Air was let in between two vacua where the pressure came up to this (see VACUUM_OFF_KPA)."""
BOIL_CLIMB_S: Final = 1500.0
"""Climbing this long above 60 °C is no preheating (no source)."""
DRY_C: Final = 113.0
"""Heat at atmosphere that no wet chamber has; the lowest program is at 115 °C [°C]."""
RESTARTED_C: Final = 92.0
"""An opened chamber that is started again was cooler than this in between [°C] (no source)."""
DRY_CLIMB_S: Final = 3600.0
DRY_LONGEST_S: Final = 3.0 * 3600.0
"""A try without water climbs and ends within these [s] (no source)."""
PULSE_GAP_S: Final = 360.0
"""Without pressure, steam within this time after a short peak belongs to it (no source)."""
REFILL_S: Final = 900.0
"""A chamber of a vacuum pulse cools and is full of steam again within this (no source)."""


@dataclass(frozen=True)
class Event:
    """Samples ``start`` to ``stop`` (not included) of ``steam``, ``vacuum`` or ``boil``."""

    kind: str
    start: int
    stop: int


def find_events(samples: Samples) -> list[Event]:
    """Return all steam, vacuum and boil events in time order."""
    temp, pressure = samples.temp_c, samples.pressure_kpa
    known = np.isfinite(pressure)
    gaps = true_at(diff(samples.time_s) > BREAK_S) + 1
    on = np.where(known, (pressure > STEAM_ON_KPA) & (temp > STEAM_LEAST_C), temp > STEAM_ON_C)
    off = np.where(
        known, (pressure < STEAM_OFF_KPA) | (temp < STEAM_LEAST_C - 2.0), temp < STEAM_OFF_C
    )
    found = [Event("steam", a, b) for a, b in _runs(on, off, gaps)]
    if known.any():
        over = (known & (pressure > VACUUM_OFF_KPA)) | _lost(samples.time_s, known)
        low = _runs(known & (pressure < VACUUM_ON_KPA), over, gaps)
        found += [Event("vacuum", a, b) for a, b in low]
        found.sort(key=lambda e: e.start)
    boiled = [
        Event("boil", a, b)
        for run in _runs(temp > BOIL_ON_C, temp < BOIL_OFF_C, gaps)
        for a, b in _tries(temp, *run)
        if a > 0 and not any(e.start < b and e.stop > a for e in _near(found, a, b))
        if _boiled(samples, a, b) or heated_dry(samples, a, b)
    ]
    return sorted(found + boiled, key=lambda e: e.start) if boiled else found


def _lost(time: FloatArray, known: BoolArray) -> BoolArray:
    """Return the samples of holes in the pressure that last as long as a break, shape (n,).

    A channel that dies in a vacuum shows no end of it, and no later cycle belongs to it.
    """
    if known.all():
        return ~known
    place, seen = true_at(known), np.cumsum(known)
    before = time[place[np.maximum(seen - 1, 0)]]
    after = np.append(time[place], time[-1])[seen]
    return np.asarray(~known & (seen > 0) & (after - before > BREAK_S))


def _tries(temp: FloatArray, start: int, stop: int) -> list[tuple[int, int]]:
    """Return the parts of a hot stretch, cut at the lowest place between two dry heats.

    An opened chamber that is started again cools well below boiling in between;
    one that is heated for drying does not.
    """
    part = temp[start:stop]
    heats = _runs(part > DRY_C, part < RESTARTED_C, np.zeros(0, dtype=np.int64))
    parts: list[tuple[int, int]] = []
    base = start
    for before, after in pairwise(heats):
        low = before[1] + int(np.argmin(part[before[1] : after[0]]))
        # What is read again later begins hot, so that the same two heats are seen.
        hot = before[0] + int(true_at(part[before[0] : before[1]] > DRY_C)[-1])
        parts.append((start, base + hot))
        start = base + low
    return [*parts, (start, stop)]


def _near(events: list[Event], start: int, stop: int) -> list[Event]:
    """Return the events of a sorted list that might overlap a span."""
    k = bisect_right(events, start, key=lambda e: e.start)
    return events[max(0, k - 1) : bisect_right(events, stop, key=lambda e: e.start)]


def _boiled(samples: Samples, start: int, stop: int) -> bool:
    """Return whether heating without pressure made steam, or went on and on without.

    A weak heater times out at or under the boiling point. Preheating of an
    empty chamber stays under boiling, and its thermostat holds it there.
    """
    time, temp = samples.time_s[start:stop], samples.temp_c[start:stop]
    if len(temp) < 4:
        return False
    part = samples.pressure_kpa[start:stop]
    part = part[np.isfinite(part)]
    boiling = float(t_sat_c(float(np.median(part)))) if len(part) else 100.0
    keep = max(1, int(len(temp) * min(1.0, 60.0 / max(float(time[-1] - time[0]), 1.0))))
    top = float(np.partition(temp, len(temp) - keep)[len(temp) - keep])
    if abs(top - boiling) < BOIL_NEAR_K or _boiled_long(samples, start, stop):
        return True
    peak = int(np.argmax(temp))
    before = slice(max(0, int(samples.time_s.searchsorted(time[0] - 3600.0))), start + 1)
    warm = true_at(samples.temp_c[before] < 60.0)
    since = samples.time_s[before.start + int(warm[-1])] if len(warm) else time[0]
    half = int(time.searchsorted(time[peak] - 0.4 * (time[peak] - since)))
    climbing = top < boiling + BOIL_NEAR_K and float(temp[peak] - temp[min(half, peak)]) > 2.5
    return bool(climbing and float(time[peak] - since) > BOIL_CLIMB_S)


def heated_dry(samples: Samples, start: int, stop: int) -> bool:
    """Return whether a chamber at atmosphere was heated as for steam, without water.

    It climbs in minutes to where only steam under pressure would be, and is let
    cool again within hours; a jacket stays hot for the day.
    """
    part = slice(start, stop)
    time, temp, pressure = samples.time_s[part], samples.temp_c[part], samples.pressure_kpa[part]
    if len(temp) < 4 or share_of(np.isfinite(pressure)) < 0.5:
        return False
    top = sustained_top(time, temp)
    if top < DRY_C or float(time[-1] - time[0]) > DRY_LONGEST_S:
        return False
    climb = float(time[int(np.argmax(temp >= top - 3.0))] - time[0])
    return climb < DRY_CLIMB_S


def _boiled_long(samples: Samples, start: int, stop: int) -> bool:
    """Return whether water boiled on and on; what came later may have run dry."""
    time, temp = samples.time_s[start:stop], samples.temp_c[start:stop]
    pressure = samples.pressure_kpa[start:stop]
    known = np.isfinite(pressure)
    if share_of(known) < 0.5:
        return False
    near = known & (np.abs(temp - t_sat_c(np.where(known, pressure, 100.0))) < BOIL_NEAR_K)
    if share_of(near) * float(time[-1] - time[0]) < BOIL_LONG_S:
        return False
    rest = float(np.median(pressure[known][: max(3, int(0.05 * known.sum()))]))
    return float(np.median(pressure[near])) - rest > BOIL_RISE_KPA


def _runs(on: BoolArray, off: BoolArray, gaps: IntArray) -> list[tuple[int, int]]:
    """Return runs from where ``on`` is true to where ``off`` is; gaps end a run."""
    if not on.any():
        return []
    state = np.zeros(len(on), dtype=np.int8)
    state[on] = 1
    state[off] = -1
    if len(gaps):
        start = state[gaps]
        state[gaps] = np.where(start == 0, -1, start)
    place = np.where(state != 0, np.arange(len(state)), 0)
    np.maximum.accumulate(place, out=place)
    held = state[place] > 0
    edge = true_at(held[1:] != held[:-1]) + 1
    if len(gaps):
        inside = gaps[held[gaps] & held[gaps - 1]]
        edge = np.sort(np.concatenate((edge, inside, inside)))
    bounds = np.concatenate(([0], edge, [len(held)]))
    first = 0 if held[0] else 1
    return [(int(bounds[k]), int(bounds[k + 1])) for k in range(first, len(bounds) - 1, 2)]


def parted(samples: Samples, before: Event, after: Event) -> bool:
    """Return whether the chamber rested at atmosphere between two events."""
    time, temp = samples.time_s, samples.temp_c
    a, b = before.stop - 1, after.start
    span = time[b] - time[a]
    if "boil" in (before.kind, after.kind):
        return True
    if b <= a:
        return False  # a hot wall beside a vacuum whose pressure is not believed: they overlap
    if float(np.max(diff(time[a : b + 1]))) > BREAK_S:
        return True
    if span < REST_S:
        return False
    part = samples.pressure_kpa[a : b + 1]
    known = np.isfinite(part)
    if span > UNRESTED_S:
        filling = before.kind == "vacuum" and after.kind == "steam" and span < FILLING_S
        even = known.sum() >= 0.5 * len(part) and known.sum() > 1
        return not (filling and even and _steaming(part[known], temp[a : b + 1][known]))
    shut = span < SHUT_S and float(temp[a : b + 1].min()) > OPENED_C
    if known.sum() >= 0.5 * len(part):
        if before.kind == "steam" and shut:
            return False
        if before.kind == "vacuum" and _steaming(part[known], temp[a : b + 1][known]):
            return False
        return _rested(time[a : b + 1][known], part[known], temp[a : b + 1][known])
    if before.kind == "steam" and after.kind == "steam":
        level = _top(temp[before.start : before.stop])
        later = _top(temp[after.start : after.stop])
        short = time[before.stop - 1] - time[before.start] < 240.0
        # A pulse never comes near an exposure; what does may have been stopped and opened.
        longest = PULSE_GAP_S if level > HOLD_C else REFILL_S
        if short and span < longest and later > level - 4.0:
            return False
        if shut and later < min(level - 4.0, 120.0):
            return False  # walls heated for drying
        return bool(temp[a : b + 1].min() < 95.0) or _fell_fast(samples, before)
    return bool(span > PULSE_GAP_S)


def _top(values: FloatArray) -> float:
    return float(np.partition(values, -min(3, len(values)))[-min(3, len(values))])


def _fell_fast(samples: Samples, event: Event, least_k_per_min: float = 4.0) -> bool:
    """Return whether a steam event ended by an exhaust and not by slow cooling."""
    time, temp = samples.time_s, samples.temp_c
    top = _top(temp[event.start : event.stop])
    high = true_at(temp[event.start : event.stop] >= top - 4.0)
    start = event.start + int(high[-1])
    stop = min(event.stop, len(time) - 1)
    minutes = max(time[stop] - time[start], 1.0) / 60.0
    return bool((temp[start] - temp[stop]) / minutes > least_k_per_min)


def _steaming(pressure: FloatArray, temp: FloatArray) -> bool:
    """Return whether a vacuum was filled with steam, however slowly, and not with air."""
    if float((np.maximum.accumulate(temp) - temp).max()) > 3.0 or temp[-1] < temp[0] + 5.0:
        return False
    full = true_at(pressure > 90.0)
    return bool(len(full)) and float(temp[full[0]]) > 75.0


def _rested(time: FloatArray, pressure: FloatArray, temp: FloatArray) -> bool:
    """Return whether pressure stood still for REST_S, or four intervals where they are long.

    Where temperature rises meanwhile, a weak heater is making steam slowly.
    """
    n = len(time)
    if n < 4:
        return False
    window = max(REST_S, 4.0 * float(time[-1] - time[0]) / (n - 1))
    end = time.searchsorted(time + window)
    start = true_at(end < n)
    if not len(start):
        return False
    even, warm = pressure, temp
    if n >= 9 and window == REST_S:
        even, warm = _medians(pressure), _medians(temp)
    flat = warm[end[start]] - warm[start] < REST_RISE_K
    flat &= np.ones(len(start), dtype=bool)
    for share in (0.25, 0.5, 0.75, 1.0):
        place = time.searchsorted(time[start] + share * window)
        flat &= np.abs(even[place] - even[start]) < REST_KPA
    return bool(flat.any())


def _medians(values: FloatArray) -> FloatArray:
    """Return running medians of five, the ends as they are."""
    a, b, c, d, e = (values[k : len(values) - 4 + k] for k in range(5))
    # The lowest of two pairs and the highest are not the middle of five: it is that of the rest.
    low = np.maximum(np.minimum(a, b), np.minimum(d, e))
    high = np.minimum(np.maximum(a, b), np.maximum(d, e))
    middle = np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), c))
    return np.concatenate((values[:2], middle, values[-2:]))


def clusters(samples: Samples, events: list[Event]) -> list[list[Event]]:
    """Group events into lists that hold one cycle, or several without a rest between."""
    groups: list[list[Event]] = []
    for event in events:
        if groups and not parted(samples, groups[-1][-1], event):
            groups[-1].append(event)
        else:
            groups.append([event])
    return [part for group in groups for part in _separate(samples, group)]


def _separate(samples: Samples, group: list[Event]) -> list[list[Event]]:
    """Part a group where a second exposure follows a first and a vacuum or an exhaust.

    A cycle started right after another, behind a closed door or on a hot
    jacket, leaves no rest; but only a new cycle evacuates between two holds, and
    a power cut lets the steam go slowly.
    """
    for k in range(1, len(group)):
        if _tested_after(samples, group, k):
            return [*_separate(samples, group[:k]), *_separate(samples, group[k:])]
    holds = [k for k, e in enumerate(group) if e.kind == "steam" and _holds(samples, e)]
    parts: list[list[Event]] = []
    start = 0
    for before, after in pairwise(holds):
        between = [k for k in range(before + 1, after) if group[k].kind == "vacuum"]
        if not between:
            if _fell_fast(samples, group[before], EXHAUST_K_PER_MIN) and not _dried_shut(
                samples, group[before], group[after]
            ):
                parts.append(group[start : before + 1])
                start = before + 1
            continue
        first = group[between[0]]
        drying = samples.time_s[first.stop - 1] - samples.time_s[first.start] >= DRYING_S
        cut = between[0] + 1 if drying else between[0]
        parts.append(group[start:cut])
        start = cut
    return [*parts, group[start:]]


def _dried_shut(samples: Samples, before: Event, after: Event) -> bool:
    """Return whether steam that came again after an exhaust is the drying's, its vent shut.

    Right after the exhaust the pressure comes back in a chamber that only cools:
    what is left of the water boils off its hot walls, well below the hold before.
    """
    time, temp = samples.time_s, samples.temp_c
    first, last = before.stop - 1, after.start
    if time[last] - time[first] > REST_S or temp[last] > temp[first]:
        return False
    level = sustained_top(time[before.start : before.stop], temp[before.start : before.stop])
    later = sustained_top(time[after.start : after.stop], temp[after.start : after.stop])
    return later < level - REDRIED_K


def _tested_after(samples: Samples, group: list[Event], k: int) -> bool:
    """Return whether event k is a leak test begun right after the drying before it.

    Air was let in up to the atmosphere between two long vacua, and no steam follows.
    """
    before, after = group[k - 1], group[k]
    if before.kind != "vacuum" or any(e.kind != "vacuum" for e in group[k:]):
        return False
    time, pressure = samples.time_s, samples.pressure_kpa
    lasted = [time[e.stop - 1] - time[e.start] for e in (before, after)]
    if lasted[0] < DRYING_S or lasted[1] < TEST_S:
        return False
    return bool(np.nanmax(pressure[before.stop : after.start + 1]) > OPENED_KPA)


def _holds(samples: Samples, event: Event) -> bool:
    """Return whether steam stayed near its top for long enough to be an exposure."""
    time = samples.time_s[event.start : event.stop]
    temp = samples.temp_c[event.start : event.stop]
    if len(time) < 2 or float(time[-1] - time[0]) < HOLD_S:
        return False
    top = sustained_top(time, temp)
    near = share_of(temp >= top - 3.5) * float(time[-1] - time[0])
    return top >= HOLD_C and near >= HOLD_S
