"""Which column is the time, which a channel, which the unit's id."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from . import header_words as vocabulary
from .cells import kind_of, number_of, unit_of
from .clock_text import parse_offset, understand
from .dialect import Table, has_time_word, is_index_word, moment_parts
from .header_words import tokens, words
from .refuse import layout_toml, quoted, refusal, toml_text
from .statements import Statement
from .units_found import SECONDS, Mark, marks_in, read_mark, reference_in, split_header

CHANNELS: Final = (
    "temperature_c",
    "pressure_kpa",
    "temperature2_c",
    "current_a",
    "mains_v",
    "ambient_c",
    "atmosphere_kpa",
)
PIN_ROLES: Final = (
    *CHANNELS,
    "time",
    "date",
    "elapsed",
    "unit_id",
    "logger_id",
    "channel",
    "value",
    "unit",
    "ignore",
)


@dataclass(frozen=True)
class Channel:
    """A channel of an export: where it stands, what it is, and its unit's mark."""

    name: str
    kind: str
    header: str
    column: int
    unit: str = ""
    reference: str = ""
    unit_why: str = ""
    reference_why: str = ""
    factor: float = 1.0


@dataclass(frozen=True)
class TimePlan:
    """How the time is written.

    ``mode``: ``moments`` (one or two columns of text), ``clock`` (time of day
    or elapsed, decided by the values), ``epoch``, ``serial``, ``elapsed`` or
    ``index``.
    """

    mode: str
    columns: tuple[int, ...]
    factor: float = 1.0
    headers: tuple[str, ...] = ()
    elapsed: bool = False
    compact: tuple[int, ...] = ()
    """Columns that hold clock times as six digits."""
    offset_column: int | None = None
    """Column of offsets from UTC."""


@dataclass(frozen=True)
class Roles:
    """The roles of a table's columns."""

    time: TimePlan
    channels: tuple[Channel, ...]
    unit_column: int | None = None
    logger_column: int | None = None
    long_channel: int | None = None
    long_value: int | None = None
    long_unit: int | None = None
    unused: tuple[str, ...] = ()
    evidence: tuple[tuple[str, str, str], ...] = ()


def column_text(table: Table, k: int) -> list[str]:
    """Return the filled sample cells of a column."""
    return [row[k] for row in table.sample if row[k]]


def find_roles(
    table: Table, statements: list[Statement], name: str, pins: dict[str, str]
) -> Roles:
    """Give every column its role.

    Parameters
    ----------
    table
        The table's start.
    statements
        The preamble's keys and values.
    name
        The export's name, for messages.
    pins
        Header text, or ``column N``, to role, as the user pinned it.

    Raises
    ------
    ExportRefusedError
        With cause ``time_column``, ``channels`` or ``layout``.
    """
    pinned = _pinned(table, pins, name)
    taken: set[int] = {k for k, role in pinned.items() if role == "ignore"}
    described = [_described(table.headers[k], statements) for k in range(table.columns)]
    time = _time(table, described, name, pinned, taken)
    taken |= set(time.columns)
    unit_column = _first(pinned, "unit_id")
    logger_column = _first(pinned, "logger_id")
    for k in range(table.columns):
        if k in taken or k in pinned or table.kinds[k] == "moment":
            continue
        low = words(described[k])
        if vocabulary.NOT_AN_ID.search(low):
            continue
        if (table.kinds[k] in {"text", "number"} and vocabulary.LOGGER.search(low)) or (
            table.kinds[k] in {"text", "number"}
            and vocabulary.SERIAL.search(low)
            and not vocabulary.UNIT_ID.search(low)
        ):
            logger_column = k if logger_column is None else logger_column
        elif vocabulary.UNIT_ID.search(low) and unit_column is None and _is_id_column(table, k):
            unit_column = k
    taken |= {k for k in (unit_column, logger_column) if k is not None}
    long = _long(table, described, taken, pinned)
    if long is not None:
        channel, value, unit = long
        evidence = (
            (
                "shape",
                "long",
                f"column {quoted(table.headers[channel])} names the channel of each row, "
                f"{quoted(table.headers[value])} holds its value",
            ),
        )
        return Roles(time, (), unit_column, logger_column, channel, value, unit, evidence=evidence)
    if time.offset_column is not None:
        taken.add(time.offset_column)
    channels, unused = _channels(table, described, statements, taken, pinned, name)
    return Roles(
        time,
        tuple(channels),
        unit_column,
        logger_column,
        unused=tuple(unused),
        evidence=(("shape", "wide", "each channel has its own column"),),
    )


def _first(pinned: dict[int, str], role: str) -> int | None:
    return next((k for k, r in pinned.items() if r == role), None)


def _pinned(table: Table, pins: dict[str, str], name: str) -> dict[int, str]:
    found: dict[int, str] = {}
    for header, role in pins.items():
        if role not in PIN_ROLES:
            raise refusal(
                "layout",
                name,
                f"the pinned role {quoted(role)} is not known",
                "use one of " + ", ".join(PIN_ROLES),
            )
        wanted = words(header)
        hits = [
            k
            for k in range(table.columns)
            if table.headers[k].strip() == header.strip() or words(table.headers[k]) == wanted
        ]
        number = re.fullmatch(r"column (\d+)", wanted)
        if not hits and number and 1 <= int(number[1]) <= table.columns:
            hits = [int(number[1]) - 1]
        if len(hits) == 1:
            found[hits[0]] = role
        elif role != "ignore":
            raise refusal(
                "layout",
                name,
                f"the pinned column {quoted(header)} stands {len(hits)} times in the header",
                "correct columns in its [[layout]]",
                line=table.header_line,
            )
    return found


def _described(header: str, statements: list[Statement]) -> str:
    """Return a header with what the preamble says about it (``CH1: Chamber °C``)."""
    own = words(split_header(header)[0]) or words(header)
    short = re.fullmatch(
        r"(?:ch|channel|kanal|canal|canale|kanaal|input|in|c|k|t|sensor|probe) ?0*(\d{1,2})", own
    )
    if not own or (not short and len(own) > 12):
        return header
    for statement in statements:
        key = statement.key_words
        if not key or len(statement.value) > 80:
            continue
        same = key == own
        if short and not same:
            other = re.fullmatch(
                r"(?:ch|channel|kanal|canal|canale|kanaal|input|in|c|k|t|sensor|probe) ?0*(\d{1,2})",
                key,
            )
            same = other is not None and other[1] == short[1]
        if same and kind_of(statement.value) in {"text", "mark"}:
            return f"{header} {statement.value}"
    return header


def _is_id_column(table: Table, k: int) -> bool:
    cells = column_text(table, k)
    if not cells:
        return False
    if all(read_mark(c) is not None for c in cells):
        return False
    return not any(kind_of(c) in {"dot", "comma"} for c in cells)


# Time ---------------------------------------------------------------------------------------


def _time(
    table: Table, described: list[str], name: str, pinned: dict[int, str], taken: set[int]
) -> TimePlan:
    own = [k for k, role in pinned.items() if role in {"time", "date", "elapsed"}]
    if own:
        own.sort(key=lambda k: 0 if pinned[k] == "date" else 1)
        return _pinned_time(table, described, own)
    free = [k for k in range(table.columns) if k not in taken and k not in pinned]
    moments = [k for k in free if table.kinds[k] == "moment"]
    parts = {k: moment_parts([row[k] for row in table.sample]) for k in moments}
    full = [k for k in moments if parts[k] == (True, True)]
    dates = [k for k in moments if parts[k] == (True, False)]
    clocks = [k for k in moments if parts[k] == (False, True)]
    offset = _offset_column(table, free)
    if full:
        k = full[0] if len(full) == 1 else _best_moment(table, described, full, name)
        return TimePlan("moments", (k,), headers=(table.headers[k],), offset_column=offset)
    dates += [k for k in free if _is_compact_date(table, described, k)]
    compact: tuple[int, ...] = ()
    if dates and not clocks:
        clocks = [k for k in free if k not in dates and _is_compact_clock(table, described, k)]
        compact = tuple(clocks)
    real = [k for k in clocks if not vocabulary.ELAPSED.search(words(described[k]))]
    if dates and (real or clocks):
        chosen = real or clocks
        if len(dates) > 1 or len(chosen) > 1:
            pair = _paired(dates, chosen, described)
            if pair is None:
                raise refusal(
                    "time_column",
                    name,
                    "several columns hold dates or times: "
                    + ", ".join(quoted(table.headers[j]) for j in dates + chosen),
                    "pin the ones that count in a [[layout]]",
                    line=table.header_line,
                    question="Which columns hold the time of a sample?",
                    toml=layout_toml(
                        name,
                        f'columns = {{ {toml_text(table.headers[dates[0]])} = "date", '
                        f'{toml_text(table.headers[chosen[0]])} = "time" }}',
                    ),
                )
            day, clock = pair
        else:
            day, clock = dates[0], chosen[0]
        return TimePlan(
            "moments",
            (day, clock),
            headers=(table.headers[day], table.headers[clock]),
            elapsed=not real,
            compact=compact,
            offset_column=offset,
        )
    numeric = [k for k in free if table.kinds[k] == "number"]
    for k in numeric:
        plan = _numeric_time(table, described, k)
        if plan is not None and plan.mode in {"epoch", "serial"}:
            return plan
    if clocks:
        k = real[0] if real else clocks[0]
        return TimePlan(
            "clock",
            (k,),
            headers=(table.headers[k],),
            elapsed=bool(vocabulary.ELAPSED.search(words(described[k]))),
        )
    for k in numeric:
        plan = _numeric_time(table, described, k)
        if plan is not None and plan.mode == "elapsed":
            return plan
    for k in numeric:
        if is_index_word(described[k]) and _counts_up(table, k):
            return TimePlan("index", (k,), headers=(table.headers[k],))
    raise refusal(
        "time_column",
        name,
        "no column holds the time of a sample, as far as headers and values tell",
        "pin the column in a [[layout]]",
        line=table.header_line or table.data_line,
        question="Which column holds the time, and how is it counted?",
        toml=layout_toml(name, f'columns = {{ {toml_text(table.headers[0])} = "time" }}'),
    )


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


def _pinned_time(table: Table, described: list[str], own: list[int]) -> TimePlan:
    headers = tuple(table.headers[k] for k in own)
    if all(table.kinds[k] == "moment" for k in own):
        has_date = any(moment_parts([r[k] for r in table.sample])[0] for k in own)
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
    found = [number_of(c, table.decimal or ".") for c in column_text(table, k)]
    return [v for v in found if v is not None]


def _counts_up(table: Table, k: int) -> bool:
    values = _numbers(table, k)
    return len(values) >= 2 and all(b > a for a, b in zip(values, values[1:], strict=False))


def _numeric_time(
    table: Table, described: list[str], k: int, sure: bool = False
) -> TimePlan | None:
    values = _numbers(table, k)
    if not values:
        return None
    header = (table.headers[k],)
    rest, mark = split_header(described[k])
    if mark is None and table.marks[k]:
        mark = read_mark(table.marks[k])
    low = words(described[k])
    named = has_time_word(low) or bool(
        re.search(r"epoch|unix|posix|timestamp|serial date|date serial", low)
    )
    rising = _counts_up(table, k) or len(values) < 2 or _mostly_up(values)
    other = mark is not None and mark.kind not in {"time"} and mark.unit != "K"
    if other and not sure:
        return None
    for factor, low_v, high_v in (
        (1000.0, 1.2e9, 2.2e9),
        (1.0, 1.2e12, 2.2e12),
        (1e-3, 1.2e15, 2.2e15),
        (1e-6, 1.2e18, 2.2e18),
    ):
        if all(low_v <= v <= high_v for v in values) and rising and (named or sure or k == 0):
            return TimePlan("epoch", (k,), factor, header)
    steps = sorted(b - a for a, b in zip(values, values[1:], strict=False) if b > a)
    step = steps[len(steps) // 2] if steps else 0.0
    if (
        (named or sure)
        and mark is None
        and all(36526 <= v <= 73050 for v in values)
        and rising
        and any(v != int(v) for v in values)
        and step < 0.5
    ):
        return TimePlan("serial", (k,), 1.0, header)
    bare_t = re.fullmatch(r"t|t s|x", low) is not None and bool(mark and mark.kind == "time")
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
    ups = sum(b >= a for a, b in zip(values, values[1:], strict=False))
    return ups >= 0.9 * (len(values) - 1)


# Long layout --------------------------------------------------------------------------------


def _long(
    table: Table, described: list[str], taken: set[int], pinned: dict[int, str]
) -> tuple[int, int, int | None] | None:
    channel, value = _first(pinned, "channel"), _first(pinned, "value")
    unit = _first(pinned, "unit")
    free = [k for k in range(table.columns) if k not in taken and k not in pinned]
    if channel is None:
        for k in free:
            if table.kinds[k] not in {"text", "number"}:
                continue
            cells = Counter(column_text(table, k))
            if table.kinds[k] == "number" and any(kind_of(c) != "integer" for c in cells):
                continue
            kinds = {channel_kind(words(c), split_header(c)[1]) for c in cells}
            speaks = bool(kinds - {"", "other"})
            named = bool(tokens(described[k]) & vocabulary.CHANNEL)
            if (
                1 <= len(cells) <= 24
                and table.kinds[k] == "text"
                and speaks
                and (named or len(cells) >= 2)
            ):
                channel = k
                break
    if channel is None:
        return None
    if value is None:
        numbers = [k for k in free if k != channel and table.kinds[k] == "number"]
        named_values = [k for k in numbers if tokens(described[k]) & vocabulary.VALUE]
        own_kind = [
            k
            for k in numbers
            if k not in named_values
            and channel_kind(words(described[k]), split_header(described[k])[1])
            not in {"", "other"}
        ]
        if own_kind and not named_values:
            return None
        pick = named_values or [k for k in numbers if not is_index_word(described[k])]
        if len(pick) != 1:
            return None
        value = pick[0]
    if unit is None:
        for k in free:
            if k in {channel, value}:
                continue
            cells_k = column_text(table, k)
            if cells_k and sum(read_mark(c) is not None for c in cells_k) >= 0.8 * len(cells_k):
                unit = k
                break
    return channel, value, unit


# Channels -----------------------------------------------------------------------------------


@lru_cache(maxsize=4096)
def channel_kind(low: str, mark: Mark | None) -> str:
    """Return ``temperature``, ``pressure``, ``current``, ``voltage``, ``other`` or an empty text."""
    if vocabulary.NOT_A_READING.search(low):
        return "other"
    if mark is not None and mark.kind in {"temperature", "pressure", "current", "voltage"}:
        if mark.unit == "K" and vocabulary.PRESSURE.search(low):
            return "pressure"
        return mark.kind
    if mark is not None and mark.kind in {"other", "time"}:
        return "other"
    if vocabulary.PRESSURE.search(low) or re.fullmatch(
        r"p|p ?\d|p[ _]?(?:abs|rel|ch|kammer|chamber).*|.*\bp", low
    ):
        return "pressure"
    if vocabulary.TEMPERATURE.search(low) or re.fullmatch(
        r"t|t ?\d|t (?:ch|dr|lo|am|kammer|load|drain|chamber).*|tc ?\d?", low
    ):
        return "temperature"
    if vocabulary.CURRENT.search(low):
        return "current"
    if vocabulary.VOLTAGE.search(low):
        return "voltage"
    if (
        vocabulary.DRAIN.search(low)
        or vocabulary.CHAMBER.search(low)
        or vocabulary.LOAD.search(low)
    ):
        return "place"
    return ""


@lru_cache(maxsize=4096)
def placement(low: str) -> str:
    """Return ``drain``, ``chamber``, ``control``, ``load``, ``ambient``, ``other`` or an empty text."""
    if vocabulary.OTHER_PLACE.search(low):
        return "other"
    for name, pattern in (
        ("drain", vocabulary.DRAIN),
        ("load", vocabulary.LOAD),
        ("ambient", vocabulary.AMBIENT),
        ("chamber", vocabulary.CHAMBER),
        ("control", vocabulary.CONTROL),
    ):
        if pattern.search(low):
            return name
    return ""


_SCALED = re.compile(
    r"(?:[x×*]\s?10+\b|\b1/10+\b|\b0[.,]0*1\s*(?:°|k\b|c\b|f\b|bar|kpa|mbar|psi))", re.IGNORECASE
)


def refuse_scaled(header: str, name: str, line: int | None) -> None:
    """Refuse a channel whose header says that its values are multiples of its unit.

    Raises
    ------
    ExportRefusedError
        With cause ``scaled_values``.
    """
    if _SCALED.search(header):
        raise refusal(
            "scaled_values",
            name,
            f"column {quoted(header)} holds multiples of its unit",
            "export the values themselves",
            line=line,
        )


def _column_mark(table: Table, described: list[str], k: int) -> tuple[str, Mark | None, str]:
    """Return the words of a column's header, its unit mark and where the mark stands."""
    rest, mark = split_header(described[k])
    if mark is None and rest != described[k]:
        rest = described[k]
    if mark is not None:
        return rest, mark, f"the header says {quoted(table.headers[k])}"
    if table.marks[k]:
        mark = read_mark(table.marks[k])
        if mark is not None:
            if mark.kind == "pressure" and not mark.reference:
                reference = reference_in(rest)
                if reference in {"absolute", "vented_gauge", "sealed_gauge"}:
                    mark = replace(mark, reference=reference)
            return rest, mark, f"the units row says {quoted(table.marks[k])}"
    cells = column_text(table, k)
    in_cells = {m for m in (unit_of(c) for c in cells if kind_of(c) == "unit") if m is not None}
    if len(in_cells) == 1:
        mark = in_cells.pop()
        return rest, mark, f"cells say so, such as {quoted(cells[0])}"
    if k + 1 < table.columns and table.kinds[k + 1] == "mark":
        beside = {read_mark(c) for c in column_text(table, k + 1)}
        if len(beside) == 1:
            mark = beside.pop()
            return rest, mark, f"the column beside it says {quoted(column_text(table, k + 1)[0])}"
    return rest, None, ""


def _channels(
    table: Table,
    described: list[str],
    statements: list[Statement],
    taken: set[int],
    pinned: dict[int, str],
    name: str,
) -> tuple[list[Channel], list[str]]:
    found: list[tuple[Channel, str]] = []
    unused: list[str] = []
    for k in range(table.columns):
        role = pinned.get(k, "")
        if k in taken or (role and role not in CHANNELS) or table.kinds[k] in {"moment", "mark"}:
            continue
        rest, mark, why = _column_mark(table, described, k)
        low = words(rest)
        kind = channel_kind(low, mark)
        if role:
            kind = {
                "pressure_kpa": "pressure",
                "atmosphere_kpa": "pressure",
                "current_a": "current",
                "mains_v": "voltage",
            }.get(role, "temperature")
            if mark is not None and mark.kind != kind:
                mark = None
        where = placement(low)
        if not role and kind == "place":
            kind = "temperature" if mark is None else mark.kind
            if mark is None and table.kinds[k] != "number":
                continue
        # A column of words is no channel, unless its header has a unit: then it is a spoilt one.
        worded = table.kinds[k] == "text" and (mark is None or mark.kind != kind)
        if kind in {"", "other"} or (worded and not role):
            if table.kinds[k] != "empty" and table.headers[k]:
                unused.append(table.headers[k])
            continue
        if kind in {"temperature", "pressure"} and where != "other":
            refuse_scaled(described[k], name, table.header_line)
        if mark is not None and mark.kind != kind:
            mark, why = None, ""
        reference = mark.reference if mark is not None else ""
        reference_why = why if reference else ""
        if kind == "pressure" and not reference:
            said = reference_in(described[k])
            if said and said != "both":
                reference = said
                reference_why = f"the header says {quoted(table.headers[k])}"
        factor = 1.0
        unit = mark.unit if mark is not None else ""
        if unit == "mA":
            unit, factor = "A", 0.001
        channel = Channel(
            role,
            kind,
            table.headers[k],
            k,
            unit,
            reference,
            why if mark else "",
            reference_why,
            factor,
        )
        found.append((channel, role or where))
    return assign_names(found, unused, statements, name, table.header_line), unused


def assign_names(
    found: list[tuple[Channel, str]],
    unused: list[str],
    statements: list[Statement],
    name: str,
    line: int | None,
) -> list[Channel]:
    """Give channels their schema names by their kind and place.

    Raises
    ------
    ExportRefusedError
        With cause ``channels`` where two claim one name and nothing tells them apart.
    """
    channels: list[Channel] = []
    by_kind: dict[str, list[tuple[Channel, str]]] = {}
    for channel, where in found:
        if channel.name:
            channels.append(channel)
        else:
            by_kind.setdefault(channel.kind, []).append((channel, where))
    used = {c.name for c in channels}

    def give(channel: Channel, role: str) -> None:
        channels.append(replace(channel, name=role))
        used.add(role)

    temperatures = by_kind.get("temperature", [])
    main: list[Channel] = []
    for wanted in ("drain", "chamber", "control"):
        these = [c for c, w in temperatures if w == wanted]
        if these and not main:
            main = these
        else:
            unused += [c.header for c in these]
    loads = [c for c, w in temperatures if w == "load"]
    rooms = [c for c, w in temperatures if w == "ambient"]
    plain_ones = [c for c, w in temperatures if w == ""]
    unused += [c.header for c, w in temperatures if w == "other"]
    if "temperature_c" not in used:
        if not main and plain_ones:
            main, plain_ones = plain_ones, []
        main = _one_of_twins(main, unused, "°C")
        if len(main) > 1:
            # Beside a reading its average is no second sensor.
            momentary = [c for c in main if not vocabulary.AVERAGE.search(words(c.header))]
            if len(momentary) == 1:
                unused += [c.header for c in main if c is not momentary[0]]
                main = momentary
        if len(main) > 1:
            raise _which(main, name, line)
        if main:
            give(main[0], "temperature_c")
    else:
        unused += [c.header for c in main]
    if plain_ones:
        unused += [c.header for c in plain_ones]
    if loads and "temperature2_c" not in used:
        if len(loads) > 1:
            raise _which(loads, name, line, "temperature2_c")
        give(loads[0], "temperature2_c")
    if rooms and "ambient_c" not in used:
        give(rooms[0], "ambient_c")
        unused += [c.header for c in rooms[1:]]
    pressures = by_kind.get("pressure", [])
    air = [c for c, _ in pressures if vocabulary.ATMOSPHERE.search(words(c.header))]
    steam = [c for c, w in pressures if c not in air and w not in {"other", "ambient"}]
    unused += [c.header for c, w in pressures if c not in air and w in {"other", "ambient"}]
    if "pressure_kpa" not in used and steam:
        named = [c for c, w in pressures if c in steam and w in {"chamber", "drain", "control"}]
        steam = named if named and len(steam) > 1 else steam
        steam = _one_of_twins(steam, unused, "kPa")
        if len(steam) > 1:
            stated = [c for c in steam if c.reference == "absolute"]
            if len(stated) != 1:
                raise _which(steam, name, line, "pressure_kpa")
            unused += [c.header for c in steam if c is not stated[0]]
            steam = stated
        give(steam[0], "pressure_kpa")
    if air and "atmosphere_kpa" not in used:
        give(air[0], "atmosphere_kpa")
    currents = [c for c, _ in by_kind.get("current", [])]
    if currents and "current_a" not in used:
        if len(currents) == 1:
            give(currents[0], "current_a")
        else:
            unused += [c.header for c in currents]
    volts = [c for c, w in by_kind.get("voltage", []) if w != "other"]
    if volts and "mains_v" not in used:
        if len(volts) == 1:
            give(volts[0], "mains_v")
        else:
            unused += [c.header for c in volts]
    passed_over = [
        u
        for u in unused
        if (m := split_header(u)[1]) is not None
        and m.kind == "temperature"
        and vocabulary.NOT_A_READING.search(words(u))
        and not vocabulary.OTHER_PLACE.search(words(u))
        and re.search(r"\b(?:max|min|high|low)", words(u))
    ]
    if not used & {"temperature_c", "temperature2_c"} and passed_over:
        used.clear()
    if not used & {"temperature_c", "pressure_kpa", "temperature2_c"}:
        raise refusal(
            "channels",
            name,
            "no column is a chamber temperature or pressure as far as the header tells"
            + (f" (columns: {', '.join(quoted(u, 30) for u in unused[:8])})" if unused else ""),
            "name the columns in a [[layout]]",
            line=line,
            question="Which columns hold the chamber's temperature and pressure, and in which units?",
            toml=layout_toml(
                name, 'columns = { "column 2" = "temperature_c" }', 'temperature_unit = "°C"'
            ),
        )
    return sorted(channels, key=lambda c: CHANNELS.index(c.name))


def _one_of_twins(these: list[Channel], unused: list[str], unit: str) -> list[Channel]:
    """Keep one of columns that give the same reading in several units."""
    if len(these) < 2 or any(not c.unit for c in these):
        return these
    names = {words(split_header(c.header)[0]) for c in these}
    same = len(names) == 1 and len({c.unit for c in these}) == len(these)
    if not same or len({c.reference for c in these}) > 1:
        return these
    kept = next((c for c in these if c.unit == unit), these[0])
    unused += [c.header for c in these if c is not kept]
    return [kept]


def _which(
    these: list[Channel], name: str, line: int | None, role: str = "temperature_c"
) -> Exception:
    listed = ", ".join(quoted(c.header) for c in these)
    return refusal(
        "channels",
        name,
        f"{len(these)} columns could be {role}: {listed}",
        "name the right one in a [[layout]]",
        line=line,
        question=f"Which of the columns {listed} is {role}?",
        toml=layout_toml(
            name, f"columns = {{ {toml_text(these[0].header)} = {toml_text(role)} }}"
        ),
    )


def preamble_units(
    channels: tuple[Channel, ...], statements: list[Statement]
) -> tuple[Channel, ...]:
    """Fill in units and references that the preamble states."""
    result = []
    for channel in channels:
        if channel.kind in {"temperature", "pressure"}:
            if not channel.unit:
                channel = _unit_from(channel, statements)
            if (
                channel.kind == "pressure"
                and not channel.reference
                and channel.name == "pressure_kpa"
            ):
                channel = _reference_from(channel, statements)
        result.append(channel)
    return tuple(result)


def _unit_from(channel: Channel, statements: list[Statement]) -> Channel:
    pattern = vocabulary.TEMPERATURE if channel.kind == "temperature" else vocabulary.PRESSURE
    found: dict[Mark, int] = {}
    for s in statements:
        key = s.key_words
        whole = words(s.key + " " + s.value)
        about = pattern.search(key) or words(channel.header) == key
        general = bool(tokens(s.key) & vocabulary.UNIT_WORD) or key in {
            "units",
            "unit",
            "einheiten",
            "unites",
            "unidades",
        }
        if not about and not general and not (not key and pattern.search(whole)):
            continue
        if vocabulary.NOT_A_READING.search(key) or vocabulary.ATMOSPHERE.search(key):
            continue
        marks = [m for m in [read_mark(s.value), *marks_in(s.value)] if m is not None]
        if not marks:
            rest, mark = split_header(s.value)
            if mark is not None and len(rest) < 40 and not re.search(r"\d", rest):
                marks = [mark]
        for mark in marks:
            if mark.kind == channel.kind:
                found.setdefault(mark, s.line)
    units = {m.unit for m in found}
    if len(units) != 1:
        return channel
    mark, line = next(iter(found.items()))
    why = f"line {line} says so"
    return replace(
        channel,
        unit=mark.unit,
        unit_why=why,
        reference=channel.reference or mark.reference,
        reference_why=channel.reference_why or (why if mark.reference else ""),
    )


def _reference_from(channel: Channel, statements: list[Statement]) -> Channel:
    said: dict[str, int] = {}
    for s in statements:
        whole = words(s.key + " " + s.value)
        if not (
            vocabulary.PRESSURE.search(whole) or re.search(r"\breference\b|\bbezug", words(s.key))
        ):
            continue
        if vocabulary.ATMOSPHERE.search(whole) and not re.search(r"gauge|absolut|relativ", whole):
            continue
        if vocabulary.NOT_A_READING.search(words(s.key)):
            continue
        mark = read_mark(s.value)
        reference = mark.reference if mark is not None and mark.kind == "pressure" else ""
        reference = reference or reference_in(s.key + " " + s.value)
        if reference and reference != "both":
            said.setdefault(reference, s.line)
    if len(said) == 1:
        reference, line = next(iter(said.items()))
        return replace(channel, reference=reference, reference_why=f"line {line} says so")
    return channel


def offset_in_text(text: str) -> str | None:
    """Return a zone that header text states (``UTC``, ``+02:00``), or None."""
    match = re.search(r"\b(?:UTC|GMT)\b\s*([+−-]\s?\d{1,2}(?::?\d{2})?)?", text)
    if match:
        if match[1]:
            minutes = parse_offset(match[1].replace("−", "-").replace(" ", ""))
            return None if minutes is None else _offset_name(minutes)
        return "UTC"
    match = re.search(r"(?<![\d:])([+-]\d{2}:\d{2})(?!\d)", text)
    if match:
        minutes = parse_offset(match[1])
        return None if minutes is None else _offset_name(minutes)
    return None


def _offset_name(minutes: int) -> str:
    sign = "-" if minutes < 0 else "+"
    return f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
