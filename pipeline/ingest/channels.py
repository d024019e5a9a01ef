"""Which columns are channels: their kind, place, unit and name."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache

from . import header_words as vocabulary
from .cells import kind_of, unit_of
from .dialect import Table, is_index_word
from .header_words import words
from .refuse import layout_toml, quoted, refusal, toml_text
from .roles import CHANNELS, Channel, column_text
from .units_found import (
    Mark,
    foreign_unit,
    read_mark,
    reference_in,
    split_header,
    two_units,
)


@lru_cache(maxsize=4096)
def channel_kind(low: str, mark: Mark | None) -> str:
    """Return temperature, pressure, current, voltage, place, other or an empty text."""
    if vocabulary.NOT_A_READING.search(low):
        return "other"
    if mark is not None and mark.kind in {"current", "voltage"}:
        # Volts and milliamperes of a sensor are signals: only words make a supply of them.
        if vocabulary.PRESSURE.search(low) or vocabulary.TEMPERATURE.search(low):
            return "signal"
        if vocabulary.CURRENT.search(low) or vocabulary.VOLTAGE.search(low):
            return mark.kind
        return mark.kind if mark.unit == "A" else ""
    if mark is not None and mark.kind in {"temperature", "pressure"}:
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
    """Return drain, chamber, control, load, ambient, other or an empty text."""
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


_VACUUM = re.compile(r"vacu|vaku|unterdruck|\bvide\b|depression|vuoto|proznia|вакуум|真空|진공")
_NUMBER_AND = re.compile(r"[+-]?\d+[.,]\d+\D")
_CODE = re.compile(r"[0-9A-Fa-f]{2,16}")
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
            return rest, mark, f"the units row says {quoted(table.marks[k])}"
    cells = column_text(table, k)
    in_cells = {m for m in (unit_of(c) for c in cells if kind_of(c) == "unit") if m is not None}
    if len(in_cells) == 1 and not _are_codes(cells):
        mark = in_cells.pop()
        return rest, mark, f"cells say so, such as {quoted(cells[0])}"
    if k + 1 < table.columns and table.kinds[k + 1] == "mark":
        beside = {read_mark(c) for c in column_text(table, k + 1)}
        if len(beside) == 1:
            mark = beside.pop()
            return rest, mark, f"the column beside it says {quoted(column_text(table, k + 1)[0])}"
    return rest, None, ""


def _are_codes(cells: list[str]) -> bool:
    """Say whether cells are numbers to the base of 16: 003C is no temperature."""
    return all(map(_CODE.fullmatch, cells)) and any(kind_of(c) != "unit" for c in cells)


def find_channels(
    table: Table,
    described: list[str],
    taken: set[int],
    pinned: dict[int, str],
    name: str,
) -> tuple[list[Channel], list[str], list[int]]:
    """Find the channels of a wide table, what is left unused, and what is not understood."""
    unknown: list[int] = []
    found: list[tuple[Channel, str]] = []
    unused: list[str] = []
    signals: list[tuple[str, str]] = []
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
        if kind == "signal" and mark is not None:
            signals.append((table.headers[k], mark.unit))
            continue
        # A column of words is no channel, unless its header has a unit: then it is a spoilt one.
        worded = table.kinds[k] == "text" and (mark is None or mark.kind != kind)
        readable = kind in {"temperature", "pressure"} and where != "other"
        if table.kinds[k] == "text" and readable and not role:
            _refuse_spoilt(table, k, kind, name)
        if kind in {"", "other"} or (worded and not role):
            if table.kinds[k] != "empty" and table.headers[k]:
                unused.append(table.headers[k])
                counted = is_index_word(described[k]) and not any(
                    kind_of(c) in {"dot", "comma"} for c in column_text(table, k)
                )
                if not kind and table.kinds[k] == "number" and not counted:
                    unknown.append(k)
            continue
        if kind in {"temperature", "pressure"} and where != "other":
            refuse_scaled(described[k], name, table.header_line)
        if mark is not None and mark.kind != kind:
            mark, why = None, ""
        if mark is None and kind in {"temperature", "pressure"} and not role:
            foreign = foreign_unit(described[k]) or foreign_unit(f"x [{table.marks[k]}]")
            if foreign:
                signals.append((table.headers[k], foreign))
                continue
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
    if signals:
        _refuse_signals(found, signals, name, table.header_line)
        unused += [header for header, _ in signals]
    channels = assign_names(found, unused, name, table.header_line)
    _refuse_vacuum(channels, name, table.header_line)
    if not any(c.kind == "temperature" for c, _ in found):
        _refuse_nameless(table, [k for k in unknown if _moves(table, k)], name)
    return channels, unused, unknown


def _refuse_spoilt(table: Table, k: int, kind: str, name: str) -> None:
    """Refuse a channel whose cells are numbers with something beside them: it would be lost."""
    cells = [c for c in column_text(table, k) if kind_of(c) == "text"]
    if cells and all(_NUMBER_AND.match(c.strip()) for c in cells):
        raise refusal(
            "channels",
            name,
            f"column {quoted(table.headers[k])} is named for a {kind}, but cells such as "
            f"{quoted(cells[0])} are no plain numbers",
            "export plain numbers, or pin the column as ignored",
            line=table.data_line,
            question=f"Can the export do without column {quoted(table.headers[k])}?",
            toml=layout_toml(name, f'columns = {{ {toml_text(table.headers[k])} = "ignore" }}'),
        )


def _moves(table: Table, k: int) -> bool:
    return len(set(column_text(table, k))) > 1


def _refuse_nameless(table: Table, unknown: list[int], name: str) -> None:
    """Refuse a table whose temperature may stand under a header that no one understands."""
    if not unknown:
        return
    listed = ", ".join(quoted(table.headers[k], 30) for k in unknown[:6])
    raise refusal(
        "channels",
        name,
        f"no column is named as a temperature, and {listed} "
        f"{'is' if len(unknown) == 1 else 'are'} not understood",
        "name the column in a [[layout]], or pin it as ignored",
        line=table.header_line,
        question=f"Is {listed} the chamber's temperature? (else: ignore)",
        toml=layout_toml(
            name, f'columns = {{ {toml_text(table.headers[unknown[0]])} = "temperature_c" }}'
        ),
    )


def _refuse_signals(
    found: list[tuple[Channel, str]], signals: list[tuple[str, str]], name: str, line: int | None
) -> None:
    """Refuse a table whose only temperature or pressure is in a unit that is none of ours."""
    kinds = {c.kind for c, where in found if where not in {"other", "ambient"}}
    for header, unit in signals:
        low = words(header)
        kind = "pressure" if vocabulary.PRESSURE.search(low) else "temperature"
        if kind not in kinds and placement(low) != "other":
            compound = kind == "pressure" and re.search(r"\bvac\b|\binhg/", header, re.I)
            if not compound and two_units(unit):
                raise _either_unit(header, unit, kind, name, line)
            remedy = "throughout, absolute or gauge" if compound else f"of {kind}"
            raise refusal(
                "foreign_unit",
                name,
                f"column {quoted(header)} seems to hold a vacuum below the air's pressure, and "
                "maybe another unit above it"
                if compound
                else f"column {quoted(header)} is in {quoted(unit)}, which is no unit of {kind}",
                f"export it in one unit {remedy}, or pin the column as ignored",
                line=line,
                question=f"Can the export do without column {quoted(header)}?",
                toml=layout_toml(name, f'columns = {{ {toml_text(header)} = "ignore" }}'),
            )


def _either_unit(header: str, units: str, kind: str, name: str, line: int | None) -> Exception:
    """Return the refusal of a column whose header names two units (cause ``foreign_unit``)."""
    channel = "pressure_kpa" if kind == "pressure" else "temperature_c"
    return refusal(
        "foreign_unit",
        name,
        f"column {quoted(header)} names two units, {quoted(units)}, and does not say in which "
        "of them its numbers are",
        "name the right one in a [[layout]]",
        line=line,
        question=f"Are the numbers of column {quoted(header)} in {quoted(units.split('/')[0])}?",
        toml=layout_toml(
            name,
            f"columns = {{ {toml_text(header)} = {toml_text(channel)} }}",
            f"{kind}_unit = {toml_text(units.split('/')[0])}",
        ),
    )


def _refuse_vacuum(channels: list[Channel], name: str, line: int | None) -> None:
    """Refuse a pressure that is only named as a vacuum: it may count down from the air's."""
    for channel in channels:
        low = words(channel.header)
        if (
            channel.name == "pressure_kpa"
            and channel.reference == ""
            and _VACUUM.search(low)
            and not vocabulary.PRESSURE.search(low)
            and not channel.unit_why.startswith("pinned")
        ):
            raise refusal(
                "channels",
                name,
                f"column {quoted(channel.header)} may count up from a vacuum or down from the "
                "atmosphere",
                "export the pressure, absolute or gauge, or pin the column as ignored",
                line=line,
                question=f"Can the export do without column {quoted(channel.header)}?",
                toml=layout_toml(name, f'columns = {{ {toml_text(channel.header)} = "ignore" }}'),
            )


def assign_names(
    found: list[tuple[Channel, str]],
    unused: list[str],
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
    if loads and "temperature2_c" not in used:
        if len(loads) > 1:
            raise _which(loads, name, line, "temperature2_c")
        # Beside a steam pressure the only temperature is the unit's, wherever its probe lies;
        # alone it may stand beside another logger's, at the drain.
        only = "pressure_kpa" in used and "temperature_c" not in used
        give(loads[0], "temperature_c" if only else "temperature2_c")
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
        and re.search(r"\b(?:t?max|t?min|high|low)", words(u))
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
            question="Which columns hold the chamber's temperature and pressure, and in which "
            "units?",
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
    pinned = these[0].header
    if len({c.header for c in these}) < len(these):
        # One name for several columns pins none of them: their places do.
        places = [f"column {c.column + 1}" for c in these]
        listed, pinned = f"{listed} ({', '.join(places)})", places[0]
    return refusal(
        "channels",
        name,
        f"{len(these)} columns could be {role}: {listed}",
        "name the right one in a [[layout]]",
        line=line,
        question=f"Which of the columns {listed} is {role}?",
        toml=layout_toml(name, f"columns = {{ {toml_text(pinned)} = {toml_text(role)} }}"),
    )
