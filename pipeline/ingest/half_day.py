"""A clock of 12 hours that does not say which half of the day it is."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from . import header_words as vocabulary
from .clock_text import understand
from .header_words import tokens
from .refuse import quoted, refusal
from .times import NO_OFFSET

if TYPE_CHECKING:
    from .clock import RowTimes
    from .decide import Decider

HOUR_MS: Final = 3_600_000
WORKING_MS: Final = 7 * HOUR_MS
"""Records that lie before it whole are of the night, or of the afternoon on a 12-hour clock."""
NEAR_MS: Final = 900_000
"""How near a name's or a line's clock time must lie to the record to speak of it."""
_TWELVE: Final = re.compile(
    r"(?i)\b12 ?-?h(?:r|rs|ours?)?\b|\bam ?/ ?pm\b|:mm:ss (?:tt|a|aa|am)\b|\bhh:mm(?::ss)? ?tt\b"
)
_TWENTY_FOUR: Final = re.compile(r"\b24 ?-?h(?:r|rs|ours?)?\b|\bHH?:mm\b")
_NAME_CLOCK: Final = re.compile(
    r"(?<!\d)20\d{2}[-_.]?\d{2}[-_.]?\d{2}[T_\- ]?([01]\d|2[0-3])[-_.h:]?([0-5]\d)(?!\d{3})"
)


def check_half_day(d: Decider, times: RowTimes, unit_ids: list[str], *, first: bool) -> bool:
    """Refuse a 12-hour clock that doesn't say which half of the day it is.

    ``first`` says that these are an export's first rows; pieces that follow may well be
    of a night.

    Returns
    -------
    bool
        That the clock is known to have 24 hours: other exports learn by it.

    Raises
    ------
    ExportRefusedError
        With cause ``twelve_hour_clock`` where the clock is known to have 12 hours,
        ``clock_hours`` where nothing tells.
    """
    moments = d.parsed.moments
    if moments is None or moments.has_halves or d.roles.time.elapsed:
        return False
    clock = moments.clock_ms if times.ok.all() else moments.clock_ms[times.ok]
    if len(clock) == 0:
        return False
    low, high = int(clock.min()), int(clock.max())
    if high >= 13 * HOUR_MS:
        return True
    if low < HOUR_MS:
        return False
    said = _stated(d, _TWELVE)
    if said:
        raise _known(
            d,
            f"{said} says that the clock has 12 hours, but times such as "
            f"{quoted(d.example_time())} don't say which half of the day it is",
        )
    turns = low < 2 * HOUR_MS and high >= 12 * HOUR_MS
    if turns and bool((np.abs(np.diff(clock) + 12 * HOUR_MS) <= 600_000).any()):
        raise _known(
            d,
            "the clock goes from 12:59 to 1:00 and never past 12: a 12-hour clock without "
            "AM or PM",
        )
    if _always_whole(d):
        return False
    beside = _beside(d, low, high)
    if beside == "later":
        raise _known(
            d,
            f"times such as {quoted(d.example_time())} lie 12 hours before what its name or text "
            "states: a 12-hour clock without AM or PM",
        )
    if not first or high >= WORKING_MS or beside == "same":
        return False
    if _stated(d, _TWENTY_FOUR) or any(
        d.a.facts.of(unit, d.layout_key).full_clock for unit in unit_ids
    ):
        return False
    if d.pin.clock_24h or d.config.defaults.clock_24h:
        d.full_clock = True
        return False
    raise refusal(
        "clock_hours",
        d.member,
        f"times such as {quoted(d.example_time())} are of the night, or of the afternoon if the "
        "clock has 12 hours, and nothing settles it",
        "say that it has 24: clock_24h in [defaults] or in a [[layout]]; else export with AM "
        "and PM",
        line=d.table.data_line,
        question="Do the clocks of these exports have 24 hours, so that this was at night?",
        toml="[defaults]\nclock_24h = true",
    )


def _known(d: Decider, found: str) -> Exception:
    return refusal(
        "twelve_hour_clock",
        d.member,
        found,
        "export with a 24-hour clock or with AM and PM",
        line=d.table.data_line,
    )


def _stated(d: Decider, pattern: re.Pattern[str]) -> str:
    """Return where the export states a form of its clock, or an empty text."""
    marks = [d.table.marks[k] for k in d.roles.time.columns if k < len(d.table.marks)]
    for text in (*d.roles.time.headers, *marks):
        if pattern.search(text):
            return f"the time's header {quoted(text)}"
    for s in d.statements:
        if (
            re.search(r"clock|time ?format|zeitformat|date ?format|uhr|hour", s.key_words)
            and s.line < d.table.data_line
            and pattern.search(s.value)
        ):
            return f"line {s.line}"
    return ""


def _always_whole(d: Decider) -> bool:
    """Say whether times are written as only clocks of 24 hours write them.

    That is behind a date with its year first, between points, or with an offset from UTC.
    """
    moments: Any = d.parsed.moments
    if moments.year_first or "." in moments.separators:
        return True
    if bool((moments.offset_min[moments.ok] != NO_OFFSET).any()):
        return True
    if d.roles.time.mode == "clock":
        dated = [s for s in d.statements if tokens(s.key) & vocabulary.DATE or s.key == ""]
        return any(_year_first(s.value.strip('" ')) for s in dated)
    return False


def _year_first(text: str) -> bool:
    read = understand(text)
    return read is not None and bool(read.spans) and min(read.spans, key=lambda s: s[1])[0] == "Y"


def _beside(d: Decider, low: int, high: int) -> str:
    """Return ``same`` or ``later`` as clock times of the name or text go with the record.

    ``later`` is 12 hours later; a time with AM or PM or past noon speaks, others do not
    but in the name, whose clock has 24 hours.
    """
    found: list[int] = []
    for hour, minute in _NAME_CLOCK.findall(d.a.name):
        found.append((int(hour) * 60 + int(minute)) * 60_000)
    for s in d.statements:
        if vocabulary.CREATED.search(s.key_words):
            continue
        read = understand(s.value.strip().strip('"'))
        if read is None or not read.has_clock:
            continue
        parts = {f: s.value.strip().strip('"')[a:b] for f, a, b in read.spans}
        if not all(v.isdigit() for v in parts.values()):
            continue
        hour = int(parts["H"])
        if read.half:
            hour = hour % 12 + (12 if read.half == "p" else 0)
        elif hour < 13 and not _year_first(s.value.strip().strip('"')):
            continue
        found.append((hour * 60 + int(parts["M"])) * 60_000)
    for moment in found:
        if low - NEAR_MS <= moment <= high + NEAR_MS:
            return "same"
    for moment in found:
        if low - NEAR_MS <= moment - 12 * HOUR_MS <= high + NEAR_MS:
            return "later"
    return ""
