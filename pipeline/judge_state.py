"""What judging carries from night to night, as small documents in the store.

One document holds the fleet's part, one each unit's. Lost or outdated, they are
made again from all cycles.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from ..shared.config import Config
from ..shared.version import VERSION
from .store import Snapshot, Txn

JUDGED: Final = "judged"
FLEET: Final = "judge/fleet"
UNIT: Final = "judge/unit/"
REJUDGE: Final = "judge/pending"

STAGE_VERSION: Final = 1
"""Raise it when judging changes its numbers: all cycles are then judged anew."""
SETTLED_AFTER: Final = pd.Timedelta(days=1)
"""A last cycle that is cut off by the end of the data is judged only when no more came for
so long: its next export may complete it (loggers export daily or weekly; no source)."""
MARGIN: Final = pd.Timedelta(days=3)
"""New cycles are looked for from this long before the last judgement on: longer than
``SETTLED_AFTER`` and any cycle."""
DAY_MS: Final = 86_400_000.0


@dataclass(frozen=True)
class Carried:
    """The state after an earlier run."""

    as_of: pd.Timestamp
    state: dict[str, Any]

    def seen_ms(self, unit: str) -> float:
        """Return the end of the last cycle that was judged [ms], NaN for none."""
        held = self.state["units"].get(unit)
        time = None if held is None else held["tracker"]["time"]
        return float("nan") if time is None else float(time) * DAY_MS


def settings_digest(config: Config) -> str:
    """Return a digest of everything but cycles and service that judging depends on."""
    text = repr((STAGE_VERSION, VERSION, config))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class Before:
    """What earlier runs left."""

    carried: Carried | None
    why: str
    """Why nothing can be carried on, where it is so."""
    as_of: pd.Timestamp | None
    """The moment that the last judgement looked from."""
    rejudge: dict[str, int]
    """Units whose cycles changed since: the earliest end, ms."""


def read_before(snapshot: Snapshot, config: Config) -> Before:
    """Return what the last judgement left, and what changed since in other runs."""
    small = snapshot.states([JUDGED, FLEET, REJUDGE])
    rejudge = {str(u): int(t) for u, t in small.get(REJUDGE, {}).items()}
    judged = small.get(JUDGED)
    if judged is None:
        return Before(None, "nothing was judged before", None, rejudge)
    as_of = pd.Timestamp(judged["as_of"]).as_unit("ms")
    if judged.get("digest") != settings_digest(config):
        return Before(None, "settings or program changed", as_of, rejudge)
    names = judged.get("units", [])
    units = snapshot.states([UNIT + u for u in names])
    if FLEET not in small or len(units) != len(names):
        return Before(None, "the state of judging is not complete", as_of, rejudge)
    state = {**small[FLEET], "units": {k.removeprefix(UNIT): d for k, d in units.items()}}
    return Before(Carried(as_of, state), "", as_of, rejudge)


def write_state(
    txn: Txn,
    state: Mapping[str, Any],
    before: Carried | None,
    as_of: pd.Timestamp,
    config: Config,
) -> None:
    """Put a state into a transaction; units that did not change are left out."""
    units = dict(state["units"])
    held = {} if before is None else before.state["units"]
    changed = {UNIT + u: d for u, d in units.items() if held.get(u) != d}
    fleet = {k: v for k, v in state.items() if k != "units"}
    judged = {
        "as_of": as_of.isoformat(),
        "digest": settings_digest(config),
        "units": sorted(units),
    }
    txn.put_states({JUDGED: judged, FLEET: fleet, **changed})


def ended(cycles: pd.DataFrame) -> pd.Series:
    """Return the moment of each cycle at which it may be judged."""
    return cycles["ended_at"].fillna(cycles["exposure_end"]).fillna(cycles["started_at"])


def settled(cycles: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return the cycles that had ended at a moment and that no later export completes."""
    end = ended(cycles)
    seen = (end <= as_of).to_numpy()
    cycles, end = cycles[seen], end[seen]
    last = end == end.groupby(cycles["unit_id"]).transform("max")
    open_end = (cycles["completion"] == "cut_off").fillna(False).to_numpy(dtype=bool)
    waits = last.to_numpy() & open_end & (end > as_of - SETTLED_AFTER).to_numpy()
    return cycles[~waits].reset_index(drop=True)


def new_cycles(
    snapshot: Snapshot, carried: Carried, rejudge: Mapping[str, int], as_of: pd.Timestamp
) -> pd.DataFrame:
    """Return the cycles that a state has not seen, up to a moment."""
    recent = snapshot.table("cycles", since=carried.as_of - MARGIN)
    late = sorted(set(rejudge))
    parts = [recent[~recent["unit_id"].isin(late)]]
    if late:
        parts.append(snapshot.table("cycles", units=late))
    both = settled(pd.concat(parts, ignore_index=True), as_of)
    seen = both["unit_id"].map({u: carried.seen_ms(u) for u in both["unit_id"].unique()})
    end = ended(both).astype("int64") if len(both) else pd.Series(dtype="int64")
    # Times of the state are days in floating point, exact to far less than a millisecond.
    fresh = ~(end.to_numpy() <= np.round(seen.to_numpy(dtype=float)))
    return both[fresh].reset_index(drop=True)


def came_late(carried: Carried, rejudge: Mapping[str, int]) -> str:
    """Return the first unit of which a cycle changed that was judged already, or nothing."""
    for unit, time in sorted(rejudge.items()):
        seen = carried.seen_ms(unit)
        if not math.isnan(seen) and time <= round(seen):
            return unit
    return ""
