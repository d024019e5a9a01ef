"""Values that no chamber has: found, named and left out."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

LIMITS: Final = {
    "temperature_c": (-60.0, 400.0),
    "temperature2_c": (-60.0, 400.0),
    "ambient_c": (-60.0, 100.0),
    "pressure_kpa": (-0.5, 1000.0),
    "current_a": (-1.0, 200.0),
    "mains_v": (-1.0, 1000.0),
    "atmosphere_kpa": (50.0, 110.0),
}
"""Values that a channel of a tabletop sterilizer can have: design section 4 for temperature;
absolute pressure not below zero but for half a kPa of noise, and far above any relief valve."""
SENTINELS: Final = np.array(
    [
        -9999.0,
        -999.9,
        -999.0,
        -888.0,
        -127.0,
        999.0,
        999.9,
        9999.0,
        9999.9,
        32767.0,
        -32768.0,
        3276.7,
        -3276.8,
        6553.5,
        65535.0,
        1e9,
        -1e9,
        850.0,
    ]
)
"""Numbers that loggers write for "no reading" (common practice, no source)."""
POWER_ON_C: Final = 85.0
"""Power-on reading of a common kind of digital temperature sensor (common practice)."""
POWER_ON_JUMP_K: Final = 8.0
NEAR_VACUUM_KPA: Final = 5.0
GAUGE_JUMP_KPA: Final = 30.0
"""-999 mbar of a gauge is a vacuum of a kPa or so: none, where both sides are so far above it
(no source)."""
ZERO_JUMP_K: Final = 20.0
"""No chamber falls to 0.0 °C from that far, nor rises so, between two samples (no source)."""
HELD_ROWS: Final = 3
HELD_JUMP_K: Final = 2.0
"""A run at 85.0 °C of that many samples, with such a jump at both ends (no source)."""


def time_order(time_ms: NDArray[np.int64]) -> NDArray[np.int64] | None:
    """Return the rows' order in time, or None where they are in order."""
    if len(time_ms) < 2 or bool((time_ms[1:] >= time_ms[:-1]).all()):
        return None
    return np.argsort(time_ms, kind="stable")


def spoilt(
    name: str, values: Float, written: Float, order: NDArray[np.int64] | None = None
) -> dict[str, Bool]:
    """Return masks of values that are impossible, by reason.

    Parameters
    ----------
    name
        The channel's schema name.
    values
        In the schema's unit, shape (n,), NaN where missing.
    written
        As written in the export, same shape.
    order
        The rows' order in time; None where they are in order.
    """
    if len(values) == 0:
        return {}
    low, high = LIMITS[name]
    out: dict[str, Bool] = {}
    smallest, largest = _extent(values)
    if smallest < low or largest > high or not np.isfinite(smallest + largest):
        with np.errstate(invalid="ignore"):
            outside = (values < low) | (values > high) | np.isinf(values)
        if outside.any():
            sentinel = outside & np.isin(written, SENTINELS)
            if sentinel.any():
                out["sentinel"] = sentinel
            rest = outside & ~sentinel
            if rest.any():
                under = name == "pressure_kpa" and bool((values[rest] < low).all())
                out["negative_absolute_pressure" if under else "implausible"] = rest
    in_time = values if order is None else values[order]
    found: list[Bool | None] = []
    if name in {"temperature_c", "temperature2_c"}:
        zero = _dropped(in_time, in_time == 0.0, ZERO_JUMP_K) if smallest <= 0.0 else None
        found = [_power_on(in_time), zero]
    elif name == "pressure_kpa" and smallest < NEAR_VACUUM_KPA:
        here = np.isin(written, SENTINELS) & (values < NEAR_VACUUM_KPA)
        found = [_dropped(in_time, here if order is None else here[order], GAUGE_JUMP_KPA)]
    for mask in found:
        if mask is not None:
            in_file = mask
            if order is not None:
                in_file = np.zeros(len(values), bool)
                in_file[order] = mask
            out["sentinel"] = out.get("sentinel", np.zeros(len(values), bool)) | in_file
    return out


def _extent(values: Float) -> tuple[float, float]:
    smallest = float(np.fmin.reduce(values))
    if np.isnan(smallest):
        return 0.0, 0.0
    return smallest, float(np.fmax.reduce(values))


def _power_on(values: Float) -> Bool | None:
    """Mark runs of exactly 85.0 °C that the values around them can't have led to."""
    here = values == POWER_ON_C
    if not here.any():
        return None
    valid = ~np.isnan(values)
    if bool(here[valid].all()):
        return here if int(here.sum()) >= 5 else None
    padded = np.concatenate(([False], here, [False]))
    starts = np.flatnonzero(padded[1:] & ~padded[:-1])
    ends = np.flatnonzero(~padded[1:] & padded[:-1])
    others = np.flatnonzero(valid & ~here)
    result = np.zeros(len(values), bool)
    for a, b in zip(starts[:10000], ends[:10000], strict=True):
        place = int(np.searchsorted(others, a))
        sides = [values[others[k]] for k in (place - 1, place) if 0 <= k < len(others)]
        offs = [float(v) - POWER_ON_C for v in sides]
        # A chamber passes 85 °C on its way up or down: then it lies between its neighbours.
        least = POWER_ON_JUMP_K if len(offs) == 2 else 2.5 * POWER_ON_JUMP_K
        far = bool(offs) and all(abs(off) > least for off in offs)
        if (far and (len(offs) == 1 or (offs[0] > 0) == (offs[1] > 0))) or _held(
            values, others, place, b - a
        ):
            result[a:b] = True
    return result if result.any() else None


def _dropped(values: Float, here: Bool, jump: float) -> Bool | None:
    """Mark runs of a value, ``here``, that a channel falls to and rises from by a jump.

    At an end of the record, where one side is all there is, the jump must be twice as large.
    """
    if not here.any():
        return None
    others = np.flatnonzero(~np.isnan(values) & ~here)
    if len(others) == 0:
        return None
    rows = np.flatnonzero(here)
    place = np.searchsorted(others, rows)
    before = np.where(place > 0, values[others[np.maximum(place - 1, 0)]], np.nan)
    after = np.where(
        place < len(others), values[others[np.minimum(place, len(others) - 1)]], np.nan
    )
    sides = np.fmin(before, after)
    level = values[rows]
    far = sides - level > np.where(np.isnan(before) | np.isnan(after), 2.0, 1.0) * jump
    result = np.zeros(len(values), bool)
    result[rows[far]] = True
    return result if far.any() else None


def _held(values: Float, others: NDArray[np.int64], place: int, length: int) -> bool:
    """Say whether a run of 85.0 °C was jumped to and from, out of a reading that moves slowly.

    A chamber that dwells at 85 °C gets there and leaves by steps like those before and after.
    """
    before = values[others[max(place - 11, 0) : place]]
    after = values[others[place : place + 11]]
    if length < HELD_ROWS or len(before) < 6 or len(after) < 6:
        return False
    steps = np.abs(np.concatenate((np.diff(before), np.diff(after))))
    jumps = abs(before[-1] - POWER_ON_C), abs(after[0] - POWER_ON_C)
    return bool(min(jumps) > max(HELD_JUMP_K, 6.0 * float(np.median(steps))))


def stuck(values: Float) -> bool:
    """Say whether a channel holds one value throughout at least 60 samples."""
    if len(values) and 0.0 < abs(values[-1] - values[0]) < np.inf:
        return False
    few = values[:60]
    few = few[np.isfinite(few)]
    if len(few) and bool((few != few[0]).any()):
        return False
    finite = values[np.isfinite(values)]
    return len(finite) >= 60 and bool((finite == finite[0]).all())
