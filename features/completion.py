"""How a cycle ended, as far as its trace shows."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from ..shared.programs import shortest_published_hold
from .crossing import median
from .events import BREAK_S, EXHAUST_K_PER_MIN
from .plateau import superheated
from .quick import diff, true_at
from .row import Place, Row, finite
from .samples import FloatArray, Samples

CUT_K: Final = 1.0
"""A hold that never fell further below its set point lacked no mains (no source)."""
CUT_LEAST_S: Final = 15.0
"""A fall over less is no loss of mains that could be told from noise (no source)."""
DIP_K: Final = 3.0
"""So far under the set point no thermostat swings by itself (no source)."""
SWITCHED_K: Final = 1.0
SWITCHED_TIMES: Final = 2
PRESSED_KPA: Final = 125.0
"""So many rises of at least so much after a fall, above this pressure, are a regulator's: it is
well above any atmosphere (no source)."""
HELD_SHARE: Final = 0.85
"""A hold counts as kept from this share on: samples 30 s apart show 210 s of 240 s (no source)."""
MAINS_SHARE: Final = 0.3
"""A mains voltage below this share of its median was lost (no source)."""
LOST_HOLD_S: Final = 120.0
LOST_INTERVALS: Final = 5.0
LOST_TOP_K: Final = 1.0
TOP_SAMPLES: Final = 5
"""Samples lost for longer than this within so many samples and kelvins of the top may have
held the rest of the climb and its hold: nobody is said to have broken it off (no source)."""
UNDER_PRESSURE_C: Final = 112.0
"""Pulses and purges of air removal stay below this as a rule (no source)."""


def completion(
    row: Row,
    samples: Samples,
    start: int,
    hot: int,
    exhaust: int,
    end: int,
    finished: bool,
    place: Place,
    got: bool,
) -> str:
    """Return complete, aborted, power_cut or cut_off.

    Parameters
    ----------
    start, hot, exhaust, end
        First sample of the cycle, of its main steam, last before the fall, last.
    finished
        The cycle is over: at atmosphere again, or dried.
    got
        The set point was reached, or a plateau just under it.

    Notes
    -----
    A hold shorter than the program's is told from the program, which is known
    only later: see ``assign_programs``.
    """
    if _begins_hot(samples, start, place):
        row.reasons["started_at"] = "export_starts_in_mid_cycle"
        return "cut_off"
    if not finished and place.last:
        return "cut_off"
    if _mains_lost(samples, start, exhaust) or _sagged(row, samples, hot, exhaust, end):
        return "power_cut"
    if not finished and _lost_samples(samples, exhaust, end):
        return "cut_off"
    if got:
        return "complete"
    return "cut_off" if _lost_at_top(samples, hot, exhaust, end) else "aborted"


def _begins_hot(samples: Samples, start: int, place: Place) -> bool:
    """Return whether the record begins in mid-cycle, at its very start or after a long gap.

    Where extraction goes on right behind the cycle before, the record does not begin there.
    """
    time = samples.time_s
    before = time[start - 1] if start > 0 else place.previous_end_s
    return bool(samples.temp_c[start] > 95.0) and not time[start] - before <= BREAK_S


def _mains_lost(samples: Samples, start: int, end: int) -> bool:
    if samples.mains_v is None:
        return False
    volts = finite(samples.mains_v[start : end + 1])
    return bool(len(volts)) and bool(volts.min() < MAINS_SHARE * median(volts))


def _lost_samples(samples: Samples, exhaust: int, end: int) -> bool:
    """Return whether the samples break off in or after the exposure."""
    return end - exhaust <= 1


def _sagged(row: Row, samples: Samples, hot: int, exhaust: int, end: int) -> bool:
    """Return whether heat went missing once under pressure, by itself, and came back or not.

    One single slow fall, deeper than the saw-tooth's, that no exhaust caused:
    the chamber was shut and without power. A thermostat's swings repeat, a weak
    heater's sag lasts: neither counts.
    """
    held = "exposure_start" in row.values and _held_long_enough(row)
    if held:
        least = float(row.values.get("exposure_min_c", np.nan))
        if least > float(row.values["setpoint_c"]) - CUT_K:
            # A full hold that never left the band lacked no mains, whatever dipped before it:
            # a boiler's pump lets in cold water, a regulator overshoots once.
            return False
    noise = float(row.values.get("noise_k", 0.0))
    if _regulated_below(samples, exhaust, end, noise):
        return False
    part = slice(hot, exhaust + 1)
    temp, time = samples.temp_c[part], samples.time_s[part]
    # Without steam a fall is the dry walls', or the last steam's: no mains are needed for it.
    dry = superheated(temp, samples.pressure_kpa[part], samples.boiling_c[part])
    if len(temp) < 8 or dry[-2:].all():
        return False
    if dry.any():
        temp, time = temp[~dry], time[~dry]
    first = len(temp)
    if "exposure_start" in row.values:
        first = int(time.searchsorted(row.values["exposure_start"] / 1000.0 - 1e-6))
        swing = _usual_swing(_without_one_dip(temp[first:], float(row.values["setpoint_c"])))
        if _one_slow_fall(
            time[first:], temp[first:], max(2.2 * swing, CUT_K + swing), noise, ended=held
        ):
            return True
    # Before steam is well under pressure a fall is a pulse, a purge or cold water let in.
    warm = true_at(temp[:first] > UNDER_PRESSURE_C)
    if not len(warm):
        return False
    early = slice(int(warm[0]), first)
    return _one_slow_fall(time[early], temp[early], 3.0, noise)


def _held_long_enough(row: Row) -> bool:
    """Return whether the exposure lasted as long as any published one at its set point."""
    setpoint = float(row.values.get("setpoint_c", np.nan))
    published = shortest_published_hold("unknown", setpoint) if np.isfinite(setpoint) else None
    return (
        published is not None
        and row.values["exposure_s"] >= HELD_SHARE * 60.0 * published.hold_min
    )


def _lost_at_top(samples: Samples, hot: int, exhaust: int, end: int) -> bool:
    """Return whether samples are lost from the end of a climb on, for long enough for a hold."""
    steps = diff(samples.time_s[exhaust : min(exhaust + TOP_SAMPLES, end) + 1])
    steps = steps[: _near_top(samples.temp_c, exhaust, len(steps))]
    before = slice(max(hot, exhaust - 2 * TOP_SAMPLES), exhaust + 1)
    if len(steps) == 0 or before.stop - before.start < TOP_SAMPLES:
        return False
    climbed = samples.temp_c[exhaust] >= samples.temp_c[before].max() - LOST_TOP_K
    usual = median(diff(samples.time_s[before]))
    return bool(climbed) and float(steps.max()) > max(LOST_HOLD_S, LOST_INTERVALS * usual)


def _near_top(temp: FloatArray, exhaust: int, count: int) -> int:
    """Return how many steps after a top begin near it."""
    below = true_at(temp[exhaust : exhaust + count] < temp[exhaust] - LOST_TOP_K)
    return int(below[0]) if len(below) else count


def _one_slow_fall(
    time: FloatArray, temp: FloatArray, least: float, noise: float, *, ended: bool = False
) -> bool:
    """Return whether temperature fell once, slowly and steadily, by ``least`` or more.

    With ``ended`` a fall into the end does not count: after a full hold it is
    a slow exhaust, or heated drying.
    """
    if len(temp) < 8:
        return False
    peak = np.maximum.accumulate(temp)
    deep = peak - temp > max(least, 8.0 * noise)
    if not deep.any():
        return False
    edges = true_at(diff(np.concatenate(([0], deep.astype(np.int8), [0]))))
    runs = edges.reshape(-1, 2)
    if len(runs) > 3:
        return False
    a, b = int(runs[0][0]), int(runs[0][1])
    top = int(true_at(temp[: a + 1] >= peak[a] - max(0.3, 3.0 * noise))[-1])
    low = top + int(np.argmin(temp[top:b]))
    seconds = float(time[low] - time[top])
    interval = float(time[-1] - time[0]) / (len(time) - 1)
    rate = float(temp[top] - temp[low]) / max(seconds, 1.0) * 60.0
    if b == len(temp) and low >= b - 2:  # into the exhaust: a late knee must not count
        return not ended and seconds > max(90.0, 4.0 * interval) and rate < 0.6 * EXHAUST_K_PER_MIN
    return seconds > max(CUT_LEAST_S, 2.0 * interval) and rate < EXHAUST_K_PER_MIN


def _regulated_below(samples: Samples, first: int, last: int, noise: float) -> bool:
    """Return whether steam under pressure was heated again and again after a fall.

    Where air stays in, a regulator that follows pressure is content with a chamber too cold:
    temperature falls to that level and swings there. Its heater had mains all the time.
    """
    part = slice(first, last + 1)
    temp, pressure = samples.temp_c[part], samples.pressure_kpa[part]
    # Without a pressure it can't be told from walls that swing in a heated drying.
    shut = (pressure > PRESSED_KPA) & ~superheated(temp, pressure, samples.boiling_c[part])
    return _rises(temp[shut], max(SWITCHED_K, 8.0 * noise)) >= SWITCHED_TIMES


def _rises(temp: FloatArray, least: float) -> int:
    """Count the times that temperature turned and rose by ``least`` from a low to a top."""
    count, low, top, rising = 0, math.inf, -math.inf, False
    for value in temp.tolist():
        if rising:
            top = max(top, value)
            if top - value > least:
                rising, low = False, value
        else:
            low = min(low, value)
            if value - low > least:
                rising, top, count = True, value, count + 1
    return count


def _without_one_dip(temp: FloatArray, setpoint: float) -> FloatArray:
    """Return an exposure without its one deep dip, if it has one: a hold of 3 min may sag for 6.

    What swings again and again is left as it is.
    """
    edges = diff(np.concatenate(([0], (temp < setpoint - DIP_K).astype(np.int8))))
    return temp[temp >= setpoint - CUT_K] if np.count_nonzero(edges > 0) == 1 else temp


def _usual_swing(temp: FloatArray) -> float:
    """Return the usual distance from the exposure's highs down to its lows."""
    if len(temp) < 8:
        return 1.0
    # Of values spread evenly, 95 less 40 % is 0.55 of the swing; a dip of a third does no harm.
    low, high = np.percentile(temp, (40.0, 95.0))
    return float(high - low) / 0.55
