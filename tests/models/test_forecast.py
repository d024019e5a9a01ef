"""Forecasts: coverage of the interval on growth of many shapes, and when nothing is said."""

from __future__ import annotations

import math

import numpy as np
import pytest
from chamberdrift.models.forecast import HORIZON_DAYS, forecast

SHARES = (0.35, 0.5, 0.6, 0.7, 0.85, 1.05)


def simulate(rng: np.random.Generator, power: float) -> tuple[bool, bool] | None:
    """Return whether the interval held the day of the first crossing, and whether one came."""
    growth = rng.uniform(30.0, 90.0)
    share = rng.uniform(0.4, 0.9)
    onset, limit, noise = 40.0, 0.6, rng.uniform(0.01, 0.03)
    fails = onset + growth * share ** (1.0 / power)
    now = onset + (fails - onset) * rng.uniform(0.35, 0.9)
    t = np.arange(0.0, now)
    t = t[rng.random(t.size) < 0.8]
    size = limit * (np.maximum(t - onset, 0.0) / growth) ** power
    made = forecast(t, size + noise * rng.standard_normal(t.size), limit=limit, shares=SHARES)
    if made is None:
        return None
    left = fails - float(t[-1])
    return made.low <= left and (math.isnan(made.high) or left <= made.high), True


def test_on_growth_without_surprises_the_interval_holds_at_least_what_it_says() -> None:
    rng = np.random.default_rng(17)
    held = made = 0
    for i in range(300):
        outcome = simulate(rng, power=(1.0, 1.0, 2.0)[i % 3])
        if outcome is not None:
            held += outcome[0]
            made += 1
    assert made > 180
    # Nominal 80 %. Simulated fleets hold 75 to 85 %; here growth never bends and the channel
    # never changes, so the allowance for that makes the interval hold more.
    assert held / made > 0.80, held / made


def test_ends_are_in_order_and_far_ends_are_null() -> None:
    t = np.arange(80.0)
    size = 0.002 * np.maximum(t - 40.0, 0.0)
    made = forecast(t, size + 1e-3 * np.sin(7.0 * t), limit=0.6, shares=(1.0,))
    assert made is not None
    assert made.low < HORIZON_DAYS
    assert math.isnan(made.high) or made.low <= made.days <= made.high
    assert made.slope_per_day == pytest.approx(0.002, rel=0.1)


def test_a_step_that_stays_is_not_run_on() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(90.0)
    size = np.where(t >= 45, 0.3, 0.0) + 0.02 * rng.standard_normal(90)
    assert forecast(t, size, limit=0.6, shares=SHARES) is None


@pytest.mark.parametrize("limit", [math.nan, 0.0, -1.0])
def test_without_a_limit_nothing_is_said(limit: float) -> None:
    t = np.arange(60.0)
    assert forecast(t, 0.01 * t, limit=limit) is None


def test_too_few_days_say_nothing() -> None:
    assert forecast([1.0, 2.0, 3.0], [0.0, 0.1, 0.2], limit=1.0) is None
