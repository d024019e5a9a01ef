"""What has to be judged again where something came late, and what that takes.

The state of each unit is kept as each month begins. A late export, or a service row that
is dated back, sends the units of its site back to the begin of that month. The references
of the months after are fitted again where a unit of that site is among those that fits
read; then all units are judged again, from the begin of the first such month on.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from ..models.late import Again, Late
from ..models.months import month_of, month_stamp, stamp, to_days
from ..models.recall import fitted_on, sampled_names, window_start
from ..shared.config import Config
from .judge_state import MARGIN, Before, ended, month_key, settled
from .store import Snapshot

BEGINS: Final = "begins"
TICK: Final = pd.Timedelta(milliseconds=1)


@dataclass(frozen=True)
class JudgedAgain:
    """Where to go on from."""

    again: Again
    monthly: Mapping[str, Any]
    """References of the first month."""
    units: Mapping[str, Mapping[str, Any]]
    """States as their months began."""
    cycles: pd.DataFrame
    """Of the units that are judged again, from their month on."""
    stretch: Mapping[str, pd.Timestamp]
    """By unit, from when on what was published is compared."""
    recalled: pd.DataFrame | None


def what_again(
    view: Snapshot,
    config: Config,
    before: Before,
    late: Mapping[str, Late],
    as_of: pd.Timestamp,
    begins: int | None,
) -> JudgedAgain | str:
    """Return what is to be judged again, or why all has to be.

    Parameters
    ----------
    view
        The store as it would be after this run.
    late
        Units of which something came late.
    as_of
        The run's moment.
    begins
        The first month that begins with this run's cycles, None where none does.
    """
    since = _sites(config, before, late)
    if min(since.values()) < min(before.months, default=0) or not before.months:
        return f"{next(iter(late.values())).why}, of a month whose begin is not kept"
    cycles = _cycles(view, since, as_of)
    refit = _refit(view, config, before, since, cycles, begins)
    if isinstance(refit, str):
        return refit
    if refit is not None:
        earlier = {u: m for u, m in since.items() if m <= refit}
        others = dict.fromkeys({*before.units, *since} - earlier.keys(), refit)
        if refit <= before.month:
            since = {**others, **earlier}
            cycles = _cycles(view, since, as_of)
    first = min(since.values())
    known = [c for c in before.months if c >= first and (refit is None or c < refit)]
    documents = view.states([month_key(c) for c in known])
    if len(documents) != len(known):
        return "the references of an earlier month are not complete"
    held = {c: documents[month_key(c)] for c in known}
    recalled = None
    if refit is not None:
        recalled = view.table("recall", since=stamp(window_start(refit)))
        own = recalled["unit_id"].map({u: month_stamp(m) for u, m in since.items()})
        again = (recalled["ended_at"] >= own.astype(recalled["ended_at"].dtype)).fillna(False)
        recalled = recalled[~again.to_numpy(dtype=bool)].reset_index(drop=True)
    return JudgedAgain(
        Again(held, since),
        held[min(held)] if held else {},
        _states(view, before, since),
        cycles,
        _stretch(view, since),
        recalled,
    )


def _sites(config: Config, before: Before, late: Mapping[str, Late]) -> dict[str, int]:
    """Return the units that share a site with a late one, and their month."""
    first: dict[str, int] = {}
    for unit, one in late.items():
        group = config.unit(unit).site or f"unit {unit}"
        first[group] = min(one.month, first.get(group, one.month))
    out = {}
    for unit in sorted({*before.units, *late}):
        group = config.unit(unit).site or f"unit {unit}"
        if group in first:
            out[unit] = first[group]
    return out


def _cycles(view: Snapshot, since: Mapping[str, int], as_of: pd.Timestamp) -> pd.DataFrame:
    """Return the units' cycles that ended in their month or later."""
    parts = []
    for month in sorted(set(since.values())):
        units = [u for u, m in since.items() if m == month]
        begin = month_stamp(month)
        found = settled(view.table("cycles", units=units, since=begin - MARGIN), as_of)
        parts.append(found[(ended(found) >= begin).to_numpy()])
    return pd.concat(parts, ignore_index=True)


def _stretch(view: Snapshot, since: Mapping[str, int]) -> dict[str, pd.Timestamp]:
    """Return by unit the start from which cycles are judged again, also those that are gone."""
    out: dict[str, pd.Timestamp] = {}
    for month in sorted(set(since.values())):
        units = [u for u, m in since.items() if m == month]
        begin = month_stamp(month)
        columns = ["unit_id", "started_at", "ended_at", "exposure_end"]
        found = view.table("cycles", units=units, since=begin - MARGIN, columns=columns)
        stay = found[(ended(found) < begin).to_numpy()]
        last = stay.groupby("unit_id")["started_at"].max()
        out |= dict.fromkeys(units, begin - MARGIN)
        out |= {str(unit): after + TICK for unit, after in last.items()}
    return out


def _refit(
    view: Snapshot,
    config: Config,
    before: Before,
    since: Mapping[str, int],
    cycles: pd.DataFrame,
    begins: int | None,
) -> int | str | None:
    """Return the first month whose references change, None where none do, or why it can't be
    told."""
    own = month_of(to_days(ended(cycles))) if len(cycles) else np.zeros(0, dtype=np.int64)
    there = {*before.months, *own.tolist(), *([] if begins is None else [begins])}
    found = [c for c in there if c not in before.months]  # a month without cycles until now
    seen: dict[int, set[str]] = {}
    for month in sorted(set(since.values())):
        after = min((c for c in there if c > month), default=None)
        if after is None or (found and min(found) <= after):
            continue
        units = {u for u, m in since.items() if m == month}
        seen[after] = {*_seen_at(view, before, after), *units}
        if units & fitted_on(seen[after], lambda u: config.unit(u).type):
            found.append(after)
    if not found:
        return None
    refit = int(min(found))
    names = seen[refit] if refit in seen else {*_seen_at(view, before, refit), *since}
    kept = set(sampled_names({*before.units, *since}, lambda u: config.unit(u).type))
    if not set(sampled_names(names, lambda u: config.unit(u).type)) <= kept:
        return "units joined since, and rows of those they are fitted on are not kept"
    return refit


def _kept(before: Before, month: int) -> int | None:
    """Return the month whose begin equals that of a month: no cycle lies between."""
    return min((c for c in before.months if c >= month), default=None)


def _seen_at(view: Snapshot, before: Before, month: int) -> set[str]:
    kept = _kept(before, month)
    if kept is None:
        return set(before.units)
    at = month_stamp(kept)
    found = view.table(BEGINS, since=at, columns=["unit_id", "begins_at"])
    return set(found.loc[found["begins_at"] == at, "unit_id"].astype(object))


def _states(
    view: Snapshot, before: Before, since: Mapping[str, int]
) -> dict[str, Mapping[str, Any]]:
    """Return the units' states as their months began; units that were not seen then have none."""
    out: dict[str, Mapping[str, Any]] = {}
    for month in sorted(set(since.values())):
        kept = _kept(before, month)
        units = [u for u, m in since.items() if m == month]
        assert kept is not None
        at = month_stamp(kept)
        found = view.table(BEGINS, units=units, since=at)
        found = found[(found["begins_at"] == at).to_numpy()]
        for unit, text in zip(found["unit_id"], found["document"], strict=True):
            out[str(unit)] = json.loads(text)
    return out


def begins_frame(documents: Mapping[int, Mapping[str, Mapping[str, Any]]]) -> pd.DataFrame:
    """Return units' states as months began as rows of the store's table."""
    rows: list[tuple[str, pd.Timestamp, str]] = []
    for month, units in sorted(documents.items()):
        at = month_stamp(month)
        rows += [
            (unit, at, json.dumps(held, separators=(",", ":"), sort_keys=True, allow_nan=False))
            for unit, held in sorted(units.items())
        ]
    frame = pd.DataFrame(rows, columns=["unit_id", "begins_at", "document"])
    return frame.astype({"begins_at": "datetime64[ms, UTC]"})


def months_kept(
    before: Before, begun: Collection[int], again: Again | None, *, whole: bool
) -> list[int]:
    """Return the months whose begin the store holds after a run.

    Parameters
    ----------
    begun
        Months that began in the run.
    again
        What was judged again, None where nothing was, or all.
    whole
        All was judged.
    """
    if whole:
        return sorted(begun)
    refit = [] if again is None else [c for c in begun if c not in again.months]
    stay = [c for c in before.months if not refit or c < min(refit)]
    return sorted({*stay, *begun})
