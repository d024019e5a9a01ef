"""Published programs, bands and hold times, each with its source and status.

``checked`` says whether the value was checked against the standard itself. None
was: the standards are not free. A limit that was not checked prints so, without
a clause number.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class HoldTime:
    """A published pair of temperature and least time."""

    air_removal: str
    """``gravity``, ``prevacuum`` or ``any``."""
    setpoint_c: float
    hold_min: float
    source: str
    checked: bool = False


_CSC = (
    "Central Sterilising Club (UK), The Principles of Medical Device Decontamination, "
    "table 10.2 (read there; not checked against the standard itself)"
)
_CDC = (
    "CDC Guideline for Disinfection and Sterilization in Healthcare Facilities 2008, "
    "table 7 (read)"
)

HOLD_TIMES: Final = (
    HoldTime("any", 115.0, 30.0, _CSC),
    HoldTime("any", 121.0, 15.0, _CSC),
    HoldTime("any", 126.0, 10.0, _CSC),
    HoldTime("any", 134.0, 3.0, _CSC),
    HoldTime("any", 132.0, 4.0, _CSC),
    HoldTime("gravity", 121.0, 30.0, _CDC),
    HoldTime("gravity", 132.0, 15.0, _CDC),
    HoldTime("prevacuum", 132.0, 4.0, _CDC),
)

BAND_WIDTH_K: Final = 4.0
"""Upper limit above the set point [K]; 0..+4 K for small sterilizers (EN 13060, value
not checked against the standard). Large ones use 0..+3 K (not checked either)."""

BAND_SOURCE: Final = "EN 13060 for small steam sterilizers, value not checked against it"

LEAK_LIMIT_KPA_PER_MIN: Final = 0.13
"""Air leakage limit [kPa/min] over 10 min, from the large-sterilizer standard (EN 285;
1.3 mbar/min read on secondary pages, not checked against the standard itself)."""

LEAK_SOURCE: Final = "large-sterilizer standard EN 285, read on secondary pages, not checked"

SATURATION_LIMIT_K: Final = 2.0
"""Largest difference of measured and theoretical steam temperature [K] (EN 285, HTM 2010
part 3; value not checked against them)."""

SATURATION_SOURCE: Final = "EN 285 and HTM 2010 part 3, value not checked against them"

NOMINAL_SETPOINTS_C: Final = (115.0, 121.0, 126.0, 132.0, 134.0, 135.0)
"""Set points that published programs use [°C]."""

_NAME = re.compile(r"^(gravity|prevacuum|unknown)-(\d+(?:\.\d+)?)x(\d+(?:\.\d+)?)$")


@dataclass(frozen=True)
class Program:
    """What a cycle set out to do.

    The name is ``<gravity|prevacuum|unknown>-<°C>x<min>``.
    """

    air_removal: str
    setpoint_c: float
    hold_min: float

    @property
    def name(self) -> str:
        """The program's name, such as ``gravity-121x30``."""
        return f"{self.air_removal}-{self.setpoint_c:g}x{self.hold_min:g}"

    @classmethod
    def parse(cls, name: str) -> Program:
        """Read a program's name.

        Raises
        ------
        ValueError
            If the name has another form.
        """
        match = _NAME.match(name)
        if match is None:
            raise ValueError(
                f"program {name!r} is not <gravity|prevacuum|unknown>-<°C>x<min>, "
                "such as gravity-121x30"
            )
        return cls(match[1], float(match[2]), float(match[3]))

    @classmethod
    def known(cls, name: str) -> Program | None:
        """Read a program's name; None where it is none, as where nothing named the program."""
        try:
            return cls.parse(name)
        except ValueError:
            return None


def shortest_published_hold(air_removal: str, setpoint_c: float) -> HoldTime | None:
    """Return the shortest published hold at a set point [°C], or None.

    Of pairs for this air removal and for any; of equally long ones that of this air removal.
    Where the air removal is ``unknown``, of all.
    """
    at = [h for h in HOLD_TIMES if abs(h.setpoint_c - setpoint_c) < 0.5]
    own = [h for h in at if h.air_removal == air_removal]
    pool = at if air_removal == "unknown" else own + [h for h in at if h.air_removal == "any"]
    return min(pool, key=lambda h: h.hold_min, default=None)
