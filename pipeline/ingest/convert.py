"""Rows of one table to samples: decide once on all that is known, then convert."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import tzinfo
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ...shared.units import PRESSURE_TO_KPA, TEMPERATURE_TO_C
from . import clock as clocks
from .order import arrange, is_descending, rising
from .parse import Parsed
from .plausibility import spoilt, time_order
from .refuse import layout_toml, refusal
from .roles import Channel, Roles
from .times import throughout
from .zones import Localised, to_utc

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Float = NDArray[np.float64]


@dataclass
class Part:
    """Samples of one unit, in time order, from one member or several."""

    unit_id: str
    logger_id: str
    utc_ms: Int
    values: dict[str, Float]
    atmosphere_kpa: Float | float | None
    assumed: bool
    member: str
    first_line: Int
    last_line: Int
    members: tuple[str, ...] = ()
    member_of: Int | None = None
    """By sample, which of ``members`` it came from, where there are several."""


@dataclass
class Counts:
    """Rows read, kept and dropped, and what was noticed on the way."""

    read: int = 0
    kept: int = 0
    dropped: dict[str, int] = field(default_factory=dict)
    blanked: dict[str, int] = field(default_factory=dict)
    main_cells: int = 0
    main_spoilt: int = 0
    pressure_spoilt: int = 0
    steps_back: int = 0
    out_of_order: int = 0
    folds: int = 0

    def drop(self, reason: str, count: int) -> None:
        """Count dropped rows."""
        if count:
            self.dropped[reason] = self.dropped.get(reason, 0) + int(count)

    def blank(self, channel: str, reason: str, count: int) -> None:
        """Count spoilt cells of kept rows."""
        if count:
            key = f"{channel}: {reason}"
            self.blanked[key] = self.blanked.get(key, 0) + int(count)


CLOCKS_BEGIN_MS = 1_104_537_600_000
"""1 January 2005: clocks that lost their time fall back to days before it (common practice)."""
UNIT_MISTAKES = frozenset({"implausible", "negative_absolute_pressure"})
"""Reasons that, where they are many, speak of a wrong unit and not of a broken sensor."""
STRUCTURAL = frozenset(
    {"repeated_header", "not_a_sample", "duplicate", "no_value", "unassigned_time"}
)
"""Reasons that don't speak against an export: they are no spoilt readings."""


def row_times(parsed: Parsed, roles: Roles, order: str, base: Any) -> clocks.RowTimes:
    """Return the times of rows under settled decisions.

    ``base`` is the start [ms] of elapsed and clock times: one number, or one
    for each row.
    """
    mode = roles.time.mode
    if mode == "moments":
        assert parsed.moments is not None
        return clocks.local_times(parsed.moments, order)
    if mode == "epoch":
        assert parsed.time_values is not None
        return clocks.epoch_times(parsed.time_values, roles.time.factor)
    if mode == "serial":
        assert parsed.time_values is not None
        return clocks.serial_times(parsed.time_values)
    if mode == "clock":
        assert parsed.moments is not None
        ok = parsed.moments.ok & parsed.moments.has_clock & (parsed.moments.kind == 0)
        counted = clocks.roll_over(parsed.moments.clock_ms, ok)
        start = np.broadcast_to(base, counted.shape) if roles.time.elapsed else None
        return clocks.RowTimes(counted + base, ok, False, start)
    assert parsed.time_values is not None
    counts, factor = parsed.time_values, roles.time.factor
    if len(counts) and counts.min() * factor > -4e9 and counts.max() * factor < 4e9:
        ok, seconds = np.ones(len(counts), bool), counts * factor
    else:
        ok = np.isfinite(counts)
        seconds = np.where(ok, counts, 0.0) * factor
        ok &= np.abs(seconds) < 4e9
        seconds = np.where(ok, seconds, 0.0)
    if roles.time.factor >= 60.0:
        ms = clocks.whole_seconds(seconds, parsed.time_values, ok, roles.time.factor)
    else:
        ms = np.rint(seconds * 1000.0).astype(np.int64)
    return clocks.RowTimes(ms + base, ok, False, np.broadcast_to(base, ms.shape))


def to_schema_unit(channel: Channel, values: Float) -> Float:
    """Return values in the schema's unit; a gauge pressure stays gauge."""
    if channel.kind == "temperature":
        return (
            values if channel.unit == "°C" else np.asarray(TEMPERATURE_TO_C[channel.unit](values))
        )
    if channel.kind == "pressure":
        factor = PRESSURE_TO_KPA[channel.unit]
        return values if factor == 1.0 else values * factor
    return values if channel.factor == 1.0 else values * channel.factor


@dataclass(frozen=True)
class Atmosphere:
    """What is added to a gauge channel [kPa], and whether it is known."""

    kpa: float | None
    assumed: bool
    why: str


@dataclass(frozen=True)
class Owner:
    """A unit whose rows are converted together, and the settings that hold for it."""

    unit_id: str
    logger_id: str
    zone: Any
    zone_name: str
    atmosphere: Atmosphere
    start_ms: int | None = None
    end_ms: int | None = None
    only: frozenset[str] = frozenset()
    """The channels that are assigned to the unit; empty: all."""


def convert_rows(
    owner: Owner,
    times: clocks.RowTimes,
    rows: Int | None,
    lines: Int,
    channels: tuple[Channel, ...],
    values: dict[str, Float],
    words: dict[str, Bool],
    counts: Counts,
    member: str,
    name: str,
    *,
    sort: bool = True,
) -> Part | None:
    """Turn one unit's rows of a wide table into samples.

    Parameters
    ----------
    rows
        Row numbers of this unit with readable times, or None for all.
    values, words
        Numbers as written and masks of error words, by channel name.
    """
    ms = times.ms if rows is None else times.ms[rows]
    start = times.start if rows is None or times.start is None else times.start[rows]
    n = len(ms)
    if n == 0:
        return None
    line = lines if rows is None else lines[rows]
    in_order = rising(ms)
    flip = not in_order and is_descending(ms)
    if flip:
        ms, line = ms[::-1], line[::-1]
        start = start[::-1] if start is not None else None
    utc, alive, whole = place_in_utc(owner, times.utc, ms, counts, name, start, in_order)
    # All moved by one offset rise as they did before.
    in_order = in_order if whole and not flip else rising(utc)
    astray = clock_astray(utc, alive, rising=in_order)
    if astray is not None:
        counts.drop("clock_not_set", int(astray.sum()))
        alive &= ~astray
        whole = False
    order = None if in_order else time_order(utc)
    mine: dict[str, Float] = {}
    left: Bool | None = None
    gapless = False
    found_bad: list[tuple[str, str, Bool]] = []
    gauge_of: Float | float | None = None
    for channel in channels:
        written = values[channel.name] if rows is None else values[channel.name][rows]
        if flip:
            written = written[::-1]
        if channel.name == "atmosphere_kpa":
            air = to_schema_unit(channel, written)
            gauge_of = _held(np.where((air >= 50.0) & (air <= 110.0), air, np.nan), order)
    for channel in channels:
        if channel.name == "atmosphere_kpa":
            continue
        written = values[channel.name] if rows is None else values[channel.name][rows]
        if flip:
            written = written[::-1]
        value = to_schema_unit(channel, written)
        if channel.name == "pressure_kpa" and channel.reference != "absolute":
            if gauge_of is None or channel.reference == "sealed_gauge":
                gauge_of = owner.atmosphere.kpa
            value = value + (gauge_of if gauge_of is not None else np.nan)
        elif channel.name == "pressure_kpa":
            gauge_of = None
        bad = spoilt(channel.name, value, written, order)
        if channel.name == "pressure_kpa" and isinstance(gauge_of, np.ndarray):
            airless = np.isnan(value) & np.isfinite(written)
            if airless.any():
                bad["no_atmosphere"] = airless
        word = words.get(channel.name)
        if word is not None and len(word):
            own = word if rows is None else word[rows]
            own = own[::-1] if flip else own
            if own.any():
                bad["sensor_error"] = own
        if channel is channels[0]:
            counts.main_cells += n
        for reason, mask in bad.items():
            value = np.where(mask, np.nan, value)
            found_bad.append((channel.name, reason, mask))
            if channel is channels[0]:
                counts.main_spoilt += int(mask.sum())
            elif channel.name == "pressure_kpa" and reason in UNIT_MISTAKES:
                counts.pressure_spoilt += int(mask.sum())
        mine[channel.name] = value
        gapless = gapless or not math.isnan(np.add.reduce(value))
        if not gapless:
            # A row with one reading is a sample: once a channel has all, none is left without.
            nan = np.isnan(value)
            left = nan if left is None else left & nan
    if not any(c.name == "pressure_kpa" for c in channels):
        gauge_of = None
    if left is None and not gapless:
        # Of the logger's channels none is assigned to the unit.
        counts.drop("other_channel", int(alive.sum()))
        return None
    if left is not None and not gapless and left.any():
        whole = False
        gone = left & alive
        for _, reason, mask in found_bad:
            counts.drop(reason, int((gone & mask).sum()))
            gone &= ~mask
        counts.drop("no_value", int(gone.sum()))
        alive &= ~left
    for channel_name, reason, mask in found_bad:
        counts.blank(channel_name, reason, int((mask & alive).sum()))
    if not whole and not alive.all():
        keep = np.flatnonzero(alive)
        utc, line = utc[keep], line[keep]
        mine = {k: v[keep] for k, v in mine.items()}
        if isinstance(gauge_of, np.ndarray):
            gauge_of = gauge_of[keep]
    if len(utc) == 0:
        return None
    # Rows that rise still do so where some of them went.
    ordered = arrange(utc, list(mine.values())) if sort and not in_order else None
    if ordered is not None:
        for reason, count in ordered.dropped.items():
            counts.drop(reason, count)
        counts.steps_back += ordered.steps_back
        counts.out_of_order += ordered.out_of_order
        if len(ordered.rows) != len(utc) or ordered.out_of_order:
            utc, line = utc[ordered.rows], line[ordered.rows]
            mine = {k: v[ordered.rows] for k, v in mine.items()}
            if isinstance(gauge_of, np.ndarray):
                gauge_of = gauge_of[ordered.rows]
    counts.kept += len(utc)
    assumed = (
        owner.atmosphere.assumed and gauge_of is not None and not isinstance(gauge_of, np.ndarray)
    )
    return Part(owner.unit_id, owner.logger_id, utc, mine, gauge_of, assumed, member, line, line)


def _held(air: Float, order: Int | None) -> Float:
    """Return a barometer's readings, each held until the next one in time, shape (n,)."""
    known = np.isfinite(air)
    if known.all() or not known.any():
        return air
    rows = np.arange(len(air)) if order is None else order
    latest = np.maximum.accumulate(np.where(known[rows], np.arange(len(air)), 0))
    held = np.empty_like(air)
    held[rows] = air[rows[latest]]
    return held


def clock_astray(utc: Int, alive: Bool, *, rising: bool = False) -> Bool | None:
    """Mark rows of a clock that fell back to its makers' day while others are of today.

    Loggers whose battery was changed count from a day long before there were any.
    """
    if len(utc) == 0 or int(utc[0] if rising else utc.min()) >= CLOCKS_BEGIN_MS:
        return None
    before = alive & (utc < CLOCKS_BEGIN_MS)
    if not before.any() or int(before.sum()) * 2 > int(alive.sum()):
        return None
    return before


def place_in_utc(
    owner: Owner,
    already: bool,
    ms: Int,
    counts: Counts,
    name: str,
    start: Int | None = None,
    in_order: bool = False,
) -> tuple[Int, Bool, bool]:
    """Return UTC times, which rows have one, and whether all do, moved by one offset.

    Parameters
    ----------
    start
        Where each row counts from, if it does: that alone is read in the zone.
    in_order
        That rows are known to rise.
    """
    n = len(ms)
    alive = np.ones(n, bool)
    whole = True
    if already:
        utc = ms
    else:
        local = (
            _started(ms, start, owner.zone)
            if start is not None
            else to_utc(ms, owner.zone, rising=in_order)
        )
        whole = local.shifted
        if local.unfollowed:
            raise refusal(
                "zone_not_followed",
                name,
                f"{local.unfollowed}: the logger's clock does not follow {owner.zone_name}",
                "pin the fixed offset that its clock keeps, in a [[layout]]",
                question="Which fixed offset from UTC does this logger's clock keep?",
                toml=layout_toml(name, 'zone = "Etc/UTC"'),
            )
        clear = local.clear
        if not clear and int(local.ambiguous.sum()) * 2 > n:
            raise refusal(
                "ambiguous_hour",
                name,
                "most rows lie in the hour that autumn repeats, and their order does not show "
                "which pass it is",
                "pin the offset of this export in a [[layout]]",
                question="Was summer time still on when this record was made?",
                toml=layout_toml(name, 'zone = "Etc/UTC"', alone=True),
            )
        utc = local.utc_ms
        counts.folds += local.fold_resolved
        if not clear:
            counts.drop("skipped_hour", int(local.missing.sum()))
            counts.drop("ambiguous_hour", int((local.ambiguous & ~local.missing).sum()))
            alive &= ~local.missing & ~local.ambiguous
    if owner.start_ms is not None or owner.end_ms is not None:
        inside = np.ones(n, bool)
        if owner.start_ms is not None:
            inside &= utc >= owner.start_ms
        if owner.end_ms is not None:
            inside &= utc < owner.end_ms
        alive &= inside
        whole = False
    return utc, alive, whole


def _started(ms: Int, start: Int, zone: tzinfo) -> Localised:
    """Return UTC times of rows that count from a start on the local clock."""
    if start.strides == (0,):
        one = to_utc(start[:1], zone)
        return Localised(
            ms + (int(one.utc_ms[0]) - int(start[0])),
            throughout(bool(one.missing[0]), len(ms), np.bool_),
            throughout(bool(one.ambiguous[0]), len(ms), np.bool_),
            shifted=one.shifted,
        )
    starts, which = np.unique(start, return_inverse=True)
    local = to_utc(starts, zone)
    return Localised(
        local.utc_ms[which] + (ms - start),
        local.missing[which],
        local.ambiguous[which],
        shifted=local.shifted,
    )


def named_channels(
    channels: tuple[Channel, ...], parsed: Parsed
) -> tuple[dict[str, Float], dict[str, Bool]]:
    """Return values and error words by channel name."""
    return (
        {c.name: parsed.values[c.column] for c in channels},
        {c.name: parsed.words[c.column] for c in channels},
    )
