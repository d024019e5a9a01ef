"""Phases of one cycle, for drawing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from .events import find_events
from .samples import from_trace


def phases(trace: pd.DataFrame, cycle: pd.Series) -> pd.DataFrame:
    """Return the phases of a cycle in time order.

    Parameters
    ----------
    trace
        Samples of the unit around the cycle (columns of the traces table).
    cycle
        A row of the cycles table.

    Returns
    -------
    DataFrame
        Columns phase (idle, air_removal, heat_up, exposure, exhaust, drying),
        start and end; idle stands before and after where the trace shows it.
    """
    samples = from_trace(trace)
    rows: list[tuple[str, Any, Any]] = []
    if not len(samples):
        return _frame(rows)
    first = pd.Timestamp(int(samples.time_ms[0]), unit="ms", tz="UTC")
    last = pd.Timestamp(int(samples.time_ms[-1]), unit="ms", tz="UTC")
    started, ended = cycle["started_at"], cycle["ended_at"]
    exposure = cycle["exposure_start"]
    fall = cycle["exhaust_start"]
    if first < started:
        rows.append(("idle", first, started))
    if pd.isna(fall):  # a leak test, or broken off in air removal or before pressure
        vacuum = pd.notna(cycle["air_removal_vacuum_kpa"])
        rows.append(("air_removal" if vacuum else "heat_up", started, ended))
    else:
        hot = exposure if pd.notna(exposure) else fall
        removed = _air_removal_end(samples, started, hot)
        if removed is not None:
            rows.append(("air_removal", started, removed))
        rows.append(("heat_up", removed if removed is not None else started, hot))
        if pd.notna(exposure):
            rows.append(("exposure", exposure, cycle["exposure_end"]))
        dry = cycle["drying_start"]
        gone = dry if pd.notna(dry) else ended
        begin = cycle["exposure_end"] if pd.notna(exposure) else fall
        rows.append(("exhaust", begin, gone))
        if pd.notna(dry):
            rows.append(("drying", dry, ended))
    if ended < last:
        rows.append(("idle", ended, last))
    return _frame([r for r in rows if r[2] > r[1]])


def _air_removal_end(samples: Any, started: pd.Timestamp, hot: pd.Timestamp) -> Any:
    """Return when the last vacuum before the exposure ends; None without one."""
    low, high = (t.value / 1e9 for t in (started, hot))
    ends = [
        e.stop
        for e in find_events(samples)
        if e.kind == "vacuum" and low <= samples.time_s[e.start] < high
    ]
    if not ends:
        return None
    k = min(max(ends), len(samples) - 1)
    return pd.Timestamp(int(np.int64(samples.time_ms[k])), unit="ms", tz="UTC")


def _frame(rows: list[tuple[str, Any, Any]]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["phase", "start", "end"])
    for name in ("start", "end"):
        frame[name] = pd.DatetimeIndex(pd.to_datetime(frame[name], utc=True)).as_unit("ms")
    frame["phase"] = frame["phase"].astype("string")
    return frame
