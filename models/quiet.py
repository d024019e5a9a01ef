"""Cycles that can neither raise nor keep a flag: most of a healthy unit's.

Where no flag stands, such a cycle only goes into the windows that later cycles look back
on. Runs of them are taken at once, and end as they would one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..shared.config import Limits
from .budgets import SHIPPED, Asked
from .facts import Facts
from .findings import FORGET_ROWS, PARTS, Findings
from .limit_findings import (
    DRY_STOP_C,
    DUTY_FLOOR,
    FLOOR_CYCLES,
    GAP_INTERVALS,
    GAP_LEAST_S,
    STUCK_LEAST_S,
    USUAL_KEPT,
)
from .odd_cycles import ODD_P, WATCH_COUNT, WINDOW
from .scores import Scores, eligible

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Seen:
    """What findings look at, by row."""

    time: FloatArray
    complete: BoolArray
    ready: BoolArray
    duty: FloatArray
    p: FloatArray
    """Smallest p of the forests, empty without one."""
    facts: Facts

    @property
    def voting(self) -> BoolArray:
        """Rows that the forest speaks of."""
        if not self.p.size:
            return np.zeros(self.time.size, dtype=np.bool_)
        return np.asarray(self.ready & np.isfinite(self.p))

    @property
    def working(self) -> BoolArray:
        """Rows whose duty counts."""
        return np.asarray(self.complete & np.isfinite(self.duty))


def quiet_rows(
    seen: Seen,
    scores: Scores,
    findings: Findings,
    limits: Limits,
    asked: Asked = SHIPPED,
    share: FloatArray | float = 1.0,
) -> BoolArray:
    """Return which rows can raise nothing while no flag stands, shape (rows,).

    Parameters
    ----------
    seen, scores
        Of the rows.
    findings
        As they are before the first row.
    limits
        The configured limits.
    asked
        What the site's budgets ask beyond the shipped limits.
    share
        Part of its floors that each size has to reach, shape (rows, signatures).
    """
    speaks = seen.ready & scores.seen
    t = scores.t - asked.watch
    raises = eligible(t, scores.size, scores.support, "watch", share).any(axis=1)
    return np.asarray(
        ~(speaks & raises)
        & ~_troubled(seen, limits)
        & (np.array(seen.facts.cause, dtype=object) == "")
        & (_before(seen.working, seen.duty >= DUTY_FLOOR, FLOOR_CYCLES) < FLOOR_CYCLES // 2)
        & (_before(seen.voting, seen.p < ODD_P, WINDOW) < WATCH_COUNT)
        & _after_carried(seen, findings)
    )


def _troubled(seen: Seen, limits: Limits) -> BoolArray:
    """Rows that may be beyond a limit that stops, or show a trouble of the logger."""
    row = seen.facts.numbers
    interval = row["sample_interval_s"]
    gap = np.maximum(GAP_INTERVALS * interval, GAP_LEAST_S)
    stuck = np.fmax(2.0 * GAP_INTERVALS * interval, STUCK_LEAST_S)
    return np.asarray(
        (row["gap_s"] > gap)
        | (row["stuck_s"] > stuck)
        | (row["pressure_max_kpa"] > limits.relief_kpa + limits.pressure_uncertainty_kpa)
        | (row["plateau_c"] > DRY_STOP_C)
        | (row["overband_k"] > limits.overband_stop_k)
    )


def _before(counted: BoolArray, hit: BoolArray, window: int) -> NDArray[np.int64]:
    """Return the hits among the last rows that count, up to and with each row."""
    hits = np.cumsum(np.concatenate([[0], (counted & hit if hit.size else counted)[counted]]))
    upto = np.cumsum(counted)
    return np.asarray(hits[upto] - hits[np.maximum(upto - window, 0)])


def _after_carried(seen: Seen, findings: Findings) -> BoolArray:
    """Rows of which no window reaches back into hits before the first row."""
    heavy = sum(d >= DUTY_FLOOR for _, d in findings.duties)
    odd = sum(flag > 0.0 for _, flag in findings.odd)
    out = np.ones(seen.time.size, dtype=np.bool_)
    if heavy:
        out &= np.cumsum(seen.working) >= FLOOR_CYCLES
    if odd:
        out &= np.cumsum(seen.voting) >= WINDOW
    return out


def take(findings: Findings, seen: Seen, first: int, last: int, scored: BoolArray) -> None:
    """Let a run of quiet rows go into the windows; ``findings`` is changed in place.

    Parameters
    ----------
    first, last
        The run.
    scored
        Rows whose charts were matched.
    """
    at = slice(first, last)
    misses = int(np.count_nonzero(seen.ready[at] & scored[at]))
    if misses:
        for key, candidate in findings.candidates.items():
            part, _, severity = key.rpartition("/")
            if part in PARTS and severity in ("watch", "service"):
                candidate.missed += misses
                if candidate.missed >= FORGET_ROWS:
                    candidate.cycles, candidate.days = 0, []
    rows = _last(seen.working, at, FLOOR_CYCLES)
    pairs = np.column_stack([seen.time[rows], seen.duty[rows]]).tolist()
    findings.duties = [*findings.duties, *pairs][-FLOOR_CYCLES:]
    rows = _last(seen.voting, at, WINDOW)
    if rows.size:
        pairs = np.column_stack([seen.time[rows], seen.p[rows] < ODD_P]).tolist()
        findings.odd = [*findings.odd, *pairs][-WINDOW:]
    setpoint, stuck = seen.facts.numbers["setpoint_c"], seen.facts.numbers["stuck_s"]
    more = setpoint[_last(np.isfinite(setpoint), at, 3 * USUAL_KEPT)].tolist()
    findings.setpoints = [*findings.setpoints, *more][-3 * USUAL_KEPT :]
    more = stuck[_last(np.isfinite(stuck), at, USUAL_KEPT)].tolist()
    findings.stuck = [*findings.stuck, *more][-USUAL_KEPT:]
    times = seen.time[at].tolist()
    findings.add_causes([[t, k] for t, k in zip(times, seen.facts.kind[at], strict=True)])


def _last(chosen: BoolArray, at: slice, count: int) -> NDArray[np.int64]:
    """Return the last rows of a run that are chosen."""
    return np.asarray(at.start + np.flatnonzero(chosen[at])[-count:])
