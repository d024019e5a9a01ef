"""The start that elapsed and clock-only times count from."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from . import stated_starts as stated_at
from .dates import DAY_MS
from .refuse import layout_toml, quoted, refusal
from .statements import Statement

if TYPE_CHECKING:
    from .decide import Decider

Int = NDArray[np.int64]

BACK_MS: Final = 60_000
"""A clock that goes back further than this is not just rows out of order."""
MIDNIGHT_GAP_MS: Final = 3_600_000
"""Longest gap across midnight that is one record; after a longer one days may be missing."""
_DELAY: Final = re.compile(r"\bdelay|verzoger|\bretard|ritardo|vertraging|atraso|fordroj")
LEAST_COUNTS: Final = 20
"""Least counts whose steps tell decimals from sixtieths (no source)."""
NEAR_MS: Final = 300_000
"""A clock column that begins this close to the stated start is taken to run on that clock."""


def find_base_ms(d: Decider, stated: str | None) -> tuple[Any, bool, str]:
    """Return the start [ms] of a table's elapsed or clock times.

    Returns
    -------
    tuple
        One start or one a row; whether it is in UTC already; the order of its date.
    """
    mode = d.roles.time.mode
    raw, ok = _counted(d)
    if not ok.any():
        return 0, False, stated or "ymd"
    if mode == "clock":
        raw = _two_fields(d, raw)
    said = _dated_blocks(d, ok, stated)
    segments = _segments(raw, ok, mode, sorted(said))
    if d.pin.start_time and len(segments) == 1:
        base, _ = stated_at.read_base(d.pin.start_time, 0, stated)
        if base is None or base.local_ms is None:
            raise refusal(
                "layout",
                d.a.name,
                f"the pinned start_time {quoted(d.pin.start_time)} is no moment",
                "write it as 2024-05-31 10:00:00",
            )
        told, _ = stated_at.find_bases(
            [s for s in d.statements if s.line < d.table.data_line], stated
        )
        other = [b for b in told if b.local_ms not in {None, base.local_ms}]
        if other:
            raise refusal(
                "layout",
                d.a.name,
                f"line {other[0].line} states the start {quoted(other[0].text)}, and a [[layout]] "
                f"pins {quoted(d.pin.start_time)}",
                "let the match of that [[layout]] name only the export that it is meant for",
                line=other[0].line,
            )
        return (
            _anchor(d, base, raw, ok, 0, len(raw), mode),
            base.offset_min is not None,
            stated or "ymd",
        )
    above = [s for s in d.statements if s.line < d.table.data_line]
    starts = [_one_base(d, above, stated, segments, 0)]
    for number in range(1, len(segments)):
        own = said.get(segments[number][0], [])
        starts.append(_one_base(d, own, stated, segments, number))
    utc = {b.offset_min is not None for b in starts}
    if len(utc) > 1:
        raise _no_start(d, "some starts state their offset from UTC and others don't")
    anchored = []
    for (a, b), base in zip(segments, starts, strict=True):
        anchored.append(_anchor(d, base, raw, ok, a, b, mode))
        if mode == "clock":
            _check_clock(d, raw, ok, a, b)
    base_ms: Any = anchored[0]
    if len(segments) > 1:
        base_ms = np.repeat(np.array(anchored, np.int64), [b - a for a, b in segments])
    d.a.note(
        "start",
        "; ".join(b.text for b in starts)[:200],
        "line " + ", ".join(str(b.line) for b in starts[:20]),
    )
    return base_ms, utc == {True}, stated or "ymd"


def _counted(d: Decider) -> tuple[Int, Any]:
    """Return what the time column counts [ms], and which rows have it."""
    if d.roles.time.mode == "clock":
        moments = d.parsed.moments
        assert moments is not None
        return moments.clock_ms, moments.ok & moments.has_clock & (moments.kind == 0)
    values = d.parsed.time_values
    assert values is not None
    ok = np.isfinite(values) & (np.abs(values) < 4e9)
    if d.roles.time.mode == "index":
        interval = stated_at.find_interval_s(d.statements, d.table.decimal or ".")
        if interval is None:
            raise _no_start(
                d, "rows are numbered, but the time between them is not stated with one meaning"
            )
        first = float(values[ok][0]) if ok.any() else 0.0
        # The numbers become seconds since the first row.
        d.parsed.time_values = values = np.where(ok, (values - first) * interval, np.nan)
        return np.rint(np.where(ok, values, 0.0) * 1000.0).astype(np.int64), ok
    if d.roles.time.factor in {60.0, 3600.0}:
        _refuse_sixtieths(d, values[ok])
    seconds = np.where(ok, values, 0.0) * d.roles.time.factor
    return np.rint(seconds * 1000.0).astype(np.int64), ok


def _refuse_sixtieths(d: Decider, values: Any) -> None:
    """Refuse minutes or hours behind whose point stand sixtieths: 1.30 for 1 min 30 s.

    Their steps are even so, and uneven read as decimals.
    """
    whole = np.floor(values)
    part = np.rint((values - whole) * 100.0)
    if len(values) < LEAST_COUNTS or part.max() >= 60.0 or np.ptp(whole) < 2.0:
        return
    read_so, decimals = np.diff(whole * 60.0 + part), np.diff(np.rint(values * 100.0))
    if not decimals.any() or np.ptp(read_so) > 0.0 or np.ptp(decimals) == 0.0:
        return
    raise refusal(
        "clock_format",
        d.member,
        f"the elapsed {'minutes' if d.roles.time.factor == 60.0 else 'hours'} never have more "
        "than 59 behind the point, and only as sixtieths are their steps even",
        "export elapsed seconds, or times with colons",
        line=d.table.data_line,
    )


def _two_fields(d: Decider, raw: Int) -> Int:
    """Tell minutes and seconds from hours and minutes where a clock has two fields only."""
    moments = d.parsed.moments
    assert moments is not None
    if "S" in moments.fields_seen:
        return raw
    said = " ".join(
        [
            *d.roles.time.headers,
            *(d.table.marks[k] for k in d.roles.time.columns if k < len(d.table.marks)),
        ]
    ).lower()
    if re.search(r"\bm{1,2}:s{1,2}\b", said):
        # What was read as hours is minutes.
        moments.clock_ms = raw // 60
        return moments.clock_ms
    if re.search(r"\bh{1,3}:m{1,2}\b", said):
        return raw
    above = [s for s in d.statements if s.line < d.table.data_line]
    bases, _ = stated_at.find_bases(above, None)
    first = int(raw[moments.ok][0]) if moments.ok.any() else 0
    if any(b.clock_ms is not None and first and abs(b.clock_ms - first) < 60_000 for b in bases):
        return raw
    if any(b.clock_ms is None for b in bases) and first >= 3_600_000 and not d.roles.time.elapsed:
        return raw
    raise refusal(
        "clock_format",
        d.member,
        f"times such as {quoted(d.example_time())} may be hours and minutes or minutes and "
        "seconds",
        "export times with three fields, or say (mm:ss) or (hh:mm) in the header",
        line=d.table.data_line,
    )


def _segments(raw: Int, ok: Any, mode: str, said: list[int]) -> list[tuple[int, int]]:
    """Part rows where lines among them state a date, or the count starts again."""
    if len(raw) > 1 and not said and ok.all() and bool((raw[1:] >= raw[:-1]).all()):
        return [(0, len(raw))]
    rows = np.flatnonzero(ok)
    if len(rows) < 2:
        return [(0, len(raw))]
    steps = np.diff(raw[rows])
    if mode == "clock":
        # A clock falls at midnight too; only a fall to zero well before it is a new start.
        falls = np.flatnonzero((steps < 0) & (steps > -DAY_MS // 2) & (raw[rows][1:] <= 2000))
    else:
        falls = np.flatnonzero((steps < 0) & (raw[rows][1:] <= raw[rows[0]] + 1000))
    starts = {int(rows[f + 1]) for f in falls[:2000]} | set(said)
    edges = [0, *sorted(starts - {0, len(raw)}), len(raw)]
    return list(pairwise(edges))


def _dated_blocks(d: Decider, ok: Any, stated: str | None) -> dict[int, list[Statement]]:
    """Return statements among the rows that give a date, by the row that follows them."""
    inner = [s for s in d.statements if s.line >= d.table.data_line]
    if not inner:
        return {}
    rows = np.flatnonzero(ok)
    lines = d.parsed.lines[rows]
    groups: dict[int, list[Statement]] = {}
    for s in inner:
        place = int(np.searchsorted(lines, s.line))
        if 0 < place < len(rows):
            groups.setdefault(int(rows[place]), []).append(s)
    return {row: own for row, own in groups.items() if any(stated_at.find_bases(own, stated))}


def _check_clock(d: Decider, raw: Int, ok: Any, a: int, b: int) -> None:
    """Refuse clock times of one date that go back, or pass midnight in a gap."""
    clock = raw[a:b][ok[a:b]]
    steps = np.diff(clock)
    back = steps < -BACK_MS
    if not back.any():
        return
    over = steps + DAY_MS
    if bool((back & (over > MIDNIGHT_GAP_MS)).any()):
        raise _no_start(
            d, "the clock goes back among rows of one date, so that their days can't be told"
        )


def _refuse_delay(d: Decider, statements: list[Statement]) -> None:
    """Refuse a start beside a delay: whether the first row is before or after it is not said."""
    for s in statements:
        if _DELAY.search(s.key_words) and re.search(r"[1-9]", s.value):
            raise _no_start(
                d,
                f"line {s.line} states {quoted(f'{s.key} {s.value}')}, and not whether the start "
                "is before or after it",
            )


def _one_base(
    d: Decider,
    statements: list[Statement],
    stated: str | None,
    segments: list[tuple[int, int]],
    number: int,
) -> stated_at.Base:
    if d.roles.time.mode != "clock" or d.roles.time.elapsed:
        _refuse_delay(d, statements)
    found, open_ = stated_at.find_bases(statements, stated)
    if not found and open_:
        for order in ("dmy", "mdy"):
            ways = [stated_at.read_base(s.value, s.line, order)[0] for s in open_]
            hits = [b for b in ways if b is not None and (b.days, b.days) in d.anchors]
            other = "mdy" if order == "dmy" else "dmy"
            rivals = [stated_at.read_base(s.value, s.line, other)[0] for s in open_]
            if len(hits) == 1 and not any(
                b is not None and (b.days, b.days) in d.anchors for b in rivals
            ):
                found = hits
                d.a.note(
                    "dates", order, "only so is the start the date that the file's name states"
                )
                break
    if not found and open_:
        raise refusal(
            "day_month",
            d.member,
            f"the start {quoted(open_[0].value)} can be read day first or month first, and "
            "nothing settles it",
            "say which comes first: day_first in [defaults], in a [[site]] or in a [[layout]]",
            line=open_[0].line,
            question=f"Does the day come first in dates such as {quoted(open_[0].value)}? "
            "(true: day first, false: month first)",
            toml="[defaults]\nday_first = true",
        )
    if len(found) == 1:
        return found[0]
    where = f"block {number + 1} of {len(segments)}" if len(segments) > 1 else "the table"
    if found:
        raise _no_start(
            d, f"{where} has several starts: " + ", ".join(quoted(b.text) for b in found[:4])
        )
    raise _no_start(d, f"the times of {where} count from a start that nothing states")


def _no_start(d: Decider, found: str) -> Exception:
    return refusal(
        "start_time",
        d.member,
        found,
        "export date and time of each row, or pin start_time in a [[layout]]",
        line=d.table.data_line,
        question="On which day and at which time does this record start?",
        toml=layout_toml(d.a.name, 'start_time = "2024-01-31 10:00:00"', alone=True),
    )


def _anchor(d: Decider, base: stated_at.Base, raw: Int, ok: Any, a: int, b: int, mode: str) -> int:
    """Return what to add to a block's counts [ms] to get its times."""
    rows = np.flatnonzero(ok[a:b]) + a
    shift = (base.offset_min or 0) * 60_000
    if base.days is None:
        raise _no_start(d, f"{quoted(base.text)} has no date")
    day = base.days * DAY_MS
    if mode != "clock":
        if base.clock_ms is None:
            raise _no_start(d, f"{quoted(base.text)} has no time of day")
        return day + base.clock_ms - shift
    first = int(raw[rows[0]]) if len(rows) else 0
    if base.clock_ms is None:
        if d.roles.time.elapsed or first <= 2000 or int(raw[rows].max()) >= DAY_MS:
            raise _no_start(
                d, f"times count from zero, and {quoted(base.text)} has no time of day"
            )
        return day - shift
    gap = min(abs(first - base.clock_ms), DAY_MS - abs(first - base.clock_ms))
    runs_on_clock = gap <= NEAR_MS and not d.roles.time.elapsed
    from_zero = first <= 60_000
    if runs_on_clock and from_zero and gap > 0 and base.clock_ms > 2000:
        raise _no_start(
            d, f"times from {first // 1000} s may be a clock's or count from {quoted(base.text)}"
        )
    if runs_on_clock:
        # The first row may lie just past midnight when the start lies just before it.
        turn = DAY_MS if first - base.clock_ms < -DAY_MS // 2 else 0
        return day + turn - shift
    if from_zero or d.roles.time.elapsed:
        return day + base.clock_ms - shift
    raise _no_start(
        d,
        f"times begin at {first / 1000:.0f} s after midnight or after a start, "
        f"which does not go with the start {quoted(base.text)}",
    )
