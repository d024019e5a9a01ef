"""Tables found before, found again at once where an export begins and goes on alike.

A folder's exports tend to share their layout, and searching for the table is most of
what reading a small one costs. What is recalled is checked against the new bytes, not
trusted: header and length of the preamble must be the same to the byte (but for digits
of the preamble), and the first rows and rows of the middle must have the same form,
digit for digit in times and place for place in decimals. Anything else is searched.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from dataclasses import dataclass, replace
from typing import Final

from .clock_text import DOTTED, understand
from .dialect import Table
from .lines import logical_lines, split
from .roles import Roles
from .statements import Statement
from .time_column import value_signs

_DIGITS: Final = bytes.maketrans(b"123456789", b"000000000")
_ZEROS: Final = str.maketrans("123456789", "000000000")
KEPT: Final = 64
"""Layouts that are remembered in a process."""
CHECKED: Final = 12
"""Rows at the table's start that are looked at, as many as the search takes."""
MOST_WORDS: Final = 16
"""Distinct words of a column that make it one of states, channels or units."""
LONGEST_HEAD: Final = 1 << 14


@dataclass(frozen=True)
class _Found:
    head: bytes
    """All that stands above the first row, digits as zeros."""
    header: bytes
    """The header's lines as they are."""
    table: Table
    row: re.Pattern[str]


_BARE: Final = re.compile(r"[-+.,\d\s]+")
_PLAIN_KINDS: Final = frozenset({"moment", "number", "text"})
_roles: dict[tuple[object, ...], Roles] = {}
_memory: OrderedDict[tuple[object, ...], list[_Found]] = OrderedDict()


def _key(data: bytes, pins: tuple[object, ...]) -> tuple[object, ...]:
    return (*pins, data[:160].split(b"\n", 1)[0].translate(_DIGITS))


def recall(data: bytes, bulk: list[str], pins: tuple[object, ...]) -> Table | None:
    """Return the table of an export that is like one found before, or None.

    Parameters
    ----------
    data
        The export as UTF-8.
    bulk
        Lines from its middle.
    pins
        What the user pinned about where its table is.
    """
    if not bulk:
        return None
    for found in _memory.get(_key(data, pins), ()):
        table = found.table
        offset = table.data_offset
        head = data[:offset]
        if not head.endswith(found.header) or head.translate(_DIGITS) != found.head:
            continue
        if not table.quoted and b'"' in data:
            continue
        piece = data[offset : offset + 4096].decode("utf-8", "replace")
        rows = piece.replace("\r\n", "\n").split("\n", CHECKED)[:CHECKED]
        if len(rows) < CHECKED or not all(map(found.row.fullmatch, rows)):
            continue
        if not all(map(found.row.fullmatch, bulk)):
            continue
        sample = tuple(tuple(map(str.strip, split(row, table.delimiter))) for row in rows)
        preamble = table.preamble
        if preamble:
            lines = logical_lines(head.decode("utf-8", "replace"))
            preamble = tuple(lines[: len(preamble)])
        return replace(table, sample=sample, preamble=preamble, alike=True)
    return None


def remember(data: bytes, table: Table, bulk: list[str], pins: tuple[object, ...]) -> None:
    """Keep a table for exports like this one, where its rows all have one plain form."""
    offset = table.data_offset
    if (
        not bulk
        or len(table.delimiter) != 1
        or table.header_line is None
        or table.decimal is None
        or not 0 < offset <= LONGEST_HEAD
        or b"\r" in data[:offset].replace(b"\r\n", b"")
    ):
        return
    first = data[offset : offset + 2000].split(b"\n", 1)[0].decode("utf-8", "replace").rstrip("\r")
    row = _form(table, first)
    if row is None:
        return
    head = data[:offset]
    headed = head.split(b"\n")
    # The header, its units row and whatever stands between: all lines from it to the rows.
    header = b"\n".join(headed[table.header_line - 1 :])
    if len(headed) - 1 != table.data_line - 1:
        return
    key = _key(data, pins)
    held = _memory.setdefault(key, [])
    held.insert(0, _Found(head.translate(_DIGITS), header, table, row))
    del held[4:]
    _memory.move_to_end(key)
    while len(_memory) > KEPT:
        _memory.popitem(last=False)


def roles_key(
    table: Table, statements: list[Statement], pins: tuple[tuple[str, str], ...]
) -> tuple[object, ...] | None:
    """Return all that the roles of a plain table's columns rest on, or None.

    Plain: its moments, or its dates and clocks beside them, or else a count, are its time,
    and numbers are bare, so that headers, kinds of cells, the form of a moment, the way a
    count goes and words settle every role.
    """
    if not table.sample or table.header_line is None:
        return None
    row = table.sample[0]
    numeric = [k for k, kind in enumerate(table.kinds) if kind == "number"]
    cells = [row[k] for k, kind in enumerate(table.kinds) if kind == "moment"]
    bare = "".join([row[k] for k in numeric])
    if _BARE.fullmatch(bare) is None or set(table.kinds) - _PLAIN_KINDS:
        return None
    columns = tuple(zip(*table.sample, strict=True))
    counts: tuple[object, ...] = ()
    if not cells:
        for k in numeric:
            if 8 in map(len, columns[k]) and any(len(c) == 8 and c.isdigit() for c in columns[k]):
                return None  # they may be dates
        counts = tuple([value_signs(table, k) for k in numeric])
    if len(cells) > 1 and not _date_and_clock(cells):
        return None
    return (
        table.headers,
        table.others,
        table.marks,
        table.kinds,
        *[cell.translate(_ZEROS) for cell in cells],
        counts,
        *[columns[k] for k, kind in enumerate(table.kinds) if kind == "text"],
        tuple([all(map(str.isdigit, columns[k])) for k in numeric]),
        tuple(statements),
        pins,
    )


def _date_and_clock(cells: list[str]) -> bool:
    """Say whether cells are a date and a clock, whatever their digits are."""
    if len(cells) != 2 or any(map(DOTTED.fullmatch, cells)):
        return False
    read = [understand(cell) for cell in cells]
    return {(m.has_date, m.has_clock) for m in read if m is not None} == {
        (True, False),
        (False, True),
    }


def known_roles(key: tuple[object, ...] | None) -> Roles | None:
    """Return the roles kept under a key, or None."""
    return None if key is None else _roles.get(key)


def keep_roles(key: tuple[object, ...] | None, roles: Roles, table: Table) -> None:
    """Keep roles under a key, where they rest on nothing else."""
    others = (roles.logger_column, roles.long_channel)
    if key is None or any(k is not None for k in others):
        return
    # A count is the time only of a table without moments: with them its values have no key.
    counted = roles.time.mode in {"epoch", "serial", "elapsed"} and "moment" not in table.kinds
    if roles.time.mode != "moments" and not counted:
        return
    if len(_roles) >= KEPT:
        _roles.clear()
    _roles[key] = roles


def forget() -> None:
    """Forget all layouts."""
    _memory.clear()
    _roles.clear()


def _form(table: Table, first: str) -> re.Pattern[str] | None:
    """Return the form that all sample rows have, or None where they differ.

    ``first`` is the first row as it is written.
    """
    forms = []
    by = re.escape(table.delimiter)
    written = first.split(table.delimiter)
    if len(written) != table.columns:
        return None
    mark = re.escape(table.decimal or ".")
    for k, kind in enumerate(table.kinds):
        cells = {row[k] for row in table.sample}
        if kind == "moment":
            masks = {re.sub(r"\d", "0", c) for c in cells}
            if len(masks) != 1 or re.search(r"[^\W\d_]{3}", next(iter(masks))):
                return None
            form = re.escape(masks.pop()).replace("0", r"\d")
        elif kind == "number":
            places = set()
            for cell in cells:
                match = re.fullmatch(rf"[+-]?\d{{1,12}}(?:{mark}(\d+))?", cell)
                if match is None:
                    return None
                places.add(len(match[1] or ""))
            # With three places a number may be one in thousands: looked at each time.
            if 3 in places:
                return None
            tails = [rf"{mark}\d{{{count}}}" if count else "" for count in sorted(places)]
            form = rf"\s*[+-]?\d{{1,12}}(?:{'|'.join(tails)})\s*"
        elif len(cells) <= MOST_WORDS:
            # Words must be ones that were there before.
            form = rf"\s*(?:{'|'.join(sorted(map(re.escape, cells)))})\s*"
        else:
            return None
        guarded = written[k].startswith('"') and written[k].endswith('"')
        forms.append(f'"{form}"' if guarded else form)
    return re.compile(by.join(forms))
