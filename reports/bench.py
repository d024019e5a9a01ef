"""What to check at the bench, in what order, with cautions, and what to carry.

Common practice of bench work, no source; the maker's instructions, local codes
and the site's procedure come first.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

MAINS: Final = (
    "Mains: isolate, lock off and prove dead before opening a cover; "
    "live measurements are for a licensed person."
)
STEAM: Final = (
    "Steam: let the chamber cool and reach room pressure before the door or a line is opened; "
    "surfaces and condensate burn."
)
VESSEL: Final = (
    "Pressure vessel: relief valve, door lock and chamber are worked on by licensed people "
    "only; never defeat an interlock."
)
GENERAL: Final = (
    "The maker's instructions, local codes and the site's own procedure come before this list. "
    "What a trace can't show (load, packing, steam quality) stays with the site's indicators "
    "and tests."
)
"""Cautions, each printed where a check touches its matter."""


_SENTENCE: Final = re.compile(r"(?<=[.!?]) +")
_CAUTION: Final = re.compile(
    r"caution|maker's instructions|licensed|lock off|let the chamber cool", re.IGNORECASE
)
"""What makes a sentence a caution: those stand in a block of their own, said once."""


@dataclass(frozen=True)
class Check:
    """One thing to do, and the matters it touches."""

    do: str
    touches: tuple[str, ...] = ()


CHECKS: Final[dict[str, tuple[Check, ...]]] = {
    "heater": (
        Check("Measure the mains voltage under load during heat-up.", (MAINS,)),
        Check("Measure the heater's current while it is on; compare with its rating.", (MAINS,)),
        Check("With power isolated, measure element resistance and insulation.", (MAINS,)),
        Check("Look for scale on the element and for burnt terminals.", (MAINS, STEAM)),
        Check("Check that relay or contactor switches cleanly, both ways.", (MAINS,)),
    ),
    "door_seal": (
        Check("Look along the seal for cuts, flat spots, lint and hardening.", (STEAM,)),
        Check("Clean seal and mating face as the maker says; run one empty cycle.", (STEAM,)),
        Check("Watch the door edge for wisps or drips in heat-up and exposure.", (STEAM,)),
        Check("Run a leak test where the unit has one, before and after.", ()),
        Check("Check closing force and latch wear.", (VESSEL,)),
    ),
    "vent_path": (
        Check("Listen and feel for flow at the vent line during exposure.", (STEAM,)),
        Check("Clean or replace the strainer and the chamber filter.", (STEAM,)),
        Check("Check the vent valve for dirt on its seat and full travel.", (STEAM, MAINS)),
        Check("Check the line and reservoir for kinks, scale and a high level.", (STEAM,)),
    ),
    "temperature_sensor": (
        Check("Compare display and logger at the plateau with a calibrated reference.", (STEAM,)),
        Check("Check the sensor's seating, connector and cable.", (MAINS,)),
        Check("Calibrate or replace the sensor as the maker says; log the work.", (MAINS,)),
    ),
    "pressure_sensor": (
        Check("With the chamber open, compare the reading with a barometer.", ()),
        Check("Check the impulse line for water and blockage.", (STEAM,)),
        Check("Compare at working pressure with a calibrated gauge.", (STEAM, VESSEL)),
    ),
    "air_removal": (
        Check("Run a leak test and an air removal test as the site's procedure says.", ()),
        Check("Check pump, pump oil or water supply, and its non-return valve.", (MAINS,)),
        Check("Clean or replace the air filter and the steam trap.", (STEAM,)),
        Check("Check the drain strainer for lint.", (STEAM,)),
    ),
    "water_fill": (
        Check("Check the reservoir's level and water quality.", ()),
        Check("Watch the filling: quantity and time against the maker's figure.", (STEAM,)),
        Check("Clean the fill strainer; check valve or pump and level probe.", (STEAM, MAINS)),
    ),
    "controller": (
        Check("Compare program settings with the site's list.", ()),
        Check("Watch one exposure: set point, switching, and exposure time.", ()),
        Check("Check the controller's sensor input before the controller itself.", (MAINS,)),
    ),
    "logger": (
        Check("Check battery, memory, clock and interval of the logger.", ()),
        Check("Check its place in the chamber and its fastening.", (STEAM,)),
        Check("Compare with a reference, or exchange it for a calibrated one.", ()),
    ),
    "unknown": (
        Check("Look at the trends and the last cycle, then watch one cycle run.", (STEAM,)),
        Check("Check what changed lately: loads, water, mains, room, logger, people.", ()),
        Check("Begin with the logger, then the seal, then mains under load.", (MAINS, STEAM)),
    ),
}
"""Part to checks, cheapest and safest first where the trace does not say otherwise."""

CARRY: Final[dict[str, tuple[str, ...]]] = {
    "heater": ("heating element and its gasket", "multimeter, clamp meter", "relay"),
    "door_seal": ("door seal", "cleaning kit"),
    "vent_path": ("strainer, filter", "vent valve kit", "cleaning kit"),
    "temperature_sensor": ("temperature sensor", "reference thermometer"),
    "pressure_sensor": ("pressure sensor", "reference gauge", "barometer"),
    "air_removal": ("air filter", "pump service kit", "steam trap"),
    "water_fill": ("fill strainer", "fill valve or pump kit", "conductivity meter"),
    "controller": ("program list", "spare control fuse set"),
    "logger": ("calibrated spare logger", "logger battery"),
    "unknown": ("tool kit", "reference thermometer", "multimeter"),
}
"""Part to what a visit needs; a spare comes first where one is used up."""

SPARES: Final = frozenset(CARRY) - {"controller", "unknown"}
"""Parts whose first thing to carry is used up at each unit."""


def steps_for(part: str) -> tuple[Check, ...]:
    """Return the checks for a part, in order."""
    return CHECKS.get(part, CHECKS["unknown"])


def cautions_for(parts: Sequence[str]) -> list[str]:
    """Return the cautions that the parts' checks call for; the general one is the last."""
    touched = {c for part in parts for check in steps_for(part) for c in check.touches}
    return [*(c for c in (MAINS, STEAM, VESSEL) if c in touched), GENERAL]


def split_cautions(text: str) -> tuple[str, str]:
    """Split a flag's bench check into its leading cautions and the check itself."""
    sentences = _SENTENCE.split(text.strip())
    count = 0
    while count < len(sentences) and _CAUTION.search(sentences[count]):
        count += 1
    if count == len(sentences):
        return "", text.strip()
    return " ".join(sentences[:count]), " ".join(sentences[count:])


def carry_for(part: str) -> tuple[str, ...]:
    """Return what a visit for a part needs."""
    return CARRY.get(part, CARRY["unknown"])


def carry_together(parts: Sequence[str]) -> list[str]:
    """Return what a round needs for some parts: spares as many times as needed, tools once."""
    things: dict[str, str] = {}
    for part in dict.fromkeys(parts):
        count = list(parts).count(part)
        spare, *tools = carry_for(part)
        times = f" ×{count}" if count > 1 and part in SPARES else ""
        things.setdefault(spare, spare + times)
        for tool in tools:
            things.setdefault(tool, tool)
    return list(things.values())
