"""Bins, gaps, thinning and label spacing, by hand and by property."""

from __future__ import annotations

import math

import numpy as np
import pytest
from chamberdrift.reports.density import (
    bin_series,
    broken,
    broken_at,
    gap_limit,
    gaps,
    spread_labels,
    thin,
)
from hypothesis import given, settings
from hypothesis import strategies as st

VALUES = st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=300)


def test_bins_by_hand() -> None:
    x = np.array([0.0, 1.0, 2.0, 3.0, 10.0])
    y = np.array([1.0, 5.0, 3.0, np.nan, 7.0])
    bins = bin_series(x, y, 2)
    assert bins.x.tolist() == [1.0, 10.0]
    assert bins.middle.tolist() == [3.0, 7.0]
    assert bins.low.tolist() == pytest.approx([1.4, 7.0])
    assert bins.high.tolist() == pytest.approx([4.6, 7.0])


@given(VALUES, st.integers(1, 40))
@settings(max_examples=60, deadline=None)
def test_bins_agree_with_numpy(values: list[float], count: int) -> None:
    y = np.array(values)
    x = np.arange(len(y), dtype=float)
    bins = bin_series(x, y, count)
    whole = bin_series(np.zeros(len(y)), y, 1)
    assert whole.middle[0] == pytest.approx(np.median(y))
    assert whole.low[0] == pytest.approx(np.quantile(y, 0.1))
    assert whole.high[0] == pytest.approx(np.quantile(y, 0.9))
    assert len(bins.x) <= count
    assert (np.diff(bins.x) > 0).all()
    assert (bins.low <= bins.middle + 1e-9).all()
    assert (bins.middle <= bins.high + 1e-9).all()


def test_nothing_to_bin() -> None:
    assert len(bin_series(np.array([1.0]), np.array([np.nan]), 5).x) == 0


def test_gaps_and_breaks() -> None:
    x = np.array([0.0, 1.0, 2.0, 12.0, 13.0])
    y = x * 2.0
    limit = gap_limit(x)
    assert limit == 4.0
    assert gaps(x, limit) == [(2.0, 12.0)]
    bx, by = broken(x, y, limit)
    assert np.isnan(bx[3])
    assert np.isnan(by[3])
    assert len(bx) == 6
    cx, _ = broken_at(np.array([1.0, 12.5]), np.array([2.0, 25.0]), [(2.0, 12.0)])
    assert np.isnan(cx).tolist() == [False, True, False]
    same, _ = broken_at(x, y, [])
    assert same.tolist() == x.tolist()


@given(st.integers(10, 5000), st.integers(20, 400), st.integers(0, 2**31))
@settings(max_examples=40, deadline=None)
def test_thinning_keeps_extremes_order_and_ends(count: int, most: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x, y = np.arange(count, dtype=float), rng.normal(size=count)
    tx, ty = thin(x, y, most)
    assert len(tx) <= max(most + 4, count if count <= most else 0)
    assert (np.diff(tx) > 0).all()
    assert ty.max() == y.max()
    assert ty.min() == y.min()
    assert tx[0] == 0.0
    assert np.array_equal(ty, y[tx.astype(int)])


def test_thinning_keeps_breaks() -> None:
    y = np.ones(5000)
    y[2500] = np.nan
    _, ty = thin(np.arange(5000.0), y, 200)
    assert np.isnan(ty).any()


@given(
    st.lists(st.floats(0.0, 100.0), min_size=1, max_size=12),
    st.floats(1.0, 20.0),
)
@settings(max_examples=100, deadline=None)
def test_labels_never_touch(wanted: list[float], step: float) -> None:
    places = spread_labels(np.array(wanted), step, 0.0, 100.0)
    even = min(step, 100.0 / (len(wanted) - 1)) if len(wanted) > 1 else step
    ordered = np.sort(places)
    assert (np.diff(ordered) >= even - 1e-6).all()
    assert ordered[0] >= -1e-6
    assert ordered[-1] <= 100.0 + 1e-6
    assert np.array_equal(np.argsort(places, kind="stable"), np.argsort(wanted, kind="stable"))


def test_labels_with_room_stay_where_they_want() -> None:
    assert spread_labels(np.array([10.0, 50.0]), 8.0, 0.0, 100.0).tolist() == [10.0, 50.0]
    assert not math.isnan(gap_limit(np.array([1.0])))
