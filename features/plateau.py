"""Where a cycle's plateau lies, and its exposure. Its set point: see ``setpoints``."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ..shared.programs import NOMINAL_SETPOINTS_C
from ..shared.steam import t_sat_c
from .crossing import first_above, median, smooth, width_for
from .fall import NEXT_TO_NONE_C, exhaust_start
from .quick import diff, mean_of, share_of, true_at
from .samples import BoolArray, FloatArray

LEAST_PLATEAU_S: Final = 60.0
"""What is shorter was not held (no source)."""
ATMOSPHERE_KPA: Final = 109.0
"""Above the highest atmosphere at sea level, with room for a sensor's zero."""
ATMOSPHERE_C: Final = float(t_sat_c(ATMOSPHERE_KPA))
HIGHEST_BOIL_C: Final = 101.0
"""Boiling point at the highest atmosphere, about 105 kPa [°C]."""
DRY_K: Final = 10.0
"""Steam this far superheated is none: the pressure left before the heat did (no source)."""
AGREES_K: Final = 10.0
"""A pressure channel that was once this near to saturation in a cycle is believed (no source)."""
PEAK_SHARE: Final = 0.45
"""Of the time within 6 K of its top, what a plateau spends within 1.5 K at least: a
peak of straight flanks spends a quarter, a flat one nearly all (closed form)."""
PEAK_LONGEST_S: Final = 400.0
"""Longer than this within 6 K of the top is no short peak (no source)."""
MOIST_K: Final = 3.0
DRYING_OUT_S: Final = 90.0
"""From MOIST_K to DRY_K of superheat a chamber that boils dry takes longer (no source)."""
STAYS_HOT_S: Final = 180.0
"""An exhaust cools a chamber by kelvins within this, whatever its walls do (no source)."""
BELIEVED_KPA: Final = 115.0
FIRST_STEAM_C: Final = 114.0
"""A channel is judged by the samples above the one until the chamber is hotter than the other."""
LEAST_HOLD_S: Final = 90.0
"""Near its top this long, steam holds an exposure and is no air-removal pulse (no source)."""
LEVELLING: Final = 2.5
"""Slowing from which an approach is exponential: between a ramp's 1 and an exponential's 3.5."""
CUSTOM_LEAST_S: Final = 150.0
"""A set point that nothing else names needs a plateau this long [s] (no source)."""
SWINGS: Final = 3
SWING_SHARE: Final = 0.2
"""Swings, and the share of samples in their lower part, from which the middle of a hold is that
of all its samples and not of those near its top (no source)."""


@dataclass(frozen=True)
class Plateau:
    """The hottest sustained part of a cycle, as sample indices of the cycle's slice."""

    level_c: float
    first: int
    """First sample within 3.5 K of the level."""
    exhaust: int
    """Last sample before the sustained fall."""
    seconds: float
    """From first to exhaust."""
    climbing_k_per_min: float
    """Slope over the last part before the fall: a ramp that was cut short climbs on."""
    held: bool
    """Temperature stayed near the level, as a controller or a balance holds it."""
    regulated: bool
    """It turned or went flat there, as under a controller."""
    cut_short: bool
    """It was still climbing as before when the fall began."""
    levelled_off: bool
    """It was approached ever more slowly, as the balance of a weak heater and its losses."""
    peaked: bool
    """Temperature went up and down again and never stayed."""
    steam: bool
    """There was steam: pressure agrees with the heat, or there is no pressure channel."""
    top_c: float
    """Highest temperature of steam [°C]."""
    dried_out: bool
    """Its steam was lost and it was heated on without, up to the fall."""


def sustained_top(time: FloatArray, temp: FloatArray, seconds: float = 45.0) -> float:
    """Return the temperature [°C] exceeded for ``seconds`` in total."""
    span = float(time[-1] - time[0])
    if len(temp) < 3 or span <= 0.0:
        return float(np.max(temp))
    count = min(max(round(seconds / span * (len(temp) - 1)), 1), len(temp))
    return float(np.partition(temp, len(temp) - count)[len(temp) - count])


def find_plateau(
    time: FloatArray,
    temp: FloatArray,
    pressure: FloatArray,
    boiling: FloatArray,
    noise: float,
    noise_p: float,
    setpoints_c: tuple[float, ...] = NOMINAL_SETPOINTS_C,
    believed: bool = True,
) -> Plateau:
    """Find the plateau in the samples of one steam event (or of several, resumed).

    ``boiling`` is the saturation temperature at the pressure [°C].
    Pressure shows the exhaust sharper than temperature where there is one. Where
    a short peak stands out, the longest plateau near one of ``setpoints_c`` counts.
    A pressure channel that is ``believed`` may say that there was no steam at all.
    """
    steam, real = _steam(temp, pressure, boiling, time, believed)
    top = _top(time, np.where(steam, temp, -np.inf), setpoints_c)
    near = true_at(steam & (temp >= top - 3.5))
    first, last = int(near[0]), int(near[-1])
    if real and last < len(time) - 1:
        last = _dried_out(time, temp, pressure, boiling, top, first, last)
    exhaust = exhaust_start(time, temp, pressure, boiling, first, last, noise, noise_p)
    exhaust = min(max(exhaust, first), len(time) - 1)
    hot = temp[first : exhaust + 1]
    moist = hot[steam[first : exhaust + 1]]
    level = median(moist[moist >= top - 3.5])
    if _swings(moist, top - 3.5):
        level = median(moist)
    span = float(time[exhaust] - time[first])
    part = true_at(time[first : exhaust + 1] >= time[exhaust] - max(60.0, 0.5 * span))
    climbing = _slope(time[first:][part], temp[first:][part]) * 60.0
    late = slice(max(exhaust - 1, first), exhaust + 1)
    held = span >= LEAST_PLATEAU_S and abs(climbing) < 1.0
    return Plateau(
        level,
        first,
        exhaust,
        span,
        climbing,
        held,
        _regulated(hot, noise),
        _cut_short(time, temp, exhaust),
        _levelled_off(time, temp, first, level),
        _peaked(time, temp, first, exhaust),
        real,
        float(temp[steam].max()),
        real and bool(superheated(temp[late], pressure[late], boiling[late]).all()),
    )


def _swings(temp: FloatArray, level: float) -> bool:
    """Return whether a hold swings through a level again and again, as a wide hysteresis does."""
    low = temp < level
    upward = int(np.count_nonzero(low[:-1] & ~low[1:]))
    return upward >= SWINGS and share_of(low) > SWING_SHARE


def _steam(
    temp: FloatArray,
    pressure: FloatArray,
    boiling: FloatArray,
    time: FloatArray,
    believed: bool,
) -> tuple[BoolArray, bool]:
    """Return which samples may belong to a plateau of steam, shape (n,), and if any does.

    Walls heated from outside stay hot in a vacuum or at atmosphere: there
    pressure says that there is no steam, whatever the temperature. Where no
    sample is steam all are returned, for the plateau of the dry heat.
    """
    every = np.ones(len(temp), dtype=bool)
    known = np.isfinite(pressure)
    if not known.any() or not believed:
        return every, True
    steam = ~known | ((pressure >= ATMOSPHERE_KPA) & (temp - boiling < DRY_K))
    if np.isfinite(sustained_top(time, np.where(steam, temp, -np.inf))):
        return np.asarray(steam), True
    return every, False


def superheated(temp: FloatArray, pressure: FloatArray, boiling: FloatArray) -> BoolArray:
    """Return where a chamber is so far above saturation that it holds no steam, shape (n,)."""
    over = temp - np.fmax(boiling, NEXT_TO_NONE_C) > DRY_K
    return np.asarray(np.isfinite(pressure) & over)


def _dried_out(
    time: FloatArray,
    temp: FloatArray,
    pressure: FloatArray,
    boiling: FloatArray,
    top: float,
    first: int,
    last: int,
) -> int:
    """Return the last sample near the top, on through dry heat where steam ran out slowly.

    An exhaust takes the steam in a minute and its heat with it; a chamber that
    boils dry takes longer, or stays as hot as it was, and has had no exhaust yet.
    """
    span = slice(first, last + 1)
    near = temp[span] - np.fmax(boiling[span], ATMOSPHERE_C) < MOIST_K
    moist = true_at(near & np.isfinite(pressure[span]))
    if not len(moist):
        return last
    quick = time[last] - time[first + int(moist[-1])] < DRYING_OUT_S
    soon = temp[last : int(time.searchsorted(time[last] + STAYS_HOT_S)) + 1]
    stuck = len(soon) < 4 or float(np.ptp(soon)) == 0.0
    if quick and (stuck or float(soon.min()) < top - 3.5):
        return last
    over = true_at((temp[last:] < top - 3.5) | (pressure[last:] < 68.0))
    return last + int(over[0]) - 1 if len(over) else len(time) - 1


def follows_steam(temp: FloatArray, pressure: FloatArray, boiling: FloatArray) -> bool:
    """Return whether a pressure channel was near saturation on the way up, or at atmosphere.

    One that is far from it from the first steam on is a bad channel and says nothing.
    """
    under = pressure > BELIEVED_KPA
    if not under.any():
        return bool(np.isfinite(pressure).any())
    hot = true_at(temp > FIRST_STEAM_C)
    way = slice(0, int(hot[0]) if len(hot) else len(temp))
    first = under[way]
    near = np.abs(temp[way][first] - boiling[way][first]) < AGREES_K
    return int(near.sum()) >= 2


def _top(time: FloatArray, temp: FloatArray, setpoints_c: tuple[float, ...]) -> float:
    """Return the top of the plateau: of the longest one where a short peak stands out."""
    top = sustained_top(time, temp)
    seconds = median(diff(time)) if len(time) > 1 else 0.0
    peak = float((temp >= top - 3.5).sum()) * seconds
    if peak >= CUSTOM_LEAST_S:
        return top
    levels = np.arange(112.0, top - 3.5, 0.5)
    over = levels[:, None] - np.asarray(setpoints_c)[None, :]
    levels = levels[((over > -1.0) & (over < 4.5)).any(axis=1)]
    if not len(levels):
        return top
    ordered = np.sort(temp[temp > -np.inf])
    held = ordered.searchsorted(levels + 2.0) - ordered.searchsorted(levels - 2.0)
    best = int(np.argmax(held))
    if held[best] * seconds < max(2.0 * peak, CUSTOM_LEAST_S):
        return top
    return float(levels[best]) + 1.5


def _peaked(time: FloatArray, temp: FloatArray, first: int, exhaust: int) -> bool:
    """Return whether temperature rose to a peak and fell again without staying there."""
    peak = first + int(np.argmax(temp[first : exhaust + 1]))
    wide, narrow = (_around(time, temp, peak, float(temp[peak]) - depth) for depth in (6.0, 1.5))
    return wide < PEAK_LONGEST_S and narrow < PEAK_SHARE * wide


def _around(time: FloatArray, temp: FloatArray, peak: int, level: float) -> float:
    """Return the time [s] around a peak above a level, by straight lines between samples."""
    low = true_at(temp[: peak + 1] < level)
    begin = time[0]
    if len(low):
        begin = first_above(time[low[-1] : peak + 1], temp[low[-1] : peak + 1], level)
    after = true_at(temp[peak:] < level)
    end = time[-1]
    if len(after):
        k = peak + int(after[0])
        share = (temp[k - 1] - level) / max(temp[k - 1] - temp[k], 1e-9)
        end = time[k - 1] + share * (time[k] - time[k - 1])
    return float(end - begin)


def _regulated(hot: FloatArray, noise: float) -> bool:
    """Return whether a controller held the plateau, and not only the balance of losses.

    Where the heater is too weak the temperature creeps up to the end and never
    turns; a thermostat turns it, and proportioned heat flattens it.
    """
    third = len(hot) // 3
    if third < 3:
        return True
    means = [mean_of(hot[k * third : (k + 1) * third]) for k in range(3)]
    creeping = means[1] - means[0] > 0.3 and means[2] - means[1] > 0.05
    width = max(1, min(9, third // 4))
    even = hot if width < 3 else np.convolve(hot, np.ones(width) / width, mode="valid")
    drop = float((np.maximum.accumulate(even) - even).max())
    return not creeping or drop > 0.25 + 4.0 * noise / np.sqrt(width)


def _cut_short(time: FloatArray, temp: FloatArray, exhaust: int) -> bool:
    """Return whether the temperature still climbed at full rate when the fall began."""
    late = int(time.searchsorted(time[exhaust] - 20.0))
    early = int(time.searchsorted(time[exhaust] - 140.0))
    late, early = min(late, exhaust - 2), min(early, exhaust - 4)
    if early < 0:
        return False
    now = _slope(time[late : exhaust + 1], temp[late : exhaust + 1])
    before = _slope(time[early : late + 1], temp[early : late + 1])
    return now > 0.02 and now > 0.6 * before


def _levelled_off(time: FloatArray, temp: FloatArray, first: int, level: float) -> bool:
    """Return whether the plateau was approached exponentially and not cut off by a controller.

    Of an exponential approach the last 2.8 K run 3.5 times slower than the 6.5 K before
    (closed form: ln 5 / 2.8 against ln(10/3.5) / 6.5); a controller's ramp runs on.
    """
    part = slice(max(0, int(time.searchsorted(time[first] - 3600.0))), len(time))
    t, y = time[part], temp[part]
    far, near, at = (first_above(t, y, level - k) for k in (10.0, 3.5, 0.7))
    if not (np.isfinite(far) and at > near > far):
        return False
    return (at - near) / 2.8 > LEVELLING * (near - far) / 6.5


def _slope(time: FloatArray, values: FloatArray) -> float:
    if len(time) < 2:
        return 0.0
    x = time - mean_of(time)
    sxx = float(x @ x)
    return float(x @ (values - mean_of(values))) / sxx if sxx > 0.0 else 0.0


def exposure_bounds(
    time: FloatArray, temp: FloatArray, exhaust: int, limit_c: float, noise: float
) -> tuple[int, int] | None:
    """Return first and last sample of the exposure, or None if the limit was not reached.

    First sample at or above the limit, last one before the sustained fall; on
    channels so noisy that a ramp would cross the limit several times, crossings
    are those of a moving mean.
    """
    part = temp[: exhaust + 1]
    above = true_at(part >= limit_c)
    if not len(above):
        return None
    k = int(above[0])
    back = max(0, k - 8)
    gap = float(time[k] - time[back])
    interval = gap / max(k - back, 1)
    rate = (temp[k] - temp[back]) / gap if gap > 0.0 else 0.0
    width = width_for(noise, rate, interval)
    if width > 1:
        even = true_at(smooth(part, width) >= limit_c)
        if len(even):
            above = even
    return int(above[0]), int(above[-1])
