"""The other methods do what their names say, on series with a known change."""

from __future__ import annotations

import importlib.util

import numpy as np
import pandas as pd
import pytest
from chamberdrift.pipeline.evaluation_dummies import flags_nothing
from comparators import FEATURES, METHODS, flags_of, three_sigma  # type: ignore[import-not-found]

NEEDS = {"change points (ruptures)": "ruptures", "outlier detection (pyod ECOD)": "pyod"}


def series(
    shift_sd: float, *, every: bool = False, seed: int = 5, n: int = 150, at: int = 100
) -> pd.DataFrame:
    """Return cycles of one unit whose duty and heat-up, or every feature, shift at a cycle.

    After the baseline the noise is small, so that no method alarms before the shift
    just because so many features are watched.
    """
    noise = np.random.default_rng(seed).normal(size=(n, len(FEATURES)))
    noise[30:] *= 0.3
    moved = [FEATURES.index("heater_duty"), FEATURES.index("heat_up_s")]
    noise[at:, slice(None) if every else moved] += shift_sd
    started = pd.Timestamp("2025-01-01T08:00Z") + pd.to_timedelta(np.arange(n) * 8, unit="h")
    frame = pd.DataFrame(noise, columns=list(FEATURES))
    return frame.assign(
        unit_id="a",
        program="gravity-121x30",
        started_at=started.astype("datetime64[ms, UTC]"),
        cycle_id=[f"a@{k}" for k in range(n)],
    )


@pytest.mark.parametrize("name", sorted(METHODS))
def test_a_large_shift_of_all_features_is_flagged_after_it_began(name: str) -> None:
    if importlib.util.find_spec(NEEDS.get(name, "numpy")) is None:
        pytest.skip(f"{NEEDS[name]} is not installed")
    cycles = series(8.0, every=True)
    flags = flags_of(cycles, METHODS[name])
    assert len(flags) == 1
    assert flags["first_seen"].iloc[0] >= cycles["started_at"].iloc[100]


def test_the_forest_is_blind_to_a_shift_of_two_features_of_many() -> None:
    # Why it is one vote only, and never the judge.
    name = "isolation forest (scikit-learn)"
    assert flags_of(series(8.0), METHODS[name]).empty
    assert not flags_of(series(8.0), three_sigma).empty


def test_three_sigma_names_the_part_of_the_feature_that_moved() -> None:
    flags = flags_of(series(8.0), three_sigma)
    assert set(flags["part"]) == {"heater"}
    assert set(flags["severity"]) == {"service"}


def test_three_sigma_needs_three_alarms_on_two_days() -> None:
    cycles = series(0.0)
    duty = cycles["heater_duty"].to_numpy(copy=True)
    calm = flags_of(cycles, three_sigma)
    assert calm.empty
    duty[110:112] = 50.0
    assert flags_of(cycles.assign(heater_duty=duty), three_sigma).empty
    duty[112:114] = 50.0
    assert len(flags_of(cycles.assign(heater_duty=duty), three_sigma)) == 1


def test_short_histories_raise_nothing() -> None:
    assert flags_of(series(8.0, n=45, at=35), three_sigma).empty
    assert flags_nothing(series(8.0)).empty
