"""Holds that come again and again beside a unit's usual time: a program that nobody told of.

Where the configuration names no programs, the time of a hold is the unit's usual one, and a
shorter program of the same temperature is taken for one that was broken off.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from ..shared.programs import Program, shortest_published_hold
from .views import UnitView

LOOKED_AT: Final = pd.Timedelta(days=90)
LEAST_CYCLES: Final = 5
"""Holds of one length from which they may be a program (no source)."""
ALIKE_S: Final = 15.0
"""Spread of holds that one timer ends; people break off at any time (no source)."""


def other_holds_sentence(view: UnitView) -> str:
    """Return a question about the commonest other hold of a unit's programs; empty for none."""
    cycles = view.cycles
    recent = cycles[
        (cycles["kind"] == "sterilization")
        & (cycles["program_source"] == "history")
        & cycles["exposure_s"].notna()
        & (cycles["started_at"] > view.as_of - LOOKED_AT)
    ]
    found: list[tuple[int, str]] = []
    for name, own in recent.groupby("program", sort=True):
        usual = Program.parse(str(name))
        held_s = own["exposure_s"].to_numpy(float)
        interval_s = float(np.nanmedian(own["sample_interval_s"].to_numpy(float, na_value=0.0)))
        published = shortest_published_hold(usual.air_removal, usual.setpoint_c)
        least_s = 0.95 * 60.0 * published.hold_min if published else 0.0
        others = held_s[(held_s >= least_s) & (held_s < 0.9 * 60.0 * usual.hold_min)]
        minutes = np.round(others / 30.0) * 0.5
        for minute in np.unique(minutes):
            like = others[minutes == minute]
            if len(like) >= LEAST_CYCLES and np.ptp(like) <= ALIKE_S + 2.0 * interval_s:
                other = Program(usual.air_removal, usual.setpoint_c, float(minute))
                found.append((len(like), _sentence(usual, other, len(like))))
    return max(found)[1] if found else ""


def _sentence(usual: Program, other: Program, count: int) -> str:
    return (
        f"{count} exposures of {other.hold_min:g} min at {other.setpoint_c:g} °C in 90 days, "
        f"where {usual.hold_min:g} min are usual: if that is a program of its own, name both in "
        f'the configuration, programs = ["{usual.name}", "{other.name}"]; they are judged as '
        "cut short until then."
    )
