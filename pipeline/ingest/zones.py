"""Local clock readings to UTC, with both changes of daylight saving time.

The hour that autumn repeats is told apart by the sequence of the rows: the
first pass ends where the clock jumps back. Where the sequence does not show it,
nothing is guessed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from .clock_text import parse_offset
from .header_words import parted

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]

HOUR_MS = 3_600_000
DAY_MS = 86_400_000


@dataclass(frozen=True)
class Localised:
    """UTC times and what the zone had to say about them.

    ``utc_ms`` of shape (n,); ``missing`` marks times that the spring change
    skipped, ``ambiguous`` times of the autumn hour that the sequence does not
    settle, and ``unfollowed`` says that the clock does not follow the zone.
    """

    utc_ms: Int
    missing: Bool
    ambiguous: Bool
    fold_resolved: int = 0
    unfollowed: str = ""
    shifted: bool = False
    """That all times were moved by one offset: no change of the clock is near."""

    @property
    def clear(self) -> bool:
        """Whether each time has one UTC time."""
        return self.shifted or not (self.missing.any() or self.ambiguous.any())


@lru_cache(maxsize=256)
def find_zone(name: str) -> tzinfo | None:
    """Return the zone of an IANA name or of a fixed offset such as ``+02:00``, or None."""
    text = name.strip()
    if text in {"Z", "UTC", "GMT", "utc", "gmt"}:
        return UTC
    body = text[3:] if text[:3].upper() in {"UTC", "GMT"} else text
    minutes = parse_offset(body.replace("−", "-"))
    if minutes is not None:
        return timezone(timedelta(minutes=minutes))
    if not text or text.startswith(("/", ".")) or ".." in text or len(text) > 64:
        return None
    try:
        return ZoneInfo(text)
    except (KeyError, ValueError, OSError):
        return None


@lru_cache(maxsize=512)
def transitions(zone: tzinfo, first_day: int, last_day: int) -> tuple[tuple[int, int, int], ...]:
    """Return the changes of a zone's offset between two days [days since 1970].

    Each is (UTC instant [ms], offset before [ms], offset after [ms]).
    """
    found = []
    start = datetime(1970, 1, 1, tzinfo=UTC)

    def offset(minute: int) -> int:
        moment = (start + timedelta(minutes=minute)).astimezone(zone)
        return int((moment.utcoffset() or timedelta()).total_seconds()) * 1000

    step = 1440 if last_day - first_day <= 40 else 14400
    low = first_day * 1440
    before = offset(low)
    while low < last_day * 1440:
        high = low + step
        after = offset(high)
        if after != before:
            a, b = low, high
            while b - a > 1:
                middle = (a + b) // 2
                if offset(middle) == before:
                    a = middle
                else:
                    b = middle
            found.append((b * 60000, before, offset(b)))
            after = offset(b)
            low, before = b, after
            continue
        low, before = high, after
    return tuple(found)


@lru_cache(maxsize=512)
def _offset_ms(zone: tzinfo, day: int) -> int:
    """Return a zone's offset as a day [since 1970] begins in UTC [ms]."""
    base = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=day)
    return int((base.astimezone(zone).utcoffset() or timedelta()).total_seconds()) * 1000


def to_utc(local_ms: Int, zone: tzinfo, *, rising: bool = False) -> Localised:
    """Turn local clock readings into UTC.

    Parameters
    ----------
    local_ms
        Clock readings [ms since 1970 on that clock], shape (n,), oldest first
        but for single rows out of order.
    zone
        The clock's zone.
    rising
        That readings are known to rise from row to row.
    """
    n = len(local_ms)
    none = np.zeros(n, bool)
    if n == 0:
        return Localised(local_ms, none, none)
    low, high = (local_ms[0], local_ms[-1]) if rising else (local_ms.min(), local_ms.max())
    first, last = int(low) // DAY_MS - 2, int(high) // DAY_MS + 2
    changes = transitions(zone, first, last)
    offset0 = _offset_ms(zone, first)
    if not changes:
        return Localised(local_ms - offset0, none, none, shifted=True)
    offsets = np.full(n, offset0, np.int64)
    missing = none.copy()
    ambiguous = none.copy()
    resolved = 0
    unfollowed = ""
    for instant, before, after in changes:
        if after > before:
            gap = (local_ms >= instant + before) & (local_ms < instant + after)
            missing |= gap
            offsets[local_ms >= instant + after] = after
            if int(gap.sum()) >= 3:
                unfollowed = "rows lie in the hour that the spring change skips"
            continue
        low, high = instant + after, instant + before
        offsets[local_ms >= high] = after
        rows = np.flatnonzero((local_ms >= low) & (local_ms < high))
        if len(rows) == 0:
            continue
        second, settled, odd = _second_pass(local_ms, rows, low, high)
        if odd:
            unfollowed = odd
        offsets[rows] = np.where(second, after, before)
        if settled:
            resolved += len(rows)
        else:
            ambiguous[rows] = True
    return Localised(local_ms - offsets, missing, ambiguous, resolved, unfollowed)


def _second_pass(local_ms: Int, rows: Int, low: int, high: int) -> tuple[Bool, bool, str]:
    """Tell which rows of a repeated hour belong to its second pass."""
    times = local_ms[rows]
    none = np.zeros(len(rows), bool)
    steps = np.diff(times)
    forward = np.diff(local_ms)
    forward = forward[(forward > 0) & (forward < HOUR_MS)]
    usual = float(np.median(forward)) if len(forward) else 60_000.0
    reach = max(5.0 * usual, 5_000.0)
    drops = np.flatnonzero(steps < -max(10.0 * usual, 120_000.0))
    if len(drops) == 1:
        after = none.copy()
        after[int(drops[0]) + 1 :] = True
        return after, True, ""
    if len(drops) > 1:
        return none, False, ""
    before_gap = _neighbour(local_ms, int(rows[0]), -1, int(times[0]))
    after_gap = _neighbour(local_ms, int(rows[-1]), 1, int(times[-1]))
    joined_before = (
        before_gap is not None and 0 <= before_gap <= reach and int(times[0]) - low <= reach
    )
    joined_after = (
        after_gap is not None and 0 <= after_gap <= reach and high - int(times[-1]) <= reach
    )
    whole = len(steps) == 0 or float(steps.max()) <= reach
    if joined_before and joined_after and whole:
        return none, False, "rows run through the autumn change without a repeated hour"
    if joined_before and not joined_after and whole:
        return none, True, ""
    if joined_after and not joined_before and whole:
        return ~none, True, ""
    return none, False, ""


def _neighbour(local_ms: Int, row: int, side: int, time: int) -> int | None:
    other = row + side
    if not 0 <= other < len(local_ms):
        return None
    return (int(local_ms[other]) - time) * side


def offset_in_text(text: str) -> str | None:
    """Return a zone that header text states (``UTC``, ``+02:00``), or None."""
    match = re.search(
        r"\b(?:UTC|GMT)\b\s*([+−-]\s?\d{1,2}(?::?\d{2})?)?", parted(text), re.IGNORECASE
    )
    if match:
        if match[1]:
            minutes = parse_offset(match[1].replace("−", "-").replace(" ", ""))
            return None if minutes is None else offset_name(minutes)
        return "UTC"
    match = re.search(r"(?<![\d:])([+-]\d{2}:\d{2})(?!\d)", text)
    if match:
        minutes = parse_offset(match[1])
        return None if minutes is None else offset_name(minutes)
    return None


def offset_name(minutes: int) -> str:
    """Return minutes east of UTC as ``+02:00``."""
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"


def pinnable_zone(name: str) -> str:
    """Return the IANA name of a zone or of an offset of whole hours, else an empty text."""
    minutes = parse_offset(name)
    if minutes is None:
        return name
    if minutes % 60:
        return ""
    # The names of fixed offsets count westward.
    hours = -minutes // 60
    return f"Etc/GMT{hours:+d}" if hours else "Etc/UTC"
