"""Which column is the time, which a channel, which the unit's id."""

from __future__ import annotations

import re
from collections import Counter
from typing import Final

from ...shared.config_keys import COLUMN_ROLES
from . import header_words as vocabulary
from . import legend
from .cells import kind_of
from .channels import channel_kind, find_channels
from .dialect import Table, is_index_word
from .header_words import tokens, words
from .refuse import quoted, refusal
from .roles import Roles, column_text
from .statements import Statement
from .time_column import find_time
from .units_found import read_mark, split_header


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
    pinned = pinned_roles(table, pins, name)
    taken: set[int] = {k for k, role in pinned.items() if role == "ignore"}
    described = [legend.described(table.headers[k], statements) for k in range(table.columns)]
    time = find_time(table, described, name, pinned, taken)
    taken |= set(time.columns)
    unit_column = _first(pinned, "unit_id")
    logger_column = _first(pinned, "logger_id")
    for k in range(table.columns):
        if k in taken or k in pinned or table.kinds[k] == "moment":
            continue
        low = words(described[k])
        if vocabulary.NOT_AN_ID.search(low):
            continue
        mark = split_header(described[k])[1]
        if mark is not None and mark.kind in {"temperature", "pressure"}:
            # A reading whose header names its sensor's serial number.
            continue
        if any(kind_of(c) in {"dot", "comma"} for c in column_text(table, k)):
            continue  # no serial number has decimals
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
    taken |= {k for k in (time.offset_column, time.half_column) if k is not None}
    channels, unused, unknown = find_channels(table, described, taken, pinned, name)
    return Roles(
        time,
        tuple(channels),
        unit_column,
        logger_column,
        unused=tuple(unused),
        unknown=tuple(unknown),
        evidence=(("shape", "wide", "each channel has its own column"),),
    )


def _first(pinned: dict[int, str], role: str) -> int | None:
    return next((k for k, r in pinned.items() if r == role), None)


def pinned_roles(table: Table, pins: dict[str, str], name: str) -> dict[int, str]:
    """Return the roles that the user pinned, by column.

    Raises
    ------
    ExportRefusedError
        With cause ``layout`` where a role is not known or a header does not stand there once.
    """
    found: dict[int, str] = {}
    for header, role in pins.items():
        if role not in COLUMN_ROLES:
            raise refusal(
                "layout",
                name,
                f"the pinned role {quoted(role)} is not known",
                "use one of " + ", ".join(COLUMN_ROLES),
            )
        wanted = words(header)
        hits = [
            k
            for k in range(table.columns)
            if table.headers[k].strip() == header.strip() or words(table.headers[k]) == wanted
        ]
        if not hits:
            hits = [k for k, other in enumerate(table.others) if words(other) == wanted]
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
                'name it by its place, such as "column 3", in its [[layout]]',
                line=table.header_line,
            )
    return found


_BARE_UNIT: Final = re.compile(r"\bunits?\b(?! ?(?:id|no|nr|number|name)\b)")


def _is_id_column(table: Table, k: int) -> bool:
    cells = column_text(table, k)
    if not cells:
        return False
    if all(map(read_mark, cells)):
        # Units that something is measured in, unless the name says more than "unit", "engineering
        # unit" or "unit of measure": a sterilizer's id may well be A or C.
        rest = _BARE_UNIT.sub(" ", words(table.headers[k]))
        if not vocabulary.UNIT_ID.search(rest):
            return False
    return not any(kind_of(c) in {"dot", "comma"} for c in cells)


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
