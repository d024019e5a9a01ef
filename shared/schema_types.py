"""The type of a column's description."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    """One column: what it holds, in which unit, how it was made and when it is null."""

    name: str
    dtype: str
    """``string``, ``float64``, ``int64``, ``bool`` or ``time`` (ms, UTC)."""
    unit: str
    meaning: str
    method: str = ""
    source: str = ""
    validity: str = ""
    required: bool = False
