"""Samples as Arrow tables in the columns of the traces table."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ...shared.schema import TRACES

TRACE_SCHEMA: Final[Any] = pa.schema([pa.field(f.name, f.type) for f in TRACES.arrow_schema()])
_FIELDS: Final = tuple((field.name, field.type) for field in TRACE_SCHEMA)
_TEXT: Final = pa.string()
_NUMBER: Final = pa.float64()


@lru_cache(maxsize=64)
def constant(text: str, n: int) -> Any:
    """Return a text column that says the same in each of ``n`` rows."""
    data = text.encode("utf-8")
    return pa.Array.from_buffers(
        _TEXT, n, [None, pa.py_buffer(_offsets(len(data), n)), pa.py_buffer(data * n)]
    )


_starts: dict[int, NDArray[np.int32]] = {}
KEPT_ROWS: Final = 20_000
"""Most rows for which where texts of one length start is kept."""


def _offsets(size: int, n: int) -> NDArray[np.int32]:
    """Return where each of ``n`` texts of one length [B] starts, and where the last ends."""
    if n > KEPT_ROWS or size > 64:
        return np.arange(n + 1, dtype=np.int32) * np.int32(size)
    if size not in _starts:
        _starts[size] = np.arange(KEPT_ROWS + 1, dtype=np.int32) * np.int32(size)
    return _starts[size][: n + 1]


@lru_cache(maxsize=64, typed=True)
def _same(value: float | bool, n: int) -> Any:
    """Return a column that holds one number, or one answer, in each of ``n`` rows."""
    return pa.array(np.full(n, value))


def _numbers(values: NDArray[np.float64]) -> Any:
    """Return a column of numbers, NaN as null."""
    if math.isnan(np.add.reduce(values)):  # a sum is quicker than a mask
        return pa.array(values, from_pandas=True)
    return _as_is(values, _NUMBER)


def _as_is(values: NDArray[Any], kind: Any) -> Any:
    """Return a column over an array's own bytes: quicker than to have Arrow look at it."""
    return pa.Array.from_buffers(
        kind, len(values), [None, pa.py_buffer(np.ascontiguousarray(values))], 0
    )


@lru_cache(maxsize=64)
def _absent(n: int, kind: Any) -> Any:
    return pa.nulls(n, kind)


def trace_table(
    unit_id: str,
    logger_id: str,
    time_ms: NDArray[np.int64],
    values: dict[str, NDArray[np.float64]],
    atmosphere_kpa: NDArray[np.float64] | float | None,
    assumed: bool,
    source: str,
) -> Any:
    """Build one table of one unit's samples, in the order given.

    Parameters
    ----------
    time_ms
        UTC [ms since 1970], shape (n,).
    values
        Channels by their schema name, shape (n,), NaN where there is none.
    atmosphere_kpa
        What was added to gauge readings, one for all or by sample (n,); None where absolute.
    assumed
        Whether that atmosphere is assumed.
    source
        The mark of the export.
    """
    n = len(time_ms)
    columns: list[Any] = []
    for name, kind in _FIELDS:
        if name == "unit_id":
            columns.append(constant(unit_id, n))
        elif name == "logger_id":
            columns.append(constant(logger_id, n))
        elif name == "time":
            columns.append(_as_is(time_ms, kind))
        elif name == "source":
            columns.append(constant(source, n))
        elif name == "atmosphere_kpa":
            if atmosphere_kpa is None:
                columns.append(_absent(n, _NUMBER))
            elif isinstance(atmosphere_kpa, np.ndarray):
                columns.append(_numbers(atmosphere_kpa))
            else:
                columns.append(
                    _same(float(atmosphere_kpa), n)
                    if math.isfinite(atmosphere_kpa)
                    else _absent(n, _NUMBER)
                )
        elif name == "atmosphere_assumed":
            columns.append(_same(assumed, n))
        elif name in values:
            columns.append(_numbers(values[name]))
        else:
            columns.append(_absent(n, kind))
    return pa.Table.from_arrays(columns, schema=TRACE_SCHEMA)
