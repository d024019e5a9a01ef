"""Features against simulated truth: a short table in CI, the long one by hand.

Tolerances are those of the data dictionary; the loggers have 2 s of lag, 0.05 K
and 0.15 kPa of noise. Seeds here are tuning seeds; figures to quote come from
``accuracy.py`` on seeds that nothing was tuned on.
"""

from __future__ import annotations

from types import ModuleType

import pytest


@pytest.mark.parametrize("interval_s", [1.0, 5.0, 15.0])
def test_features_of_a_short_fleet_meet_the_truth(accuracy: ModuleType, interval_s: float) -> None:
    """Two units over ten days."""
    figures = accuracy.summary(accuracy.compare([31], 2, 10, [interval_s])[interval_s])
    assert figures["cycles of truth"] > 20
    assert figures["missing"] == 0
    assert figures["extra"] == 0
    assert figures["exposure start within one interval + lag, %"] >= 98.0
    assert figures["exposure end within one interval, %"] >= 90.0
    assert abs(figures["exposure time, median error, s"]) <= max(3.0, interval_s)
    assert figures["F0, 95 % of errors within, %"] <= (1.0 if interval_s < 10.0 else 2.0)
    assert figures["exhaust within one interval or 2 %, %"] >= 97.0


@pytest.mark.slow
@pytest.mark.parametrize("interval_s", [1.0, 5.0, 15.0])
def test_two_thousand_cycles(accuracy: ModuleType, interval_s: float) -> None:
    """About two thousand cycles: none missing but what no trace shows, none too many."""
    figures = accuracy.summary(accuracy.compare([41, 42], 12, 50, [interval_s])[interval_s])
    assert figures["cycles of truth"] > 1500
    assert figures["missing"] <= 0.005 * figures["cycles of truth"]
    assert figures["extra"] <= 0.002 * figures["cycles of truth"]
    assert figures["F0 within 1 %, %"] >= (95.0 if interval_s < 10.0 else 85.0)
    if interval_s < 2.0:
        assert figures["duty within 0.02 at ten samples a period and more, %"] >= 90.0
        assert figures["leak within 0.02 kPa/min, %"] >= 95.0
