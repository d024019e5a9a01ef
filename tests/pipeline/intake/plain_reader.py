"""A reader for tests of the store: one plain CSV shape, no evidence.

Columns ``unit,time,temperature,pressure``; time in ISO form, UTC. A first line
``# created <time>`` is the export's own statement. A line ``refuse <cause>``
refuses it, unless the configuration names the zone that the cause asks for; a line
``ask <unit>`` refuses it until a line ``teach <unit> day`` of another has told.
"""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import pandas as pd
import pyarrow as pa
from chamberdrift.pipeline.ingest.reading import Evidence, Known
from chamberdrift.shared.config import Config
from chamberdrift.shared.errors import ExportRefusedError


@dataclass
class PlainReading:
    """What the store needs of a reading."""

    tables: list[pa.Table]
    rows_read: int
    rows_kept: int
    created_at: datetime | None
    layout: str = "plain"
    layout_key: str = "plain"
    learned: dict[str, Known] = field(default_factory=dict)
    evidence: tuple[Evidence, ...] = ()
    rows_dropped: int = 0
    dropped_by_reason: dict[str, int] = field(default_factory=dict)
    notices: tuple[str, ...] = ()


def read_export(
    source: Any,
    *,
    name: str,
    config: Config,
    facts: Any = None,
    sha256: str | None = None,
    today_days: int | None = None,
) -> PlainReading:
    """Read one export of the plain shape."""
    if not isinstance(source, bytes):
        with open(source, "rb") as file:
            source = file.read()
    text = source.decode()
    created = None
    if text.startswith("# created "):
        head, _, text = text.partition("\n")
        created = datetime.fromisoformat(head.removeprefix("# created "))
    if text.startswith("refuse ") and config.defaults.zone is None:
        cause = text.split()[1]
        raise ExportRefusedError(
            cause,
            f"{name}: no zone; name it",
            question="In which zone are the clocks?",
            toml='zone = "Europe/Oslo"',
        )
    if text.startswith("refuse "):
        text = text.partition("\n")[2]
    learned: dict[str, Known] = {}
    if text.startswith("teach "):
        head, _, text = text.partition("\n")
        learned = {head.split()[1]: Known(day_first=head.split()[2] == "day")}
    if text.startswith("ask "):
        head, _, text = text.partition("\n")
        if facts is None or facts.of(head.split()[1], "plain").day_first is None:
            raise ExportRefusedError("day_month", f"{name}: day or month first?")
    if text.startswith("stumble"):
        raise RuntimeError("a fault in the reader")
    frame = pd.read_csv(io.StringIO(text), dtype={"unit": str})
    spoilt = frame["temperature"] < -60 if len(frame) else frame["temperature"].isna()
    kept = frame[~spoilt]
    time = pd.to_datetime(kept["time"], utc=True, format="ISO8601").astype("datetime64[ms, UTC]")
    table = pa.table(
        {
            "unit_id": pa.array(kept["unit"].astype(str), pa.string()),
            "time": pa.array(time, pa.timestamp("ms", tz="UTC")),
            "temperature_c": pa.array(kept["temperature"], pa.float64(), from_pandas=True),
            "pressure_kpa": pa.array(kept["pressure"], pa.float64(), from_pandas=True),
            "source": [hashlib.sha256(source).hexdigest()[:16]] * len(kept),
        }
    )
    dropped = {"impossible": int(spoilt.sum())} if spoilt.any() else {}
    return PlainReading(
        [table],
        len(frame),
        len(kept),
        created,
        rows_dropped=int(spoilt.sum()),
        dropped_by_reason=dropped,
        learned=learned,
    )
