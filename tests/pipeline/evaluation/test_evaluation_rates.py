"""Bounds and chance windows against published tables, a reference library and hand counts."""

from __future__ import annotations

import pytest
from chamberdrift.pipeline.evaluation_rates import (
    chance_of_a_flag,
    merged,
    poisson_cdf,
    poisson_upper,
    rate,
    total,
)
from scipy import stats  # type: ignore[import-untyped]


@pytest.mark.parametrize(
    ("count", "upper"),
    # Exact one-sided 95 % limits, that is the upper ends of two-sided 90 % limits: Garwood
    # (1936), Biometrika 28, 437-442, as widely tabulated (from memory).
    [(0, 2.9957), (1, 4.7439), (2, 6.2958), (3, 7.7537), (5, 10.5130), (10, 16.9622)],
)
def test_upper_bound_agrees_with_the_published_table(count: int, upper: float) -> None:
    assert poisson_upper(count) == pytest.approx(upper, abs=6e-5)


@pytest.mark.parametrize("count", [0, 1, 4, 17, 100, 2500])
@pytest.mark.parametrize("confidence", [0.5, 0.9, 0.95, 0.999])
def test_upper_bound_is_half_the_chi_squared_quantile(count: int, confidence: float) -> None:
    reference = stats.chi2.ppf(confidence, 2 * (count + 1)) / 2  # scipy, test only
    assert poisson_upper(count, confidence) == pytest.approx(reference, rel=1e-9)


@pytest.mark.parametrize(("count", "mean"), [(0, 0.3), (3, 3.0), (20, 11.5), (400, 390.0)])
def test_cdf_agrees_with_the_reference_library(count: int, mean: float) -> None:
    assert poisson_cdf(count, mean) == pytest.approx(stats.poisson.cdf(count, mean), rel=1e-10)


def test_the_bound_refuses_nonsense() -> None:
    with pytest.raises(ValueError, match="-1"):
        poisson_upper(-1)
    with pytest.raises(ValueError, match=r"1\.0"):
        poisson_upper(1, 1.0)


def test_no_flags_in_12_unit_years_bound_the_rate_at_a_quarter() -> None:
    seen = rate("x", "service", units=12, unit_days=12 * 365.25, flags=0)
    assert seen.per_unit_year == 0.0
    assert seen.upper == pytest.approx(2.9957 / 12, abs=1e-4)


def test_without_unit_years_no_rate_is_given() -> None:
    seen = rate("x", "service", units=0, unit_days=0.0, flags=0)
    assert seen.per_unit_year is None
    assert seen.upper is None


def test_spans_merge_and_add_up() -> None:
    spans = merged([(5.0, 7.0), (0.0, 2.0), (1.0, 3.0), (9.0, 9.0), (3.0, 4.0)])
    assert spans == [(0.0, 4.0), (5.0, 7.0)]
    assert total(spans) == 6.0


def test_chance_windows_by_hand() -> None:
    # Window of 10 in a span of 100 can start at 0..90; a flag at 50 is inside for starts
    # 40..50: 10 of 90. A flag at 3 is inside for starts 0..3. The second unit has none.
    spans = {"a": (0.0, 100.0), "b": (0.0, 100.0)}
    assert chance_of_a_flag(10.0, spans, {"a": [50.0]}) == pytest.approx(10 / 180)
    assert chance_of_a_flag(10.0, spans, {"a": [3.0, 50.0]}) == pytest.approx(13 / 180)
    assert chance_of_a_flag(10.0, spans, {"a": [50.0, 55.0]}) == pytest.approx(15 / 180)
    assert chance_of_a_flag(100.0, spans, {"a": [50.0]}) is None


def test_chance_windows_agree_with_drawing_many() -> None:
    spans = {"a": (0.0, 60.0), "b": (10.0, 45.0)}
    flags = {"a": [7.0, 31.0, 33.0], "b": [12.0]}
    length, step = 8.0, 0.01
    hits = tries = 0
    for unit, (start, end) in spans.items():
        at = start
        while at + length <= end:
            tries += 1
            hits += any(at <= t <= at + length for t in flags[unit])
            at += step
    expected = hits / tries
    assert chance_of_a_flag(length, spans, flags) == pytest.approx(expected, abs=2e-3)
