"""Forecast intervals against the day the fault would have failed without repair."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .evaluation_faults import FaultOutcome
from .evaluation_match import days


@dataclass(frozen=True)
class ForecastScore:
    """Coverage of the 10 to 90 % interval of days to the limit."""

    when: str
    forecasts: int
    """Forecasts with an interval."""
    faults: int
    held: int
    """Forecasts whose interval holds the true day."""
    too_early: int
    """The whole interval lies before the true day."""
    too_late: int
    share: float | None
    median_width_days: float | None
    without_interval: int
    """Times a flag stood and no interval was given."""


def score_forecasts(
    forecasts: pd.DataFrame | None, faults: Sequence[FaultOutcome]
) -> tuple[ForecastScore, ...]:
    """Score intervals at the first ``service`` flag and at every later time.

    Parameters
    ----------
    forecasts
        Columns ``unit_id``, ``part``, ``time`` (the unit's last cycle at that
        moment), ``days_to_limit_low``, ``days_to_limit_high``; a missing high
        end means beyond the horizon. None: no forecasts known.
    faults
        Outcomes; only those with a failing day and a flag are scored, from
        their flag to their deadline.

    Returns
    -------
    tuple of ForecastScore
        First times, later times, all together.
    """
    if forecasts is None or forecasts.empty:
        return ()
    at = days(forecasts["time"])
    low = pd.to_numeric(forecasts["days_to_limit_low"]).to_numpy(dtype=np.float64)
    high = pd.to_numeric(forecasts["days_to_limit_high"]).to_numpy(dtype=np.float64)
    unit = forecasts["unit_id"].astype(str).to_numpy()
    part = forecasts["part"].fillna("").astype(str).to_numpy()
    first: list[tuple[int, int, float]] = []
    later: list[tuple[int, int, float]] = []
    for k, fault in enumerate(faults):
        if fault.failed is None or fault.flagged is None or fault.deadline is None:
            continue
        mine = np.flatnonzero(
            (unit == fault.unit_id)
            & (part == fault.flagged_part)
            & (at >= fault.flagged - 1e-9)
            & (at < fault.deadline)
        )
        mine = mine[np.argsort(at[mine], kind="stable")]
        rows = [(k, int(i), fault.failed - float(at[i])) for i in mine]
        first += rows[:1]
        later += rows[1:]
    groups = (
        ("at the first flag", first),
        ("weekly after it", later),
        ("all", first + later),
    )
    return tuple(_score(name, rows, low, high) for name, rows in groups)


def _score(
    when: str,
    rows: list[tuple[int, int, float]],
    low: np.ndarray[tuple[int], np.dtype[np.float64]],
    high: np.ndarray[tuple[int], np.dtype[np.float64]],
) -> ForecastScore:
    given = [(k, low[i], high[i], true) for k, i, true in rows if np.isfinite(low[i])]
    late = sum(true < a for _, a, _, true in given)
    early = sum(np.isfinite(b) and true > b for _, _, b, true in given)
    held = len(given) - late - early
    widths = [b - a for _, a, b, _ in given if np.isfinite(b)]
    return ForecastScore(
        when,
        len(given),
        len({k for k, *_ in given}),
        held,
        int(early),
        int(late),
        held / len(given) if given else None,
        float(np.median(widths)) if widths else None,
        len(rows) - len(given),
    )
