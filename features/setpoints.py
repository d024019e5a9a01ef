"""Which set point a plateau belongs to, and whether its cycle got there."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from ..shared.programs import BAND_WIDTH_K as BAND_K
from ..shared.programs import NOMINAL_SETPOINTS_C, Program
from .crossing import first_above, median
from .plateau import CUSTOM_LEAST_S, Plateau
from .quick import true_at
from .samples import FloatArray

OPERATING_K: Final = 1.3
"""Usual distance of a thermostat's mean above the set point [K] (common practice: +0.5
to +3 K keeps the swing inside a 0..+4 K band; no source)."""

ABOVE_BAND_K: Final = 5.0
"""So far above a set point a plateau that still climbs is on its way to a higher one."""
STOPPED_TIMES: Final = 3
STOPPED_K: Final = 0.6
STOPPED_DAYS: Final = 14.0
"""Climbs that broke off so often within so many days, at one temperature within this: the
machine's own limit stopped them; an operator's stops scatter over the climb (no source)."""
STOPPED_K_PER_MIN: Final = 1.0
"""Slower than this a heater is weak and no limit of the machine's is in reach (no source)."""
STOPPED_LONGEST_S: Final = 400.0
"""From a set point to where a machine's limit stops a climb out of control (no source)."""

RUNAWAY_K: Final = 6.0
RUNAWAY_SLOWER: Final = 3.0
RUNAWAY_LEAST_S: Final = 120.0
"""A hold that climbs this far, this much slower than before, for so long (no source)."""
RUNAWAY_FALL_K: Final = 2.0
"""A climb that falls back by more was interrupted, as by a power cut (no source)."""
USUAL_K: Final = (-2.5, 5.0)
"""A plateau this far from its set point says where that set point is usually held (band 0 to
+4 K); one further off says what went wrong in its own cycle."""
TIMED_SHORT: Final = 0.95
TIMED_LONG_SHARE: Final = 1.05
TIMED_LONG_S: Final = 60.0
"""A plateau that lasts a program's time, and no longer than so, was ended by its timer: a
controller holds for seconds more (no source)."""
NOT_REACHED_K: Final = 3.5
"""A plateau further below every set point than this belongs to none."""


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
        Set point [°C]: one of the configuration where there is one, the next
        above where the plateau is near none; else one that the unit ran before,
        else a published one, else the plateau's own; and whether it is known
        otherwise than from this plateau.
    """
    configured = sorted({p.setpoint_c for p in programs})
    if configured:
        best = min(configured, key=lambda s: _misfit(level_c, s, earlier))
        if _misfit(level_c, best, earlier) < 6.0:
            return best, True
        # A unit that levels off under its programs runs none of its own: it did not get there.
        above = [s for s in configured if s > level_c]
        return min(above, default=configured[-1]), True
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


def kept_time(
    plateau: Plateau,
    time: FloatArray,
    temp: FloatArray,
    setpoint_c: float,
    programs: tuple[Program, ...],
) -> bool:
    """Return whether a plateau lay in the band of a configured program and lasted its time.

    However high in the band and however slowly approached: its timer ended it. One that was on
    its way to a higher set point and given up ends after any time.
    """
    if not (plateau.held and plateau.regulated and 0.0 <= plateau.level_c - setpoint_c <= BAND_K):
        return False
    hot = true_at(temp[: plateau.exhaust + 1] >= setpoint_c)
    if not len(hot):
        return False
    # Samples a minute apart may miss the first of it, a plateau's foot lies under the set point.
    lasted = (float(time[plateau.exhaust] - time[hot[0]]), plateau.seconds)
    holds_s = [60.0 * p.hold_min for p in programs if abs(p.setpoint_c - setpoint_c) < 0.5]
    return any(
        TIMED_SHORT * hold <= s <= TIMED_LONG_SHARE * hold + TIMED_LONG_S
        for hold in holds_s
        for s in lasted
    )


def _misfit(level_c: float, setpoint_c: float, earlier: dict[float, float]) -> float:
    """Return how odd a plateau is for a set point [K]; 135 °C is rarer than 134 °C."""
    usual = earlier.get(setpoint_c, setpoint_c + OPERATING_K)
    odd = abs(level_c - usual)
    if level_c > usual:
        odd *= 0.6  # a heater stuck on overshoots far; a plateau seldom sags far
    return odd + (1.0 if setpoint_c == 135.0 else 0.0)


def reached(
    plateau: Plateau,
    setpoint_c: float,
    top_c: float,
    known: bool,
    usual_c: float,
    others: tuple[float, ...],
) -> bool:
    """Return whether a cycle got to its set point and did not just pass by.

    Parameters
    ----------
    known
        The set point is known from more than this plateau; one that is not
        needs a long flat plateau.
    usual_c
        Usual plateau at the set point [°C].
    others
        Other set points that the cycle may have been on its way to [°C].
    """
    if not known:
        return plateau.held and plateau.seconds >= CUSTOM_LEAST_S
    if top_c < setpoint_c:
        return False
    higher = any(s > top_c + 0.5 for s in others)
    loose = plateau.levelled_off or not plateau.regulated
    astray = loose and abs(plateau.level_c - usual_c) > 1.2
    creeping = plateau.level_c > setpoint_c + ABOVE_BAND_K and plateau.climbing_k_per_min > 0.2
    if higher and (
        astray or creeping or plateau.peaked or (plateau.cut_short and not plateau.held)
    ):
        return False
    return plateau.held or plateau.climbing_k_per_min < 2.0 or top_c >= setpoint_c + 0.3


def ran_away(
    plateau: Plateau, time: FloatArray, temp: FloatArray, setpoints_c: tuple[float, ...]
) -> tuple[float, Plateau] | None:
    """Return the lower set point that a cycle held first and then slowly climbed away from.

    Where the fast approach breaks at a set point and goes on at a third of its
    rate or less, in a straight line, a heater that stays on drives a hold out of its band. An
    exponential approach that ends 8 K higher slows down by 1.7 there at most (closed form: 11 K
    before the end against 6.6 K before it); one that ends 6.5 K higher slows down by 2.8 on its
    last kelvin and is no straight line.
    """
    for setpoint in sorted(setpoints_c):
        if plateau.top_c < setpoint + RUNAWAY_K:
            return None
        end_k = min(7.5, plateau.top_c - setpoint - 0.5)
        below, at, over, far, later, last = (
            first_above(time, temp, setpoint + k) for k in (-6.0, 0.0, 1.5, 5.0, 2.5, end_k)
        )
        if not (at > below and far > over):
            continue
        slow = (far - over) / 3.5 > RUNAWAY_SLOWER * (at - below) / 6.0
        after = (last - far) / (end_k - 5.0)
        straight = 0.5 < 2.5 * after / max(far - later, 1e-9) < 2.0
        climb = temp[int(time.searchsorted(at)) : int(time.searchsorted(last)) + 1]
        fell = float((np.maximum.accumulate(climb) - climb).max(initial=0.0))
        if slow and straight and fell < RUNAWAY_FALL_K and far - at > RUNAWAY_LEAST_S:
            first = int(time.searchsorted(at))
            hot = temp[first : plateau.exhaust + 1]
            held = replace(
                plateau,
                first=first,
                level_c=median(hot),
                seconds=float(time[plateau.exhaust] - time[first]),
                held=True,
                peaked=False,
                levelled_off=False,
                cut_short=False,
            )
            return setpoint, held
    return None


def stopped_above(
    plateau: Plateau,
    end_s: float,
    setpoints_c: tuple[float, ...],
    earlier: tuple[tuple[float, float], ...],
) -> float | None:
    """Return the set point [°C] that a climb ran past before the machine stopped it.

    One climb that breaks off over the band of a lower set point may have been
    stopped by its operator on the way to a higher one. Where the climbs before
    broke off at the same temperature, a limit of the machine's did it.

    Parameters
    ----------
    plateau
        Of a cycle that got to no set point.
    end_s
        When its climb ended [s].
    setpoints_c
        Set points of the unit [°C].
    earlier
        Ends [s] and plateaus [°C] of climbs before that were broken off.
    """
    passed = [s for s in setpoints_c if plateau.top_c > s + ABOVE_BAND_K]
    dry = plateau.dried_out or not plateau.steam
    if not passed or dry or plateau.climbing_k_per_min < STOPPED_K_PER_MIN:
        return None
    alike = [
        level
        for ended, level in earlier
        if end_s - ended < STOPPED_DAYS * 86400.0 and abs(level - plateau.level_c) <= STOPPED_K
    ]
    return max(passed) if len(alike) + 1 >= STOPPED_TIMES else None


def sags(plateau: Plateau, setpoint_c: float, top_c: float, known: bool) -> bool:
    """Return whether a plateau was held just under a set point, as by a sensor that drifted."""
    under = setpoint_c - NOT_REACHED_K <= plateau.level_c and top_c < setpoint_c + 0.3
    return known and plateau.held and under
