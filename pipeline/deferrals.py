"""Flags that were put off: kept by unit and part, so that they outlive a change of ids."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

if TYPE_CHECKING:
    from .store import Snapshot

DEFERRALS: Final = "deferrals"


def deferrals_table(snapshot: Snapshot, flags: pd.DataFrame) -> pd.DataFrame:
    """Return which flags were put off, until when and why.

    A later version, or exports that came late, may tell the same finding under another
    id. A deferral then goes over to the open flag of the same part of the same unit,
    unless its own flag was closed for a reason of its own.

    Parameters
    ----------
    flags
        The flags as they are told now.
    """
    document = snapshot.state(DEFERRALS) or {}
    told = set(flags["flag_id"])
    ended = flags[flags["closed_at"].notna() & (flags["close_reason"] != "risen")]
    withdrawn = set(ended.loc[ended["close_reason"] == "superseded", "flag_id"])
    opened = flags[flags["closed_at"].isna()]
    by_part = {
        (str(u), str(p)): str(i)
        for u, p, i in zip(opened["unit_id"], opened["part"], opened["flag_id"], strict=True)
    }
    rows = {}
    for flag, entry in sorted(document.items()):
        now = flag
        if flag not in told or (flag in withdrawn and flag not in set(opened["flag_id"])):
            now = by_part.get(unit_and_part(flag, entry), flag)
        if now not in rows or now == flag:
            rows[now] = {"flag_id": now, "until": entry["until"], "reason": entry["reason"]}
    frame = pd.DataFrame(list(rows.values()), columns=["flag_id", "until", "reason"])
    return frame.assign(
        flag_id=frame["flag_id"].astype("string"),
        until=pd.to_datetime(frame["until"], utc=True).astype("datetime64[ms, UTC]"),
        reason=frame["reason"].astype("string"),
    )


def unit_and_part(flag: str, entry: Mapping[str, Any]) -> tuple[str, str]:
    """Return the unit and the part that a deferral speaks of.

    The first version kept them only within the flag's id, as ``unit@part@day``.
    """
    if "unit_id" in entry:
        return str(entry["unit_id"]), str(entry["part"])
    unit, _, rest = flag.rpartition("@")[0].rpartition("@")
    return unit, rest
