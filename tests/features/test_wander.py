"""Heat that is proportioned wanders: its swings differ in height."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.features.sawtooth import measure


def _swings(heights_k: np.ndarray, half_period_s: float, interval_s: float) -> np.ndarray:
    """Return straight runs up and down by the given heights, about 122 °C."""
    corners = 122.0 + np.concatenate(([0.0], np.cumsum(heights_k * (-1.0) ** np.arange(400))))
    time = np.arange(0.0, 1800.0, interval_s)
    return np.interp(time, half_period_s * np.arange(len(corners)), corners)


@pytest.mark.parametrize("interval_s", [1.0, 5.0, 10.0])
def test_swings_of_different_heights_are_no_saw_tooth(interval_s: float) -> None:
    """Alike in time, of 0.4 to 1.8 K without an order: a wander; of 1 K each: a thermostat's."""
    time = np.arange(0.0, 1800.0, interval_s)
    noise = np.random.default_rng(3).normal(0.0, 0.03, len(time))
    heights = np.repeat(np.tile([0.4, 1.3, 0.8, 1.8, 0.6], 40), 2)
    wander = _swings(heights, 60.0, interval_s)
    assert measure(time, wander + noise, 0.03, 0.01).reason == "no_sawtooth"
    thermostat = measure(time, _swings(np.full(400, 1.0), 60.0, interval_s) + noise, 0.03, 0.01)
    assert thermostat.duty == pytest.approx(0.5, abs=0.03)
    assert thermostat.reason == ""
