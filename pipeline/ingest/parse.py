"""Cells of a table's rows as times and numbers, before anything is decided."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from . import clock as clocks
from .channels import channel_kind
from .dialect import Table
from .header_words import words
from .numbers import decimal_in, kinds_in, marks_of, to_numbers
from .raw import Raw
from .refuse import layout_toml, quoted, refusal
from .roles import Channel, Roles, units_beside
from .times import Moments, parse_moments
from .units_found import read_mark, split_header

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Float = NDArray[np.float64]


@dataclass
class Parsed:
    """Rows with their times and numbers read, nothing decided yet."""

    n: int
    lines: Int
    odd: list[tuple[int, str]]
    odd_count: int
    blank: Bool
    moments: Moments | None
    time_values: Float | None
    values: dict[int, Float]
    words: dict[int, Bool]
    texts: dict[int, Any]
    raw: Raw

    @cached_property
    def all_read(self) -> bool:
        """That the time of every row could be read as soon as rows were, and none is blank."""
        if self.moments is not None:
            known = self.moments.ok
        else:
            assert self.time_values is not None
            known = np.isfinite(self.time_values)
        return bool(known.all()) and not bool(self.blank.any())


def parse_rows(raw: Raw, roles: Roles, decimals: dict[int, str]) -> Parsed:
    """Read times and numbers of raw rows.

    Parameters
    ----------
    decimals
        Decimal mark by column, for columns that came as text.
    """
    n = len(raw.lines)
    moments: Moments | None = None
    time_values: Float | None = None
    columns = roles.time.columns
    if raw.stamp is not None and raw.seconds is not None:
        moments = raw.stamp.moments(raw.seconds)
    elif roles.time.mode in {"moments", "clock"}:
        texts_of = [raw.columns[k] for k in columns]
        if roles.time.half_column is not None:
            half = pc.utf8_trim_whitespace(raw.columns[roles.time.half_column])
            texts_of[-1] = pc.binary_join_element_wise(
                pc.utf8_trim_whitespace(texts_of[-1]), half, " "
            )
        moments = parse_moments(texts_of[0], dotted_dates=len(columns) == 2)
        if len(columns) == 2:
            clock_text = texts_of[1]
            if columns[1] in roles.time.compact:
                clock_text = pc.replace_substring_regex(
                    pc.utf8_lpad(pc.utf8_trim_whitespace(clock_text), 6, "0"),
                    r"^(\d{2})(\d{2})(\d{2})$",
                    r"\1:\2:\3",
                )
            moments = clocks.combine_columns(moments, parse_moments(clock_text))
        if roles.time.offset_column is not None:
            clocks.add_offsets(moments, raw.columns[roles.time.offset_column])
    else:
        time_values = _numbers(raw.columns[columns[0]], decimals.get(columns[0], "."))[0]
    values: dict[int, Float] = {}
    words: dict[int, Bool] = {}
    texts: dict[int, Any] = {}
    numeric = [c.column for c in roles.channels]
    if roles.long_value is not None:
        numeric.append(roles.long_value)
    for k in numeric:
        values[k], words[k] = _numbers(raw.columns[k], decimals.get(k, "."))
    for own in (roles.unit_column, roles.logger_column, roles.long_channel, roles.long_unit):
        if own is not None:
            texts[own] = raw.columns[own]
    empty_time = empty_cells(raw.columns[columns[0]])
    blank = np.zeros(n, bool)
    if empty_time.any():
        blank = empty_time.copy()
        for k, column in raw.columns.items():
            if k != columns[0]:
                blank &= empty_cells(column)
    return Parsed(
        n,
        raw.lines,
        raw.odd,
        raw.odd_count,
        blank,
        moments,
        time_values,
        values,
        words,
        texts,
        raw,
    )


def _numbers(column: Any, decimal: str) -> tuple[Float, Bool]:
    if pa.types.is_floating(column.type):
        array = np.asarray(column.to_numpy(zero_copy_only=False), np.float64)
        return array, np.zeros(0, bool)
    return to_numbers(column, decimal)


def empty_cells(column: Any) -> Bool:
    """Mark the cells of a column that hold nothing, shape (n,)."""
    if pa.types.is_floating(column.type) or pa.types.is_timestamp(column.type):
        if column.null_count == 0:
            return np.zeros(len(column), bool)
        return np.asarray(column.is_null().to_numpy(zero_copy_only=False), bool)
    lengths = (
        np.diff(
            np.frombuffer(column.buffers()[1], np.int32)[
                column.offset : column.offset + len(column) + 1
            ]
        )
        if len(column)
        else np.zeros(0, np.int32)
    )
    if len(lengths) and int(lengths.min()) > 0 and not bool((lengths <= 3).any()):
        return np.zeros(len(column), bool)
    trimmed = pc.utf8_length(pc.utf8_trim_whitespace(column))
    return np.asarray(
        pc.fill_null(pc.equal(trimmed, 0), True).to_numpy(zero_copy_only=False), bool
    )


def settle_decimals(
    raw: Raw, table: Table, roles: Roles, pinned: str | None, name: str
) -> dict[int, str]:
    """Return the decimal mark of each text column that holds numbers.

    Raises
    ------
    ExportRefusedError
        With cause ``decimal_mark`` where the whole column leaves it open.
    """
    numeric = [c.column for c in roles.channels]
    if roles.long_value is not None:
        numeric.append(roles.long_value)
    if roles.time.mode in {"epoch", "serial", "elapsed", "index"}:
        numeric.append(roles.time.columns[0])
    text = [k for k in numeric if not pa.types.is_floating(raw.columns[k].type)]
    if pinned:
        return dict.fromkeys(text, pinned)
    own = {k: decimal_in(raw.columns[k]) for k in text}
    shown = {d for d in own.values() if d}
    result: dict[int, str] = {}
    for k in text:
        mark = own[k]
        if mark:
            result[k] = mark
            continue
        kinds = kinds_in(raw.columns[k])
        if "dot" in kinds and "comma" in kinds:
            raise refusal(
                "decimal_mark",
                name,
                f"column {quoted(table.headers[k])} holds decimal points and decimal commas",
                "export it with one decimal mark",
                line=table.data_line,
            )
        if "grouped" not in kinds:
            result[k] = next(iter(shown)) if len(shown) == 1 else "."
            continue
        if len(shown) == 1:
            result[k] = next(iter(shown))
            continue
        channel = next((c for c in roles.channels if c.column == k), None)
        sample = raw.columns[k].drop_null()[:2000]
        thermal = channel is not None and channel.kind in {"temperature", "current", "voltage"}
        if k == roles.long_value and roles.long_channel is not None:
            names = raw.columns[roles.long_channel]
            hot = [
                n
                for n in pc.unique(names).to_pylist()[:64]
                if n
                and channel_kind(words(split_header(n)[0]), split_header(n)[1]) == "temperature"
            ]
            sample = raw.columns[k].filter(pc.is_in(names, value_set=pa.array(hot, pa.string())))[
                :2000
            ]
            thermal = len(sample) > 0
        as_groups = {d: to_numbers(sample, d)[0] for d in (".", ",")}
        if thermal:
            # Of the two readings one has thousands: no chamber is so hot.
            fits = [
                d
                for d, v in as_groups.items()
                if np.isfinite(v).any() and float(np.nanmax(np.abs(v))) <= 1000.0
            ]
            if len(fits) == 1:
                result[k] = fits[0]
                shown.add(fits[0])
                continue
        raise _decimal_question(raw.columns[k], table, k, name)
    return result


def _decimal_question(column: Any, table: Table, k: int, name: str) -> Exception:
    cell = next((c for c in column[:500].to_pylist() if c and ("." in c or "," in c)), "")
    return refusal(
        "decimal_mark",
        name,
        f"cells such as {quoted(cell)} in column {quoted(table.headers[k])} can be a decimal "
        "with three "
        "places or a number in thousands",
        "pin the decimal mark in a [[layout]]",
        line=table.data_line,
        question=f"Is the mark in {quoted(cell)} a decimal mark?",
        toml=layout_toml(name, 'decimal = "."' if "." in cell else 'decimal = ","'),
    )


def check_cell_units(raw: Raw, table: Table, channel: Channel, name: str) -> None:
    """Refuse a column whose cells state several units or references.

    Raises
    ------
    ExportRefusedError
        With cause ``units_differ``.
    """
    column = raw.columns[channel.column]
    found: set[Any] = set()
    if not pa.types.is_floating(column.type):
        found = {m for m in marks_of(column) if m is not None}
    beside = channel.column + 1
    if beside in raw.columns and units_beside(table, channel):
        cells = pc.unique(raw.columns[beside]).to_pylist()
        found |= {m for m in (read_mark(c) for c in cells if c) if m is not None}
    units = {m.unit for m in found}
    references = {m.reference for m in found} - {""}
    if len(units) > 1 or (units and channel.unit and units != {channel.unit}):
        said = units | {channel.unit} - {""}
    elif len(references | {channel.reference} - {""}) > 1 and references:
        said = references | {channel.reference} - {""}
    else:
        return
    raise refusal(
        "units_differ",
        name,
        f"column {quoted(channel.header)} holds values in {', '.join(sorted(said))}",
        "export it in one unit, absolute or gauge throughout",
        line=table.data_line,
    )
