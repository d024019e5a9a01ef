"""Theil-Sen and Mann-Kendall against published examples and a reference library."""

from __future__ import annotations

import math

import numpy as np
import pytest
from chamberdrift.models.trend import kendall_variance, mann_kendall, theil_sen

# EPA QA/G-9S, page 109: ties of four and two; S = 22, variance 155.33, Z = 1.685.
EPA = [10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15]
# Wisconsin Administrative Code, table A: S = -5.
WISCONSIN = [100, 50, 85, 75, 50]


def test_mann_kendall_matches_the_epa_example() -> None:
    found = mann_kendall(EPA)
    assert found.s == 22
    assert found.variance == pytest.approx(155.33, abs=5e-3)
    assert found.z == pytest.approx(1.685, abs=5e-4)
    assert found.p_two_sided / 2 == pytest.approx(0.0460, abs=5e-4)


def test_mann_kendall_matches_the_wisconsin_example() -> None:
    assert mann_kendall(WISCONSIN).s == -5


def test_theil_sen_matches_the_epa_example() -> None:
    line = theil_sen(np.arange(11), EPA, quantile_z=1.959964)
    assert line.slope == pytest.approx(1.0)
    assert line.intercept == pytest.approx(10.0)
    assert (line.low, line.high) == (pytest.approx(0.0), pytest.approx(2.0))


def test_trends_of_the_nile_match_the_reference_library() -> None:
    # pymannkendall 1.4.3 on the public-domain Nile series of statsmodels: S = -1387,
    # variance 112728.333, Sen slope -2.6; scipy 1.17: 95 % interval -3.627907..-1.428571.
    nile = pytest.importorskip("statsmodels.datasets").nile.load_pandas().data["volume"]
    found = mann_kendall(nile)
    assert (found.s, found.variance) == (-1387, pytest.approx(112728.333, abs=1e-2))
    line = theil_sen(np.arange(100), nile, quantile_z=1.959964)
    assert line.slope == pytest.approx(-2.6)
    assert line.low == pytest.approx(-3.627907, abs=1e-6)
    assert line.high == pytest.approx(-1.428571, abs=1e-6)


@pytest.mark.parametrize("n", [6, 12, 40])
def test_theil_sen_agrees_with_scipy_on_noisy_lines(n: int) -> None:
    stats = pytest.importorskip("scipy.stats")
    rng = np.random.default_rng(5)
    t = np.sort(rng.uniform(0, 60, n))
    y = 0.3 * t + rng.standard_t(3, n)
    theirs = stats.theilslopes(y, t, alpha=0.8)
    ours = theil_sen(t, y)
    assert ours.slope == pytest.approx(theirs.slope)
    assert ours.low == pytest.approx(theirs.low_slope)
    assert ours.high == pytest.approx(theirs.high_slope)


def test_one_wild_day_does_not_turn_the_slope() -> None:
    t = np.arange(20.0)
    y = 0.1 * t
    y[10] = 500.0
    assert theil_sen(t, y).slope == pytest.approx(0.1, abs=1e-6)


def test_too_little_data_gives_nan() -> None:
    assert math.isnan(theil_sen([1.0], [2.0]).slope)
    assert math.isnan(theil_sen([1.0, 1.0], [2.0, 3.0]).slope)
    assert mann_kendall([3.0, 3.0, 3.0]).z == 0.0
    assert kendall_variance([1.0, 1.0]) == 0.0
