"""What the cycles of a unit need to know of earlier ones: small, whatever the history."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Final

PLATEAUS: Final = 60
"""Latest plateaus that give each set point's usual one."""
HOLDS: Final = 60
"""Latest exposures at a set point that their mode is taken over, so that a changed program
is learnt."""
STOPPED: Final = 8
"""Latest climbs that were broken off; a machine's own limit stops them at one temperature."""
ENDS: Final = 10
"""Latest exposures at a set point, short ones too: a machine's timer ends them alike."""
DRIED_WINDOW: Final = 20
"""Latest cycles that tell whether a unit dries as a rule."""


@dataclass(frozen=True)
class Memory:
    """The past of one unit's cycles, as extraction sees it; never changed."""

    end_s: float = math.nan
    """End of the last cycle [s since 1970]."""
    plateaus: tuple[tuple[float, float], ...] = ()
    """Set point and plateau [°C] of the last cycles, in time order."""
    run_end_s: float = math.nan
    """End of the last cycle that is no leak test [s since 1970]."""
    holds: dict[float, tuple[float, ...]] = field(default_factory=dict)
    """Exposures [s] of the last complete cycles, by set point [°C]."""
    ends: dict[float, tuple[float, ...]] = field(default_factory=dict)
    """Exposures [s] of the last cycles that kept on to their exhaust, by set point [°C]."""
    dried: tuple[bool, ...] = ()
    """Whether each of the last complete cycles was dried."""
    drying_s: tuple[float, ...] = ()
    """How long the last dryings of complete cycles took [s]."""
    little_s: tuple[float, ...] = ()
    """Those of the last cycles that may be steam penetration tests, where they were short [s]."""
    pumped_kpa: float = math.nan
    """Vacuum of the last drying [kPa]."""
    stopped: tuple[tuple[float, float], ...] = ()
    """End [s since 1970] and plateau [°C] of the last climbs that were broken off."""

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and numbers."""
        return {
            "end_s": _plain(self.end_s),
            "plateaus": [list(p) for p in self.plateaus],
            "run_end_s": _plain(self.run_end_s),
            "holds": [[s, list(h)] for s, h in sorted(self.holds.items())],
            "ends": [[s, list(h)] for s, h in sorted(self.ends.items())],
            "dried": [int(d) for d in self.dried],
            "drying_s": list(self.drying_s),
            "little_s": list(self.little_s),
            "pumped_kpa": _plain(self.pumped_kpa),
            "stopped": [list(p) for p in self.stopped],
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Memory:
        """Read what ``to_json`` returned."""
        return cls(
            _number(data["end_s"]),
            tuple((float(s), float(p)) for s, p in data["plateaus"]),
            _number(data["run_end_s"]),
            {float(s): tuple(float(v) for v in h) for s, h in data["holds"]},
            {float(s): tuple(float(v) for v in h) for s, h in data.get("ends", ())},
            tuple(bool(d) for d in data["dried"]),
            tuple(float(d) for d in data.get("drying_s", ())),
            tuple(float(d) for d in data.get("little_s", ())),
            _number(data.get("pumped_kpa")),
            tuple((float(t), float(p)) for t, p in data.get("stopped", ())),
        )


def _plain(value: float) -> float | None:
    return None if math.isnan(value) else value


def _number(value: float | None) -> float:
    return math.nan if value is None else float(value)
