"""The moment that a run looks from."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from .run_log import log_event

if TYPE_CHECKING:
    from .store import Snapshot

CLOCK_SLACK = timedelta(hours=1)
"""A clock that is behind the last run by less than this is taken as it is (no source)."""


def now() -> pd.Timestamp:
    """Return the present, in UTC to the millisecond."""
    return pd.Timestamp(datetime.now(UTC)).as_unit("ms").floor("ms")


def moment_of(as_of: datetime | None, snapshot: Snapshot) -> pd.Timestamp:
    """Return the moment to look from: the one given, else the present.

    A clock that was set back would hide what is known already; then the moment of
    the last commit is taken and said.
    """
    if as_of is not None:
        given = pd.Timestamp(as_of)
        given = given.tz_localize("UTC") if given.tzinfo is None else given.tz_convert("UTC")
        return given.as_unit("ms")
    present = now()
    last = snapshot.manifest.recorded_at
    if last and present < pd.Timestamp(last) - CLOCK_SLACK:
        log_event(
            "clock",
            f"this machine's clock says {present:%Y-%m-%d %H:%M} UTC, but the last run was at "
            f"{last}: that moment is taken; set the clock.",
            level=30,
        )
        return pd.Timestamp(last).as_unit("ms")
    return present
