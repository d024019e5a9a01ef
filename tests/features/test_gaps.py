"""Samples lost around an exposure: what is not seen is said, not judged."""

from __future__ import annotations

from types import ModuleType

import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.shared.config import Unit

UNIT = Unit("u1", air_removal="gravity", programs=("gravity-121x20",))


@pytest.mark.parametrize("lost_s", [(2400, 2700), (3000, 3500)])
def test_a_gap_at_the_exposures_end_is_a_gap_and_no_operator(
    traces: ModuleType, lost_s: tuple[int, int]
) -> None:
    trace = traces.gravity(hold_s=1210).trace(interval_s=5.0, noise_k=0.03)
    whole = extract(trace, UNIT).cycles.iloc[0]
    second = (trace["time"] - trace["time"].iloc[0]).dt.total_seconds()
    start = (whole["exposure_start"] - trace["time"].iloc[0]).total_seconds()
    first, last = (start + s - 2400 for s in lost_s)
    kept = trace[(second < first - 5.0) | (second > last)].reset_index(drop=True)
    cycle = extract(kept, UNIT).cycles.iloc[0]
    assert cycle["completion"] == "complete"
    assert cycle["exposure_gap_s"] >= lost_s[1] - lost_s[0]
    assert pd.notna(cycle["exposure_s"])
