"""Exports in many shapes, each with known values or an expected refusal.

None follows a real logger: they are combinations of habits that text exports
have in general (encodings, marks, dates, preambles), invented here.
"""

from __future__ import annotations

from .shapes_common import EARLY, HEAD, C, iso
from .shapes_dates import date_shapes
from .shapes_fresh import fresh_shapes
from .shapes_more import more_shapes
from .shapes_odd import odd_shapes
from .shapes_tables import table_shapes
from .shapes_text import plain_shapes
from .shapes_traps import trap_shapes
from .shapes_units import unit_shapes
from .shapes_world import world_shapes
from .truth import Shape

__all__ = ["EARLY", "HEAD", "C", "all_shapes", "iso"]


def all_shapes() -> list[Shape]:
    """Return every shape."""
    return (
        plain_shapes()
        + date_shapes()
        + unit_shapes()
        + table_shapes()
        + odd_shapes()
        + world_shapes()
        + more_shapes()
        + trap_shapes()
        + fresh_shapes()
    )
