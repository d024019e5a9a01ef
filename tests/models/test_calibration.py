"""What the limits cost: false flags on simulated healthy residuals.

All signs at once, with AR(1) autocorrelation and Student's t with four degrees of freedom,
levels that wander as much as the shipped wander says and nuisances that move several signs
together, three cycles a day, a baseline of thirty cycles that is itself uncertain. The
text-book limits fail under these (see the run lengths in test_charts); the judge's limits
must keep its budget over all signatures together, as it applies them: best chart, limit and
floor, lone signs apart, on two days.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from chamberdrift.models.baseline import FULL
from chamberdrift.models.chart_pair import MEMORY_DAYS
from chamberdrift.models.charts import cusum
from chamberdrift.models.diagnosis import match
from chamberdrift.models.moves import DESIGN_EFFECT
from chamberdrift.models.outstanding import count, outstanding
from chamberdrift.models.scores import eligible, supporting
from chamberdrift.models.signatures import NUISANCE_DIRECTIONS, NUISANCE_SD, TWO_SIDED
from chamberdrift.models.signs import INDEX, SCATTER, WANDER
from chamberdrift.shared.config import Budgets

UNITS = 120
A_DAY = 3
DAYS = 365
AR = 1.0 / 3.0
WANDER_DAYS = 20.0
UNSEEN = {
    "gravity": (
        "leak",
        "vacuum",
        "evacuation",
        "air_inlet",
        "drying_vacuum",
        "current_duty",
        "closing",
        "boiling",
    ),
    "prevacuum": ("leak", "current_duty", "boil", "closing", "boiling"),
}
"""Signs that a unit of each kind does not show (a leak test is weekly and judged apart; a cycle's
end is timed as one where no pressure is seen; yes and no do not scatter like this)."""


def slowly(rng: np.random.Generator, shape: tuple[int, ...], steps: int) -> np.ndarray:
    """Return a unit-variance level that wanders over weeks, shape (steps, *shape)."""
    keep = math.exp(-1.0 / (A_DAY * WANDER_DAYS))
    out = np.empty((steps, *shape))
    level = rng.standard_normal(shape)
    for i in range(steps):
        level = keep * level + math.sqrt(1 - keep**2) * rng.standard_normal(shape)
        out[i] = level
    return out


def residuals(rng: np.random.Generator) -> np.ndarray:
    """Return healthy residuals from the first thirty cycles' mean, (cycles, units, signs)."""
    steps, count = A_DAY * DAYS + FULL, len(SCATTER)
    out = np.empty((steps, UNITS, count))
    level = np.zeros((UNITS, count))
    for i in range(steps):
        shock = rng.standard_t(4, level.shape) / math.sqrt(2.0)
        level = AR * level + math.sqrt(1 - AR**2) * shock
        out[i] = level * SCATTER
    out += slowly(rng, (UNITS, count), steps) * WANDER
    shared = slowly(rng, (UNITS, len(NUISANCE_SD)), steps) * NUISANCE_SD
    out += shared @ NUISANCE_DIRECTIONS
    bound = 10.0 * np.hypot(SCATTER, WANDER)
    return np.clip(out[FULL:] - out[:FULL].mean(axis=0), -bound, bound)


def evening_scores(x: np.ndarray, unseen: tuple[str, ...]) -> tuple[np.ndarray, ...]:
    """Return T, size and support of each signature on each evening, (days, units, signatures)."""
    t, sizes, supports = [], [], []
    for days in MEMORY_DAYS:
        fade = math.exp(-1.0 / (A_DAY * days))
        total, weight, square = np.zeros(x.shape[1:]), 0.0, 0.0
        evenings, variances = [], []
        for i in range(len(x)):
            total, weight, square = total * fade + x[i], weight * fade + 1.0, square * fade**2 + 1
            if i % A_DAY == A_DAY - 1:
                noise = DESIGN_EFFECT * (square / weight**2 + 1.0 / FULL)
                evenings.append(total / weight)
                variances.append(np.broadcast_to(SCATTER**2 * noise + WANDER**2, total.shape))
        delta = np.concatenate(evenings)
        delta[:, [INDEX[n] for n in unseen]] = np.nan
        variance = np.concatenate(variances)
        found = match(delta, variance)
        shape = (len(evenings), x.shape[1], -1)
        t.append(np.where(TWO_SIDED, np.abs(found.t), found.t).reshape(shape))
        sizes.append(found.size.reshape(shape))
        supports.append(supporting(delta, variance, found.size).reshape(shape))
    best = np.stack(t).argmax(axis=0)[None]
    return tuple(
        np.take_along_axis(np.stack(v), best, 0)[0].round(6) for v in (t, sizes, supports)
    )


def false_flags_per_unit_year(scores: tuple[np.ndarray, ...], severity: str) -> float:
    """Return the rate of units with two evenings in a row of one eligible best signature."""
    t, size, support = scores
    best = t.argmax(axis=2)[:, :, None]
    able = np.take_along_axis(eligible(t, size, support, severity), best, 2)[:, :, 0]
    same = best[1:, :, 0] == best[:-1, :, 0]
    return float((able[1:] & able[:-1] & same).any(axis=0).mean() * 365.0 / DAYS)


@pytest.fixture(scope="module")
def healthy() -> np.ndarray:
    return residuals(np.random.default_rng(2026))


@pytest.fixture(scope="module", params=sorted(UNSEEN))
def scores(request: pytest.FixtureRequest, healthy: np.ndarray) -> tuple[np.ndarray, ...]:
    return evening_scores(healthy, UNSEEN[request.param])


def test_the_service_limit_keeps_the_budget_over_all_signatures(
    scores: tuple[np.ndarray, ...],
) -> None:
    assert false_flags_per_unit_year(scores, "service") <= Budgets().service


def test_the_watch_limit_keeps_its_budget(scores: tuple[np.ndarray, ...]) -> None:
    assert false_flags_per_unit_year(scores, "watch") <= Budgets().watch


@pytest.mark.parametrize("kind", sorted(UNSEEN))
def test_cycles_that_stand_out_by_themselves_leave_the_budget_whole(
    healthy: np.ndarray, kind: str
) -> None:
    called = 0
    for unit in range(UNITS):
        x = healthy[:, unit].copy()
        x[:, [INDEX[n] for n in UNSEEN[kind]]] = np.nan
        variance = np.broadcast_to(SCATTER**2 + WANDER**2, x.shape)
        found = outstanding(x, variance, np.ones(len(x), dtype=np.bool_))
        recent: list[list[float]] = []
        calls = False
        for i in np.flatnonzero(found.signature >= 0).tolist():
            recent, cycles = count(recent, i / A_DAY, i, int(found.signature[i]))
            calls |= cycles > 0
        called += calls
    assert called / UNITS * 365.0 / DAYS <= 0.1 * Budgets().service


def test_text_book_limits_would_not(healthy: np.ndarray) -> None:
    # CUSUM with k = 0.5, h = 5: nearly every healthy unit alarms within a year.
    z = healthy[:, :60, 0] / SCATTER[0]
    alarms = [(cusum(z[:, u], target=0.0, k=0.5) > 5.0).any() for u in range(60)]
    assert np.mean(alarms) > 0.8
