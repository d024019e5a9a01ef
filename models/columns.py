"""Columns of the cycles table as plain arrays; a column that is lacking holds nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def numbers(cycles: pd.DataFrame, column: str) -> FloatArray:
    """Return a column of numbers, NaN where null, shape (cycles,)."""
    if column not in cycles.columns:
        return np.full(len(cycles), np.nan)
    return cycles[column].to_numpy(dtype=np.float64, na_value=np.nan)


def texts(cycles: pd.DataFrame, column: str) -> NDArray[np.object_]:
    """Return a column of texts, empty where null, shape (cycles,)."""
    if column not in cycles.columns:
        return np.full(len(cycles), "", dtype=object)
    return np.asarray(cycles[column].fillna("").to_numpy(dtype=object), dtype=object)


def flags(cycles: pd.DataFrame, column: str) -> NDArray[np.bool_]:
    """Return a column of truths, false where null, shape (cycles,)."""
    if column not in cycles.columns:
        return np.zeros(len(cycles), dtype=np.bool_)
    return np.asarray(cycles[column].fillna(False).to_numpy(dtype=np.bool_))
