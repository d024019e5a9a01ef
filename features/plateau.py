"""Where a cycle's exposure lies and which set point it belongs to."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ..shared.programs import NOMINAL_SETPOINTS_C, Program
from .crossing import fall_start, knee, median, smooth, usual_fall, width_for
from .samples import FloatArray

OPERATING_K: Final = 1.3
"""Usual distance of a thermostat's mean above the set point [K] (common practice: +0.5
to +3 K keeps the swing inside a 0..+4 K band; no source)."""
LEAST_PLATEAU_S: Final = 60.0
LEAST_HOLD_S: Final = 90.0
"""Near its top this long, steam holds an exposure and is no air-removal pulse (no source)."""
FALL_ROOM_K_PER_S: Final = 0.03
"""A rate that noise must not hide when a saw-tooth's usual fall is read (no source)."""
CUSTOM_LEAST_S: Final = 150.0
"""A set point that nothing else names needs a plateau this long [s] (no source)."""
NOT_REACHED_K: Final = 3.5
"""A plateau further below every set point than this belongs to none."""


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


def sustained_top(time: FloatArray, temp: FloatArray, seconds: float = 45.0) -> float:
    """Return the temperature [°C] exceeded for ``seconds`` in total."""
    span = float(time[-1] - time[0])
    if len(temp) < 3 or span <= 0.0:
        return float(np.max(temp))
    count = int(np.clip(round(seconds / span * (len(temp) - 1)), 1, len(temp)))
    return float(np.partition(temp, len(temp) - count)[len(temp) - count])


def find_plateau(
    time: FloatArray, temp: FloatArray, pressure: FloatArray, noise: float, noise_p: float
) -> Plateau:
    """Find the plateau in the samples of one steam event (or of several, resumed).

    Pressure shows the exhaust sharper than temperature where there is one.
    """
    top = sustained_top(time, temp)
    near = np.flatnonzero(temp >= top - 3.5)
    first, last = int(near[0]), int(near[-1])
    level = median(temp[first : last + 1][temp[first : last + 1] >= top - 3.5])
    exhaust = _exhaust(time, temp, pressure, first, last, noise, noise_p)
    exhaust = max(exhaust, first)
    level = median(temp[first : exhaust + 1][temp[first : exhaust + 1] >= top - 3.5])
    span = float(time[exhaust] - time[first])
    part = np.flatnonzero(time[first : exhaust + 1] >= time[exhaust] - max(60.0, 0.5 * span))
    climbing = _slope(time[first:][part], temp[first:][part]) * 60.0
    held = span >= LEAST_PLATEAU_S and abs(climbing) < 1.0
    return Plateau(level, first, exhaust, span, climbing, held)


def _slope(time: FloatArray, values: FloatArray) -> float:
    if len(time) < 2:
        return 0.0
    x = time - time.mean()
    sxx = float(x @ x)
    return float(x @ (values - values.mean())) / sxx if sxx > 0.0 else 0.0


def _exhaust(
    time: FloatArray,
    temp: FloatArray,
    pressure: FloatArray,
    first: int,
    last: int,
    noise: float,
    noise_p: float,
) -> int:
    """Return the last sample before the sustained fall after ``last``."""
    back = max(first, int(np.searchsorted(time, time[last] - 240.0)))
    calm = slice(first, max(first + 1, int(np.searchsorted(time, time[last] - 45.0))))
    known = np.isfinite(pressure)
    end = min(len(time), int(np.searchsorted(time, time[last] + 600.0)) + 1)
    if known[back:end].all() and end - back >= 3:
        found = fall_start(time[:end], pressure[:end], 101.0, noise_p, back)
        if found is not None:
            return found
    found = fall_start(time[:end], temp[:end], 98.0, noise, back)
    if found is not None:
        return found
    usual = usual_fall(time[calm], temp[calm], noise, FALL_ROOM_K_PER_S)
    return knee(time, temp, min(last + 1, len(time) - 1), noise, back, usual)


def choose_setpoint(
    level_c: float,
    programs: tuple[Program, ...],
    earlier: dict[float, float],
) -> tuple[float, bool]:
    """Attribute a plateau to a set point.

    Parameters
    ----------
    level_c
        Median of the plateau [°C].
    programs
        The unit's configured programs.
    earlier
        Set points that the unit ran before, each with its usual plateau [°C].

    Returns
    -------
    (float, bool)
        Set point [°C]: one of the configuration, else one that the unit ran
        before, else a published one, else the plateau's own; and whether it is
        known otherwise than from this plateau.
    """
    configured = sorted({p.setpoint_c for p in programs})
    if configured:
        best = min(configured, key=lambda s: _misfit(level_c, s, earlier))
        if _misfit(level_c, best, earlier) < 6.0:
            return best, True
    if earlier:
        best = min(earlier, key=lambda s: abs(level_c - earlier[s]))
        if abs(level_c - earlier[best]) < 1.0:
            return best, True
    choice = min(NOMINAL_SETPOINTS_C, key=lambda s: _misfit(level_c, s, earlier))
    if -2.0 <= level_c - choice <= 3.2:
        return choice, True
    if earlier:
        best = min(earlier, key=lambda s: abs(level_c - earlier[s]))
        if abs(level_c - earlier[best]) < 2.5:
            return best, True
    return float(round(level_c - OPERATING_K)), False


def _misfit(level_c: float, setpoint_c: float, earlier: dict[float, float]) -> float:
    """Return how odd a plateau is for a set point [K]; 135 °C is rarer than 134 °C."""
    usual = earlier.get(setpoint_c, setpoint_c + OPERATING_K)
    odd = abs(level_c - usual)
    if level_c > usual:
        odd *= 0.6  # a heater stuck on overshoots far; a plateau seldom sags far
    return odd + (1.0 if setpoint_c == 135.0 else 0.0)


def reached(plateau: Plateau, setpoint_c: float, top_c: float, known: bool) -> bool:
    """Return whether a cycle got to its set point and did not just pass by.

    A set point that is known from nothing but this plateau needs a long flat one.
    """
    if not known:
        return plateau.held and plateau.seconds >= CUSTOM_LEAST_S
    if top_c < setpoint_c:
        return False
    return plateau.held or plateau.climbing_k_per_min < 2.0 or top_c >= setpoint_c + 0.3


def exposure_bounds(
    time: FloatArray, temp: FloatArray, exhaust: int, limit_c: float, noise: float
) -> tuple[int, int] | None:
    """Return first and last sample of the exposure, or None if the limit was not reached.

    First sample at or above the limit, last one before the sustained fall; on
    channels so noisy that a ramp would cross the limit several times, crossings
    are those of a moving mean.
    """
    part = temp[: exhaust + 1]
    above = np.flatnonzero(part >= limit_c)
    if not len(above):
        return None
    k = int(above[0])
    back = max(0, k - 8)
    gap = float(time[k] - time[back])
    interval = gap / max(k - back, 1)
    rate = (temp[k] - temp[back]) / gap if gap > 0.0 else 0.0
    width = width_for(noise, rate, interval)
    if width > 1:
        even = np.flatnonzero(smooth(part, width) >= limit_c)
        if len(even):
            above = even
    return int(above[0]), int(above[-1])
