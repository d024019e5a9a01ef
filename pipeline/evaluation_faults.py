"""Faults against flags: raised in time, for the right part, how long before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from .evaluation_match import days
from .evaluation_options import EvaluationOptions
from .evaluation_rates import Span, chance_of_a_flag

RAISED = ("service", "stop")

FAILED = "failed in the data"
REPAIRED = "repaired before it failed"
LATER = "would fail after the data"
SUDDEN = "failed at once"
NEVER = "no failing day"


@dataclass(frozen=True)
class FaultOutcome:
    """One fault of the truth and what the flags made of it. Times in days since 1970."""

    unit_id: str
    part: str
    mode: str
    status: str
    onset: float
    failed: float | None
    deadline: float | None
    """The earlier of failing and repair."""
    flagged: float | None
    """First ``service`` or ``stop`` of this fault."""
    flagged_part: str
    raised_in_time: bool
    part_right: bool
    lead_days: float | None
    lead_share: float | None
    """Lead over the time from onset to failing."""


@dataclass(frozen=True)
class FaultSummary:
    """Outcomes of like faults."""

    what: str
    faults: int
    raised_in_time: int
    raised: int
    part_right: int
    median_lead_days: float | None
    median_lead_share: float | None
    lead_enough: int
    chance: float | None
    """Share of windows as long as onset to deadline on healthy units that hold a flag."""


def outcomes(
    flags: pd.DataFrame,
    truth_faults: pd.DataFrame,
    spans: dict[str, Span],
    options: EvaluationOptions,
) -> tuple[FaultOutcome, ...]:
    """Return the outcome of every true fault, in the order of the table."""
    raised = _raised(flags)
    onset = days(truth_faults["onset"])
    first = days(truth_faults["first_failed_cycle_start"])
    unrepaired = days(truth_faults["failed_if_not_repaired"])
    repaired = days(truth_faults["repaired_at"])
    failed = np.where(np.isfinite(first), first, unrepaired)
    unit = truth_faults["unit_id"].astype(str).to_numpy()
    part = truth_faults["part"].fillna("").astype(str).to_numpy()
    mode = truth_faults["mode"].fillna("").astype(str).to_numpy()
    result = []
    for i in range(len(truth_faults)):
        last = spans.get(unit[i], (0.0, np.inf))[1]
        close = min(last, repaired[i] + options.repair_tolerance_days)
        if not np.isfinite(repaired[i]):
            close = last
        here = raised[
            (raised["unit_id"] == unit[i])
            & (raised["at"] >= onset[i] - options.onset_tolerance_days)
            & (raised["at"] <= close)
        ]
        others = [
            j
            for j in np.flatnonzero(unit == unit[i])
            if j != i and not (repaired[j] < onset[i]) and not (onset[j] > close)
        ]
        pick = _first_of_this(here, part[i], mode[i], [(part[j], mode[j]) for j in others])
        flagged = None if pick is None else float(pick["at"])
        fails = float(failed[i]) if np.isfinite(failed[i]) else None
        ends = [x for x in (failed[i], repaired[i]) if np.isfinite(x)]
        deadline = float(min(ends)) if ends else None
        lead = None if flagged is None or fails is None else fails - flagged
        growth = None if fails is None else fails - onset[i]
        result.append(
            FaultOutcome(
                unit[i],
                part[i],
                mode[i],
                _status(onset[i], fails, repaired[i], last, options),
                float(onset[i]),
                fails,
                deadline,
                flagged,
                "" if pick is None else str(pick["part"]),
                flagged is not None and (deadline is None or flagged < deadline),
                pick is not None and names_the_part(pick, part[i], mode[i]),
                lead,
                None if lead is None or not growth or growth <= 0 else float(lead / growth),
            )
        )
    return tuple(result)


def names_the_part(flag: pd.Series, part: str, mode: str) -> bool:
    """Return whether a flag names the part, or its look-alike with the part beside it.

    A passing vent and a leaking seal look alike in a trace and may stand for
    each other when ``alternatives`` names the true one.
    """
    named = str(flag["part"])
    if named == part:
        return True
    also = {a.strip() for a in str(flag["alternatives"]).split(",")}
    passing = mode if part == "vent_path" else str(flag["mode"])
    return {named, part} == {"door_seal", "vent_path"} and passing != "blocked" and part in also


def summarize(
    what: str,
    chosen: Sequence[FaultOutcome],
    healthy: dict[str, Span],
    false_flags: dict[str, list[float]],
    options: EvaluationOptions,
) -> FaultSummary:
    """Sum up outcomes; leads are taken over the faults that were raised."""
    leads = [o.lead_days for o in chosen if o.lead_days is not None]
    shares = [o.lead_share for o in chosen if o.lead_share is not None]
    enough = sum(
        (o.lead_days is not None and o.lead_days >= options.lead_goal_days)
        or (o.lead_share is not None and o.lead_share >= options.lead_goal_share)
        for o in chosen
    )
    windows = [o.deadline - o.onset for o in chosen if o.deadline is not None]
    chances = [chance_of_a_flag(w, healthy, false_flags) for w in windows if w > 0]
    known = [c for c in chances if c is not None]
    return FaultSummary(
        what,
        len(chosen),
        sum(o.raised_in_time for o in chosen),
        sum(o.flagged is not None for o in chosen),
        sum(o.part_right for o in chosen),
        float(np.median(leads)) if leads else None,
        float(np.median(shares)) if shares else None,
        enough,
        float(np.mean(known)) if known else None,
    )


def _raised(flags: pd.DataFrame) -> pd.DataFrame:
    """Return the first ``service`` or ``stop`` row of each episode, in time order."""
    table = pd.DataFrame(
        {
            "flag_id": flags["flag_id"].astype(str),
            "unit_id": flags["unit_id"].astype(str),
            "part": flags["part"].fillna("").astype(str),
            "mode": flags["mode"].fillna("").astype(str),
            "alternatives": flags["alternatives"].fillna("").astype(str),
            "severity": flags["severity"].astype(str),
            "confidence": pd.to_numeric(flags["confidence"]).fillna(0.0).astype(float),
            "at": days(flags["first_seen"]),
        }
    )
    table = table[table["severity"].isin(RAISED)]
    table = table.sort_values(["at", "confidence", "flag_id"], ascending=[True, False, True])
    return table.drop_duplicates("flag_id").reset_index(drop=True)


def _first_of_this(
    here: pd.DataFrame, part: str, mode: str, others: list[tuple[str, str]]
) -> pd.Series | None:
    """Return the first flag that isn't better laid to another fault of the unit."""
    for _, flag in here.iterrows():
        foreign = any(names_the_part(flag, p, m) for p, m in others)
        if names_the_part(flag, part, mode) or not foreign:
            return flag
    return None


def _status(
    onset: float,
    failed: float | None,
    repaired: float,
    last: float,
    options: EvaluationOptions,
) -> str:
    if failed is None:
        return NEVER
    if failed - onset <= options.sudden_days:
        return SUDDEN
    if np.isfinite(repaired) and repaired < failed:
        return REPAIRED
    return FAILED if failed <= last else LATER
