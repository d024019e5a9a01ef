"""Score flags and cycles against the truth of a simulated fleet.

Scores are by events: faults raised in time, false flags per healthy unit-year
with an exact bound, and what chance alone would hit. Point-wise scores mislead
where one episode spans many cycles.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pandas as pd

from .evaluation_faults import (
    FAILED,
    LATER,
    NEVER,
    RAISED,
    REPAIRED,
    SUDDEN,
    FaultOutcome,
    FaultSummary,
    outcomes,
    summarize,
)
from .evaluation_forecast import ForecastScore, score_forecasts
from .evaluation_match import CycleScore, days, score_cycles
from .evaluation_options import EvaluationOptions
from .evaluation_rates import FlagRate, Span, chance_of_a_flag, merged, rate, total

HEALTHY = "units without a fault"
BEFORE = "before a fault's onset"
AFTER = "after a repair"


@dataclass(frozen=True)
class ConfounderScore:
    """What a harmless change did to the flags, on healthy units."""

    kind: str
    units: int
    windows: int
    unit_years: float
    flags: int
    """False ``service`` flags inside the windows."""
    per_unit_year: float | None
    upper: float | None
    held_share: float | None
    """Share of windows that hold a flag."""
    chance: float | None
    """Share of windows of equal length anywhere on healthy units that hold one."""


@dataclass(frozen=True)
class Evaluation:
    """Everything that the scoring found."""

    name: str
    cycles: CycleScore
    faults: tuple[FaultOutcome, ...]
    headline: FaultSummary
    """Faults with a failing day that left time for a warning."""
    by_status: tuple[FaultSummary, ...]
    by_fault: tuple[FaultSummary, ...]
    rates: tuple[FlagRate, ...]
    confounders: tuple[ConfounderScore, ...]
    forecasts: tuple[ForecastScore, ...]
    options: EvaluationOptions

    def as_dict(self) -> dict[str, Any]:
        """Return the whole as plain values that ``json.dumps`` takes."""
        return asdict(self)

    def rate_of(self, where: str, severity: str) -> FlagRate:
        """Return one row of the rates."""
        return next(r for r in self.rates if (r.where, r.severity) == (where, severity))

    def text(self) -> str:
        """Return the tables that people read."""
        from .evaluation_text import render

        return render(self)


def score(
    flags: pd.DataFrame,
    cycles: pd.DataFrame,
    judgements: pd.DataFrame | None,
    truth_cycles: pd.DataFrame,
    truth_faults: pd.DataFrame,
    *,
    truth_confounders: pd.DataFrame | None = None,
    forecasts: pd.DataFrame | None = None,
    name: str = "",
    options: EvaluationOptions = EvaluationOptions(),  # noqa: B008 - frozen
) -> Evaluation:
    """Score flags and cycles against the truth.

    Parameters
    ----------
    flags, cycles, judgements
        Tables of the store; judgements None: no verdict is scored.
    truth_cycles
        Columns ``unit_id, exposure_start, exposure_end, kind, program, verdict,
        aborted``. Units without a row here are not scored.
    truth_faults
        Columns ``unit_id, part, mode, onset, first_failed_cycle_start,
        failed_if_not_repaired, repaired_at``; a unit without a row is healthy.
    truth_confounders
        Columns ``unit_id, kind, start, end``; a missing start or end means the
        start or end of the data.
    forecasts
        See :func:`evaluation_forecast.score_forecasts`.
    name
        What was scored, for the heading.
    options
        Rules of scoring.

    Returns
    -------
    Evaluation
        Frozen; the same tables give the same result.
    """
    spans = unit_spans(truth_cycles, cycles)
    known = flags[flags["unit_id"].astype(str).isin(list(spans))]
    truth_faults = truth_faults[truth_faults["unit_id"].astype(str).isin(list(spans))]
    zones = healthy_time(spans, truth_faults, options)
    healthy = {u: spans[u] for u in sorted(set(spans) - set(truth_faults["unit_id"].astype(str)))}
    false = {u: t for u, t in flag_times(known, "service").items() if u in healthy}
    found = outcomes(known, truth_faults.reset_index(drop=True), spans, options)
    return Evaluation(
        name=name,
        cycles=score_cycles(
            truth_cycles.reset_index(drop=True),
            cycles[cycles["unit_id"].astype(str).isin(list(spans))].reset_index(drop=True),
            judgements,
            overlap=options.overlap,
            faults=truth_faults,
        ),
        faults=found,
        headline=summarize(
            "faults with a failing day",
            [o for o in found if o.status in (FAILED, REPAIRED)],
            healthy,
            false,
            options,
        ),
        by_status=tuple(
            summarize(s, chosen, healthy, false, options)
            for s in (FAILED, REPAIRED, LATER, SUDDEN, NEVER)
            if (chosen := [o for o in found if o.status == s])
        ),
        by_fault=tuple(
            summarize(
                f"{part} {mode}".strip(),
                [o for o in found if (o.part, o.mode) == (part, mode)],
                healthy,
                false,
                options,
            )
            for part, mode in sorted({(o.part, o.mode) for o in found})
        ),
        rates=tuple(
            _rate(where, severity, zones[where], flag_times(known, severity), options)
            for where in (HEALTHY, BEFORE, AFTER)
            for severity in ("watch", "service", "stop")
        ),
        confounders=_confounders(truth_confounders, spans, zones[HEALTHY], false, options),
        forecasts=score_forecasts(forecasts, found),
        options=options,
    )


def unit_spans(truth_cycles: pd.DataFrame, cycles: pd.DataFrame) -> dict[str, Span]:
    """Return the span of each true unit's data [days since 1970], by its cycles."""
    frame = pd.DataFrame(
        {
            "unit_id": truth_cycles["unit_id"].astype(str),
            "start": days(truth_cycles["exposure_start"]),
            "end": days(truth_cycles["exposure_end"]),
        }
    )
    mine = cycles[cycles["unit_id"].astype(str).isin(set(frame["unit_id"]))]
    more = pd.DataFrame(
        {
            "unit_id": mine["unit_id"].astype(str),
            "start": days(mine["started_at"]),
            "end": days(mine["started_at"]),
        }
    )
    ends = pd.concat([frame, more]).groupby("unit_id").agg({"start": "min", "end": "max"})
    ends = ends.dropna()
    return {str(u): (float(s), float(e)) for u, s, e in ends.itertuples()}


def healthy_time(
    spans: dict[str, Span], truth_faults: pd.DataFrame, options: EvaluationOptions
) -> dict[str, dict[str, list[Span]]]:
    """Return the stretches without a fault, by where they lie and by unit."""
    onset, repaired = days(truth_faults["onset"]), days(truth_faults["repaired_at"])
    unit = truth_faults["unit_id"].astype(str).to_numpy()
    over = np.where(np.isfinite(repaired), repaired + options.repair_tolerance_days, np.inf)
    result: dict[str, dict[str, list[Span]]] = {HEALTHY: {}, BEFORE: {}, AFTER: {}}
    for name, (start, end) in spans.items():
        mine = np.flatnonzero(unit == name)
        if not mine.size:
            result[HEALTHY][name] = [(start, end)]
            continue
        sick = merged((onset[i] - options.onset_tolerance_days, over[i]) for i in mine)
        edges = [start, *(x for span in sick for x in span), end]
        free = [
            (max(a, start), min(b, end))
            for a, b in zip(edges[::2], edges[1::2], strict=True)
            if min(b, end) > max(a, start)
        ]
        first = sick[0][0]
        result[BEFORE][name] = [s for s in free if s[0] < first]
        result[AFTER][name] = [s for s in free if s[0] >= first]
    return result


def flag_times(flags: pd.DataFrame, severity: str) -> dict[str, list[float]]:
    """Return the times [days] at which episodes of each unit reached a severity.

    An episode that goes to ``stop`` at once has reached ``service``, too.
    """
    wanted = RAISED if severity == "service" else (severity,)
    rows = flags[flags["severity"].isin(wanted)]
    table = pd.DataFrame(
        {
            "unit_id": rows["unit_id"].astype(str),
            "flag_id": rows["flag_id"].astype(str),
            "at": days(rows["first_seen"]),
        }
    )
    firsts = table.sort_values("at").drop_duplicates("flag_id")
    return {str(u): sorted(g["at"]) for u, g in firsts.groupby("unit_id")}


def _rate(
    where: str,
    severity: str,
    zone: dict[str, list[Span]],
    times: dict[str, list[float]],
    options: EvaluationOptions,
) -> FlagRate:
    count = sum(
        any(a <= t <= b for a, b in stretch)
        for unit, stretch in zone.items()
        for t in times.get(unit, ())
    )
    return rate(
        where,
        severity,
        units=sum(bool(s) for s in zone.values()),
        unit_days=sum(total(s) for s in zone.values()),
        flags=count,
        confidence=options.bound_confidence,
        designed=getattr(options.budgets, severity),
    )


def _confounders(
    truth: pd.DataFrame | None,
    spans: dict[str, Span],
    healthy: dict[str, list[Span]],
    false: dict[str, list[float]],
    options: EvaluationOptions,
) -> tuple[ConfounderScore, ...]:
    if truth is None or truth.empty:
        return ()
    mine = truth[truth["unit_id"].astype(str).isin(list(healthy))]
    start, end = days(mine["start"]), days(mine["end"])
    unit = mine["unit_id"].astype(str).to_numpy()
    kind = mine["kind"].astype(str).to_numpy()
    quiet = {u: spans[u] for u in healthy}
    result = []
    for name in sorted(set(kind)):
        windows = [
            (
                unit[i],
                max(np.nan_to_num(start[i], nan=-np.inf), spans[unit[i]][0]),
                min(
                    np.nan_to_num(end[i], nan=np.inf) + options.confounder_tail_days,
                    spans[unit[i]][1],
                ),
            )
            for i in np.flatnonzero(kind == name)
        ]
        windows = [w for w in windows if w[2] > w[1]]
        by_unit = {u: merged((a, b) for v, a, b in windows if v == u) for u, _, _ in windows}
        counted = _rate(name, "service", by_unit, false, options)
        held = [any(a <= t <= b for t in false.get(u, ())) for u, a, b in windows]
        chances = [chance_of_a_flag(b - a, quiet, false) for _, a, b in windows]
        known = [c for c in chances if c is not None]
        result.append(
            ConfounderScore(
                name,
                len(by_unit),
                len(windows),
                counted.unit_years,
                counted.flags,
                counted.per_unit_year,
                counted.upper,
                float(np.mean(held)) if held else None,
                float(np.mean(known)) if known else None,
            )
        )
    return tuple(result)
