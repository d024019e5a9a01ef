"""From where extraction goes on when samples come, late ones included."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import pandas as pd

KEPT_POINTS: Final = 90
"""Resume points kept for late data, one a run (a season of nights; no source)."""


def resume_point(points: Sequence[Sequence[int]], since: int) -> pd.Timestamp | None:
    """Return where to go on for samples from ``since`` [ms] on; None: from the first.

    Parameters
    ----------
    points
        Of each earlier run, the last sample it knew and the first one that it said
        is needed with later data [ms]. What a run said holds as long as no sample
        came in before its last one.
    """
    good = [first for seen, first in points if seen < since]
    return from_ms(max(good)) if good else None


def next_points(
    points: Sequence[Sequence[int]],
    start: pd.Timestamp | None,
    since: int | None,
    seen: int,
    resume_from: pd.Timestamp | None,
) -> list[list[int]]:
    """Return the resume points after a run that knew samples up to ``seen`` [ms]."""
    limit = since if since is not None else seen
    kept = [list(p) for p in points if start is not None and p[0] < limit]
    if resume_from is not None:
        kept.append([seen, to_ms(resume_from)])
    return kept[-KEPT_POINTS:]


def to_ms(time: pd.Timestamp) -> int:
    """Return a time as ms since 1970 UTC."""
    return int(pd.Timestamp(time).value // 1_000_000)  # .value is in ns whatever the unit


def from_ms(ms: int) -> pd.Timestamp:
    """Return the time of ms since 1970 UTC."""
    return pd.Timestamp(ms, unit="ms", tz="UTC").as_unit("ms")
