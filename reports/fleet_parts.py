"""What the fleet report's tables share: widths, severities, and what is left out."""

from __future__ import annotations

from dataclasses import replace

from . import style
from .flow import Cell, Row, TableColumn, paragraph

MOST_ROWS = 200
"""Rows of a section; what is beyond is counted, and stands in the tables."""


def stretch(columns: list[TableColumn], width: float) -> list[TableColumn]:
    """Give the room that is left (or missing) to the columns in proportion."""
    factor = width / sum(c.width for c in columns)
    return [replace(c, width=c.width * factor) for c in columns]


def severity_cell(severity: str, *, deferred: bool = False) -> Cell:
    """Return a severity as mark and word."""
    mark = style.SEVERITY_MARKS.get(severity, " ")
    colour = style.FAINT if deferred else style.SEVERITY_COLOURS.get(severity, style.INK)
    return Cell(f"{mark} {severity}", colour, bold=severity != "watch")


def more_rows(count: int, most: int, width: float) -> list[Row]:
    """Return a line that says how many rows were left out, if any."""
    if count <= most:
        return []
    return paragraph(f"and {count - most} more", width, colour=style.MUTED)
