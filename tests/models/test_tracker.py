"""What a unit's charts carry over a change of logger."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.reference import SHIPPED
from chamberdrift.models.signs import CIRCUMSTANCES, INDEX, NAMES
from chamberdrift.models.tracker import Rows, Tracker, track

SIGN = INDEX["plateau"]


def rows(loggers: str, level: list[float]) -> Rows:
    """Return cycles a third of a day apart, one a letter, whose plateau stands at a level [K]."""
    n = len(loggers)
    signs = np.full((n, len(NAMES)), np.nan)
    signs[:, SIGN] = np.array(level) + np.random.default_rng(4).normal(0.0, 0.02, n)
    return Rows(
        np.arange(n) / 3.0,
        signs,
        np.full((n, len(CIRCUMSTANCES)), np.nan),
        ["gravity-121x20"] * n,
        np.ones(n, dtype=bool),
        list(loggers),
        np.ones(n),
        np.zeros((n, len(NAMES))),
    )


@pytest.mark.parametrize("between", ["", "b" * 5, "b" * 5 + "c" * 4])
def test_a_drift_under_way_outlives_loggers_that_are_swapped_within_days(between: str) -> None:
    """A probe that reads half a kelvin more sits at the unit for some cycles, if at all."""
    loggers = "a" * 60 + between + "d" * 30
    level = [0.0] * 45 + [0.3] * 15 + [0.8] * (len(between) + 30)
    state = Tracker()
    moved = track(state, rows(loggers, level), SHIPPED, [])
    assert state.baseline.shift[SIGN] == pytest.approx(0.5, abs=0.05)
    assert moved.residual[-1, SIGN] == pytest.approx(0.3, abs=0.1)
