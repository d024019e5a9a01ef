"""How each table is kept: its key for layers, its time, its schema in the files."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa

from ...models.recall import RECALL
from ...shared.errors import StoreError
from ...shared.schema import (
    CYCLES,
    FLAGS,
    INTAKE,
    JUDGEMENTS,
    RESIDUALS,
    SERVICE,
    Table,
    arrow_type,
)
from ...shared.schema_types import Column

AT = "_at"
"""Physical column: the row's time in ms, where the table has no time column of its own."""

JOURNAL: Final = replace(FLAGS, name="journal", key=())
"""Every flag row as it was shown, in the order of showing; only ever appended to."""

STATES: Final = Table(
    "states",
    (
        Column("key", "string", "", "name of the document", required=True),
        Column("document", "string", "", "JSON", required=True),
    ),
    key=("key",),
)

BEGINS: Final = Table(
    "begins",
    (
        Column("unit_id", "string", "", "the sterilizer", required=True),
        Column("begins_at", "time", "UTC", "begin of the month", required=True),
        Column("document", "string", "", "state of judging it, JSON", required=True),
    ),
    key=("unit_id", "begins_at"),
)
"""Each unit as months began, so that late data judge again from there."""

SEEN: Final = Table(
    "seen",
    (
        Column("path", "string", "", "inbox and path below it", required=True),
        Column("bytes", "int64", "B", "size when it was read", required=True),
        Column("mtime_ns", "int64", "ns", "modification time when it was read", required=True),
        Column("inode", "int64", "", "file number, 0 where there is none", required=True),
        Column("sure", "bool", "", "false: modified so shortly before that it is read again"),
        Column("sha256", "string", "", "hash of the bytes", required=True),
    ),
    key=("path",),
)
"""Inbox files as last read, so that an unchanged one costs a look."""

REFUSED: Final = Table(
    "refused",
    (
        Column("sha256", "string", "", "hash of the bytes", required=True),
        Column("export", "string", "", "path below the inbox", required=True),
        Column("bytes", "int64", "B", "size", required=True),
        Column("cause", "string", "", "what is lacking, in one word", required=True),
        Column("message", "string", "", "what was found, where, and the remedy", required=True),
        Column("question", "string", "", "the question that would settle it"),
        Column("toml", "string", "", "the configuration line that answers it"),
        Column("tried_with", "string", "", "digest of configuration and facts it was tried with"),
        Column("recorded_at", "time", "UTC", "the run that refused it first"),
    ),
    key=("sha256",),
)
"""Exports in quarantine."""


@dataclass(frozen=True)
class Spec:
    """A table in the store."""

    table: Table
    key: str
    """Column that layers are cut by."""
    time: str | None
    """Column of the row's time; None: no time, or made by ``_times``."""
    whole: bool = False
    """A key has one row, which is only ever replaced: merging layers adds no rows."""

    @property
    def name(self) -> str:
        """The table's name."""
        return self.table.name

    def schema(self) -> pa.Schema:
        """Return the schema of the files."""
        fields = [pa.field(c.name, arrow_type(c.dtype)) for c in self.table.columns]
        return pa.schema([*fields, pa.field(AT, pa.int64())])

    def order(self) -> list[str]:
        """Return the columns that rows are sorted by."""
        wanted = [self.key, AT, *self.table.key]
        return list(dict.fromkeys(wanted))

    def prepare(self, frame: pd.DataFrame) -> pa.Table:
        """Return a frame as an Arrow table in the schema of the files, checked.

        Raises
        ------
        SchemaError
            If the frame does not fit the table.
        """
        rows = self.table.arrow(frame)
        return pa.Table.from_arrays([*rows.columns, self._times(rows)], schema=self.schema())

    def _times(self, rows: pa.Table) -> pa.Array:
        if self.time is not None:
            return rows.column(self.time).cast(pa.int64()).combine_chunks()
        if "cycle_id" in rows.schema.names and len(rows):
            # a cycle's id ends in its start, which is what its judgement is ordered by
            ids = pd.Series(rows.column("cycle_id").to_pylist(), dtype=object)
            text = ids.str.rpartition("@")[2]
            parsed = pd.to_datetime(text, utc=True, errors="coerce", format="ISO8601")
            values = parsed.astype("datetime64[ms, UTC]").astype("int64").to_numpy()
            return pa.array(values, mask=np.asarray(parsed.isna()), type=pa.int64())
        return pa.nulls(len(rows), pa.int64())


SPECS: Final[dict[str, Spec]] = {
    s.name: s
    for s in (
        Spec(CYCLES, "unit_id", "started_at"),
        Spec(JUDGEMENTS, "unit_id", None),
        Spec(FLAGS, "unit_id", "first_seen"),
        Spec(JOURNAL, "unit_id", "recorded_at"),
        Spec(RESIDUALS, "unit_id", "started_at"),
        Spec(RECALL, "unit_id", "ended_at"),
        Spec(SERVICE, "unit_id", "time"),
        Spec(INTAKE, "sha256", "recorded_at"),
        Spec(STATES, "key", None, whole=True),
        Spec(BEGINS, "unit_id", "begins_at"),
        Spec(SEEN, "path", None, whole=True),
        Spec(REFUSED, "sha256", "recorded_at"),
    )
}


def spec(name: str) -> Spec:
    """Return the spec of a table.

    Raises
    ------
    StoreError
        If the store keeps no such table.
    """
    try:
        return SPECS[name]
    except KeyError:
        raise StoreError(f"no table {name!r}: there are {', '.join(sorted(SPECS))}") from None


def to_ms(time: pd.Timestamp | None) -> int | None:
    """Return a time as ms since 1970 UTC; a time without a zone is taken as UTC."""
    if time is None:
        return None
    stamp = pd.Timestamp(time)
    stamp = stamp.tz_localize("UTC") if stamp.tzinfo is None else stamp.tz_convert("UTC")
    return int(stamp.value // 1_000_000)  # .value is in ns whatever the unit
