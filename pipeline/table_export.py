"""Tables of a store as bytes."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final

import pandas as pd

from ..reports.views import join_judgements
from .moment import now
from .names import not_known
from .settings import read_settings
from .store import Snapshot, Store
from .tables import SHOWN, exports_of, select, to_csv, to_json, to_parquet
from .views import units_table

FORMAT_OF_SUFFIX: Final = {
    "": "csv", ".csv": "csv", ".txt": "csv", ".json": "json", ".parquet": "parquet",
}  # fmt: skip
"""The format that the end of a file's name tells."""


def export_table(
    location: str,
    name: str,
    form: str,
    *,
    units: Sequence[str] = (),
    since: datetime | None = None,
) -> bytes:
    """Return a table of a store in a format.

    Parameters
    ----------
    name
        ``cycles`` (joined with their judgements), ``flags``, ``intake``, ``units`` or
        ``service``.
    form
        ``csv`` (safe in a spreadsheet), ``json`` or ``parquet``.

    Raises
    ------
    ChamberdriftError
        If a unit is not known.
    """
    store = Store.open(location)
    snapshot = store.snapshot()
    frame = read_table(snapshot, store, name, units, since)
    if form == "parquet":
        return to_parquet(frame, SHOWN[name])
    text = to_csv(frame) if form == "csv" else to_json(frame) + "\n"
    return text.encode("utf-8")


def read_table(
    snapshot: Snapshot,
    store: Store,
    name: str,
    units: Sequence[str] = (),
    since: datetime | None = None,
) -> pd.DataFrame:
    """Return the rows of a table for people."""
    config = read_settings(store.place)
    known = {*snapshot.unit_ids(), *(u.id for u in config.units)}
    lacking = [u for u in units if u not in known]
    if lacking and name == "intake":  # a unit's exports may all have been set aside
        intake = snapshot.table("intake", columns=["export", "unit_ids", "outcome"])
        lacking = [u for u in lacking if not exports_of([u], intake).any()]
    for unit in lacking:
        raise not_known("unit", unit, known, table="units", location=store.location)
    own = list(units) or None
    moment = None if since is None else pd.Timestamp(since)
    if name == "cycles":
        cycles = snapshot.table("cycles", units=own, since=moment)
        frame = join_judgements(cycles, snapshot.table("judgements", units=own))
    elif name == "units":
        cycles = snapshot.table("cycles", columns=["unit_id", "started_at"])
        frame = units_table(snapshot, config, cycles, snapshot.table("flags"), now())
    elif name == "intake":
        frame = snapshot.table("intake", since=moment)
        frame = frame.sort_values(["recorded_at", "export"], kind="stable", ignore_index=True)
    else:
        frame = snapshot.table(name, units=own, since=moment)
    return select(SHOWN[name].conform(frame), name, units=units, since=since)


def describe_table(name: str) -> list[dict[str, Any]]:
    """Return the data dictionary of a table as plain values."""
    return [
        {
            "column": c.name,
            "type": c.dtype,
            "unit": c.unit,
            "meaning": c.meaning,
            "method": c.method,
            "source": c.source,
            "validity": c.validity,
        }
        for c in SHOWN[name].columns
    ]
