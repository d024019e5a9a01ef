"""What calibrations found, added to samples on their way to cycles and to drawings.

Stored samples stay as they were recorded; each cycle says what was added to its values.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Config, Correction
from ..shared.schema import CYCLES

ADDED_K: Final = "correction_k"
ADDED_KPA: Final = "correction_kpa"


def corrections_of(
    config: Config, unit_id: str, loggers: Iterable[str] | None = None
) -> tuple[Correction, ...]:
    """Return the corrections that may concern a unit.

    Parameters
    ----------
    loggers
        The loggers that are known to have sat at it; None: not known, so any may have.
    """
    known = None if loggers is None else set(loggers)
    return tuple(
        c
        for c in config.corrections
        if c.unit in ("", unit_id) and (not c.logger or known is None or c.logger in known)
    )


def corrected(trace: pd.DataFrame, corrections: Sequence[Correction]) -> pd.DataFrame:
    """Return samples of one unit with its corrections added.

    Parameters
    ----------
    trace
        Samples in the columns of TRACES.
    corrections
        As ``corrections_of`` gives them; where several hold they add up.
    """
    if not corrections or not len(trace):
        return trace
    out = trace.copy()
    for c in corrections:
        own = holds(c, trace["time"], trace["logger_id"])
        if not own.any():
            continue
        for column, amount in ((c.channel, c.add_k), ("pressure_kpa", c.add_kpa)):
            if amount is not None and column in out:
                values = out[column].to_numpy(dtype=np.float64, na_value=np.nan).copy()
                values[own] += amount
                out[column] = values
    return out


def with_amounts(cycles: pd.DataFrame, corrections: Sequence[Correction]) -> pd.DataFrame:
    """Return cycles that say what was added to their values, at their start."""
    if not corrections or not len(cycles):
        return cycles
    added = {ADDED_K: np.full(len(cycles), np.nan), ADDED_KPA: np.full(len(cycles), np.nan)}
    for c in corrections:
        own = holds(c, cycles["started_at"], cycles["logger_id"])
        first = c.add_k if c.channel == "temperature_c" else None
        for column, amount in ((ADDED_K, first), (ADDED_KPA, c.add_kpa)):
            if amount is not None:
                added[column][own] = np.nan_to_num(added[column][own]) + amount
    return CYCLES.conform(cycles.assign(**added))


def holds(correction: Correction, times: pd.Series, loggers: pd.Series) -> NDArray[np.bool_]:
    """Return where a correction is in force."""
    own = np.ones(len(times), dtype=bool)
    if correction.logger:
        own &= (loggers.fillna("") == correction.logger).to_numpy(dtype=bool)
    if correction.start is not None:
        own &= (times >= pd.Timestamp(correction.start)).to_numpy(dtype=bool)
    if correction.end is not None:
        own &= (times < pd.Timestamp(correction.end)).to_numpy(dtype=bool)
    return own
