"""What a reader may choose about a report, as one frozen dataclass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

DATE_STYLES: Final = ("words", "iso", "day_first", "month_first")
TEMPERATURE_UNITS: Final = ("°C", "°F")
PRESSURE_UNITS: Final = ("kPa", "bar", "psi")
PAPERS_PT: Final[dict[str, tuple[float, float]]] = {
    "A4": (595.276, 841.890),
    "letter": (612.0, 792.0),
}
"""Paper name to width and height [pt], upright."""


@dataclass(frozen=True)
class ReportOptions:
    """How a report speaks to its reader.

    Raises
    ------
    ValueError
        If a choice is not among those that exist; the message lists them.
    """

    temperature_unit: str = "°C"
    pressure_unit: str = "kPa"
    """Pressures are absolute in each of the units."""
    date_style: str = "words"
    """``words`` 5 Nov 2026, ``iso`` 2026-11-05, ``day_first`` 05/11/2026,
    ``month_first`` 11/05/2026."""
    zone: str | None = None
    """IANA zone for all times; None: each site's own."""
    paper: str = "A4"

    def __post_init__(self) -> None:
        """Refuse a choice that does not exist."""
        for name, value, known in (
            ("temperature_unit", self.temperature_unit, TEMPERATURE_UNITS),
            ("pressure_unit", self.pressure_unit, PRESSURE_UNITS),
            ("date_style", self.date_style, DATE_STYLES),
            ("paper", self.paper, tuple(PAPERS_PT)),
        ):
            if value not in known:
                raise ValueError(f"{name} {value!r} is not one of {', '.join(known)}")

    @property
    def page_pt(self) -> tuple[float, float]:
        """Page width and height [pt]."""
        return PAPERS_PT[self.paper]
