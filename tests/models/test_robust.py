"""Robust location, scale and regression."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.robust import (
    mad_sd,
    nanmedian,
    ridge_huber,
    trimmed_mean,
    winsorised_sd,
)


def test_mad_is_a_standard_deviation_for_normal_data() -> None:
    x = np.random.default_rng(1).normal(3.0, 2.0, 200_000)
    assert float(mad_sd(x)) == pytest.approx(2.0, rel=0.01)
    assert float(winsorised_sd(x[:, None])[0]) == pytest.approx(2.0, rel=0.01)


def test_medians_agree_with_numpy_and_pass_over_missing_values() -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(size=(7, 9, 5))
    x[rng.random(x.shape) < 0.2] = np.nan
    for axis in (0, 1, 2):
        np.testing.assert_allclose(nanmedian(x, axis=axis), np.nanmedian(x, axis=axis))
    for shape in ((6, 5), (7, 5), (40,), (41,), (2,), (1,)):
        x = np.round(rng.normal(size=shape), 2)
        x[rng.random(shape) < 0.1] = np.nan
        x.flat[0] = 0.5  # something is left
        assert nanmedian(x) == np.nanmedian(x)
        if len(shape) == 2:
            x[0] = 0.25
            assert np.array_equal(nanmedian(x, axis=0), np.nanmedian(x, axis=0))
    assert np.isnan(float(nanmedian([np.nan])))
    assert np.isnan(nanmedian(np.empty((0, 3)), axis=0)).all()


def test_a_feature_with_two_modes_is_seen_as_wide() -> None:
    x = np.tile([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0], 3)[:, None]
    assert float(mad_sd(x)) == 0.0
    assert float(winsorised_sd(x)[0]) > 0.5
    assert 1.3 < float(trimmed_mean(x)[0]) < 1.45


def test_regression_matches_least_squares_on_clean_data() -> None:
    # Without outliers Huber's estimate is least squares; numpy is the reference.
    rng = np.random.default_rng(4)
    design = rng.normal(size=(400, 3))
    y = design @ np.array([1.0, -2.0, 0.5]) + rng.uniform(-0.01, 0.01, 400)
    b, se = ridge_huber(design, y, np.zeros(3), np.full(3, 1e3), scale=1.0)
    want = np.linalg.lstsq(design, y, rcond=None)[0]
    np.testing.assert_allclose(b, want, atol=1e-6)
    assert (se > 0).all()


def test_outliers_do_not_turn_the_regression() -> None:
    rng = np.random.default_rng(6)
    design = rng.normal(size=(300, 2))
    y = design @ np.array([0.5, -0.1]) + rng.normal(0, 0.05, 300)
    y[:30] += 5.0
    b, _ = ridge_huber(design, y, np.zeros(2), np.ones(2))
    np.testing.assert_allclose(b, [0.5, -0.1], atol=0.03)


def test_what_the_data_do_not_tell_keeps_its_prior_and_its_error() -> None:
    design = np.column_stack([np.ones(50), np.zeros(50)])
    b, se = ridge_huber(design, np.full(50, 2.0), np.array([0.0, -0.1]), np.array([10.0, 0.03]))
    assert b[1] == pytest.approx(-0.1)
    assert se[1] == pytest.approx(0.03)
    b, se = ridge_huber(np.empty((0, 1)), np.empty(0), np.array([0.7]), np.array([0.2]))
    assert (b[0], se[0]) == (pytest.approx(0.7), pytest.approx(0.2))
