"""Draw promised against realised: false flags, p-values of healthy cycles, forecast intervals.

Used by ``run_protocol.py --plot FILE``.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from chamberdrift.pipeline.evaluation import HEALTHY, Evaluation
from chamberdrift.shared.config import Budgets

DESIGNED = {name: getattr(Budgets(), name) for name in ("watch", "service", "stop")}
PROMISED = {"watch": 2.0, "service": 0.25, "stop": 0.02}
"""False flags per healthy unit-year: what the judging is designed for, and what is promised."""
LEVELS = (0.1, 0.5, 0.9)
"""Probabilities that the true day comes before the low end, the middle and the high end."""


def healthy_p(judgements: pd.DataFrame, truth_faults: pd.DataFrame) -> np.ndarray:
    """Return the p-values of all cycles of units without a fault, sorted."""
    sick = set(truth_faults["unit_id"].astype(str))
    chosen = judgements[~judgements["unit_id"].astype(str).isin(sick)]
    p = pd.to_numeric(chosen["anomaly_p"]).to_numpy(dtype=np.float64, na_value=np.nan)
    return np.sort(p[np.isfinite(p)])


def reached(forecasts: pd.DataFrame, evaluation: Evaluation) -> list[float]:
    """Return the share of forecasts whose true day came before the low, middle and high end."""
    before: list[list[bool]] = [[], [], []]
    at = pd.to_datetime(forecasts["time"], utc=True)
    day = (at - pd.Timestamp(0, tz="UTC")).dt.total_seconds() / 86_400.0
    columns = ("days_to_limit_low", "days_to_limit", "days_to_limit_high")
    ends = forecasts[list(columns)].apply(pd.to_numeric).to_numpy(np.float64, na_value=np.nan)
    unit, part = forecasts["unit_id"].astype(str), forecasts["part"].astype(str)
    for fault in evaluation.faults:
        if fault.failed is None or fault.flagged is None or fault.deadline is None:
            continue
        mine = (unit == fault.unit_id) & (part == fault.flagged_part)
        mine &= (day >= fault.flagged - 1e-9) & (day < fault.deadline)
        for i in np.flatnonzero(mine.to_numpy() & np.isfinite(ends[:, 0])):
            left = fault.failed - float(day.iloc[i])
            for k in range(3):
                before[k].append(not left > ends[i, k])  # a missing end lies beyond the horizon
    return [float(np.mean(b)) if b else float("nan") for b in before]


def draw(outcome: Any, evaluation: Evaluation, path: Path) -> str:
    """Draw three panels into a PNG; return the numbers as text."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.5, 3.4), dpi=80, layout="constrained")
    FigureCanvasAgg(figure)
    rates, uniform, intervals = figure.subplots(1, 3)
    lines = []
    for i, name in enumerate(DESIGNED):
        found = evaluation.rate_of(HEALTHY, name)
        low, high = found.per_unit_year or 0.0, found.upper or 0.0
        rates.plot([i, i], [low, high], color="0.3", linewidth=3)
        rates.plot(i, low, "o", color="0.1", label="realised, 95 % bound" if not i else None)
        rates.plot(i, PROMISED[name], "_", color="C3", markersize=22, markeredgewidth=2,
                   label="promised" if not i else None)  # fmt: skip
        lines.append(f"{name}: designed {DESIGNED[name]:g}, promised {PROMISED[name]:g}, "
                     f"realised {low:.3f}, bound {high:.3f} per unit-year")  # fmt: skip
    rates.set_yscale("symlog", linthresh=0.02)
    rates.set_xticks(range(3), list(DESIGNED))
    rates.set_title("False flags a healthy unit-year")
    rates.legend(fontsize=8)
    p = healthy_p(outcome.judgements, outcome.truth_faults)
    if p.size:
        share = np.arange(1, p.size + 1) / p.size
        thin = np.unique(np.geomspace(1, p.size, 400).astype(int)) - 1
        uniform.plot(p[thin], share[thin], color="0.1", label="healthy cycles")
        uniform.plot([1e-4, 1.0], [1e-4, 1.0], "--", color="C3", label="uniform")
        uniform.set_xscale("log")
        uniform.set_yscale("log")
        for level in (0.001, 0.01, 0.05, 0.1, 0.5):
            lines.append(f"p at most {level:g}: {np.mean(p <= level):.4f} of {p.size} cycles")
    uniform.set_title("p-values of healthy cycles")
    uniform.set_xlabel("p")
    uniform.set_ylabel("share of cycles at most p")
    uniform.legend(fontsize=8)
    shares = reached(outcome.forecasts, evaluation) if len(outcome.forecasts) else []
    if shares:
        intervals.plot(LEVELS, shares, "o-", color="0.1", label="forecasts")
        for level, value in zip(LEVELS, shares, strict=True):
            lines.append(f"true day before the {level:.0%} point of the forecast: {value:.3f}")
    intervals.plot([0, 1], [0, 1], "--", color="C3", label="exact")
    intervals.set_title("Days to the limit")
    intervals.set_xlabel("probability said")
    intervals.set_ylabel("share that failed before")
    intervals.legend(fontsize=8)
    figure.savefig(path, metadata={"Software": None})
    return "\n".join(lines)
