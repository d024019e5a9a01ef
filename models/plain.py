"""States as JSON: plain lists and numbers, null for what is not known."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


_BARE: Final = {float, int, bool, type(None)}
"""What JSON holds as it is; most lists hold nothing else, and many numbers."""


def plain(value: Any) -> Any:
    """Turn arrays and numpy numbers into what strict JSON holds; NaN becomes null."""
    if isinstance(value, np.ndarray):
        if value.dtype.kind != "f" or bool(np.isfinite(value).all()):
            return value.tolist()
        bare = value.astype(object)
        bare[~np.isfinite(value)] = None
        return bare.tolist()
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        if set(map(type, value)) <= _BARE:
            finite = math.isfinite
            return [v if v is None or finite(v) else None for v in value]
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def array(value: Any) -> FloatArray:
    """Read an array back; null becomes NaN."""
    return np.array(value, dtype=np.float64)


def number(value: float | None) -> float:
    """Read a number back; null becomes NaN."""
    return math.nan if value is None else float(value)
