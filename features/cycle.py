"""One cycle: from its events to a row of the cycles table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ..shared.config import Limits, Unit
from ..shared.programs import NOMINAL_SETPOINTS_C, Program
from ..shared.steam import f0_min
from . import heatup, plateau, setpoints, vacuum
from .completion import completion
from .crossing import median
from .events import Event, heated_dry
from .measure import add_exposure, add_heat_up, add_pressure_features
from .on_change import Recorded
from .quick import share_of, true_at
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
from .vacuum_cycle import vacuum_cycle

CALM_S: Final = 1200.0
CALM_SAMPLES: Final = 12
"""Time, and samples at least, before steam or vacuum that tell the channels' noise (no source)."""
AFTER_S: Final = 900.0
"""Samples this long after steam may belong to its fall [s]."""
LEAST_STEAM_S: Final = 20.0
"""Steam for a shorter time is a blip (no source)."""
PRESSURISED_C: Final = 108.0
"""Steam this hot without a set point was a sterilization broken off (no source)."""
LEAST_STEAM_C: Final = 101.5
"""Steam above STEAM_ON_KPA is hotter than this, unless air is in it: 115 kPa boil at 103.5 °C
(IAPWS-IF97), less two kelvin for the channels."""
NO_STEAM: Final = "no_steam"
"""Reason of nulls where the chamber was hot and its pressure far below saturation."""
HOT_IDLE_S: Final = 900.0
"""So soon after a cycle's end, heat at no program's level is the cycle's own (no source)."""


@dataclass(frozen=True)
class Found:
    """A cycle: its row, its last sample, and whether its end was seen."""

    row: Row
    end: int
    finished: bool


def build(
    samples: Samples,
    events: list[Event],
    place: Place,
    unit: Unit,
    limits: Limits,
    earlier: dict[float, float],
    programs: tuple[Program, ...],
) -> Found | None:
    """Return the cycle that a group of events holds.

    None where the events are no cycle: a blip of steam, a drying without a
    cycle.
    """
    steam = [e for e in events if e.kind == "steam"]
    vacua = [e for e in events if e.kind == "vacuum"]
    if events[0].kind == "boil":
        return _boil_only(samples, events[0], place, unit)
    if not steam:
        test = vacuum_cycle(samples, vacua, place, unit, limits)
        return None if test is None else Found(*test)
    found = _steam_cycle(samples, steam, vacua, place, unit, limits, earlier, programs)
    if found is None and vacua and vacua[0].stop <= steam[0].start:
        tried = vacuum_cycle(samples, vacua, place, unit, limits, steamed=True)
        return None if tried is None else Found(*tried)
    return found


def _steam_cycle(
    samples: Samples,
    steam: list[Event],
    vacua: list[Event],
    place: Place,
    unit: Unit,
    limits: Limits,
    earlier: dict[float, float],
    programs: tuple[Program, ...],
) -> Found | None:
    time, temp, pressure = samples.time_s, samples.temp_c, samples.pressure_kpa
    boiling = samples.boiling_c
    main = _main(samples, steam)
    seconds = float(time[main.stop - 1] - time[main.start])
    filled = any(e.stop <= main.start for e in vacua)  # with air in it steam is cooler
    top = float(temp[main.start : main.stop].max())
    if (top < LEAST_STEAM_C and not filled) or seconds < LEAST_STEAM_S:
        return None
    edge = min(int(time.searchsorted(time[main.stop - 1] + AFTER_S)), place.right)
    hot = slice(main.start, max(edge, main.stop))
    noise = noise_of(temp[main.start : main.stop])
    noise_p = noise_of(finite(pressure[main.start : main.stop]))
    others = tuple(p.setpoint_c for p in programs) or (*earlier, *NOMINAL_SETPOINTS_C)
    whole = slice(steam[0].start, main.stop)
    believed = plateau.follows_steam(temp[whole], pressure[whole], boiling[whole])
    flat = plateau.find_plateau(
        time[hot], temp[hot], pressure[hot], boiling[hot], noise, noise_p, others, believed
    )
    exhaust = main.start + flat.exhaust
    before = [e for e in vacua if e.start < main.start + flat.first]
    after = [e for e in vacua if e.start > exhaust]
    start = _start(samples, steam, before, place, noise, noise_p)
    row = begin(samples, start, max(start, exhaust), unit, place)
    noise, noise_p = add_channel(row, samples, start, max(exhaust, start))
    add_circumstances(row, samples, place, start)
    atmosphere = local_atmosphere(row, samples, exhaust, place.right)
    end, over, finished = _end(row, samples, after, exhaust, place, atmosphere, noise, noise_p)
    recorded = Recorded(samples, place.left, min(exhaust + 2, len(time) - 1))
    _close(row, samples, recorded, start, exhaust, end)
    setpoint, known = setpoints.choose_setpoint(flat.level_c, programs, earlier)
    if _hot_idle(row, samples, main, flat.level_c, programs):
        return None
    own = tuple(p.setpoint_c for p in programs) or tuple(earlier)
    away = setpoints.ran_away(flat, time[hot], temp[hot], own)
    if away is not None:
        setpoint, flat = away
        known = True
    usual = earlier.get(setpoint, setpoint + setpoints.OPERATING_K)
    got = away is not None
    got = got or setpoints.kept_time(flat, time[hot], temp[hot], setpoint, programs)
    got = got or setpoints.reached(flat, setpoint, flat.top_c, known, usual, others)
    if flat.levelled_off and not programs and setpoint not in earlier:
        # A tired unit must not coin a program by what it still reaches.
        got = got and not any(s > setpoint + 2.0 for s in earlier)
    got = got and flat.steam
    sags = flat.steam and setpoints.sags(flat, setpoint, flat.top_c, known)
    row.values["plateau_c"] = flat.level_c
    row.put("plateau_s", float(time[exhaust] - time[main.start + flat.first]))
    bounds = None
    passed = None
    if not (got or sags):
        passed = setpoints.stopped_above(flat, float(time[exhaust]), own, place.stopped)
    if passed is not None:
        setpoint = passed
    if got or sags or passed is not None:
        row.values["kind"] = "sterilization"
        row.values["setpoint_c"] = setpoint
        bounds = plateau.exposure_bounds(time[hot], temp[hot], flat.exhaust, setpoint, noise)
    else:
        row.values["kind"] = "sterilization" if flat.top_c >= PRESSURISED_C else "unknown"
        row.null(("setpoint_c",), "no_plateau_at_a_set_point")
    if bounds is None:
        why = "plateau_below_lower_limit" if sags else "set_point_not_reached"
        why = why if flat.steam and not flat.dried_out else NO_STEAM
        row.null(EXPOSURE + SAWTOOTH, why)
        arrival = main.start + flat.first
        last = exhaust
    else:
        arrival, last = main.start + bounds[0], main.start + bounds[1]
        add_exposure(row, samples, recorded, arrival, last, setpoint, limits, noise)
    row.values["exhaust_start"] = int(samples.time_ms[exhaust])
    add_heat_up(row, samples, start, arrival, setpoint, noise, bounds is not None)
    add_pressure_features(
        row,
        samples,
        before,
        place.left,
        start,
        arrival,
        last,
        exhaust,
        end,
        atmosphere,
        recorded,
    )
    row.values["completion"] = completion(
        row,
        samples,
        start,
        max((e.stop for e in before), default=start),
        exhaust,
        end,
        over,
        place,
        got or (sags and flat.regulated),
    )
    return Found(row, end, finished)


def _hot_idle(
    row: Row, samples: Samples, main: Event, level_c: float, programs: tuple[Program, ...]
) -> bool:
    """Return whether, without pressure, walls stayed hot after a cycle, at no program's level.

    Dry heat and steam look alike to a temperature channel alone.
    """
    if not programs or np.isfinite(samples.pressure_kpa[main.start : main.stop]).any():
        return False
    soon = float(row.values.get("idle_before_s", np.inf)) < HOT_IDLE_S
    warm = float(samples.temp_c[max(main.start - 1, 0)]) > plateau.HIGHEST_BOIL_C - 10.0
    lowest = min(p.setpoint_c for p in programs)
    return soon and warm and level_c < lowest - setpoints.NOT_REACHED_K


def _main(samples: Samples, steam: list[Event]) -> Event:
    """Return the steam that holds the exposure; a resumed one is joined to it."""
    time, temp = samples.time_s, samples.temp_c
    tops = [plateau.sustained_top(time[e.start : e.stop], temp[e.start : e.stop]) for e in steam]
    best = int(np.argmax(tops))
    if len(steam) == 1:
        return steam[0]

    def holds(k: int) -> bool:
        e = steam[k]
        near = temp[e.start : e.stop] >= tops[k] - 3.5
        return (
            tops[k] >= tops[best] - 4.0
            and share_of(near) * float(time[e.stop - 1] - time[e.start]) >= plateau.LEAST_HOLD_S
        )

    chosen = [k for k in range(len(steam)) if k == best or holds(k)]
    return Event("steam", steam[chosen[0]].start, steam[chosen[-1]].stop)


def _close(
    row: Row, samples: Samples, recorded: Recorded, start: int, exhaust: int, end: int
) -> None:
    """Add what spans the whole cycle.

    Loggers that are slow in idle are so for one more interval as heating
    begins, and again after the exhaust: those are no gaps.
    """
    time, temp = samples.time_s[start : end + 1], samples.temp_c[start : end + 1]
    row.values["ended_at"] = int(samples.time_ms[end])
    steps = recorded.steps(start + 1, exhaust)
    row.put("gap_s", float(steps.max()) if len(steps) else 0.0)
    row.put("f0_min", f0_min(time, temp), "too_coarse")
    closing = float(samples.time_s[end] - samples.time_s[exhaust])
    row.put("closing_s", closing if closing > 0.0 else np.nan)


def _start(
    samples: Samples,
    steam: list[Event],
    before: list[Event],
    place: Place,
    noise: float,
    noise_p: float,
) -> int:
    """Return the first sample of heating or of evacuation."""
    time, temp = samples.time_s, samples.temp_c
    first = min([steam[0].start, *(e.start for e in before)])
    left = max(place.left, int(time.searchsorted(time[first] - heatup.LONGEST_S)))
    # In coarse samples of an exposure the saw-tooth looks like noise: what is before has none.
    calm = slice(max(left, int(time.searchsorted(time[first] - CALM_S))), first + 1)
    if first + 1 - calm.start >= CALM_SAMPLES:
        noise = min(noise, noise_of(temp[calm]))
        noise_p = min(noise_p, noise_of(finite(samples.pressure_kpa[calm])))
    if before and before[0].start < steam[0].start:
        pump = heatup.evacuation_start(time, samples.pressure_kpa, before[0].start, left, noise_p)
        return max(pump, left)
    return left + heatup.heating_start(time[left : first + 1], temp[left : first + 1], noise)


def _end(
    row: Row,
    samples: Samples,
    after: list[Event],
    exhaust: int,
    place: Place,
    atmosphere: float,
    noise: float,
    noise_p: float,
) -> tuple[int, bool, bool]:
    """Return the last sample of the cycle, if it is over, and if no drying may follow."""
    time, temp, pressure = samples.time_s, samples.temp_c, samples.pressure_kpa
    right = max(place.right, exhaust + 1)
    dry = vacuum.drying(samples, after, exhaust, right, atmosphere, noise_p)
    if dry is not None:
        row.values["drying_start"] = int(samples.time_ms[dry.start])
        row.put("drying_s", float(time[dry.hold_end] - time[dry.start]))
        middle = (dry.start + dry.hold_end) // 2
        row.put("drying_vacuum_kpa", median(finite(pressure[middle : dry.hold_end + 1])))
        if dry.finished:
            row.put("air_inlet_s", float(time[dry.stop] - time[dry.hold_end]))
        else:
            row.reasons["air_inlet_s"] = "cut_off"
        return min(dry.stop, len(time) - 1), dry.finished, dry.finished
    row.null(("drying_vacuum_kpa", "air_inlet_s"), "no_vacuum_drying")
    tail = slice(exhaust, right)
    known = np.isfinite(pressure[tail])
    if known.sum() > 0.5 * max(len(known), 1):
        near = np.abs(pressure[tail] - atmosphere) <= vacuum.AT_ATMOSPHERE_KPA
        rest = vacuum.stays(time[tail], near, vacuum.REST_S)
        if rest is None:  # the channel's zero may have moved in the cycle
            rest = vacuum.stays(time[tail], pressure[tail] < 112.0, vacuum.REST_S)
    else:
        rest = vacuum.stays(time[tail], temp[tail] < 100.0, vacuum.REST_S)
    if rest is None:
        row.null(("drying_s",), "no_drying_seen")
        return max(exhaust, min(right, len(time)) - 1), False, False
    rest += exhaust
    done, heated, seen = vacuum.heated_drying(time[rest:right], temp[rest:right], noise)
    seen = seen or not place.last
    if heated:
        row.values["drying_start"] = int(samples.time_ms[rest])
        row.put("drying_s", float(time[rest + done] - time[rest]))
        return rest + done, seen, seen
    row.null(("drying_s",), "no_vacuum_or_heated_drying")
    short = float(time[right - 1] - time[rest]) < vacuum.HEATED_LEAST_S
    return rest, True, seen or short


def _boil_only(samples: Samples, event: Event, place: Place, unit: Unit) -> Found:
    """Return the row of a cycle that boiled and never came under pressure."""
    time, temp = samples.time_s, samples.temp_c
    left = max(place.left, int(time.searchsorted(time[event.start] - heatup.LONGEST_S)))
    noise = noise_of(temp[event.start : event.stop])
    start = left + heatup.heating_start(
        time[left : event.start + 1], temp[left : event.start + 1], noise
    )
    whole = slice(event.start, event.stop)
    part = temp[whole]
    dry = heated_dry(samples, event.start, event.stop)
    if dry:
        flat = plateau.find_plateau(
            time[whole], part, samples.pressure_kpa[whole], samples.boiling_c[whole], noise, 0.0
        )
        last = event.start + flat.exhaust
    else:
        top = min(plateau.sustained_top(time[whole], part), plateau.HIGHEST_BOIL_C)
        high = true_at(np.abs(part - top) <= 1.0)
        if not len(high):
            high = true_at(part >= top)
        last = event.start + int(high[-1])
    row = begin(samples, start, last, unit, place)
    noise, _ = add_channel(row, samples, start, last)
    add_circumstances(row, samples, place, start)
    recorded = Recorded(samples, left, last)
    _close(row, samples, recorded, start, last, last)
    why = NO_STEAM if dry else "set_point_not_reached"
    row.values["kind"] = "sterilization" if dry else "unknown"
    if dry:
        row.values["plateau_c"] = flat.level_c
        row.put("plateau_s", flat.seconds)
    row.null((*EXPOSURE, *SAWTOOTH, "setpoint_c"), why)
    add_heat_up(row, samples, start, last, 121.0, noise, False)
    add_pressure_features(
        row,
        samples,
        [],
        left,
        start,
        last,
        last,
        last,
        last,
        local_atmosphere(row, samples, last, last),
        recorded,
    )
    cut = place.last and event.stop >= len(time)
    row.values["completion"] = "cut_off" if cut else "aborted"
    return Found(row, last, not cut)
