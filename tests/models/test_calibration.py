"""What the limits cost: false crossings on simulated healthy residuals.

Residuals with AR(1) autocorrelation and Student's t with four degrees of freedom, a
level that wanders as much as the shipped wander says, three cycles a day, a
baseline of thirty cycles that is itself uncertain: the
text-book limits fail under these (see the run lengths in test_charts), the
judge's limits must keep its budget over all signatures together.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from chamberdrift.models.baseline import FULL
from chamberdrift.models.charts import cusum
from chamberdrift.models.findings import SERVICE_T, WATCH_T
from chamberdrift.models.signatures import (
    DIRECTIONS,
    SERVICE_FLOOR,
    TWO_SIDED,
    WATCH_FLOOR,
)
from chamberdrift.models.signs import SCATTER, WANDER
from chamberdrift.models.tracker import DESIGN_EFFECT, MEMORY_DAYS
from chamberdrift.shared.config import Budgets

UNITS = 1500
A_DAY = 3
DAYS = 365
AR = 1.0 / 3.0
WANDER_SHARE = float(np.median(WANDER / SCATTER))
WANDER_DAYS = 20.0


def floors_in_scatters(floors: np.ndarray) -> np.ndarray:
    """Return each signature's floor in scatters of the sign that shows it most."""
    return np.asarray(floors * (np.abs(DIRECTIONS) / SCATTER).max(axis=1))


def residuals(rng: np.random.Generator) -> np.ndarray:
    """Return standardised healthy residuals, shape (cycles, units)."""
    steps = A_DAY * DAYS + FULL
    shocks = rng.standard_t(4, (steps, UNITS)) / math.sqrt(2.0)
    out = np.empty_like(shocks)
    level = np.zeros(UNITS)
    slow = WANDER_SHARE * rng.standard_normal(UNITS)
    keep = math.exp(-1.0 / (A_DAY * WANDER_DAYS))
    for i in range(steps):
        level = AR * level + math.sqrt(1 - AR**2) * shocks[i]
        slow = keep * slow + WANDER_SHARE * math.sqrt(1 - keep**2) * rng.standard_normal(UNITS)
        out[i] = level + slow
    return out


def false_flags_per_unit_year(x: np.ndarray, limit: float, floors: np.ndarray) -> float:
    """Return crossings of limit and floor a unit-year, summed over all signatures."""
    late = np.clip(x[FULL:] - x[:FULL].mean(axis=0), -10.0, 10.0)
    peak = np.zeros(UNITS)  # largest size at which the limit was crossed
    for days in MEMORY_DAYS:
        fade = math.exp(-1.0 / (A_DAY * days))
        total, weight, square = np.zeros(UNITS), 0.0, 0.0
        for i in range(len(late)):
            total = total * fade + late[i]
            weight, square = weight * fade + 1.0, square * fade * fade + 1.0
            if weight * weight / square >= 4.0:
                noise = DESIGN_EFFECT * (square / weight**2 + 1.0 / FULL)
                spread = math.sqrt(noise + WANDER_SHARE**2)
                size = total / weight
                peak = np.where(size / spread > limit, np.maximum(peak, size), peak)
    rates = (peak[:, None] > floors_in_scatters(floors)[None, :]).mean(axis=0) * 365.0 / DAYS
    return float((rates * np.where(TWO_SIDED, 2.0, 1.0)).sum())


@pytest.fixture(scope="module")
def healthy() -> np.ndarray:
    return residuals(np.random.default_rng(2026))


def test_the_service_limit_keeps_the_budget_over_all_signatures(healthy: np.ndarray) -> None:
    assert false_flags_per_unit_year(healthy, SERVICE_T, SERVICE_FLOOR) <= Budgets().service


def test_the_watch_limit_keeps_its_budget(healthy: np.ndarray) -> None:
    assert false_flags_per_unit_year(healthy, WATCH_T, WATCH_FLOOR) <= Budgets().watch


def test_text_book_limits_would_not(healthy: np.ndarray) -> None:
    # CUSUM with k = 0.5, h = 5: nearly every healthy unit alarms within a year.
    alarms = [
        (cusum(healthy[FULL:, u], target=float(healthy[:FULL, u].mean()), k=0.5) > 5.0).any()
        for u in range(60)
    ]
    assert np.mean(alarms) > 0.8
