"""What the commit log knows of one file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from ...shared.errors import StoreError
from ...shared.version import SCHEMA_VERSION

FORMAT: Final = 1
"""Version of the layout of a store."""


@dataclass(frozen=True)
class TraceFile:
    """A file of one unit's samples in one month."""

    path: str
    rows: int
    bytes: int
    sha256: str
    low: int
    """First sample, ms since 1970 UTC."""
    high: int
    """Last sample, ms since 1970 UTC."""

    def to_json(self) -> list[Any]:
        """Return the entry as the log writes it."""
        return [self.path, self.rows, self.bytes, self.sha256, self.low, self.high]

    @classmethod
    def from_json(cls, data: list[Any]) -> TraceFile:
        """Read an entry of the log."""
        return cls(*data)

    def overlaps(self, low: int | None, high: int | None) -> bool:
        """Tell whether samples of [low, high] may be in this file."""
        return (low is None or self.high >= low) and (high is None or self.low <= high)


@dataclass(frozen=True)
class RunFile:
    """A file of a table: rows of many units, and the cuts that hide older rows.

    Files of one table are layers: a cut in one file hides the rows of its unit
    from a time on in every file with a lower ``order``.
    """

    table: str
    path: str
    rows: int
    bytes: int
    sha256: str
    order: int
    level: int
    first: str
    """Lowest key (unit id, for most tables) among rows and cuts."""
    last: str
    low: int | None
    """Earliest time among the rows, ms; None without rows, or where a row has no time."""
    high: int | None
    cuts: int = -1
    """How many cuts the footer holds; -1 where the log does not say."""

    def to_json(self) -> list[Any]:
        """Return the entry as the log writes it."""
        return [
            self.table,
            self.path,
            self.rows,
            self.bytes,
            self.sha256,
            self.order,
            self.level,
            self.first,
            self.last,
            self.low,
            self.high,
            self.cuts,
        ]

    @classmethod
    def from_json(cls, data: list[Any]) -> RunFile:
        """Read an entry of the log."""
        return cls(*data)


@dataclass(frozen=True)
class UnitSpan:
    """What is known of a unit without opening a file."""

    first: int
    """First sample ever stored, ms."""
    last: int
    rows: int
    """Samples in the store."""

    def to_json(self) -> list[int]:
        """Return the entry as the log writes it."""
        return [self.first, self.last, self.rows]


@dataclass(frozen=True)
class Commit:
    """One commit of the log."""

    number: int
    lock: int
    recorded_at: str
    note: str
    checkpoint: int
    """The commit whose checkpoint readers start from; 0 for none."""
    added_traces: tuple[TraceFile, ...] = ()
    added_runs: tuple[RunFile, ...] = ()
    withdrawn: tuple[str, ...] = ()
    units: tuple[tuple[str, UnitSpan], ...] = ()
    """Units whose span changed."""
    facts: tuple[tuple[str, int], ...] = ()
    """Counts to add up over all commits, such as rows forgotten."""
    cleaned: int = 0
    """What commits up to this one withdrew has been deleted."""
    bytes: int = 0
    """Size of the commit's file, filled in on reading."""

    def to_json(self) -> dict[str, Any]:
        """Return the commit as it is written."""
        return {
            "format": FORMAT,
            "schema": SCHEMA_VERSION,
            "commit": self.number,
            "lock": self.lock,
            "recorded_at": self.recorded_at,
            "note": self.note,
            "checkpoint": self.checkpoint,
            "trace_columns": ["path", "rows", "bytes", "sha256", "low_ms", "high_ms"],
            "added_traces": [f.to_json() for f in self.added_traces],
            "table_columns": [
                "table",
                "path",
                "rows",
                "bytes",
                "sha256",
                "order",
                "level",
                "first_key",
                "last_key",
                "low_ms",
                "high_ms",
                "cuts",
            ],
            "added_tables": [f.to_json() for f in self.added_runs],
            "withdrawn": list(self.withdrawn),
            "unit_columns": ["first_ms", "last_ms", "rows"],
            "units": {unit: span.to_json() for unit, span in self.units},
            "facts": dict(self.facts),
            "cleaned": self.cleaned,
            "complete": True,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any], size: int) -> Commit:
        """Read a commit; KeyError or ValueError if it is not complete."""
        if data["complete"] is not True:
            raise ValueError("not complete")
        if data["format"] != FORMAT:
            raise StoreError(
                f"the store has format {data['format']}, this version reads format {FORMAT}: "
                "use the version that wrote it"
            )
        schema = data.get("schema", 1)
        if schema > SCHEMA_VERSION:
            raise StoreError(
                f"the store's tables are of schema {schema}, this version knows up to "
                f"{SCHEMA_VERSION}: use the version that wrote it, or a later one"
            )
        return cls(
            number=data["commit"],
            lock=data["lock"],
            recorded_at=data["recorded_at"],
            note=data["note"],
            checkpoint=data["checkpoint"],
            added_traces=tuple(TraceFile.from_json(f) for f in data["added_traces"]),
            added_runs=tuple(RunFile.from_json(f) for f in data["added_tables"]),
            withdrawn=tuple(data["withdrawn"]),
            units=tuple((u, UnitSpan(*s)) for u, s in data["units"].items()),
            facts=tuple(data["facts"].items()),
            cleaned=data["cleaned"],
            bytes=size,
        )
