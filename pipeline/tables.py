"""Tables as people and other programs read them: CSV, JSON, Parquet, and their dictionary."""

from __future__ import annotations

import io
import json
import re
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from ..shared.schema import CYCLES, FLAGS, INTAKE, JUDGEMENTS, SERVICE, UNITS, Table
from ..shared.schema_types import Column

CYCLES_JUDGED: Final = Table(
    "cycles",
    (
        *CYCLES.columns,
        *(
            # A cycle later than the last run's moment is there and not judged yet.
            replace(c, required=False, validity=c.validity or "null until it is judged")
            for c in JUDGEMENTS.columns
            if c.name not in ("cycle_id", "unit_id")
        ),
    ),
    key=CYCLES.key,
)
"""What ``table cycles`` shows: cycles joined with their judgements."""

SHOWN: Final = {
    "cycles": CYCLES_JUDGED,
    "flags": FLAGS,
    "intake": INTAKE,
    "units": UNITS,
    "service": SERVICE,
}

TIME_OF: Final = {
    "cycles": "started_at",
    "flags": "first_seen",
    "intake": "recorded_at",
    "units": "last_data",
    "service": "time",
}
"""The column that ``--since`` looks at."""

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""First characters that make a spreadsheet take a cell for a formula (OWASP, CSV injection)."""


def select(
    frame: pd.DataFrame, name: str, *, units: Sequence[str] = (), since: datetime | None = None
) -> pd.DataFrame:
    """Return the rows of some units and from a moment on."""
    if units:
        of = exports_of(units, frame) if name == "intake" else frame["unit_id"].isin(list(units))
        frame = frame[of]
    if since is not None:
        frame = frame[frame[TIME_OF[name]] >= pd.Timestamp(since)]
    return frame.reset_index(drop=True)


def exports_of(units: Sequence[str], intake: pd.DataFrame) -> pd.Series:
    """Return which exports hold samples of some units; one set aside counts by its name."""
    wanted = set(units)
    ids = intake["unit_ids"].fillna("").astype(str).str.split(",")
    own = ids.map(lambda row: bool(wanted & {i.strip() for i in row})).astype(bool)
    words = "|".join(re.escape(u) for u in sorted(wanted, key=len, reverse=True))
    name = rf"(?<![^\W_])(?:{words})(?![^\W_])"
    named = intake["export"].astype(str).str.contains(name, case=False, regex=True)
    return own | ((intake["outcome"] == "quarantined") & named).fillna(False).astype(bool)


def to_csv(frame: pd.DataFrame) -> str:
    """Write a table as CSV whose text can't begin a formula in a spreadsheet."""
    shown = pd.DataFrame({c: _csv_column(frame[c]) for c in frame.columns}, columns=frame.columns)
    return shown.to_csv(index=False, lineterminator="\n")


def to_json(frame: pd.DataFrame) -> str:
    """Write a table as a JSON list of objects: times in ISO 8601, missing values null."""
    columns = {str(c): _json_column(frame[c]) for c in frame.columns}
    names = list(columns)
    rows = [
        dict(zip(names, values, strict=True)) for values in zip(*columns.values(), strict=True)
    ]
    return json.dumps(rows, ensure_ascii=False, indent=1, allow_nan=False)


def to_parquet(frame: pd.DataFrame, table: Table) -> bytes:
    """Write a table as Parquet with units and meanings in its schema."""
    buffer = io.BytesIO()
    fields = {f.name: f for f in table.arrow_schema()}
    arrow = pa.Table.from_pandas(frame, preserve_index=False)
    schema = pa.schema([fields.get(f.name, f) for f in arrow.schema])
    pq.write_table(arrow.cast(schema), buffer, compression="zstd")
    return buffer.getvalue()


def describe(table: Table, width: int = 80) -> str:
    """Return a table's data dictionary as aligned text, wrapped to a width."""
    name_width = max(len(c.name) for c in table.columns)
    indent = " " * (name_width + 2)
    blocks = []
    for column in table.columns:
        text = textwrap.wrap(_dictionary_entry(column), max(24, width - len(indent)))
        first, *rest = text
        blocks.append(
            "\n".join([f"{column.name:<{name_width}}  {first}", *(indent + r for r in rest)])
        )
    return "\n".join(blocks)


def _dictionary_entry(column: Column) -> str:
    kind = {"time": "time", "string": "text", "float64": "number", "int64": "whole number",
            "bool": "true or false"}.get(column.dtype, column.dtype)  # fmt: skip
    unit = f", {column.unit}" if column.unit else ""
    parts = [f"({kind}{unit}) {column.meaning}"]
    parts += [f"Method: {column.method}"] if column.method else []
    parts += [f"Source: {column.source}"] if column.source else []
    parts += [column.validity[0].upper() + column.validity[1:]] if column.validity else []
    return ". ".join(p.rstrip(".") for p in parts) + "."


def time_text(column: pd.Series) -> pd.Series:
    """Return times as ISO 8601 in UTC, with milliseconds only where some have them."""
    fine = bool((column.dropna().dt.microsecond != 0).any())
    text: pd.Series = column.dt.strftime("%Y-%m-%dT%H:%M:%S.%f" if fine else "%Y-%m-%dT%H:%M:%S")
    cut: pd.Series = text.str.slice(0, -3) if fine else text
    return cut + "Z"


def _csv_column(column: pd.Series) -> pd.Series:
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return time_text(column)
    if pd.api.types.is_bool_dtype(column.dtype):
        return column.astype("object").map({True: "true", False: "false"})
    if pd.api.types.is_numeric_dtype(column.dtype):
        return column
    text = column.astype("string")
    risky = text.str.startswith(FORMULA_STARTS).fillna(False).astype(bool)
    safe = text.where(~risky, "'" + text)
    # A bare carriage return ends a line for many readers and is not quoted by the writer.
    lines = safe.str.replace("\r\n", "\n", regex=False)
    return lines.str.replace("\r", "\n", regex=False)


def _json_column(column: pd.Series) -> list[Any]:
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        column = time_text(column)
    elif pd.api.types.is_float_dtype(column.dtype):
        column = column.where(column.abs() != float("inf"))
    values = column.astype("object")
    return [
        None if missing else value for value, missing in zip(values, column.isna(), strict=True)
    ]
