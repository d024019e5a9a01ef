"""What calibrations added to a unit's recorded values, in words."""

from __future__ import annotations

from typing import Final

import pandas as pd

from ..shared.config import Correction
from .moments import Clock
from .recorded import value_of
from .states import text_of
from .views import UnitView

SECOND: Final = " as the second temperature"


def in_words(correction: Correction, clock: Clock | None = None) -> str:
    """Return a correction as a person reads it.

    Parameters
    ----------
    correction
        One that is configured.
    clock
        How its reader writes dates; None: ISO 8601, as in the configuration.
    """
    amounts = [
        f"{amount:+g} {unit}"
        for amount, unit in ((correction.add_k, "K"), (correction.add_kpa, "kPa"))
        if amount is not None
    ]
    whose = f"logger {correction.logger}" if correction.logger else "its logger"
    channel = SECOND if correction.add_k and correction.channel != "temperature_c" else ""
    since, until = (
        "" if day is None else clock.date(pd.Timestamp(day)) if clock else f"{day:%Y-%m-%d}"
        for day in (correction.start, correction.end)
    )
    span = (f" from {since}" if since else "") + (f" to {until}" if until else "")
    note = f" ({correction.note})" if correction.note else ""
    return f"{' and '.join(amounts)} added to what {whose} recorded{channel}{span}{note}"


def correction_sentences(view: UnitView, clock: Clock) -> list[str]:
    """Return a sentence a correction that has begun and concerns the unit's samples."""
    loggers = {a.logger for a in view.config.assignments if a.unit == view.unit.id}
    loggers |= {text_of(x) for x in view.cycles["logger_id"].unique()} - {""}
    return [
        f"Corrected: {in_words(c, clock)}."
        for c in view.config.corrections
        if (c.unit == view.unit.id if c.unit else c.logger in loggers)
        and (c.start is None or pd.Timestamp(c.start) <= view.as_of)
    ]


def cycle_correction(cycle: pd.Series) -> str:
    """Return what was added to one cycle's values; empty for nothing."""
    amounts = [
        f"{value_of(cycle, column):+g} {unit}"
        for column, unit in (("correction_k", "K"), ("correction_kpa", "kPa"))
        if value_of(cycle, column) == value_of(cycle, column) and value_of(cycle, column) != 0.0
    ]
    if not amounts:
        return ""
    return f"Recorded values include {' and '.join(amounts)} that the logger's calibration found."
