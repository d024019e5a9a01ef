"""When each phase of a cycle began and ended, for drawing."""

from __future__ import annotations

import pandas as pd

COLUMNS = ("phase", "start", "end")


def phases_of(samples: pd.DataFrame, cycle: pd.Series) -> pd.DataFrame:
    """Return ``phase, start, end`` in order: from the trace, else the cycle's own times."""
    try:
        from ..features import phases
    except ImportError:
        return phases_from_row(cycle)
    if samples.empty:
        return phases_from_row(cycle)
    return phases(samples, cycle)


def phases_from_row(cycle: pd.Series) -> pd.DataFrame:
    """Return the phases that a row of ``cycles`` tells; air removal stays in heat-up."""
    marks = [
        ("heat_up", cycle.get("started_at")),
        ("exposure", cycle.get("exposure_start")),
        ("exhaust", cycle.get("exhaust_start")),
        ("drying", cycle.get("drying_start")),
    ]
    exposure_end = cycle.get("exposure_end")
    if pd.isna(marks[2][1]) and not pd.isna(exposure_end):
        marks[2] = ("exhaust", exposure_end)
    known = [(name, when) for name, when in marks if not pd.isna(when)]
    ended = cycle.get("ended_at")
    rows = []
    for index, (name, start) in enumerate(known):
        end = known[index + 1][1] if index + 1 < len(known) else ended
        if not pd.isna(end) and end > start:
            rows.append((name, start, end))
    return pd.DataFrame(rows, columns=list(COLUMNS))
