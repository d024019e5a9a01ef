"""Cycles that kept their program with room are told as one by one, whatever they hold."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from chamberdrift.models import verdicts as module
from chamberdrift.shared.config import Limits


def anything(n: int, seed: int) -> pd.DataFrame:
    """Return cycles with values about every limit, on it, and missing."""
    rng = np.random.default_rng(seed)

    def one_of(*values: float) -> np.ndarray:
        return rng.choice(np.array(values), n)

    programs = ["gravity-121x20", "prevacuum-134x3.5", "gravity-112x30", "nonsense", ""]
    program = rng.choice(np.array(programs, dtype=object), n, p=[0.5, 0.3, 0.1, 0.05, 0.05])
    warm = np.where(program == "prevacuum-134x3.5", 134.0, 121.0)
    hold = np.where(program == "prevacuum-134x3.5", 210.0, 1200.0)
    return pd.DataFrame(
        {
            "cycle_id": [f"u@{i}" for i in range(n)],
            "unit_id": "u",
            "kind": rng.choice(["sterilization", "leak_test"], n, p=[0.95, 0.05]),
            "completion": rng.choice(["complete", "aborted"], n, p=[0.9, 0.1]),
            "program": program,
            "program_source": rng.choice(np.array(["configuration", "published", ""], object), n),
            "exposure_s": hold + one_of(np.nan, -200.0, -30.0, -5.0, 0.0, 1.0, 5.0, 5.0, 60.0),
            "exposure_min_c": warm + one_of(np.nan, -3.0, -0.5, 0.0, 0.2, 0.7, 0.7, 0.7),
            "exposure_max_c": warm + one_of(np.nan, 1.5, 2.0, 2.5, 3.0, 3.3, 7.0),
            "below_band_s": one_of(0.0, 3.0, 400.0),
            "above_band_s": one_of(0.0, 3.0, 400.0),
            "saturation_deviation_k": one_of(np.nan, 0.1, -0.3, 0.0, 2.0, -2.0, 2.4, 9.0, -9.0),
            "sample_interval_s": one_of(np.nan, 0.0, 1.0, 1.0, 5.0, 60.0, 300.0),
            "exposure_gap_s": one_of(np.nan, 0.0, 0.0, 3.0, 15.0, 25.0, 150.0, 900.0),
            "noise_k": one_of(np.nan, 0.0, 0.05, 1.0, 2.0),
            "plateau_s": one_of(np.nan, 100.0, 1500.0),
            "plateau_c": 119.0,
            "atmosphere_assumed": rng.random(n) < 0.3,
        }
    )


@pytest.mark.parametrize("seed", [1, 2])
def test_arrays_tell_what_one_by_one_tells(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    cycles, limits = anything(6000, seed), Limits()
    fast = module.verdicts(cycles, limits)
    found: list[int] = []

    def none(*arguments: object) -> np.ndarray:
        found.append(int(real(*arguments).sum()))
        return np.zeros(len(cycles), dtype=np.bool_)

    real = module.kept_with_room
    monkeypatch.setattr(module, "kept_with_room", none)
    slow = module.verdicts(cycles, limits)
    pd.testing.assert_frame_equal(fast, slow, check_exact=True)
    assert found[0] > 100  # some were told on arrays
    assert slow["verdict"].nunique() == 3
