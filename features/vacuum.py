"""Air-removal pulses, drying, and the vacuum break."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from .crossing import farthest, knee, median
from .events import Event
from .quick import diff, true_at
from .samples import FloatArray, IntArray, Samples

AT_ATMOSPHERE_KPA: Final = 3.0
REST_S: Final = 60.0
"""A cycle is over once the pressure stays this near to atmosphere for so long (the contract)."""
HEATED_LEAST_S: Final = 180.0
"""A chamber that stays this hot this long after the exhaust is heated (no source)."""
HEATED_LONGEST_S: Final = 7200.0
"""The end of heated drying is looked for this far [s] (no source)."""
PULSE_SHARE: Final = 1.0 / 3.0
"""A pulse is complete when this share of the way to the atmosphere is recovered (no source)."""
PULSE_LOW: Final = 0.75
"""A pulse goes below this share of the atmosphere (no source)."""
LEAST_SAMPLES: Final = 4.0
"""Samples in a pulse under which pulses can't be counted (no source)."""
BEFORE_PUMP_S: Final = 60.0
STARTED_SHARE: Final = 0.95
LEAST_START_KPA: Final = 45.0
"""A pump's time is counted from this share of where it began, at most a minute before the event;
from so low a start that little is left to 30 kPa it tells nothing (no source)."""


@dataclass(frozen=True)
class Drying:
    """Vacuum drying as indices into the samples."""

    start: int
    hold_end: int
    stop: int
    finished: bool


def pulses(
    samples: Samples, vacua: list[Event], left: int, exposure: int, atmosphere: float
) -> tuple[float, float, float]:
    """Return completed pulses, median evacuation time 100 to 30 kPa [s], deepest [kPa].

    A pulse is an evacuation after which the pressure recovers by more than a
    third of the way to the atmosphere. NaN for the count where the pulses are
    shorter than four samples.
    """
    pressure, time = samples.pressure_kpa, samples.time_s
    if not vacua:
        return 0.0, float("nan"), float("nan")
    evacuations = [evacuation_seconds(time, pressure, e, left) for e in vacua]
    good = np.asarray([e for e in evacuations if np.isfinite(e)])
    deepest = min(float(np.nanmin(pressure[e.start : e.stop])) for e in vacua)
    part = slice(vacua[0].start, exposure + 1)
    known = np.isfinite(pressure[part])
    when, even = time[part][known], pressure[part][known]
    even = np.minimum(even, atmosphere)
    low = _lows(even, PULSE_SHARE * (atmosphere - deepest))
    low = low[even[low] < PULSE_LOW * atmosphere]
    if len(low) >= 2 and len(when) > 1:
        interval = median(diff(when))
        if median(diff(when[low])) < LEAST_SAMPLES * interval:
            return float("nan"), median(good), deepest
    return float(len(low)), median(good), deepest


def _lows(values: FloatArray, least: float) -> IntArray:
    """Return the lows after which values recover by ``least`` (a hysteresis)."""
    move = np.sign(diff(values))
    turn = true_at((move[1:] > 0) & (move[:-1] <= 0)) + 1
    highs = true_at((move[1:] < 0) & (move[:-1] >= 0)) + 1
    places = np.sort(np.concatenate((turn, highs, [0, len(values) - 1])))
    found: list[int] = []
    low, high = 0, 0
    falling = True
    for k in places.tolist():
        if falling:
            if values[k] < values[low]:
                low = k
            elif values[k] - values[low] > least:
                found.append(low)
                falling, high = False, k
        elif values[k] > values[high]:
            high = k
        elif values[high] - values[k] > least:
            falling, low = True, k
    return np.asarray(found, dtype=np.int64)


def evacuation_seconds(time: FloatArray, pressure: FloatArray, event: Event, left: int) -> float:
    """Return the time [s] from 100 to 30 kPa on the way into a vacuum; NaN if not seen.

    Straight lines of the logarithm between samples: a pump takes an equal share
    in equal times. Where the chamber starts under 100 kPa (a site above sea level,
    low weather, a pulse) the share that was seen is scaled to the whole. Samples before
    ``left`` belong to another cycle: they may be gone when more data arrive.
    """
    part = pressure[event.start : event.stop]
    low = true_at(part < 30.0)
    if not len(low):
        return float("nan")
    k = event.start + int(low[0])
    first = max(left, int(time.searchsorted(time[event.start] - BEFORE_PUMP_S)))
    if first == k:
        return float("nan")  # samples begin within the vacuum
    level = min(100.0, STARTED_SHARE * float(pressure[first:k].max()))
    high = true_at(pressure[first:k] >= level)
    if not len(high) or level < LEAST_START_KPA:
        return float("nan")
    j = first + int(high[-1])
    seconds = _log_crossing(time, pressure, k - 1, 30.0) - _log_crossing(time, pressure, j, level)
    return float(seconds * np.log(100.0 / 30.0) / np.log(level / 30.0))


def _log_crossing(time: FloatArray, pressure: FloatArray, k: int, level: float) -> float:
    a, b = float(pressure[k]), float(pressure[k + 1])
    if not (a > 0.0 and b > 0.0) or a == b:
        return float(time[k])
    share = np.log(a / level) / np.log(a / b)
    return float(time[k] + np.clip(share, 0.0, 1.0) * (time[k + 1] - time[k]))


def drying(
    samples: Samples,
    vacua: list[Event],
    exhaust: int,
    right: int,
    atmosphere: float,
    noise_p: float,
) -> Drying | None:
    """Return the vacuum drying after an exhaust, or None.

    Parameters
    ----------
    vacua
        Vacuum events of the cycle after the exhaust.
    right
        Index beyond which samples belong to the next cycle.
    """
    if not vacua:
        return None
    time, pressure = samples.time_s, samples.pressure_kpa
    first, last = vacua[0], vacua[-1]
    above = true_at(pressure[exhaust : first.start + 1] >= atmosphere - AT_ATMOSPHERE_KPA)
    start = exhaust + int(above[-1]) if len(above) else first.start
    stop = last.stop
    end = min(right, int(time.searchsorted(time[min(stop, len(time) - 1)] + 1800.0)))
    back = true_at(pressure[stop:end] >= atmosphere - AT_ATMOSPHERE_KPA)
    finished = bool(len(back)) and stop < len(time)
    if len(back):
        full = stop + int(back[0])
    else:  # the last that is known of it
        known = true_at(np.isfinite(pressure[stop:end]))
        full = stop + int(known[-1]) if len(known) else stop - 1
    return Drying(start, _break_start(time, pressure, last, full, noise_p), full, finished)


def _break_start(
    time: FloatArray, pressure: FloatArray, event: Event, full: int, noise_p: float
) -> int:
    """Return the last sample of vacuum before air is let in."""
    inside = min(max(event.stop - 1, event.start), len(time) - 1)
    back = max(event.start, int(time.searchsorted(time[inside] - 600.0)))
    stop = min(max(full, inside) + 1, len(time))
    rows = back + true_at(np.isfinite(pressure[back:stop]))
    last = min(int(rows.searchsorted(inside)), len(rows) - 1)
    if last < 2:
        return inside
    return int(rows[knee(time[rows], -pressure[rows], last, noise_p)])


def heated_drying(time: FloatArray, temp: FloatArray, noise: float) -> tuple[int, bool, bool]:
    """Return the end of drying by heated walls, whether there was one, and whether it is seen.

    The samples begin when the chamber is back at atmosphere. A chamber that is
    left to itself cools from then on; one that is heated stays or gets hotter
    until the heat ends or the door opens, when it falls fast.
    """
    n = len(time)
    if n < 4:
        return 0, False, False
    limit = min(n, int(time.searchsorted(time[0] + HEATED_LONGEST_S)))
    ahead = np.minimum(time.searchsorted(time[:limit] + 120.0), n - 1)
    falls = true_at(temp[ahead] - temp[:limit] < -max(5.0, 4.0 * noise))
    seen = bool(len(falls)) or limit < n
    k = int(falls[0]) if len(falls) else limit - 1
    end = farthest(time, temp, k, int(ahead[k]))[0] if len(falls) else k
    if time[end] - time[0] < HEATED_LEAST_S:
        return 0, False, bool(len(falls)) or limit < n
    late = temp[(2 * end) // 3 : end + 1]
    early = temp[: max(2, int(time.searchsorted(time[0] + 60.0)))]
    margin = 1.5 + 2.0 * noise
    heated = median(late) > median(early) - 1.0 and float(late.max()) > float(early.min()) - margin
    if not heated:
        return 0, False, seen
    return end, True, seen


def stays(time: FloatArray, true: np.ndarray, seconds: float) -> int | None:
    """Return the first index from which a condition holds for ``seconds``, or None."""
    if not len(true):
        return None
    false = true_at(~true)
    bounds = np.concatenate(([-1], false, [len(true)]))
    first, stop = bounds[:-1] + 1, bounds[1:] - 1
    good = true_at(
        (stop >= first)
        & (time[np.maximum(stop, 0)] - time[np.minimum(first, len(time) - 1)] >= seconds)
    )
    return int(first[good[0]]) if len(good) else None
