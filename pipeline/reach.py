"""How far a unit's samples reached at a moment, also at one that is past."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from .store import Snapshot


def last_samples(
    snapshot: Snapshot, as_of: pd.Timestamp, units: Iterable[str] | None = None
) -> dict[str, pd.Timestamp]:
    """Return each unit's last sample at a moment or before; units without one are left out.

    Only files that hold samples of both sides of the moment are read, so it costs
    nothing where the moment is after all of them.
    """
    limit = _ms(as_of)
    spans = snapshot.unit_spans()
    found = {}
    for unit in sorted(spans if units is None else set(units) & set(spans)):
        span = spans[unit]
        last = span.last if span.last <= limit else None
        if last is None and span.first <= limit:
            last = _last_before(snapshot, unit, limit)
        if last is not None:
            found[unit] = pd.Timestamp(last, unit="ms", tz="UTC").as_unit("ms")
    return found


def data_through(last: dict[str, pd.Timestamp]) -> pd.Timestamp | None:
    """Return the latest of last samples, or None where there is none."""
    return max(last.values(), default=None)


def _last_before(snapshot: Snapshot, unit: str, limit: int) -> int | None:
    from .store import samples

    files = [f for f in snapshot.trace_files(unit, None, limit) if f.low <= limit]
    best = max((f.high for f in files if f.high <= limit), default=None)
    for file in files:
        if file.high > limit:
            times = samples.read_file(snapshot.place, file.path, best, limit, ["time"])
            if len(times):
                last = int(samples.times_ms(times).max())
                best = last if best is None else max(best, last)
    return best


def _ms(time: pd.Timestamp) -> int:
    return int(pd.Timestamp(time).value // 1_000_000)  # .value is in ns whatever the unit
