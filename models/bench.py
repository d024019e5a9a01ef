"""What would confirm a finding at the bench, with the cautions that go before it."""

from __future__ import annotations

from typing import Final

_COLD = (
    "Caution: steam and pressure. Let the chamber cool and vent fully, and isolate the mains, "
    "before anything is opened; the maker's instructions and local rules for pressure vessels "
    "come first."
)
_MAINS = (
    "Caution: mains. Only a person licensed for it measures on live parts or opens the "
    "enclosure; isolate and lock off for everything else. The maker's instructions come first."
)
_PLAIN = "The maker's instructions come first."

_CHECKS: Final[dict[tuple[str, str], tuple[str, str]]] = {
    ("heater", "element weak"): (
        "Measure the mains voltage under load first: low mains looks the same. Then compare the "
        "heater's cold resistance with its rating, and look at terminals and relay contacts.",
        _MAINS,
    ),
    ("heater", "element open"): (
        "Measure each element's cold resistance: one may be open. Check its fuse and its "
        "terminals.",
        _MAINS,
    ),
    ("heater", "stuck on"): (
        "See whether the relay or contactor lets go when the controller asks it to; check the "
        "over-temperature cut-out.",
        _MAINS,
    ),
    ("door_seal", ""): (
        "Look at the seal for cuts, flat spots and dirt, and at the door's face; run a leak test "
        "if the unit has one. If the seal is sound, see whether the vent valve passes: in a "
        "trace both look alike.",
        _COLD,
    ),
    ("vent_path", "passing"): (
        "Feel for warmth in the exhaust line past the vent valve during exposure, from a safe "
        "distance; look at the valve's seat and for dirt in it. A leaking door seal looks alike.",
        _COLD,
    ),
    ("vent_path", "blocked"): (
        "Look for scale or lint in the chamber strainer, the exhaust line and the vent valve.",
        _COLD,
    ),
    ("temperature_sensor", ""): (
        "Compare the unit's shown temperature with a calibrated thermometer at the same place "
        "during a hold, and check the sensor's seat and wiring.",
        _COLD,
    ),
    ("pressure_sensor", ""): (
        "Read the pressure channel with the door open against the day's barometer, and look for "
        "water in its line. This is the channel that records, not the steam.",
        _COLD,
    ),
    ("air_removal", "pump"): (
        "Time the evacuation of the empty, cold, dry chamber; check the pump's water or oil, its "
        "diaphragm and the non-return valve.",
        _COLD,
    ),
    ("air_removal", "filter"): (
        "Look at the air inlet filter: wet or clogged filters slow the vacuum break.",
        _COLD,
    ),
    ("air_removal", "trap"): (
        "Check the steam trap and the drain strainer; run the air removal test that the maker "
        "names.",
        _COLD,
    ),
    ("air_removal", ""): (
        "Check the steam trap, the drain strainer and the air vent; run the air removal test "
        "that the maker names.",
        _COLD,
    ),
    ("water_fill", ""): (
        "Check the water level that a fill reaches, the fill valve's strainer and the level "
        "probe; look for scale.",
        _COLD,
    ),
    ("controller", ""): (
        "Compare set points and switching with the maker's values; check relay, wiring and the "
        "clamp of the control sensor.",
        _MAINS,
    ),
    ("logger", ""): (
        "Check the logger's battery, clock, probe and where the probe sits, before anything on "
        "the sterilizer.",
        _PLAIN,
    ),
    ("unknown", ""): (
        "No known pattern: look at the cycle against earlier ones, then go through the maker's "
        "check list.",
        _COLD,
    ),
}


def bench_check(part: str, mode: str) -> str:
    """Return what to check for a part and mode, cautions first."""
    found = _CHECKS.get((part, mode)) or _CHECKS.get((part, "")) or _CHECKS["unknown", ""]
    check, caution = found
    return f"{caution} {check}"
