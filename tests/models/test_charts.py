"""CUSUM and EWMA against published tables and worked examples."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.charts import cusum, cusum_arl, cusum_onset, ewma, ewma_arl, ewma_limit

# Montgomery and Runger, Applied Statistics and Probability for Engineers, table 16-9:
# average run length of the two-sided CUSUM with k = 0.5, by shift, for h = 4 and h = 5.
CUSUM_TABLE = [
    (0.0, 168, 465),
    (0.25, 74.2, 139),
    (0.5, 26.6, 38.0),
    (0.75, 13.3, 17.0),
    (1.0, 8.38, 10.4),
    (1.5, 4.75, 5.75),
    (2.0, 3.34, 4.01),
    (2.5, 2.62, 3.11),
    (3.0, 2.19, 2.57),
    (4.0, 1.71, 2.01),
]


@pytest.mark.parametrize(("shift", "at_4", "at_5"), CUSUM_TABLE)
def test_cusum_run_lengths_match_the_published_table(
    shift: float, at_4: float, at_5: float
) -> None:
    assert cusum_arl(4.0, k=0.5, shift=shift) == pytest.approx(at_4, rel=5e-3)
    assert cusum_arl(5.0, k=0.5, shift=shift) == pytest.approx(at_5, rel=5e-3)


def test_one_sided_cusum_run_length_agrees_with_siegmunds_formula() -> None:
    # Siegmund 1985 (from memory): (e^b' + ...) gives 938.2 one-sided at h = 5, k = 0.5.
    assert cusum_arl(5.0, k=0.5, two_sided=False) == pytest.approx(938.2, rel=0.01)


# Lucas and Saccucci 1990 as tabulated by Montgomery: pairs of weight and width (from memory)
# whose healthy run length is about 500; out-of-control values for a shift of one sigma.
EWMA_TABLE = [
    (0.40, 3.054, 14.3),
    (0.25, 2.998, 11.1),
    (0.20, 2.962, 10.5),
    (0.10, 2.814, 10.3),
    (0.05, 2.615, 11.4),
]


@pytest.mark.parametrize(("weight", "width", "at_one"), EWMA_TABLE)
def test_ewma_run_lengths_match_the_published_table(
    weight: float, width: float, at_one: float
) -> None:
    assert ewma_arl(width, weight=weight) == pytest.approx(500.0, rel=3e-3)
    assert ewma_arl(width, weight=weight, shift=1.0) == pytest.approx(at_one, rel=1e-2)


def test_cusum_matches_montgomery_and_runger_example_16_6() -> None:
    x = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1]
    x += [101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0]
    high = [2, 0, 0, 0, 2, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
    low = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]
    np.testing.assert_allclose(cusum(x, target=99.0, k=1.0), high, atol=1e-9)
    np.testing.assert_allclose(cusum(-np.array(x), target=-99.0, k=1.0), low, atol=1e-9)


def test_cusum_head_start_matches_lucas_and_crosier_1982() -> None:
    x = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6]  # their table 5, h = 5, k = 0.5
    np.testing.assert_allclose(
        cusum(x, target=0.0, k=0.5), [0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], atol=1e-9
    )
    np.testing.assert_allclose(
        cusum(x, target=0.0, k=0.5, start=2.5), [2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5], atol=1e-9
    )


# Montgomery, Introduction to Statistical Quality Control, table 9.1 (data from memory).
TABLE_9_1 = [9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47]
TABLE_9_1 += [10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50]
TABLE_9_1 += [10.60, 11.08, 10.38, 11.62, 11.31, 10.52]


def test_cusum_signals_and_dates_the_onset_of_table_9_1() -> None:
    sums = cusum(TABLE_9_1, target=10.0, k=0.5)
    assert int(np.flatnonzero(sums > 5.0)[0]) + 1 == 29
    assert sums[28] == pytest.approx(5.28, abs=1e-9)
    assert cusum_onset(sums[:29]) == 22  # the last 22 samples before it were healthy


def test_ewma_signals_where_table_9_1_is_known_to() -> None:
    level = ewma(TABLE_9_1, weight=0.1, start=10.0)
    limit = 10.0 + ewma_limit(np.arange(1, 31), weight=0.1, width=2.7, sd=1.0)
    assert level[0] == pytest.approx(9.945)
    assert limit[0] == pytest.approx(10.27)
    assert int(np.flatnonzero(level > limit)[0]) + 1 == 29
    assert level[28] == pytest.approx(10.64682, abs=1e-5)


def test_ewma_matches_the_nist_handbook_section_6_3_2_4() -> None:
    # NIST/SEMATECH e-Handbook (data from memory): weight 0.3, EWMA0 = 50, s = 2.0539.
    x = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    x += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    want = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    want += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    np.testing.assert_allclose(ewma(x, weight=0.3, start=50.0), want, atol=6e-3)
    far = float(ewma_limit(1e6, weight=0.3, width=3.0, sd=2.0539))
    assert 50.0 + far == pytest.approx(52.5884, abs=1e-4)


def test_missing_values_leave_charts_as_they_are() -> None:
    assert cusum([1.0, np.nan, 1.0], target=0.0, k=0.5).tolist() == [0.5, 0.5, 1.0]
    assert ewma([2.0, np.nan], weight=0.5, start=0.0).tolist() == [1.0, 1.0]
