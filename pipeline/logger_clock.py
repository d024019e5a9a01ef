"""Loggers' clocks against the time at which their exports were made or received.

An export can't hold samples from after it was made: a clock that says so is ahead. And
where exports follow their last samples by a steady time, a trend in that time is the
drift of one clock against the other. Exports that are fetched by hand, now and then, show
neither: then nothing is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd

AHEAD_S: Final = 120.0
"""Samples that much later than their export's making or receipt are no rounding (no source)."""
LEAST_EXPORTS: Final = 10
LEAST_DAYS: Final = 14.0
LOOKED_BACK_DAYS: Final = 120.0
PROMPT_S: Final = 2 * 86400.0
"""Exports made or met later than that after their last sample are old ones: no receipt."""
LEAST_DRIFT_S: Final = 120.0
"""Drift over the span looked at that is worth a word (no source)."""
SPREADS: Final = 4.0
"""How many robust standard deviations of the scatter the drift must exceed (no source)."""


@dataclass(frozen=True)
class ClockFact:
    """What receipt tells about the clock of a unit's logger."""

    unit_id: str
    ahead_s: float
    """How far its samples lie after their export's making or receipt at most [s]; 0 if not."""
    drift_s_per_day: float | None
    """Positive where the clock gains; None where the exports do not show it."""
    exports: int

    def text(self) -> str:
        """Return the fact in words."""
        said = []
        if self.ahead_s:
            said.append(f"is at least {_span(self.ahead_s)} ahead")
        if self.drift_s_per_day is not None:
            way = "gains" if self.drift_s_per_day > 0 else "loses"
            said.append(f"{way} about {abs(self.drift_s_per_day):.0f} s a day")
        return (
            f"the logger's clock at {self.unit_id} {' and '.join(said)} against the receipt of "
            f"{self.exports} exports: set it, or its times stay off"
        )


def clock_facts(intake: pd.DataFrame, as_of: pd.Timestamp) -> tuple[ClockFact, ...]:
    """Return what is to be said about loggers' clocks.

    Parameters
    ----------
    intake
        Rows of the intake table.
    as_of
        Nothing later is looked at, and nothing older than 120 days before.

    Returns
    -------
    tuple
        One fact a unit whose clock is ahead or drifts; by unit id.
    """
    rows = intake[(intake["outcome"] == "accepted") & intake["last_time"].notna()]
    rows = rows[~rows["unit_ids"].str.contains(",", regex=False, na=True)]
    received = rows["created_at"].where(rows["created_at"].notna(), rows["recorded_at"])
    last_s = rows["last_time"].astype("int64").to_numpy() / 1000.0
    gap_s = received.astype("int64").to_numpy() / 1000.0 - last_s
    stated = rows["created_at"].notna().to_numpy()
    now_s = as_of.timestamp()
    near = (
        (gap_s < PROMPT_S)
        & (last_s > now_s - LOOKED_BACK_DAYS * 86400.0)
        & (rows["recorded_at"].astype("int64").to_numpy() / 1000.0 <= now_s)
    )
    units = rows["unit_ids"].to_numpy(dtype=object)
    found = []
    for unit in sorted(set(units[near])):
        mine = near & (units == unit)
        # The export's own statement is nearer to its making than the run that met it.
        if int((mine & stated).sum()) >= LEAST_EXPORTS:
            mine &= stated
        fact = _of_unit(str(unit), last_s[mine], gap_s[mine])
        if fact is not None:
            found.append(fact)
    return tuple(found)


def _of_unit(
    unit: str, last_s: NDArray[np.float64], gap_s: NDArray[np.float64]
) -> ClockFact | None:
    ahead = max(0.0, -float(gap_s.min()))
    ahead = ahead if ahead > AHEAD_S else 0.0
    drift = _drift(last_s / 86400.0, gap_s)
    if not ahead and drift is None:
        return None
    return ClockFact(unit, ahead, drift, len(gap_s))


def _drift(day: NDArray[np.float64], gap_s: NDArray[np.float64]) -> float | None:
    """Return the clock's gain [s/day], or None where scatter hides it."""
    if len(day) < LEAST_EXPORTS or float(np.ptp(day)) < LEAST_DAYS:
        return None
    a, b = np.triu_indices(len(day), 1)
    apart = np.abs(day[b] - day[a]) >= 1.0
    if not apart.any():
        return None
    slope = float(np.median((gap_s[b] - gap_s[a])[apart] / (day[b] - day[a])[apart]))
    rest = gap_s - slope * day
    spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    moved = abs(slope) * float(np.ptp(day))
    # The gap shrinks while the logger's clock gains.
    return -slope if moved > max(LEAST_DRIFT_S, SPREADS * spread) else None


def _span(seconds: float) -> str:
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 172_800 else f"{seconds / 86400:.0f} days"
