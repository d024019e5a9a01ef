"""Reports: what a technician takes to the bench, and what a terminal shows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .options import ReportOptions
from .terminal import show_text, summary_text
from .views import (
    CycleView,
    FleetView,
    Provenance,
    UnitView,
    cycle_view,
    join_judgements,
    unit_view,
)

if TYPE_CHECKING:
    from .fleet import fleet_report
    from .record import cycle_sheet
    from .unit import unit_report

__all__ = [
    "CycleView",
    "FleetView",
    "Provenance",
    "ReportOptions",
    "UnitView",
    "cycle_sheet",
    "cycle_view",
    "fleet_report",
    "join_judgements",
    "show_text",
    "summary_text",
    "unit_report",
    "unit_view",
]

_DRAWING = {"cycle_sheet": "record", "fleet_report": "fleet", "unit_report": "unit"}


def __getattr__(name: str) -> Any:
    """Load what draws, and with it the drawing library, when it is first asked for."""
    if name in _DRAWING:
        from importlib import import_module

        return getattr(import_module(f".{_DRAWING[name]}", __name__), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
