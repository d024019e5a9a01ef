"""Change points against a series with a known one, and against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.change import change_point


def test_the_nile_changes_after_1898() -> None:
    # Public-domain series carried by statsmodels; the level drops after 1898 (index 28),
    # Cobb, Biometrika 1978 (from memory).
    data = pytest.importorskip("statsmodels.datasets").nile.load_pandas().data
    found = change_point(data["year"], data["volume"], kinds=("step",))
    assert found is not None
    assert int(data["year"].iloc[found.index - 1]) == 1898
    assert found.low <= 28 <= found.high
    assert found.high - found.low <= 8


def test_steps_of_a_generator_are_found_where_it_put_them() -> None:
    ruptures = pytest.importorskip("ruptures")
    hits = 0
    for seed in range(20):
        signal, breaks = ruptures.pw_constant(80, 1, 1, noise_std=0.5, delta=(3, 5), seed=seed)
        found = change_point(np.arange(80), signal[:, 0])
        hits += found is not None and abs(found.index - breaks[0]) <= 1
    assert hits >= 18


def test_the_interval_holds_the_true_bend_about_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    held = 0
    runs = 200
    for _ in range(runs):
        true = int(rng.integers(15, 45))
        t = np.arange(60.0)
        y = 0.1 * np.maximum(t - true, 0.0) + rng.normal(0, 0.4, 60)
        found = change_point(t, y, kinds=("bend",))
        held += found is not None and found.low <= true + 1 <= found.high + 1
    assert 0.65 <= held / runs <= 0.95  # nominal 0.8


def test_a_bend_is_called_a_bend_and_a_step_a_step() -> None:
    rng = np.random.default_rng(3)
    t = np.arange(50.0)
    step = change_point(t, np.where(t >= 30, 1.0, 0.0) + rng.normal(0, 0.1, 50))
    bend = change_point(t, 0.1 * np.maximum(t - 20, 0) + rng.normal(0, 0.1, 50))
    assert step is not None
    assert bend is not None
    assert (step.kind, bend.kind) == ("step", "bend")


def test_missing_days_are_left_out_and_short_series_give_none() -> None:
    assert change_point(np.arange(5.0), np.ones(5)) is None
    y = np.where(np.arange(40) >= 20, 1.0, 0.0)
    y[5] = np.nan
    found = change_point(np.arange(40.0), y)
    assert found is not None
    assert found.index == 19
