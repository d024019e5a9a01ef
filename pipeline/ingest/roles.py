"""The roles that a table's columns can have."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ...shared import config_keys
from .dialect import Table
from .units_found import read_mark

CHANNELS: Final = (*config_keys.CHANNELS, "atmosphere_kpa")


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
    half_column: int | None = None
    """Column that says AM or PM."""


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
    unknown: tuple[int, ...] = ()
    """Columns of numbers whose headers no one understands."""
    evidence: tuple[tuple[str, str, str], ...] = ()


def column_text(table: Table, k: int) -> list[str]:
    """Return the filled sample cells of a column."""
    return [row[k] for row in table.sample if row[k]]


def units_beside(table: Table, channel: Channel) -> bool:
    """Say whether the column beside a reading holds units, of which there may be several."""
    if channel.unit_why.startswith("the column beside"):
        return True
    k = channel.column + 1
    if k >= table.columns or table.kinds[k] not in {"mark", "text"}:
        return False
    marks = [read_mark(cell) for cell in set(column_text(table, k))]
    return bool(marks) and all(m is not None and m.kind == channel.kind for m in marks)
