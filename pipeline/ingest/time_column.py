"""Which columns hold the time of a sample, and how it is counted."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Final

from . import header_words as vocabulary
from .cells import number_of
from .clock_text import DOTTED, HALF, understand
from .dialect import Table, has_time_word, is_index_word, moment_parts
from .header_words import tokens, words
from .refuse import layout_toml, quoted, refusal, toml_text
from .roles import TimePlan, column_text
from .units_found import SECONDS, read_mark, split_header


def find_time(
    table: Table, described: list[str], name: str, pinned: dict[int, str], taken: set[int]
) -> TimePlan:
    """Return which columns hold the time of a sample, and how it is counted.

    Parameters
    ----------
    described
        Headers with what the preamble says about them, one a column.
    pinned
        Role by column, as the user pinned it.
    taken
        Columns that are not to be looked at.

    Returns
    -------
    TimePlan
        Whose ``factor`` turns a count since 1970 into ms and an elapsed one into s.

    Raises
    ------
    ExportRefusedError
        With cause ``time_column`` where no column or several can be the time, and
        ``scaled_values`` where one counts parts of its unit.
    """
    own = [k for k, role in pinned.items() if role in {"time", "date", "elapsed"}]
    if own:
        own.sort(key=lambda k: 0 if pinned[k] == "date" else 1)
        return _pinned_time(table, described, own, pinned)
    free = [k for k in range(table.columns) if k not in taken and k not in pinned]
    moments = [k for k in free if table.kinds[k] == "moment"]
    parts = {k: moment_parts([row[k] for row in table.sample]) for k in moments}
    full = [k for k in moments if parts[k] == (True, True)]
    dates = [k for k in moments if parts[k] == (True, False)]
    clocks = [k for k in moments if parts[k] == (False, True)]
    if not dates and not full and len(clocks) > 1:
        # Beside a clock, 13.05.24 is a date.
        dates = [k for k in clocks if _is_dotted_date(table, described, k)]
        if len(dates) == len(clocks):
            dates = [k for k in dates if tokens(described[k]) & vocabulary.DATE]
        clocks = [k for k in clocks if k not in dates]
    offset = _offset_column(table, free)
    half = _half_column(table, free)
    if full:
        k = full[0] if len(full) == 1 else _best_moment(table, described, full, name)
        return TimePlan(
            "moments",
            (k,),
            headers=(table.headers[k],),
            offset_column=offset,
            half_column=half,
        )
    dates += [k for k in free if _is_compact_date(table, described, k)]
    compact: tuple[int, ...] = ()
    if dates and not clocks:
        clocks = [k for k in free if k not in dates and _is_compact_clock(table, described, k)]
        compact = tuple(clocks)
    real = [k for k in clocks if not vocabulary.ELAPSED.search(words(described[k]))]
    # A date beside a count since the start is the start's day: it gives no time to count from.
    if dates and real:
        if len(dates) > 1 or len(real) > 1:
            pair = _paired(dates, real, described)
            if pair is None:
                raise refusal(
                    "time_column",
                    name,
                    "several columns hold dates or times: "
                    + ", ".join(quoted(table.headers[j]) for j in dates + real),
                    "pin the ones that count in a [[layout]]",
                    line=table.header_line,
                    question="Which columns hold the time of a sample?",
                    toml=layout_toml(
                        name,
                        f'columns = {{ {toml_text(table.headers[dates[0]])} = "date", '
                        f'{toml_text(table.headers[real[0]])} = "time" }}',
                    ),
                )
            day, clock = pair
        else:
            day, clock = dates[0], real[0]
        return TimePlan(
            "moments",
            (day, clock),
            headers=(table.headers[day], table.headers[clock]),
            compact=compact,
            offset_column=offset,
            half_column=half,
        )
    numeric = [k for k in free if table.kinds[k] == "number"]
    plans = {k: _numeric_time(table, described, k) for k in numeric}
    for plan in plans.values():
        if plan is not None and plan.mode in {"epoch", "serial"}:
            if plan.mode == "epoch" and _OTHER_EPOCH.search(words(plan.headers[0])):
                raise refusal(
                    "time_column",
                    name,
                    f"column {quoted(plan.headers[0])}, by its name, does not count from 1970",
                    "export dates, or seconds since 1970 in UTC",
                    line=table.header_line,
                )
            return plan
    if clocks:
        k = real[0] if real else clocks[0]
        return TimePlan(
            "clock",
            (k,),
            headers=(table.headers[k],),
            elapsed=bool(vocabulary.ELAPSED.search(words(described[k]))),
        )
    for k, plan in plans.items():
        if plan is not None and plan.mode == "elapsed":
            if _SCALED_TIME.search(described[k] + " " + table.marks[k]):
                raise refusal(
                    "scaled_values",
                    name,
                    f"column {quoted(table.headers[k])} counts parts or multiples of its unit",
                    "export seconds, or date and time",
                    line=table.header_line,
                )
            return plan
    for k in numeric:
        if is_index_word(described[k]) and _counts_up(table, k):
            return TimePlan("index", (k,), headers=(table.headers[k],))
    _refuse_unread(table, described, free, name)
    raise refusal(
        "time_column",
        name,
        "no column holds the time of a sample, as far as headers and values tell",
        "pin the column in a [[layout]]",
        line=table.header_line or table.data_line,
        question="Which column holds the time, and how is it counted?",
        toml=layout_toml(name, f'columns = {{ {toml_text(table.headers[0])} = "time" }}'),
    )


def _refuse_unread(table: Table, described: list[str], free: list[int], name: str) -> None:
    """Refuse a table whose time stands there in a form that is not read: pinning won't help."""
    for k in free:
        cells = column_text(table, k)
        dated = bool(tokens(described[k]) & vocabulary.DATE)
        compact = dated and all(re.fullmatch(r"\d{6}|\d{8}", c) for c in cells)
        written = table.kinds[k] == "text" and (dated or has_time_word(words(described[k])))
        if cells and (written or compact):
            raise refusal(
                "time_column",
                name,
                f"column {quoted(table.headers[k])} is named for the time, but "
                f"{quoted(cells[0])} is in no form that is read as one",
                "export date and time with their year as numbers, such as 2024-05-31 10:00:00",
                line=table.data_line,
            )


def _is_dotted_date(table: Table, described: list[str], k: int) -> bool:
    """Say whether a column's cells such as 13.05.24 are dates: by its name, or as they stay."""
    cells = column_text(table, k)
    read = [understand(c, dotted_date=True) for c in cells if DOTTED.fullmatch(c)]
    if not cells or len(read) < len(cells) or not all(m is not None and m.has_date for m in read):
        return False
    own = tokens(described[k])
    if own & vocabulary.DATE:
        return True
    return not own & vocabulary.TIME and len(cells) > 2 and len(set(cells)) == 1


def _is_compact_date(table: Table, described: list[str], k: int) -> bool:
    """Say whether a column named for a date holds dates such as 20240531."""
    cells = column_text(table, k)
    if table.kinds[k] != "number" or not tokens(described[k]) & vocabulary.DATE or not cells:
        return False
    return all(
        len(c) == 8 and c.isdigit() and (m := understand(c)) is not None and m.has_date
        for c in cells
    )


def _is_compact_clock(table: Table, described: list[str], k: int) -> bool:
    """Say whether a column named for a time holds clock times such as 093000."""
    cells = column_text(table, k)
    if table.kinds[k] != "number" or not tokens(described[k]) & vocabulary.TIME or not cells:
        return False
    return all(
        c.isdigit()
        and len(c) in {5, 6}
        and int(c[-2:]) < 60
        and int(c[-4:-2]) < 60
        and int(c[:-4]) < 24
        for c in cells
    )


def _offset_column(table: Table, free: list[int]) -> int | None:
    """Return the column whose cells are offsets from UTC such as +02:00, or None."""
    for k in free:
        cells = column_text(table, k)
        if (
            cells
            and all(re.fullmatch(r"(?:UTC|GMT)?[+-]\d{2}:?\d{2}", c) is not None for c in cells)
            and re.search(r"\b(?:utc|gmt|offset|zone|tz|zeitzone)\b", words(table.headers[k]))
        ):
            return k
    return None


def _half_column(table: Table, free: list[int]) -> int | None:
    """Return the column whose cells are AM and PM, or None."""
    for k in free:
        cells = column_text(table, k)
        if cells and all(HALF.fullmatch(c) is not None for c in cells):
            return k
    return None


def _pinned_time(
    table: Table, described: list[str], own: list[int], pinned: dict[int, str]
) -> TimePlan:
    counted = [k for k in own if pinned[k] == "elapsed"]
    if counted:
        own = counted[:1]
    headers = tuple(table.headers[k] for k in own)
    if counted and table.kinds[own[0]] == "moment":
        return TimePlan("clock", tuple(own), headers=headers, elapsed=True)
    if all(table.kinds[k] == "moment" for k in own):
        has_date = any(moment_parts([r[k] for r in table.sample])[0] for k in own) or (
            len(own) == 2 and pinned[own[0]] == "date"
        )
        return TimePlan("moments" if has_date else "clock", tuple(own[:2]), headers=headers)
    plan = _numeric_time(table, described, own[0], sure=True)
    return plan or TimePlan("elapsed", (own[0],), 1.0, headers)


def _paired(dates: list[int], clocks: list[int], described: list[str]) -> tuple[int, int] | None:
    pairs = [(d, c) for d in dates for c in clocks if c == d + 1]
    if len(pairs) > 1:
        utc = [
            p
            for p in pairs
            if re.search(r"\b(utc|gmt)\b", words(described[p[0]] + " " + described[p[1]]))
        ]
        pairs = utc or pairs
    if len(pairs) == 1:
        return pairs[0]
    if len(dates) == 1:
        named = [c for c in clocks if tokens(described[c]) & vocabulary.TIME]
        if len(named) == 1:
            return dates[0], named[0]
    return None


def _best_moment(table: Table, described: list[str], full: list[int], name: str) -> int:
    """Choose among several columns of moments: the one that states its zone."""
    for k in full:
        found = [understand(c) for c in column_text(table, k)]
        if any(m is not None and m.offset_min is not None for m in found):
            return k
    utc = [k for k in full if re.search(r"\b(utc|gmt|zulu)\b", words(described[k]))]
    if len(utc) == 1:
        return utc[0]
    rest = [
        k
        for k in full
        if not (
            vocabulary.CREATED.search(words(described[k]))
            or vocabulary.START.search(words(described[k]))
            or vocabulary.END.search(words(described[k]))
            or re.search(r"receiv|upload|server|sync", words(described[k]))
        )
    ]
    moving = [k for k in rest if len(set(column_text(table, k))) > 1] or rest
    if len(moving) == 1:
        return moving[0]
    raise refusal(
        "time_column",
        name,
        "several columns hold date and time: " + ", ".join(quoted(table.headers[k]) for k in full),
        "pin the one that counts in a [[layout]]",
        line=table.header_line,
        question="Which column is the time of a sample?",
        toml=layout_toml(name, f'columns = {{ {toml_text(table.headers[full[0]])} = "time" }}'),
    )


def _numbers(table: Table, k: int) -> list[float]:
    cells = column_text(table, k)
    if table.alike and table.kinds[k] == "number":
        # Digits and one mark, as a look at all rows has shown.
        return [float(c.replace(table.decimal or ".", ".")) for c in cells]
    found = [number_of(c, table.decimal or ".") for c in cells]
    return [v for v in found if v is not None]


def _counts_up(table: Table, k: int) -> bool:
    values = _numbers(table, k)
    return len(values) >= 2 and all(b > a for a, b in pairwise(values))


_SCALED_TIME = re.compile(
    r"(?:[x×*]\s?10+\b|\b1\s?/\s?1?0*\b\s?s|\b1\s?/\s?(?:10+|[2-9]\d*)\b|\b0[.,]0*[1-9]\s*s|\b10+\s?m?s\b"
    r"|hundredth|tenth|centi|deci|\bcs\b|\bds\b|zehntel|hundertstel)",
    re.IGNORECASE,
)


_EPOCHS: Final = (
    (1000.0, 1.2e9, 2.2e9),
    (1.0, 1.2e12, 2.2e12),
    (1e-3, 1.2e15, 2.2e15),
    (1e-6, 1.2e18, 2.2e18),
)
"""Factor to ms of a count since 1970, and what it reads between 2008 and 2039."""
_FIRST_SERIAL: Final = 36526
"""1 January 2000 as spreadsheets count days."""
_LAST_SERIAL: Final = 73050
"""1 January 2100."""
_OTHER_EPOCH = re.compile(
    r"\blocal|lokal|locale\b|\bgps\b|\btai\b|\bntp\b|\bmac\b|19[0-6]\d|\b2000\b"
)


def value_signs(table: Table, k: int) -> tuple[object, ...]:
    """Return all that `_numeric_time` takes from a column's values, its digits left aside."""
    values = _numbers(table, k)
    if not values:
        return ()
    low, high = min(values), max(values)
    every = [b - a for a, b in pairwise(values)]
    steps = sorted([step for step in every if step > 0.0])
    return (
        len(values) < 2,
        len(steps) == len(every),
        len(steps) + every.count(0.0) >= 0.9 * len(every),  # `_mostly_up`
        next((f for f, a, b in _EPOCHS if a <= low and high <= b), 0.0),
        low >= _FIRST_SERIAL and high <= _LAST_SERIAL and any(v != int(v) for v in values),
        (steps[len(steps) // 2] if steps else 0.0) < 0.5,
    )


def _numeric_time(
    table: Table, described: list[str], k: int, sure: bool = False
) -> TimePlan | None:
    header = (table.headers[k],)
    rest, mark = split_header(described[k])
    if mark is None and table.marks[k]:
        mark = read_mark(table.marks[k])
    other = mark is not None and mark.kind not in {"time"} and mark.unit != "K"
    if other and not sure:
        return None
    values = _numbers(table, k)
    if not values:
        return None
    low = words(described[k])
    named = has_time_word(low) or bool(
        re.search(r"epoch|unix|posix|timestamp|serial date|date serial", low)
    )
    rising = _counts_up(table, k) or len(values) < 2 or _mostly_up(values)
    for factor, low_v, high_v in _EPOCHS:
        if all(low_v <= v <= high_v for v in values) and rising and (named or sure or k == 0):
            return TimePlan("epoch", (k,), factor, header)
    steps = sorted(b - a for a, b in pairwise(values) if b > a)
    step = steps[len(steps) // 2] if steps else 0.0
    if (
        (named or sure)
        and mark is None
        and all(_FIRST_SERIAL <= v <= _LAST_SERIAL for v in values)
        and rising
        and any(v != int(v) for v in values)
        and step < 0.5
    ):
        return TimePlan("serial", (k,), 1.0, header)
    bare_t = re.fullmatch(r"(?:t|x)(?:[ /](?:s|sec|min|h|ms))?", low) is not None and bool(
        mark and mark.kind == "time"
    )
    if rising and (
        (mark is not None and mark.kind == "time" and (named or not rest or bare_t or sure))
        or vocabulary.ELAPSED.search(low)
        or re.fullmatch(
            r"(?:s|sec|secs|seconds?|sekunden?|secondes?|segundos?|secondi|min|minutes?|ms)", low
        )
    ):
        factor_unit = mark.unit if mark is not None and mark.kind == "time" else _elapsed_unit(low)
        if factor_unit is None:
            return None if not sure else TimePlan("elapsed", (k,), 1.0, header, True)
        return TimePlan("elapsed", (k,), SECONDS[factor_unit], header, True)
    return None


def _elapsed_unit(low: str) -> str | None:
    for pattern, unit in (
        (r"\b(?:ms|msec|milli)", "ms"),
        (r"\bs\b|\bsec|\bsek|\bseg", "s"),
        (r"\bmin", "min"),
        (r"\bh\b|\bhours?\b|\bstunden", "h"),
    ):
        if re.search(pattern, low):
            return unit
    return None


def _mostly_up(values: list[float]) -> bool:
    ups = sum(b >= a for a, b in pairwise(values))
    return ups >= 0.9 * (len(values) - 1)
