"""A trace as plain arrays, cleaned of what no chamber can do.

Everything here looks at most a minute to either side, so that a trace cut in two
gives the same arrays as the whole; but for a stuck pressure, which is told by its whole run.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.steam import t_sat_c

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SPIKE_K: Final = 4.0
"""A single sample this far [K] from two agreeing neighbours is a spike (no source:
steam at 1 kg/m3 can't heat and cool a probe by that within one interval and back)."""
SPIKE_INTERVAL_S: Final = 30.0
"""Longest interval [s] at which single odd samples are taken for spikes."""
STUCK_PRESSURE_S: Final = 300.0
"""A pressure unchanged this long [s] while steam comes or goes is stuck (no source)."""
CARRIED_S: Final = 60.0
"""Longest time between pressures [s] over which one is read between them for the temperatures
of channels that are sampled in turn, and for a single sample that lacks it (no source)."""
DROPPED_S: Final = 15.0
"""The same where several samples in a row lack it: an exhaust bends over longer (no source)."""


@dataclass(frozen=True)
class Samples:
    """One unit's samples in time order, arrays of shape (n,)."""

    time_s: FloatArray
    """Seconds since the epoch."""
    time_ms: IntArray
    raw_c: FloatArray
    """Temperature as recorded [°C], finite."""
    temp_c: FloatArray
    """The same without single-sample spikes."""
    pressure_kpa: FloatArray
    """Absolute pressure [kPa], NaN where there is none."""
    current_a: FloatArray | None
    mains_v: FloatArray | None
    ambient_c: FloatArray | None
    atmosphere_kpa: FloatArray | None
    assumed: BoolArray | None
    logger_id: Any
    """The loggers' names as pandas holds them, or None."""

    @cached_property
    def boiling_c(self) -> FloatArray:
        """Saturation temperature at the pressure [°C]; NaN without one, or next to none."""
        return t_sat_c(self.pressure_kpa)

    def __len__(self) -> int:
        """Return the number of samples."""
        return len(self.time_s)


def from_trace(trace: pd.DataFrame) -> Samples:
    """Return the samples of one unit's trace (columns of the traces table)."""
    index = pd.DatetimeIndex(trace["time"])
    ms = np.asarray(index.as_unit("ms").asi8, dtype=np.int64)
    temp = _floats(trace, "temperature_c")
    pressure = _floats(trace, "pressure_kpa")
    if temp is None:
        temp = np.full(len(ms), np.nan)
    if pressure is None:
        pressure = np.full(len(ms), np.nan)
    order: Any = slice(None)
    if len(ms) > 1 and not bool(np.all(ms[1:] > ms[:-1])):
        by_time = np.argsort(ms, kind="stable")
        first = np.ones(len(ms), dtype=bool)
        first[1:] = ms[by_time][1:] != ms[by_time][:-1]
        order = by_time[first]
    ms, temp, pressure = ms[order], temp[order], pressure[order]
    seconds = ms / 1000.0
    finite = np.isfinite(temp)
    pressure = _carry_over(seconds, pressure, finite)
    if not finite.all():
        order = np.arange(len(trace))[order][finite]
        ms, seconds, temp, pressure = ms[finite], seconds[finite], temp[finite], pressure[finite]
    clean = _without_spikes(seconds, temp, pressure)
    return Samples(
        time_s=seconds,
        time_ms=ms,
        raw_c=temp,
        temp_c=clean,
        pressure_kpa=_without_stuck(seconds, pressure, clean),
        current_a=_take(trace, "current_a", order),
        mains_v=_take(trace, "mains_v", order),
        ambient_c=_take(trace, "ambient_c", order),
        atmosphere_kpa=_take(trace, "atmosphere_kpa", order),
        assumed=_flags(trace, order),
        logger_id=trace["logger_id"].array[order] if "logger_id" in trace.columns else None,
    )


def _floats(trace: pd.DataFrame, name: str) -> FloatArray | None:
    if name not in trace.columns:
        return None
    values: FloatArray = trace[name].to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isinf(values), np.nan, values) if np.isinf(values).any() else values


def _take(trace: pd.DataFrame, name: str, order: Any) -> FloatArray | None:
    values = _floats(trace, name)
    if values is None or not np.isfinite(values).any():
        return None
    taken: FloatArray = values[order]
    return taken


def _flags(trace: pd.DataFrame, order: Any) -> BoolArray | None:
    if "atmosphere_assumed" not in trace.columns:
        return None
    column = trace["atmosphere_assumed"]
    if column.isna().all():
        return None
    flags: BoolArray = column.fillna(False).to_numpy(dtype=bool)[order]
    return flags


def _carry_over(time: FloatArray, pressure: FloatArray, finite: BoolArray) -> FloatArray:
    """Return pressures with those that rows with a temperature lack read between their neighbours.

    Channels that are sampled in turn sit on alternating rows; a slower channel, or one that
    drops samples, leaves holes. Both are read off straight lines between samples near enough;
    longer holes stay. Else what must last a minute, such as the rest after an exhaust, would
    never be seen between holes, and no exhaust or vacuum break be told.
    """
    own = np.isfinite(pressure)
    wanted = finite & ~own
    if not wanted.any() or not own.any():
        return pressure
    known = np.flatnonzero(own)
    place = np.searchsorted(known, np.flatnonzero(wanted))
    inside = (place > 0) & (place < len(known))
    rows = np.flatnonzero(wanted)[inside]
    left, right = known[place[inside] - 1], known[place[inside]]
    span = time[right] - time[left]
    in_turn = ~(finite[left] & finite[right])
    near = span <= np.where(in_turn | (right - left == 2), CARRIED_S, DROPPED_S)
    rows, left, right, span = rows[near], left[near], right[near], span[near]
    out = pressure.copy()
    out[rows] = (
        pressure[left] + (pressure[right] - pressure[left]) * (time[rows] - time[left]) / span
    )
    return out


def _without_spikes(time: FloatArray, temp: FloatArray, pressure: FloatArray) -> FloatArray:
    """Replace a single odd sample by the mean of its two agreeing neighbours.

    A probe that jumps while the pressure stays is a spike; where the pressure
    moves as well it is steam.
    """
    if len(temp) < 3:
        return temp
    before, here, after = temp[:-2], temp[1:-1], temp[2:]
    middle = 0.5 * (before + after)
    odd = np.abs(here - middle) > SPIKE_K
    if not odd.any():
        return temp
    odd &= np.abs(after - before) < 0.35 * np.abs(here - middle)
    odd &= (time[2:] - time[:-2]) <= 2.0 * SPIKE_INTERVAL_S
    moved = np.abs(pressure[1:-1] - 0.5 * (pressure[:-2] + pressure[2:])) > 8.0
    odd &= ~moved  # NaN compares false: without a pressure the temperature decides
    out = temp.copy()
    rows = np.flatnonzero(odd) + 1
    out[rows] = middle[rows - 1]
    return out


def _without_stuck(time: FloatArray, pressure: FloatArray, temp: FloatArray) -> FloatArray:
    """Drop pressures that stay the same while the chamber goes in or out of steam."""
    if len(pressure) < 3 or not np.isfinite(pressure).any():
        return pressure
    change = np.flatnonzero(pressure[1:] != pressure[:-1]) + 1
    starts = np.concatenate(([0], change))
    ends = np.concatenate((change, [len(pressure)]))
    long = time[ends - 1] - time[starts] >= STUCK_PRESSURE_S
    if not long.any():
        return pressure
    out = pressure
    for start, end in zip(starts[long], ends[long], strict=True):
        part = temp[start:end]
        hot, cold = int(part.argmax()), int(part.argmin())
        if part[hot] < 115.0:
            continue
        # Hot walls at atmosphere (drying) start near boiling; a heat-up starts cool.
        rose = part[: hot + 1].min() < 85.0
        fell = pressure[start] > 130.0 and cold > hot and part[cold] < 100.0
        if rose or fell:
            out = out.copy() if out is pressure else out
            out[start:end] = np.nan
    return out
