"""What judging carries from night to night, as small documents in the store.

One document holds the month's references, one each unit's state. A night reads the
states of units that have news and of those at their sites. Lost or outdated, they
are made again from all cycles.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from ..models.judge import event_days, repairs_of_state
from ..models.late import Late, late_units
from ..models.months import month_of
from ..models.panel import repairs_of
from ..shared.config import Config
from ..shared.version import VERSION
from .store import Snapshot, Txn

JUDGED: Final = "judged"
MONTH: Final = "judge/month"
UNIT: Final = "judge/unit/"
REJUDGE: Final = "judge/pending"

STAGE_VERSION: Final = 4
"""Raise it when judging changes its numbers: all cycles are then judged anew."""
SETTLED_AFTER: Final = pd.Timedelta(days=1)
"""A last cycle that is cut off by the end of the data is judged only when no more came for
so long: its next export may complete it (loggers export daily or weekly; no source)."""
MARGIN: Final = pd.Timedelta(days=3)
"""New cycles are looked for from this long before the last judgement on: longer than
``SETTLED_AFTER`` and any cycle."""
DAY_MS: Final = 86_400_000.0


@dataclass(frozen=True)
class Before:
    """What earlier runs left."""

    why: str = ""
    """Why nothing can be carried on, where it is so."""
    as_of: pd.Timestamp | None = None
    """The moment that the last judgement looked from."""
    month: int = 0
    """Months since 1970 of the references that hold."""
    months: tuple[int, ...] = ()
    """Months whose begin is kept, in order."""
    units: frozenset[str] = frozenset()
    """Units that have a state."""
    service: Mapping[str, str] | None = None
    """Digest of each unit's service rows that were seen."""
    rejudge: Mapping[str, int] | None = None
    """Units whose cycles changed since: the earliest end, ms."""


@dataclass(frozen=True)
class Carried:
    """The state after an earlier run, of the units that are needed."""

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


def read_before(snapshot: Snapshot, config: Config) -> Before:
    """Return what the last judgement left, and what changed since in other runs."""
    small = snapshot.states([JUDGED, REJUDGE])
    rejudge = {str(u): int(t) for u, t in small.get(REJUDGE, {}).items()}
    judged = small.get(JUDGED)
    if judged is None:
        return Before("nothing was judged before", rejudge=rejudge)
    as_of = pd.Timestamp(judged["as_of"]).as_unit("ms")
    if judged.get("digest") != settings_digest(config):
        return Before("settings or program changed", as_of, rejudge=rejudge)
    if judged.get("month") is None:
        return Before("no cycles were judged before", as_of, rejudge=rejudge)
    return Before(
        "",
        as_of,
        int(judged["month"]),
        tuple(int(m) for m in judged["months"]),
        frozenset(str(u) for u in judged["units"]),
        {str(u): str(d) for u, d in judged["service"].items()},
        rejudge,
    )


def read_states(snapshot: Snapshot, before: Before, units: Collection[str]) -> Carried | None:
    """Return the states of some units, or None where one is missing.

    Parameters
    ----------
    units
        Those that have a state already count; others are new.
    """
    assert before.as_of is not None
    names = sorted(before.units & set(units))
    found = snapshot.states([MONTH, *(UNIT + u for u in names)])
    month = found.pop(MONTH, None)
    if month is None or len(found) != len(names):
        return None
    state: dict[str, Any] = {**month, "units": {}, "power": {}, "repairs": {}}
    for key, document in found.items():
        unit = key.removeprefix(UNIT)
        for part in ("units", "power", "repairs"):
            if part in document:
                state[part][unit] = document[part]
    return Carried(before.as_of, state)


def write_state(
    txn: Txn,
    state: Mapping[str, Any],
    before: Before,
    carried: Carried | None,
    as_of: pd.Timestamp,
    config: Config,
    service: Mapping[str, str],
    months: Sequence[int],
) -> None:
    """Put a state into a transaction; units that did not change are left out.

    Parameters
    ----------
    state
        Of all units, or with ``carried`` of those that were read and new ones.
    service
        Digest of each unit's service rows.
    months
        Months whose begin is kept.
    """
    units = set(state["units"])
    documents: dict[str, Mapping[str, Any]] = {}
    for unit in sorted(units):
        document = _unit_document(state, unit)
        if carried is None or _unit_document(carried.state, unit) != document:
            documents[UNIT + unit] = document
    parts = ("units", "power", "repairs")
    month = {k: v for k, v in state.items() if k not in parts}
    if carried is None or month != {k: v for k, v in carried.state.items() if k not in parts}:
        documents[MONTH] = month
    documents[JUDGED] = {
        "as_of": as_of.isoformat(),
        "digest": settings_digest(config),
        "month": state["monthly"]["code"],
        "months": list(months),
        "units": sorted(units if carried is None else units | before.units),
        "service": dict(sorted(service.items())),
    }
    txn.put_states(documents)


def _unit_document(state: Mapping[str, Any], unit: str) -> dict[str, Any]:
    return {p: state[p][unit] for p in ("units", "power", "repairs") if unit in state[p]}


def month_key(month: int) -> str:
    """Return the key of a month's references as they were fitted."""
    return f"{MONTH}/{month}"


def service_digests(service: pd.DataFrame) -> dict[str, str]:
    """Return a digest of each unit's service rows, as judging sees them."""
    out: dict[str, str] = {}
    if not len(service):
        return out
    shown = service[["unit_id", "time", "part", "action"]].sort_values(
        ["unit_id", "time", "part", "action"], kind="stable"
    )
    for unit, rows in shown.groupby("unit_id", sort=True):
        text = rows.to_csv(index=False)
        out[str(unit)] = hashlib.sha256(text.encode()).hexdigest()[:16]
    return out


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


def recent_cycles(
    snapshot: Snapshot, since: pd.Timestamp, rejudge: Mapping[str, int], as_of: pd.Timestamp
) -> pd.DataFrame:
    """Return the cycles among which new ones are, up to a moment.

    Parameters
    ----------
    since
        The moment that the last judgement looked from.
    rejudge
        Units whose cycles changed: the earliest end [ms].
    """
    limit = since - MARGIN
    old = {u: t for u, t in rejudge.items() if t < int(limit.value // 1_000_000)}
    recent = snapshot.table("cycles", since=limit)
    parts = [recent[~recent["unit_id"].isin(list(old))]]
    if old:
        first = pd.Timestamp(min(old.values()), unit="ms", tz="UTC") - MARGIN
        parts.append(snapshot.table("cycles", units=sorted(old), since=first))
    return settled(pd.concat(parts, ignore_index=True), as_of)


def unseen(cycles: pd.DataFrame, carried: Carried) -> pd.DataFrame:
    """Return the cycles that a state has not seen."""
    seen = cycles["unit_id"].map({u: carried.seen_ms(u) for u in cycles["unit_id"].unique()})
    end = ended(cycles).astype("int64") if len(cycles) else pd.Series(dtype="int64")
    # Times of the state are days in floating point, exact to far less than a millisecond.
    fresh = ~(end.to_numpy() <= np.round(seen.to_numpy(dtype=float)))
    return cycles[fresh].reset_index(drop=True)


def what_came_late(
    carried: Carried,
    fresh: pd.DataFrame,
    rejudge: Mapping[str, int],
    service: pd.DataFrame,
    config: Config,
) -> dict[str, Late]:
    """Return the units of which something changed that was judged already, or came after.

    Parameters
    ----------
    fresh
        Cycles that the state has not seen.
    rejudge
        Units whose cycles changed: the earliest end [ms].
    """
    month = int(carried.state["monthly"]["code"])
    seen = {u: carried.seen_ms(u) / DAY_MS for u in carried.state["units"]}
    first = pd.Series(event_days(fresh)).groupby(fresh["unit_id"].to_numpy(dtype=str)).min()
    found = late_units(
        seen,
        {str(u): float(t) for u, t in first.items()},
        (repairs_of_state(carried.state), repairs_of(service, None)),
        month,
        lambda unit: config.unit(unit).site or "",
    )
    for unit, time in sorted(rejudge.items()):
        last = carried.seen_ms(unit)
        if not math.isnan(last) and time <= round(last):
            code = int(month_of(np.array([time / DAY_MS]))[0])
            code = min(code, found[unit].month) if unit in found else code
            found[unit] = Late(code, f"cycles of {unit} changed that were judged already")
    return found
