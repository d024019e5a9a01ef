"""What a fault that is known does to other parts' signs: one cause, one visit.

A signature says what a part does while cycles still hold. As its fault grows, more follows:
steam that is lost takes the water along, a chamber short of heat droops below its set point,
dry walls overheat. What a standing flag can cause itself is worth a look, and no second visit.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..shared.parts import PARTS
from .lifecycle import Ledger
from .signatures import DIRECTIONS, MOVED

FloatArray = NDArray[np.float64]

_LOST_STEAM: Final = frozenset(
    # More heat is asked for than there is: the plateau droops and the swing widens. The water
    # boils away, and what is left heats faster, then superheats. It slows no heating of water.
    {"temperature_sensor", "controller", "water_fill", "door_seal", "vent_path"}
)
CAUSED: Final[dict[str, frozenset[str]]] = {
    "door_seal": _LOST_STEAM,
    "vent_path": _LOST_STEAM,
    # Too little heat lets the plateau droop and the swing widen, as heat that stays on lifts both.
    "heater": frozenset({"temperature_sensor", "controller", "water_fill"}),
    # Dry walls overheat, and the swing with them.
    "water_fill": frozenset({"heater", "temperature_sensor", "controller"}),
    "controller": frozenset({"temperature_sensor"}),
}
"""By part, the parts whose signs its fault moves as well as it grows."""
BLOCKED: Final = frozenset({"air_removal"})
"""The same of a vent that is blocked: it loses no steam, and keeps air in."""


def cause_of(ledger: Ledger, part: str) -> str | None:
    """Return the part of a standing flag for a visit that can cause what another part shows."""
    for episode in ledger.standing_all():
        able = episode.severity != "watch" and episode.part != part
        blocked = episode.rows[-1].get("mode") == "blocked"
        if able and part in (BLOCKED if blocked else CAUSED.get(episode.part, ())):
            return episode.part
    return None


def told_as_consequence(row: dict[str, Any], cause: str) -> dict[str, Any]:
    """Return a flag's columns with the sentence that its cause may stand already."""
    text = f" What the open flag of the {PARTS[cause]} tells of can cause this: look there first."
    return {**row, "evidence": row["evidence"] + text}


def logger_moved(ledger: Ledger) -> bool:
    """Return whether a flag stands that says the logger was moved."""
    standing = ledger.standing("logger")
    return standing is not None and standing.rows[-1].get("mode") == "moved"


def without_moved_logger(delta: FloatArray, t: FloatArray, size: FloatArray) -> FloatArray:
    """Return the change of each sign without what a logger that has moved explains.

    Parameters
    ----------
    delta
        Change of each sign, shape (signs,).
    t, size
        Standard errors and size of each signature at the row, shape (signatures,).
    """
    k = max(MOVED, key=lambda k: float(t[k]))
    return np.asarray(delta - DIRECTIONS[k] * size[k])
