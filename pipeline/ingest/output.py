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
_FIELDS: Final = tuple(TRACE_SCHEMA)


@lru_cache(maxsize=64)
def constant(text: str, n: int) -> Any:
    """Return a text column that says the same in each of ``n`` rows."""
    size = len(text.encode("utf-8"))
    offsets = pa.py_buffer(
        np.arange(0, (n + 1) * size, size, dtype=np.int32) if size else np.zeros(n + 1, np.int32)
    )
    return pa.Array.from_buffers(
        pa.string(), n, [None, offsets, pa.py_buffer(text.encode("utf-8") * n)]
    )


@lru_cache(maxsize=64, typed=True)
def _same(value: float | bool, n: int) -> Any:
    """Return a column that holds one number, or one answer, in each of ``n`` rows."""
    return pa.array(np.full(n, value))


def _numbers(values: NDArray[np.float64]) -> Any:
    """Return a column of numbers, NaN as null."""
    if np.isnan(values).any():
        return pa.array(values, from_pandas=True)
    return _as_is(values, pa.float64())


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
    for column in _FIELDS:
        if column.name == "unit_id":
            columns.append(constant(unit_id, n))
        elif column.name == "logger_id":
            columns.append(constant(logger_id, n))
        elif column.name == "time":
            columns.append(_as_is(time_ms, column.type))
        elif column.name == "source":
            columns.append(constant(source, n))
        elif column.name == "atmosphere_kpa":
            if atmosphere_kpa is None:
                columns.append(_absent(n, pa.float64()))
            elif isinstance(atmosphere_kpa, np.ndarray):
                columns.append(_numbers(atmosphere_kpa))
            else:
                columns.append(
                    _same(float(atmosphere_kpa), n)
                    if math.isfinite(atmosphere_kpa)
                    else _absent(n, pa.float64())
                )
        elif column.name == "atmosphere_assumed":
            columns.append(_same(assumed, n))
        elif column.name in values:
            columns.append(_numbers(values[column.name]))
        else:
            columns.append(_absent(n, column.type))
    return pa.Table.from_arrays(columns, schema=TRACE_SCHEMA)
