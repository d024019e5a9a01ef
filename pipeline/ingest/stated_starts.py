"""Moments and intervals that an export states outside its table: starts, when it was made."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final

import pyarrow as pa

from . import header_words as vocabulary
from .cells import kind_of, number_of
from .clock_text import DOTTED, parse_offset, understand
from .dates import DAY_MS, StatedOrder, days_under, one_day, settle
from .header_words import tokens
from .statements import Statement
from .times import CERTAIN, DAY_MONTH, NO_OFFSET, SHORT, parse_moments
from .units_found import SECONDS, read_mark, split_header
from .zones import offset_in_text


@dataclass(frozen=True)
class Base:
    """A moment that a statement gives: its day, clock, offset, and where it stands."""

    days: int | None
    clock_ms: int | None
    offset_min: int | None
    line: int
    text: str

    @property
    def local_ms(self) -> int | None:
        """The moment on the logger's clock, where both day and clock are known."""
        if self.days is None or self.clock_ms is None:
            return None
        return self.days * DAY_MS + self.clock_ms


def read_base(
    text: str, line: int, order: str | None, *, dotted_date: bool = False
) -> tuple[Base | None, bool]:
    """Read a moment in a statement; the flag says that only its order is open.

    ``dotted_date`` says that the statement speaks of a date, so that 13.05.24 is one.
    """
    text = text.strip().strip('"').strip()
    zone = re.search(r"\s*\(?((?:UTC|GMT)\s*[+-]\d{1,2}(?::\d{2})?)\)?$", text)
    if understand(text) is None and zone:
        text = text.replace(zone[0], " " + zone[1].replace(" ", ""))
    dotted_date = dotted_date and DOTTED.fullmatch(text) is not None
    plain = None if dotted_date else _plain_base(text, line)
    if plain is not None:
        return plain, False
    moments = parse_moments(pa.array([text]), dotted_dates=dotted_date)
    if not moments.ok[0]:
        return None, False
    clock = int(moments.clock_ms[0]) if moments.has_clock[0] else None
    offset = int(moments.offset_min[0])
    kind = int(moments.kind[0])
    days: int | None = None
    if kind == CERTAIN:
        days = int(days_under(moments, "ymd")[0])
    elif kind in {DAY_MONTH, SHORT}:
        settled = settle(moments, stated=StatedOrder(order, "the export") if order else None)
        if settled.order is None:
            return None, True
        days = int(days_under(moments, settled.order)[0])
    return Base(days, clock, None if offset == NO_OFFSET else offset, line, text), False


def _plain_base(text: str, line: int) -> Base | None:
    """Return a moment whose date is certain and whose clock has 24 hours; else None.

    What most statements hold; anything else is read as the rows are.
    """
    read = understand(text)
    if read is None or read.half:
        return None
    parts = {f: text[a:b] for f, a, b in read.spans}
    if not all(v.isascii() and v.isdigit() for v in parts.values()):
        return None
    days: int | None = None
    if read.has_date:
        month = read.month or int(parts.get("m", "0"))
        if "Y" not in parts or "d" not in parts or not 1990 <= int(parts["Y"]) < 2100:
            return None
        days = one_day(CERTAIN, int(parts["Y"]), month, int(parts["d"]), "ymd")
        if days < 0:
            return None
    clock: int | None = None
    if read.has_clock:
        hour, minute, second = (int(parts.get(f, "0")) for f in "HMS")
        if hour > 23 or minute > 59 or second > 59 or "f" in parts:
            return None
        clock = ((hour * 60 + minute) * 60 + second) * 1000
    return Base(days, clock, read.offset_min, line, text)


def find_bases(
    statements: list[Statement], order: str | None
) -> tuple[list[Base], list[Statement]]:
    """Return the moments at which a record starts, and statements whose order is open."""
    starts = [
        s
        for s in statements
        if vocabulary.START.search(s.key_words)
        and not vocabulary.END.search(s.key_words)
        and not re.search(r"temp|press|delay|condition|mode|type", s.key_words)
        and not _PHASE.search(s.key_words)
    ]
    found, open_ = _bases(starts, order)
    whole = any(b.local_ms is not None for b in found)
    if whole or open_:
        return found, open_
    general = [
        s
        for s in statements
        if (tokens(s.key) & (vocabulary.DATE | vocabulary.TIME))
        and not vocabulary.CREATED.search(s.key_words)
        and not vocabulary.END.search(s.key_words)
        and not vocabulary.ZONE.search(s.key_words)
        and not re.search(
            r"calib|install|service|due|interval|next|last|hold|exposure|dry|format", s.key_words
        )
        and not _may_last(s)
    ]
    if not starts or not general:
        return (found, open_) if starts else _bases(general, order)
    # A start's clock and the record's date may stand in lines of their own.
    joined, undecided = _bases(starts + [s for s in general if s not in starts], order)
    better = undecided or (not found and joined) or any(b.local_ms is not None for b in joined)
    return (joined, undecided) if better else (found, open_)


_PHASE: Final = re.compile(
    r"heat|aufheiz|chauff|riscald|calent|aquec|hold|halte|plateau|expos|dry|trock|sech|asciug|secad"
    r"|exhaust|cool|vacu|vaku|purge|phase"
)
"""Keys that tell of a part of a cycle: a record does not start with it."""
_OF_DAY: Final = frozenset(
    {"of", "the", "local", "lokal", "locale", "utc", "gmt", "hh", "mm", "ss"}
)


def _may_last(s: Statement) -> bool:
    """Say whether a clock alone may be how long something took: Sterilization time 00:20:00."""
    read = understand(s.value.strip().strip('"'))
    if read is None or read.has_date or not read.has_clock:
        return False
    named = tokens(s.key) - vocabulary.DATE - vocabulary.TIME - _OF_DAY
    return any(not word.isdigit() for word in named)


def _bases(statements: list[Statement], order: str | None) -> tuple[list[Base], list[Statement]]:
    read: list[Base] = []
    open_: list[Statement] = []
    for s in statements:
        dated = bool(tokens(s.key) & vocabulary.DATE)
        base, undecided = read_base(s.value, s.line, order, dotted_date=dated)
        if base is not None and base.offset_min is None and (zone := offset_in_text(s.key)):
            # The key says it: Start (UTC).
            base = replace(base, offset_min=0 if zone == "UTC" else parse_offset(zone))
        if base is not None:
            read.append(base)
        elif undecided:
            open_.append(s)
    full = [b for b in read if b.local_ms is not None]
    if full:
        return list({(b.local_ms, b.offset_min): b for b in full}.values()), open_
    days = {b.days: b for b in read if b.days is not None}
    clocks = {b.clock_ms: b for b in read if b.clock_ms is not None}
    if len(days) == 1 and len(clocks) == 1:
        day, clock = next(iter(days.values())), next(iter(clocks.values()))
        return [
            Base(day.days, clock.clock_ms, clock.offset_min, day.line, f"{day.text} {clock.text}")
        ], open_
    return list(days.values()), open_


def find_created(statements: list[Statement], order: str | None) -> Base | None:
    """Return the moment at which the export says it was made, or None."""
    stated = [s for s in statements if vocabulary.CREATED.search(s.key_words)]
    found, _ = _bases(stated, order)
    full = [b for b in found if b.local_ms is not None]
    return full[0] if len(full) == 1 else None


def find_interval_s(statements: list[Statement], decimal: str) -> float | None:
    """Return the time between samples [s] that statements give, or None.

    Parameters
    ----------
    decimal
        The table's decimal mark. What stands like a number in thousands, ``1,000 s``, is a
        decimal where the mark is that one, and leaves the time open where it is the other.
    """
    found = set()
    for s in statements:
        if not vocabulary.INTERVAL.search(s.key_words):
            continue
        clock = re.fullmatch(r"\s*(\d+):(\d{2}):(\d{2}(?:[.,]\d+)?)\s*(?:h|s)?\s*", s.value)
        if clock is not None:
            found.add(
                int(clock[1]) * 3600 + int(clock[2]) * 60 + float(clock[3].replace(",", "."))
            )
            continue
        match = re.fullmatch(r"\s*([\d.,]+)\s*([^\d]*)", s.value)
        if match is None or (kind_of(match[1]) == "grouped" and decimal not in match[1]):
            continue
        value = number_of(match[1], decimal)
        mark = read_mark(match[2]) if match[2].strip() else None
        if mark is None:
            _, mark = split_header(s.key)
        if value is not None and mark is not None and mark.unit in SECONDS:
            found.add(value * SECONDS[mark.unit])
    return found.pop() if len(found) == 1 else None
