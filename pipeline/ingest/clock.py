"""The time of every row on the logger's clock, and what the export says about that clock."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from . import header_words as vocabulary
from .clock_text import ABBREVIATIONS, DOTTED, is_offset, parse_offset, understand
from .dates import DAY_MS, Order, StatedOrder, days_under, one_day, settle, words
from .header_words import parted, tokens
from .header_words import words as words_of
from .refuse import layout_toml, quoted, refusal
from .roles import TimePlan
from .statements import Statement
from .times import CERTAIN, DAY_MONTH, NO_OFFSET, SHORT, Moments, parse_moments
from .zones import find_zone, offset_in_text, offset_name, pinnable_zone, transitions

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Float = NDArray[np.float64]

SERIAL_EPOCH_DAYS: Final = -25569
"""Day 0 of spreadsheet serial dates, 1899-12-30, in days since 1970."""


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
    ok = dated & moments.has_clock
    ms = days * DAY_MS + moments.clock_ms
    bare = dated & ~moments.has_clock
    if bare.any():
        ok = ok | _midnights(ms, ok, bare)
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


# Statements ---------------------------------------------------------------------------------


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
    from .cells import kind_of, number_of
    from .units_found import SECONDS, read_mark, split_header

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


@dataclass(frozen=True)
class StatedZone:
    """The zone that an export states: a name that ``find_zone`` knows, and why."""

    name: str
    why: str
    abbreviation: str = ""
    places: str = ""
    """Places whose clocks are named beside the offset: they may have summer time."""


_NAMED_ZONE: Final = re.compile(
    r"time ?zone|\btz\b|zeitzone|fuseau|zona horaria|fuso orario|fuso horario|tijdzone"
    r"|\b(?:utc|gmt) ?offset|\boffset (?:from|to|zu) (?:utc|gmt)"
)
_UTC_OFFSET: Final = re.compile(r"\b(?:utc|gmt)\b.*\boffset|\boffset\b.*\b(?:utc|gmt)\b")
_WRONG_CLOCK: Final = re.compile(
    r"drift|correct|korrekt|adjust|deviat|abweich|error|fehler|\bsync|^clock offset"
)
"""Keys that tell how far a clock is off, not which one it keeps."""
_PLACES: Final = re.compile(
    r"^\W*(?:UTC|GMT)\s*(?:[+−-]\s?\d{1,2}(?::?\d{2})?)?[)\]\s:,-]+([A-Z][^\W\d].*)$"
)
_NO_PLACES: Final = re.compile(
    r"(?i:universal|greenwich|fix|fest|\bno\b|ohne|without|sans|\bsin\b|dst|saving|winter|local"
    r"|\btime ?zone|all year|constant)|\b[A-Z]{3,4}\b"
)


def summer_time_off(statements: list[Statement]) -> Statement | None:
    """Return the statement that the clock keeps no summer time, or None."""
    for s in statements:
        if vocabulary.SUMMER.search(s.key_words) and re.search(
            r"\b(?:off|no|nein|non|nao|false|0|inactive|inaktiv|disabled|aus|uit|nee)\b",
            s.value.lower(),
        ):
            return s
    return None


def stated_zone(
    time: TimePlan, marks: tuple[str, ...], statements: list[Statement], name: str
) -> StatedZone | None:
    """Return the zone that the time's header or the preamble states, or None.

    Raises
    ------
    ExportRefusedError
        With cause ``zone`` where statements disagree or can be meant two ways.
    """
    found: dict[str, StatedZone] = {}
    for k, header in zip(time.columns, time.headers, strict=False):
        for text in (header, marks[k] if k < len(marks) else ""):
            zone = _zone_in(text, loose=False)
            if zone:
                found.setdefault(
                    zone[0], StatedZone(zone[0], f"the time's header says {quoted(text)}", zone[1])
                )
    local = [
        h for h in time.headers if re.search(r"\b(?:local|lokal|locale|lokale)\b", words_of(h))
    ]
    if found and local and len(time.headers) > 1:
        raise refusal(
            "zone",
            name,
            f"one column of the time states a zone and another is local: "
            f"{', '.join(quoted(h) for h in time.headers)}",
            "export date and time in one zone",
            question="In which zone are the times written?",
            toml=layout_toml(name, f'zone = "{pinnable_zone(next(iter(found))) or "Etc/UTC"}"'),
        )
    summer = None
    for s in statements:
        key = s.key_words
        if _WRONG_CLOCK.search(key) and not vocabulary.SUMMER.search(key):
            continue
        if vocabulary.SUMMER.search(key):
            if re.search(
                r"\b(?:on|yes|ja|oui|si|sim|true|1|active|aktiv|enabled|ein)\b", s.value.lower()
            ):
                summer = s
            continue
        if (
            vocabulary.CREATED.search(key)
            or vocabulary.START.search(key)
            or vocabulary.END.search(key)
        ):
            continue
        whole = f"{s.key} {s.value}" if key else s.value
        alone = not key and re.fullmatch(
            r"\s*(?:UTC|GMT)\s*(?:[+-]\s?\d{1,2}(?::?\d{2})?)?\s*", s.value
        )
        timely = (
            alone
            or vocabulary.ZONE.search(key)
            or re.search(
                r"\b(?:times?|timestamps?|zeiten|zeit|heures?|horas?|ore|orari|tijden|clock|uhr)\b",
                whole.lower(),
            )
        )
        if not timely:
            continue
        zone = _zone_in(s.value, loose=bool(vocabulary.ZONE.search(key)))
        if _UTC_OFFSET.search(key) and (zone is None or not re.search(r"[A-Z+−-]", s.value)):
            zone = _offset_said(s.key, s.value)
        if zone and not (
            key and not vocabulary.ZONE.search(key) and understand(s.value) is not None
        ):
            if (
                re.search(r"(?:daylight|dst|summer|sommerzeit)", s.value.lower())
                and zone[0] != "UTC"
            ):
                summer = summer or s
            why = f"line {s.line} says {quoted(whole)}"
            found.setdefault(zone[0], StatedZone(zone[0], why, zone[1], _places(s.value)))
        elif (
            _NAMED_ZONE.search(key)
            and not zone
            and not re.search(
                r"local|lokal|locale|ort|site|\bauto|none|not set|^\W*$", s.value.lower()
            )
        ):
            raise refusal(
                "zone",
                name,
                f"{quoted(whole)} names a zone that is not known by that name",
                "pin its IANA name in a [[layout]]",
                line=s.line,
                question="In which zone (an IANA name) are the times written?",
                toml=layout_toml(name, 'zone = "Etc/UTC"'),
            )
    if len(found) > 1:
        listed = ", ".join(f"{z.name} ({z.why})" for z in found.values())
        raise refusal(
            "zone",
            name,
            f"the export states several zones: {listed}",
            "pin the right one in a [[layout]]",
            question="In which zone are the times written?",
            toml=layout_toml(name, f'zone = "{pinnable_zone(next(iter(found))) or "Etc/UTC"}"'),
        )
    zone_found = next(iter(found.values()), None)
    if zone_found is not None and summer is not None and "/" not in zone_found.name:
        raise refusal(
            "zone",
            name,
            f"{zone_found.why}, and {quoted(summer.key + ' ' + summer.value)}: "
            "whether the offset includes summer time is not said",
            "pin the zone in a [[layout]]",
            line=summer.line,
            question="In which zone (an IANA name) are the times written?",
            toml=layout_toml(name, 'zone = "Etc/UTC"'),
        )
    return zone_found


@lru_cache(maxsize=1024)
def _zone_in(text: str, *, loose: bool) -> tuple[str, str] | None:
    """Return a zone's name and, where it is one, the abbreviation in a text."""
    iana = re.search(r"\b([A-Z][A-Za-z_]+(?:/[A-Za-z0-9_+-]+){1,2})\b", text)
    if iana and find_zone(iana[1]) is not None:
        return iana[1], ""
    offset = offset_in_text(text)
    if offset is not None:
        return offset, ""
    for word in re.findall(r"\b[A-Z]{3,4}\b", parted(text)):
        if word in ABBREVIATIONS:
            return offset_name(ABBREVIATIONS[word][0]), word
    if loose and text.strip():
        bare = re.fullmatch(r"\s*([+-]\s?\d{1,2}(?::?\d{2})?)\s*(?:h|hours?)?\s*", text)
        if bare:
            minutes = parse_offset(bare[1].replace(" ", ""))
            if minutes is not None:
                return offset_name(minutes), ""
        if "/" in text and find_zone(text.strip()) is not None:
            return text.strip(), ""
        if re.fullmatch(r"\s*(?:utc|gmt|z|zulu)\s*", text.lower()):
            return "UTC", ""
    return None


def _offset_said(key: str, value: str) -> tuple[str, str] | None:
    """Return the offset that a line named for it states as a count or without a sign, or None.

    A bare count of at most 14 is of hours; a greater one needs its unit.
    """
    count = re.fullmatch(r"\s*([+−-]?)\s?(\d{1,4})\s*([a-z]*)\s*", value.lower())
    if count is None:
        clock = re.fullmatch(r"\s*(\d{1,2}:\d{2})(?::00)?\s*", value)
        minutes = parse_offset("+" + clock[1]) if clock else None
        return None if minutes is None else (offset_name(minutes), "")
    size = int(count[2])
    unit = count[3] or "".join(re.findall(r"[\[(]\s*(h|min|s)\w*\s*[)\]]", key.lower())[:1])
    if unit.startswith("min") or unit == "m":
        minutes = size
    elif unit.startswith("s"):
        minutes = size // 60 if size % 60 == 0 else -1
    elif size <= 14 and (not unit or unit.startswith("h")):
        minutes = size * 60
    else:
        return None
    minutes = -minutes if count[1] in {"-", "−"} else minutes
    return (offset_name(minutes), "") if is_offset(minutes) else None


def _places(text: str) -> str:
    """Return the places, or the kind of time, that stand behind a UTC offset, else nothing.

    ``(UTC+01:00) Amsterdam, Berlin`` and ``GMT Standard Time`` are names of clocks that change
    in summer, whatever offset stands in them.
    """
    found = _PLACES.match(text.strip())
    if found is None or _NO_PLACES.search(found[1]):
        return ""
    return found[1].strip()


def abbreviation_fits(abbreviation: str, low_ms: int, high_ms: int) -> bool:
    """Say whether an abbreviation's offset holds there at all of a file's times."""
    minutes, region = ABBREVIATIONS[abbreviation]
    zone = find_zone(region)
    if zone is None:
        return False
    first, last = low_ms // DAY_MS - 1, high_ms // DAY_MS + 2
    if transitions(zone, first, last):
        return False
    from datetime import UTC, datetime, timedelta

    moment = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=low_ms)).astimezone(zone)
    return int((moment.utcoffset() or timedelta()).total_seconds()) == minutes * 60


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
