"""Parts, modes, severities and the other closed vocabularies."""

from __future__ import annotations

from typing import Final

PARTS: Final[dict[str, str]] = {
    "heater": "heater",
    "door_seal": "door seal",
    "vent_path": "vent path",
    "temperature_sensor": "the sterilizer's own temperature sensor",
    "pressure_sensor": "pressure channel",
    "air_removal": "air removal",
    "water_fill": "water fill",
    "controller": "controller",
    "logger": "data logger",
    "unknown": "no known pattern",
}
"""Part name as stored, and the words that people read."""

MODES: Final[dict[str, tuple[str, ...]]] = {
    "heater": ("element weak", "element open", "stuck on"),
    "vent_path": ("blocked", "passing"),
    "air_removal": ("pump", "filter", "trap"),
    "logger": ("drop-outs", "clock", "moved", "stuck", "noise", "silent"),
}
"""Modes that say more about a part; other parts have none (empty text)."""

SERVICE_ACTIONS: Final = ("replaced", "cleaned", "calibrated", "checked")
EPOCH_ACTIONS: Final = ("replaced", "cleaned", "calibrated")
"""Actions that open a new epoch for the features of their part."""

SERVICE_RESULTS: Final = ("confirmed", "not_found", "other_part")

SEVERITIES: Final = ("watch", "service", "stop")
"""From mild to grave; compare by index."""

LAYERS: Final = ("limit", "drift", "forest")
KINDS: Final = ("sterilization", "leak_test", "penetration_test", "unknown")
VERDICTS: Final = ("inside", "outside", "incomplete")
