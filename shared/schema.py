"""The tables and their columns: the one source of truth.

Validation, empty tables, Arrow schemas and the data dictionary
(``table cycles --describe``) are all made from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import pandas as pd
import pyarrow as pa

from .errors import SchemaError
from .schema_cycles import CYCLE_COLUMNS
from .schema_types import Column


@dataclass(frozen=True)
class Table:
    """A table: its name, its columns in order, and what makes a row unique."""

    name: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]

    @property
    def names(self) -> list[str]:
        """Column names in order."""
        return [c.name for c in self.columns]

    def arrow_schema(self) -> pa.Schema:
        """Return the Arrow schema, with unit and meaning as field metadata."""
        return pa.schema(
            [
                pa.field(
                    c.name,
                    arrow_type(c.dtype),
                    nullable=not c.required,
                    metadata={"unit": c.unit, "meaning": c.meaning},
                )
                for c in self.columns
            ]
        )

    def empty(self) -> pd.DataFrame:
        """Return a table without rows, with the right dtypes."""
        return self._blank.copy()

    @cached_property
    def plain_schema(self) -> pa.Schema:
        """The Arrow schema without its metadata and with nulls allowed."""
        return pa.schema([pa.field(f.name, f.type) for f in self.arrow_schema()])

    @cached_property
    def _blank(self) -> pd.DataFrame:
        return to_pandas(self.arrow_schema().empty_table())

    def conform(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the frame with this table's columns, order and dtypes; see ``arrow``."""
        return to_pandas(self.arrow(frame))

    def arrow(self, frame: pd.DataFrame) -> pa.Table:
        """Return the frame as an Arrow table with this table's columns, order and types.

        Columns that the frame lacks become null; columns that the table does
        not have are dropped.

        Raises
        ------
        SchemaError
            Naming every required column that is missing or null, every value
            that does not fit its type, and every row that is there twice.
        """
        problems: list[str] = []
        arrays = []
        for column in self.columns:
            kind = arrow_type(column.dtype)
            if column.name not in frame.columns:
                if column.required:
                    problems.append(f"column {column.name} is missing")
                arrays.append(pa.nulls(len(frame), kind))
                continue
            try:
                array = pa.Array.from_pandas(frame[column.name], type=kind)
            except (pa.ArrowInvalid, pa.ArrowTypeError, pa.ArrowNotImplementedError) as error:
                problems.append(f"column {column.name}: {error}")
                array = pa.nulls(len(frame), kind)
            if column.required and array.null_count:
                problems.append(f"column {column.name}: {array.null_count} values are null")
            arrays.append(array)
        known = [k for k in self.key if k in frame.columns]
        if self.key and len(known) == len(self.key) and frame.duplicated(list(self.key)).any():
            problems.append(f"{', '.join(self.key)}: some rows are there twice")
        if problems:
            raise SchemaError(f"table {self.name}: " + "; ".join(problems))
        return pa.Table.from_arrays(arrays, schema=self.plain_schema)

    def describe(self) -> pd.DataFrame:
        """Return the data dictionary of this table, a row a column."""
        return pd.DataFrame(
            [
                {
                    "column": c.name,
                    "type": c.dtype,
                    "unit": c.unit,
                    "meaning": c.meaning,
                    "method": c.method,
                    "source": c.source,
                    "validity": c.validity,
                }
                for c in self.columns
            ]
        )


def arrow_type(name: str) -> pa.DataType:
    """Return the Arrow type of a column's type name."""
    return pa.timestamp("ms", tz="UTC") if name == "time" else pa.type_for_alias(name)


def to_pandas(table: pa.Table) -> pd.DataFrame:
    """Turn an Arrow table into a frame with nullable integers, booleans and text.

    Floats stay numpy floats with NaN as null; times are ``datetime64[ms, UTC]``;
    text is Python ``str`` with None as null.
    """
    mapping = {
        pa.int64(): pd.Int64Dtype(),
        pa.int32(): pd.Int32Dtype(),
        pa.bool_(): pd.BooleanDtype(),
        pa.string(): pd.StringDtype("pyarrow"),
    }
    frame: pd.DataFrame = table.to_pandas(types_mapper=mapping.get)
    return frame


TRACES: Final = Table(
    "traces",
    (
        Column("unit_id", "string", "", "the sterilizer", required=True),
        Column("logger_id", "string", "", "the data logger, empty when the export does not say"),
        Column("time", "time", "UTC", "time of the sample", required=True),
        Column("temperature_c", "float64", "°C", "chamber, drain or control temperature"),
        Column("pressure_kpa", "float64", "kPa absolute", "chamber pressure; null without one"),
        Column("temperature2_c", "float64", "°C", "load or product temperature"),
        Column("current_a", "float64", "A", "heater current"),
        Column("mains_v", "float64", "V", "mains voltage"),
        Column("ambient_c", "float64", "°C", "room temperature"),
        Column(
            "atmosphere_kpa", "float64", "kPa", "atmosphere added to a gauge channel, else null"
        ),
        Column("atmosphere_assumed", "bool", "", "it was taken as 101.325 kPa for lack of a fact"),
        Column("source", "string", "", "first 16 hex digits of the export's sha256"),
    ),
    key=("unit_id", "time"),
)

CORRECTION_COLUMNS: Final = tuple(
    Column(
        name,
        "float64",
        unit,
        f"what a [[correction]] added to the {what}s of this cycle",
        "sum of the corrections in force at its start; all its values are of corrected samples",
        "",
        "empty where none was",
    )
    for name, unit, what in (
        ("correction_k", "K", "temperature"),
        ("correction_kpa", "kPa", "pressure"),
    )
)

CYCLES: Final = Table("cycles", (*CYCLE_COLUMNS, *CORRECTION_COLUMNS), key=("cycle_id",))

JUDGEMENTS: Final = Table(
    "judgements",
    (
        Column("cycle_id", "string", "", "the cycle judged", required=True),
        Column("unit_id", "string", "", "the sterilizer", required=True),
        Column("verdict", "string", "", "inside, outside or incomplete", required=True),
        Column("verdict_reason", "string", "", "what the verdict rests on, in words"),
        Column("verdict_source", "string", "", "where the deciding limit comes from"),
        Column("within_uncertainty", "bool", "", "the verdict rests on the channel's uncertainty"),
        Column(
            "anomaly_p",
            "float64",
            "",
            "share of healthy cycles at least as odd as this one, by the isolation forest",
            validity="null until the unit's type has enough healthy cycles",
        ),
        Column("model_version", "string", "", "version and calendar point of the models used"),
    ),
    key=("cycle_id",),
)

FLAGS: Final = Table(
    "flags",
    (
        Column("flag_id", "string", "", "one id per episode", required=True),
        Column("unit_id", "string", "", "the sterilizer", required=True),
        Column("part", "string", "", "the likelier part", required=True),
        Column("mode", "string", "", "how it fails, where the trace tells; else empty"),
        Column("alternatives", "string", "", "other parts that would look alike, by comma"),
        Column("severity", "string", "", "watch, service or stop", required=True),
        Column("confidence", "float64", "", "share of the evidence that names this part, 0 to 1"),
        Column("first_seen", "time", "UTC", "event time of reaching this severity", required=True),
        Column("last_seen", "time", "UTC", "event time of the last cycle that supports it"),
        Column("closed_at", "time", "UTC", "event time of closing; null while open"),
        Column("close_reason", "string", "", "risen, serviced, recovered, superseded, retired"),
        Column("recorded_at", "time", "UTC", "the run that learned it"),
        Column("layer", "string", "", "limit, drift or forest"),
        Column("feature", "string", "", "the feature that carries the flag"),
        Column("evidence", "string", "", "two or three sentences with numbers"),
        Column("bench_check", "string", "", "what would confirm it at the bench, with cautions"),
        Column("cycle_id", "string", "", "the cycle that brought it to this severity"),
        Column("change_point", "time", "UTC", "when the drift began, estimated"),
        Column("change_point_low", "time", "UTC", "early end of its 80 % interval"),
        Column("change_point_high", "time", "UTC", "late end of its 80 % interval"),
        Column("slope_per_day", "float64", "feature unit/day", "robust slope since the change"),
        Column("days_to_limit", "float64", "days", "until a cycle is likely to fail, median"),
        Column("days_to_limit_low", "float64", "days", "10 % end of the interval"),
        Column("days_to_limit_high", "float64", "days", "90 % end; null beyond 365 days"),
    ),
    key=("flag_id", "severity"),
)

NO_EXPORT_LAYOUT: Final = "no export"
"""Layout of a file that is no export at all, such as a note: nothing is open about it."""

INTAKE: Final = Table(
    "intake",
    (
        Column("export", "string", "", "path below the inbox", required=True),
        Column("sha256", "string", "", "hash of the bytes", required=True),
        Column("bytes", "int64", "B", "size", required=True),
        Column("layout", "string", "", "how it was read, in short"),
        Column("unit_ids", "string", "", "units found in it, by comma"),
        Column("outcome", "string", "", "accepted, duplicate or quarantined", required=True),
        Column(
            "reason", "string", "", "why it was set aside; of an accepted one, what was left out"
        ),
        Column("rows_read", "int64", "", "data rows seen"),
        Column("rows_kept", "int64", "", "rows that became samples"),
        Column("rows_dropped", "int64", "", "rows dropped"),
        Column("dropped_by_reason", "string", "", "JSON object: reason to count"),
        Column("conflicts", "int64", "", "samples where another export says otherwise"),
        Column("first_time", "time", "UTC", "first sample"),
        Column("last_time", "time", "UTC", "last sample"),
        Column("recorded_at", "time", "UTC", "the run that saw it"),
        Column("samples", "int64", "", "samples (rows of a trace) that its kept rows make"),
        Column(
            "samples_shared",
            "int64",
            "",
            "of these, samples whose time another export of the unit had already: made one row",
        ),
        Column("created_at", "time", "UTC", "when it was made, by its own statement"),
        Column(
            "read_with",
            "string",
            "",
            "JSON object: what the configuration answered when it was read, by question",
        ),
    ),
    key=(),
)

SERVICE: Final = Table(
    "service",
    (
        Column("service_id", "string", "", "id of the entry", required=True),
        Column("unit_id", "string", "", "the sterilizer", required=True),
        Column("time", "time", "UTC", "when the work was done", required=True),
        Column("part", "string", "", "the part worked on", required=True),
        Column("action", "string", "", "replaced, cleaned, calibrated, checked", required=True),
        Column("note", "string", "", "free text"),
        Column("result", "string", "", "confirmed, not_found, other_part, or empty"),
        Column("undone", "bool", "", "taken back by a later entry"),
        Column("recorded_at", "time", "UTC", "the run that learned it"),
    ),
    key=("service_id",),
)

UNITS: Final = Table(
    "units",
    (
        Column("unit_id", "string", "", "the sterilizer", required=True),
        Column("site", "string", "", "where it stands"),
        Column("type", "string", "", "group of like units"),
        Column("air_removal", "string", "", "gravity or prevacuum, where known"),
        Column("first_data", "time", "UTC", "first sample"),
        Column("last_data", "time", "UTC", "last sample"),
        Column("cycles", "int64", "", "cycles found"),
        Column("open_severity", "string", "", "gravest open flag, else empty"),
        Column("retired_at", "time", "UTC", "when it was taken out of the fleet"),
    ),
    key=("unit_id",),
)

RESIDUALS: Final = Table(
    "residuals",
    (
        Column("cycle_id", "string", "", "the cycle", required=True),
        Column("unit_id", "string", "", "the sterilizer", required=True),
        Column("started_at", "time", "UTC", "start of the cycle", required=True),
        Column("feature", "string", "", "the feature", required=True),
        Column("value", "float64", "feature unit", "as measured"),
        Column("adjusted", "float64", "feature unit", "value at the unit's usual circumstances"),
        Column("expected", "float64", "feature unit", "baseline level at usual circumstances"),
        Column("scale", "float64", "feature unit", "robust standard deviation of the baseline"),
        Column("z", "float64", "", "(adjusted - expected) / scale"),
        Column("epoch", "int64", "", "service epoch that the baseline belongs to"),
    ),
    key=("cycle_id", "feature"),
)

TABLES: Final[dict[str, Table]] = {
    t.name: t for t in (TRACES, CYCLES, JUDGEMENTS, FLAGS, INTAKE, SERVICE, UNITS, RESIDUALS)
}
