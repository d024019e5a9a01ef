"""Columns that are named for units: one unit's, or several units' side by side in one table.

A configured unit's id in a column's name tells whose readings the column holds. Where the
names hold different units' ids, each unit is read for itself, from its own columns, as if they
were all there is. A line that holds cells of two units counts once for each.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pyarrow as pa

from ...shared.config import Config, Unit
from ...shared.errors import ExportRefusedError
from . import header_words as vocabulary
from . import legend
from .channels import channel_kind, placement
from .columns import pinned_roles
from .dialect import Table
from .header_words import tokens, words
from .identity import GENERIC, bare_id, bare_ids
from .parse import empty_cells
from .raw import Raw
from .refuse import layout_toml, quoted, refusal, toml_text
from .roles import Roles
from .units_found import split_header

_BETWEEN: Final = re.compile(r"([_\s.,;:/()\[\]-]+)")
_SHARED: Final = frozenset({"ambient_c", "atmosphere_kpa"})
"""What one column may measure for several units: the room."""
_NO_READING: Final = frozenset({"ignore", "time", "date", "elapsed"})
LONGEST_ID: Final = 8
"""Most pieces of a column's name that an id may have."""


@dataclass(frozen=True)
class Side:
    """The unit that columns are named for, and who stands beside it."""

    unit_id: str
    header: str
    """The first of its columns' names."""
    others: tuple[str, ...] = ()
    """The other units of the table."""
    columns: tuple[int, ...] = ()
    hidden: tuple[int, ...] = ()
    """The columns of the others."""

    def pins(self, pinned: dict[str, str]) -> dict[str, str]:
        """Return what is pinned about columns, with the others' left out."""
        return pinned | {f"column {k + 1}": "ignore" for k in self.hidden}


def find_sides(
    table: Table, config: Config, pinned: dict[str, str], name: str
) -> tuple[Side, ...]:
    """Return whose columns a table has, by ids of configured units in the columns' names.

    Returns
    -------
    tuple
        One entry a unit, in the order of its first column; empty where no name tells.
    """
    if not config.units:
        return ()
    found = _units_of(table.headers, config.units)
    if not found:
        return ()
    roles = pinned_roles(table, pinned, name) if pinned else {}
    named: dict[str, list[int]] = {}
    for k, unit in found.items():
        if roles.get(k, "") not in _NO_READING:
            named.setdefault(unit, []).append(k)
    if len(named) == 1:
        left = {k for k, role in roles.items() if role in _NO_READING} | set(found)
        _refuse_stranger(table, next(iter(named)), left, name)
    return tuple(
        Side(
            unit,
            table.headers[own[0]],
            tuple(u for u in named if u != unit),
            tuple(own),
            tuple(sorted(k for u, more in named.items() if u != unit for k in more)),
        )
        for unit, own in named.items()
    )


def _refuse_stranger(table: Table, unit: str, left: set[int], name: str) -> None:
    """Refuse a column that is named for another unit, not known, in the same manner.

    Its readings would be stored as those of the unit that is known.

    Parameters
    ----------
    left
        Columns that need no look.
    """
    for k, header in enumerate(table.headers):
        parted = None if k in left else _parted(header)
        if parted is None or _letters(parted[0]) != _letters(unit):
            continue
        raise refusal(
            "channels",
            name,
            f"columns are named for the unit {quoted(unit)}, but {quoted(header)} seems to be "
            f"another's",
            "enter that unit as [[unit]], or pin the column as ignored",
            line=table.header_line,
            question=f"Is {quoted(parted[0])} a sterilizer beside {quoted(unit)}?",
            toml=f"[[unit]]\nid = {toml_text(parted[0])}",
        )


def _letters(unit: str) -> str:
    return re.sub(r"\d", "", bare_id(unit))


_last: tuple[tuple[Unit, ...], dict[tuple[str, ...], dict[int, str]]] = ((), {})


def _units_of(headers: tuple[str, ...], units: tuple[Unit, ...]) -> dict[int, str]:
    """Return the configured unit that each channel's header holds the id of, by column."""
    global _last
    if _last[0] is not units or len(_last[1]) > 64:
        _last = (units, {})
    known = _last[1]
    if headers not in known:
        ids = bare_ids(tuple(u.id for u in units))
        ids = {b: unit for b, unit in ids.items() if _may_be_id(unit)}
        found = {k: unit for k, h in enumerate(headers) if (unit := _unit_in(h, ids))}
        known[headers] = found
    return known[headers]


def _unit_in(header: str, ids: dict[str, str]) -> str:
    """Return the one known unit whose id a channel's header holds, or an empty text."""
    pieces = _BETWEEN.split(header)
    hits: list[tuple[int, int, str]] = []
    for a in range(0, len(pieces), 2):
        for b in range(a + 1, min(len(pieces), a + 2 * LONGEST_ID) + 1, 2):
            unit = ids.get(bare_id("".join(pieces[a:b]))) if pieces[a] and pieces[b - 1] else None
            if unit is not None:
                hits.append((a, b, unit))
    # Of HB and HB 3 the longer one is meant.
    hits = [h for h in hits if not any(o is not h and o[0] <= h[0] and h[1] <= o[1] for o in hits)]
    if len({unit for _, _, unit in hits}) != 1:
        return ""
    a, b, unit = hits[0]
    return unit if _kind_of(f"{''.join(pieces[:a])} {''.join(pieces[b:])}") else ""


def _kind_of(text: str) -> str:
    """Return the kind of channel that header text without the unit's id speaks of."""
    rest, mark = split_header(text.strip(" _-:/,;."))
    kind = channel_kind(words(rest), mark)
    return "" if kind == "other" else kind


def _may_be_id(text: str) -> bool:
    """Say whether a unit's id is no usual name of a channel, a sensor or a place."""
    low = words(text)
    return (
        re.search(r"[^\W\d_]", text) is not None
        and re.search(r"\d", text) is not None
        and not channel_kind(low, None)
        and not placement(low)
        and not tokens(text) & vocabulary.CHANNEL
        and not any(re.sub(r"\d+$", "", t) in GENERIC for t in low.split())
        and not legend.numbers(low)
        and not vocabulary.LOGGER.search(low)
        and not vocabulary.SERIAL.search(low)
    )


def roles_of_side(roles: Roles, side: Side, name: str, line: int | None) -> Roles:
    """Return one unit's roles, where it stands beside others.

    Raises
    ------
    ExportRefusedError
        With cause ``channels`` where a reading is named for none of the units, and with cause
        ``unit_id`` where a column names the unit of each row as well.
    """
    listed = ", ".join(quoted(u) for u in (side.unit_id, *side.others))
    if roles.unit_column is not None or roles.long_channel is not None:
        raise refusal(
            "unit_id",
            name,
            f"its columns are named for several units ({listed}), and its rows name units or "
            "channels as well",
            "export each unit in a file of its own",
            line=line,
        )
    for channel in roles.channels:
        if channel.column not in side.columns and channel.name not in _SHARED:
            raise refusal(
                "channels",
                name,
                f"column {quoted(channel.header)} is named for none of the units that stand side "
                f"by side ({listed})",
                "pin it as ignored, or export each unit in a file of its own",
                line=line,
                question=f"Can the export do without column {quoted(channel.header)}?",
                toml=layout_toml(
                    name, f'columns = {{ {toml_text(channel.header)} = "ignore" }}', alone=True
                ),
            )
    return roles


def share_rows(raws: list[Raw], sides: tuple[Side, ...]) -> list[Raw]:
    """Return each unit's rows: those in which one of its columns holds something.

    A row in which none does counts for the first unit.

    Parameters
    ----------
    raws
        The same rows with each unit's columns.
    """
    if len({len(raw.lines) for raw in raws}) > 1:
        raise AssertionError("one table was read with different rows")
    filled = []
    for raw, side in zip(raws, sides, strict=True):
        own = [~empty_cells(raw.columns[k]) for k in side.columns if k in raw.columns]
        filled.append(np.logical_or.reduce(own) if own else np.zeros(len(raw.lines), bool))
    filled[0] = filled[0] | ~np.logical_or.reduce(filled)
    return [_taken(raw, keep) for raw, keep in zip(raws, filled, strict=True)]


def _taken(raw: Raw, keep: Any) -> Raw:
    if keep.all():
        return raw
    mask = pa.array(keep)
    return replace(
        raw,
        columns={k: column.filter(mask) for k, column in raw.columns.items()},
        lines=raw.lines[keep],
        seconds=None if raw.seconds is None else raw.seconds[keep],
    )


def ask_for_units(
    error: ExportRefusedError, table: Table, config: Config, name: str
) -> ExportRefusedError:
    """Return the refusal of columns that nothing tells apart, as one that asks for units.

    Where the names of equal readings differ by what may be units' ids (``HB 3 Temp``,
    ``HB 4 Temp``), entering the units answers it; else the refusal stays as it is.
    """
    if error.cause != "channels" or not error.toml:
        return error
    groups: dict[str, list[str]] = {}
    for header in table.headers:
        parted = _parted(header)
        if parted is not None:
            groups.setdefault(parted[0], []).append(parted[1])
    readings = {tuple(sorted(own)) for own in groups.values()}
    if len(groups) < 2 or len(readings) != 1 or len(set(min(readings))) != len(min(readings)):
        return error
    known = {bare_id(u.id) for u in config.units}
    new = [unit for unit in groups if bare_id(unit) not in known]
    if not new:
        return error
    listed = " and ".join(quoted(unit) for unit in groups)
    return refusal(
        "channels",
        name,
        f"its columns seem to hold {len(groups)} units side by side: {listed}",
        "enter them as [[unit]], then each is read from its own columns; if they are no units, "
        "name the right columns in a [[layout]]",
        line=table.header_line,
        question=f"Are {listed} sterilizers, side by side in one file?",
        toml="\n\n".join(f"[[unit]]\nid = {toml_text(unit)}" for unit in new),
    )


def _parted(header: str) -> tuple[str, str] | None:
    """Part a header into what may be a unit's id, and the reading, or return None."""
    pieces = _BETWEEN.split(header.strip())
    for b in range(1, len(pieces) - 1, 2):
        unit = "".join(pieces[:b])
        rest = "".join(pieces[b + 1 :])
        if _may_be_id(unit) and _kind_of(rest):
            return unit, words(split_header(rest)[0]) or _kind_of(rest)
    return None
