"""A unit's own healthy level."""

from __future__ import annotations

import numpy as np
from chamberdrift.models.baseline import Baseline
from chamberdrift.models.reference import SHIPPED
from chamberdrift.models.signs import CIRCUMSTANCES, INDEX, NAMES


def test_level_and_scatter_of_a_habit_are_those_of_most_cycles() -> None:
    """Three of ten dryings left out, two of the first ten holds extended."""
    baseline = Baseline()
    for i in range(30):
        signs = np.full(len(NAMES), np.nan)
        signs[INDEX["closing"]] = 100.0 if i % 10 < 3 else 790.0 + i % 2
        signs[INDEX["hold"]] = 1.0 if i in (3, 7) else 0.02
        signs[INDEX["evacuation"]] = 0.0 if i % 10 < 3 else 1.0
        baseline.add("prevacuum-134x3.5", signs, np.full(len(CIRCUMSTANCES), np.nan))
        if i == 9:
            early = baseline.level("prevacuum-134x3.5", SHIPPED)
            assert early is not None
            assert early.level[INDEX["hold"]] == 0.02
    level = baseline.level("prevacuum-134x3.5", SHIPPED)
    assert level is not None
    assert 790.0 <= level.level[INDEX["closing"]] <= 791.0
    scale = baseline.scale(SHIPPED)
    assert scale[INDEX["closing"]] < SHIPPED.scatter[INDEX["closing"]]
    # Two modes of another sign are its scatter, as ever.
    assert scale[INDEX["evacuation"]] > 0.3
