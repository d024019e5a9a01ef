"""States are kept to the bit."""

from __future__ import annotations

import json

import numpy as np
import pytest
from chamberdrift.models.plain import array, lists, pack, pack_thousandths, plain
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

SHAPES = array_shapes(min_dims=1, max_dims=3, min_side=0, max_side=9)


@given(arrays(np.float64, SHAPES))
def test_arrays_come_back_to_the_bit(values: np.ndarray) -> None:
    again = array(json.loads(json.dumps(plain({"x": values}), allow_nan=False))["x"])
    assert again.shape == values.shape
    assert np.array_equal(again, values, equal_nan=True)
    assert np.array_equal(
        np.signbit(again), np.signbit(np.where(values != values, np.nan, values))
    )


@given(arrays(np.float64, SHAPES, elements=st.floats(width=32)))
def test_short_numbers_come_back_as_well(values: np.ndarray) -> None:
    assert np.array_equal(array(pack(values)), values, equal_nan=True)


def test_what_is_not_known_takes_no_room_and_short_numbers_half() -> None:
    rng = np.random.default_rng(1)
    full = rng.standard_normal((120, 27))
    half = np.where(np.arange(27) % 2, full, np.nan)
    assert len(pack(half)) < 0.6 * len(pack(full))
    assert len(pack(full.astype(np.float32))) < 0.55 * len(pack(full))
    assert len(pack(full)) < 0.6 * len(json.dumps(full.tolist()))


def test_rows_of_the_forests_come_back() -> None:
    rng = np.random.default_rng(2)
    rows = np.clip(4.0 * rng.standard_normal((50, 27)), -10.0, 10.0).round(3)
    rows[rng.random(rows.shape) < 0.2] = np.nan
    assert np.array_equal(array(pack_thousandths(rows)), rows, equal_nan=True)


@pytest.mark.parametrize("kept", [[], [[1.0, 2.5], [3.0, float("nan")]]])
def test_lists_come_back_as_lists(kept: list[list[float]]) -> None:
    again = lists(plain(np.array(kept, dtype=np.float64)))
    assert np.array_equal(np.array(again), np.array(kept), equal_nan=True)
    assert isinstance(again, list)
