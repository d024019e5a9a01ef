"""The time of every row on the logger's clock."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pyarrow.compute as pc
from numpy.typing import NDArray

from .clock_text import parse_offset
from .dates import DAY_MS, Order, days_under, words
from .refuse import layout_toml, quoted, refusal
from .times import NO_OFFSET, Moments

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Float = NDArray[np.float64]

SERIAL_EPOCH_DAYS: Final = -25569
"""Day 0 of spreadsheet serial dates, 1899-12-30, in days since 1970."""


@dataclass
class RowTimes:
    """Times of rows: on the local clock, or in UTC where offsets or an epoch say so."""

    ms: Int
    ok: Bool
    utc: bool
    start: Int | None = None
    """Where rows count from a start: that start on the local clock, shape of ``ms``. Counts go
    on through changes of the clock, so only the start lies in a zone."""


def combine_columns(day: Moments, clock: Moments) -> Moments:
    """Join a column of dates and a column of clock times."""
    return Moments(
        ok=day.ok & clock.ok & (day.kind > 0) & clock.has_clock & (clock.clock_ms <= DAY_MS),
        kind=day.kind,
        first=day.first,
        second=day.second,
        third=day.third,
        clock_ms=clock.clock_ms,
        offset_min=np.where(clock.offset_min != NO_OFFSET, clock.offset_min, day.offset_min),
        has_clock=clock.has_clock,
        abbreviations=day.abbreviations | clock.abbreviations,
        separators=day.separators,
        has_halves=clock.has_halves,
        fields_seen=day.fields_seen | clock.fields_seen,
        year_first=day.year_first,
    )


def add_offsets(moments: Moments, column: Any) -> None:
    """Take over offsets from UTC that stand in a column of their own."""
    coded = pc.dictionary_encode(pc.utf8_trim_whitespace(column))
    codes = coded.indices.fill_null(0).to_numpy(zero_copy_only=False)
    minutes = [
        parse_offset(re.sub(r"^(?:UTC|GMT)\s*", "", text or ""))
        for text in coded.dictionary.to_pylist()[:1000]
    ]
    known = np.array([NO_OFFSET if m is None else m for m in minutes] + [NO_OFFSET], np.int64)
    found = known[np.minimum(codes, len(known) - 1)]
    moments.ok &= found != NO_OFFSET
    moments.offset_min = np.where(found == NO_OFFSET, 0, found)


def local_times(moments: Moments, order: str) -> RowTimes:
    """Return row times of written moments under a settled order."""
    days = days_under(moments, order)
    dated = moments.ok & (days >= 0)
    ms = days * DAY_MS + moments.clock_ms
    if moments.has_clock.all():
        ok = dated
    else:
        ok = dated & moments.has_clock
        bare = dated & ~moments.has_clock
        if bare.any():
            ok = ok | _midnights(ms, ok, bare)
    if moments.offset_min.strides == (0,) and len(ms):
        # One offset, or none, for all.
        offset = int(moments.offset_min[0])
        if offset == NO_OFFSET:
            return RowTimes(ms, ok, False)
        return RowTimes(ms - offset * 60_000 if offset else ms, ok, True)
    given = moments.offset_min != NO_OFFSET
    if given.any() and bool(given[ok].all()):
        return RowTimes(ms - np.where(given, moments.offset_min, 0) * 60_000, ok, True)
    if given.any():
        # Some rows state an offset and others don't: the others can't be placed.
        return RowTimes(ms - np.where(given, moments.offset_min, 0) * 60_000, ok & given, True)
    return RowTimes(ms, ok, False)


def _midnights(ms: Int, ok: Bool, bare: Bool) -> Bool:
    """Return the rows with a date alone that are midnight in a record that goes on.

    Spreadsheets leave the clock out there. A day's summary has a date alone too, but it
    stands beside a record, not between two of its samples.
    """
    found = np.zeros(len(ms), dtype=bool)
    rows = np.flatnonzero(ok)
    if len(rows) < 3:
        return found
    known = ms[rows]
    steps = np.diff(known)
    steps = np.abs(steps[steps != 0])
    if not len(steps):
        return found
    usual = float(np.median(steps))
    way = 1 if known[-1] >= known[0] else -1
    these = np.flatnonzero(bare)
    after = np.searchsorted(rows, these)
    has_before, has_after = after > 0, after < len(rows)
    since = way * (ms[these] - known[np.clip(after - 1, 0, None)])
    until = way * (known[np.clip(after, None, len(rows) - 1)] - ms[these])
    near = (has_before & (since <= 1.5 * usual)) | (has_after & (until <= 1.5 * usual))
    in_order = (~has_before | (since > 0)) & (~has_after | (until > 0))
    found[these] = near & in_order
    return found


def epoch_times(values: Float, factor: float) -> RowTimes:
    """Return row times of a count since 1970; ``factor`` turns it into ms."""
    ok = np.isfinite(values)
    with np.errstate(invalid="ignore"):
        ms = np.rint(np.where(ok, values, 0.0) * factor).astype(np.int64)
    ok &= (ms > 6.3e11) & (ms < 4.1e12)
    return RowTimes(ms, ok, True)


def serial_times(values: Float) -> RowTimes:
    """Return row times of spreadsheet serial dates, on the local clock.

    Written with few places a second comes out a little off: where all rows lie
    that close to whole seconds, they are whole seconds.
    """
    ok = np.isfinite(values) & (values > 20000) & (values < 80000)
    exact = np.where(ok, values, 25569.0) * 86400.0 + SERIAL_EPOCH_DAYS * 86400.0
    return RowTimes(whole_seconds(exact, values, ok, 86400.0), ok, False)


def whole_seconds(seconds: Float, values: Float, ok: Bool, factor: float) -> Int:
    """Return times [ms]; whole seconds where few places are all that keeps them from it.

    Parameters
    ----------
    seconds
        Times [s], shape (n,).
    values, factor
        As written, and what turns them into seconds.
    """
    whole = np.rint(seconds)
    off = float(np.abs(seconds - whole)[ok].max()) if ok.any() else 1.0
    if 0.0 < off < 0.45:
        step_s = _step_of(values[ok]) * factor
        if step_s >= 1e-3 and off <= step_s:
            return (whole * 1000).astype(np.int64)
    return np.rint(seconds * 1000.0).astype(np.int64)


def _step_of(values: Float) -> float:
    """Return the smallest decimal place that values are written to."""
    sample = values[:: max(len(values) // 200, 1)]
    for places in range(1, 13):
        if float(np.abs(sample - np.round(sample, places)).max()) <= 1e-11:
            return 10.0**-places
    return 0.0


def date_question(order: Order, name: str, example: str, line: int) -> Exception:
    """Return the refusal of dates whose order nothing settles."""
    if order.contradiction:
        only = order.open_orders[0] if len(order.open_orders) == 1 else ""
        settles = only in {"dmy", "mdy"}
        return refusal(
            "dates",
            name,
            f"{order.why} (such as {quoted(example)})",
            "pin day_first in a [[layout]]" if settles else "export it with dates of one form",
            line=line,
            question="Does the day come first in this layout's dates?" if settles else "",
            toml=layout_toml(name, f"day_first = {'true' if only == 'dmy' else 'false'}")
            if settles
            else "",
        )
    ways = " or ".join(words(o) for o in order.open_orders)
    return refusal(
        "day_month",
        name,
        f"{quoted(example)} can be read as {ways}, and no row settles it",
        "say which comes first: day_first in [defaults], in a [[site]] or in a [[layout]]",
        line=line,
        question=f"Does the day come first in dates such as {quoted(example)}? (true: day "
        "first, false: month first)",
        toml="[defaults]\nday_first = true",
    )


def roll_over(clock_ms: Int, ok: Bool) -> Int:
    """Return clock times with a day added after each midnight, in file order."""
    result = clock_ms.copy()
    rows = np.flatnonzero(ok)
    falls = np.diff(clock_ms[rows]) < -DAY_MS // 2
    if falls.any():
        days = np.concatenate(([0], np.cumsum(falls)))
        result[rows] += days * DAY_MS
    return result
