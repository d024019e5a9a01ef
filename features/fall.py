"""Where an exhaust begins."""

from __future__ import annotations

from typing import Final

import numpy as np

from ..shared.steam import t_sat_c
from .crossing import fall_start, knee, noise_sd, usual_fall
from .quick import quantile, true_at
from .samples import FloatArray

NEXT_TO_NONE_C: Final = float(t_sat_c(1.0))
"""Boiling point of a chamber without steam in it, where a channel's zero may read under zero."""
FALL_ROOM_K_PER_S: Final = 0.03
"""A rate that noise must not hide when a saw-tooth's usual fall is read (no source)."""
USUAL_SHARE: Final = 1.3
"""An exhaust falls faster than the saw-tooth by more than this (no source)."""
FALLEN_K: Final = 6.0
"""So far below the lows of the saw-tooth the exhaust is at work (no source)."""
SEEN_SAMPLES: Final = 5
"""A fall of fewer samples shows no rate (no source)."""
LEAST_SWING_K: Final = 0.3
"""The least fall of a saw-tooth that an exhaust may seem to begin with (no source)."""


def exhaust_start(
    time: FloatArray,
    temp: FloatArray,
    pressure: FloatArray,
    boiling: FloatArray,
    first: int,
    last: int,
    noise: float,
    noise_p: float,
) -> int:
    """Return the last sample before the sustained fall of the exhaust.

    Parameters
    ----------
    time, temp, pressure
        Shape (n,); pressure NaN where there is none.
    boiling
        Saturation temperature at the pressure [°C], shape (n,).
    first, last
        First and last sample near the plateau's top.
    noise, noise_p
        SD of the channels' noise [K, kPa].
    """
    if last == len(time) - 1:
        return last  # the samples end before any fall
    back = max(first, int(time.searchsorted(time[last] - 240.0)))
    calm = slice(first, max(first + 1, int(time.searchsorted(time[last] - 45.0))))
    known = np.isfinite(pressure)
    end = min(len(time), int(time.searchsorted(time[last] + 600.0)) + 1)
    if known[back:end].all() and end - back >= 3:
        found = fall_start(time[:end], pressure[:end], 101.0, noise_p, back)
        if found is not None and not _stays_hot(time, temp, pressure, found, noise):
            return _after_last_swing(time[:end], boiling[:end], first, found, noise)
    found = fall_start(time[:end], temp[:end], 98.0, noise, back)
    if found is not None:
        return found
    usual = usual_fall(time[calm], temp[calm], noise, FALL_ROOM_K_PER_S)
    return knee(time, temp, min(last + 1, len(time) - 1), noise, back, usual)


def _after_last_swing(
    time: FloatArray, boiling: FloatArray, first: int, found: int, noise: float
) -> int:
    """Return the start of an exhaust that began in mid-fall of the saw-tooth.

    A slow exhaust after a heater's last turn looks like one fall with it: it
    starts where the fall gets faster than those before. Where it never does, it
    began between the last turn, if that is one of the thermostat's, and where
    the heater would have been switched on again: half-way is taken.
    """
    begin = max(first, int(time.searchsorted(time[found] - 1200.0)))
    boil = np.fmax(boiling[begin:], NEXT_TO_NONE_C)
    t, k = time[begin:], found - begin
    if k < 8:
        return found
    rough = noise_sd(boil[: k + 1])
    rough = rough if np.isfinite(rough) else noise
    usual = usual_fall(t[: k + 1], boil[: k + 1], rough, FALL_ROOM_K_PER_S)
    low, high = (quantile(boil[: k + 1], share) for share in (0.1, 0.9))
    deep = true_at(boil[k:] < min(low, boil[k]) - FALLEN_K)
    if usual <= 0.0 or not len(deep):
        return found
    inside = k + int(deep[0])
    if inside - k < SEEN_SAMPLES:
        return found
    again = k + int(np.argmax(boil[k:inside]))
    rose = boil[again] - boil[k] > max(LEAST_SWING_K, 6.0 * rough)
    if rose:  # heated again after the fall that was found
        k = again
    turn = k + int(true_at(boil[k:] < min(low, boil[k]))[0])
    if boil[turn] - boil[inside] <= USUAL_SHARE * usual * float(t[inside] - t[turn]):
        if boil[k] < high - 0.25 * (high - low) or high - low < max(LEAST_SWING_K, 4.0 * rough):
            return found
        return begin + int(t.searchsorted(0.5 * (t[k] + t[turn])))
    later = knee(t, boil, inside, rough, k, usual)
    fell = float(boil[k] - boil[later])
    if later <= k or fell < max(LEAST_SWING_K, 4.0 * rough):
        return begin + max(k, later)
    as_usual = fell <= USUAL_SHARE * usual * float(t[later] - t[k])
    return begin + later if as_usual and fell < float(np.ptp(boil[: k + 1])) else found


def _stays_hot(
    time: FloatArray, temp: FloatArray, pressure: FloatArray, fall: int, noise: float
) -> bool:
    """Return whether temperature holds while pressure goes: dried out, not exhausted."""
    half = 0.5 * (pressure[fall] - 101.0) + 101.0
    low = true_at(pressure[fall:] < half)
    if not len(low):
        return False
    k = int(time.searchsorted(time[fall + int(low[0])] + 40.0))
    if k >= len(time) or (k - fall >= 4 and float(np.ptp(temp[fall + 1 : k + 1])) == 0.0):
        return False  # a channel that is stuck says nothing
    return bool(temp[k] > temp[fall] - 2.5 - 2.0 * noise)
