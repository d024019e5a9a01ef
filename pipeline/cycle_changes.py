"""What changes of a unit's stored cycles when some of them are found anew."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ..shared.schema import CYCLES
from .judge_state import ended
from .table_changes import changed_keys


@dataclass(frozen=True)
class Change:
    """What a unit's cycles from some moment on become."""

    unit: str
    rows: pa.Table
    """Columns of the cycles table."""
    new: int
    """How many are new."""
    added: bool = False
    """The rows follow those that are stored, which stay."""


def begins_with(fresh: pa.Table, old: pa.Table) -> bool:
    """Return whether the first of the fresh cycles are the old ones, unchanged."""
    if len(fresh) < len(old):
        return False
    head = fresh.slice(0, len(old))
    return all(head.column(c).equals(old.column(c)) for c in CYCLES.names if c != "aliases")


def ends(cycles: pa.Table) -> pa.ChunkedArray:
    """Return the moment of each cycle at which it may be judged; see ``judge_state.ended``."""
    return pc.coalesce(*(cycles.column(n) for n in ("ended_at", "exposure_end", "started_at")))


def earliest_change(old: pd.DataFrame, new: pd.DataFrame) -> int | None:
    """Return the earliest end [ms] among cycles that are new, gone or different, or None."""
    before, after = (CYCLES.conform(f).drop(columns="aliases") for f in (old, new))
    keys = changed_keys(before, after, ["cycle_id"])["cycle_id"]
    ends = pd.concat([ended(f[f["cycle_id"].isin(keys)]) for f in (before, after)]).dropna()
    return None if not len(ends) else int(ends.min().value // 1_000_000)  # in ns whatever the unit


def keep_aliases(cycles: pd.DataFrame, old: pd.DataFrame) -> pd.DataFrame:
    """Return cycles that remember the ids under which they were shown before.

    Parameters
    ----------
    cycles
        As found now.
    old
        As stored before, of the same stretch. A cycle that was cut off by the end of
        the data is no id to remember.
    """
    known = set(cycles["cycle_id"])
    aliases = {
        str(i): [a for a in str(text or "").split(",") if a]
        for i, text in zip(old["cycle_id"], old["aliases"].fillna(""), strict=True)
    }
    out = cycles.copy()
    kept = out["aliases"].fillna("").astype(object).tolist()
    position = {str(i): k for k, i in enumerate(out["cycle_id"])}
    for row in old.itertuples(index=False):
        own = str(row.cycle_id)
        if own in known:
            names = aliases[own]
            at: int | None = position[own]
        else:
            names = [*aliases[own], own] if row.completion != "cut_off" else []
            at = _overlapping(out, row) if names else None
        if names and at is not None:
            kept[at] = ",".join(sorted({*filter(None, str(kept[at]).split(",")), *names}))
    out["aliases"] = pd.Series([k or None for k in kept], index=out.index, dtype="string")
    return CYCLES.conform(out)


def _overlapping(cycles: pd.DataFrame, row: Any) -> int | None:
    """Return the position of the cycle that shares most of a former one's time, or None."""
    if not len(cycles) or pd.isna(row.ended_at):
        return None
    start = cycles["started_at"].clip(lower=row.started_at)
    end = cycles["ended_at"].clip(upper=row.ended_at)
    shared = (end - start).dt.total_seconds().fillna(-1.0).to_numpy()
    best = int(shared.argmax())
    return best if shared[best] >= 0.5 * (row.ended_at - row.started_at).total_seconds() else None
