"""Judge the fleet's cycles and publish what changed.

A night goes on from the state that the last one left. Late data and changed settings
or service replay all cycles in event order, so the result depends on what the store
holds and not on the order of arrival. A new month is fitted from a window of rows
that nights before kept. ``recorded_at`` of a flag is
the run that learned it first; what was shown stays in the journal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from ..models import Judged, ReplayNeededError, judge, judge_night, state_of
from ..models.crew import Alone, Crew
from ..models.late import Again, Late
from ..models.months import month_name, month_of, month_stamp, stamp, to_days
from ..models.recall import window_start
from ..models.result import with_journal
from ..shared.config import Config
from ..shared.schema import FLAGS, JUDGEMENTS, RESIDUALS, Table
from .judge_again import BEGINS, begins_frame, months_kept, what_again
from .judge_state import (
    JUDGED,
    REJUDGE,
    Before,
    Carried,
    ended,
    month_key,
    read_before,
    read_states,
    recent_cycles,
    service_digests,
    settled,
    unseen,
    what_came_late,
    write_state,
)
from .keepers import Processes
from .store import Snapshot
from .table_changes import changed_keys, publish_since
from .work import Work


@dataclass(frozen=True)
class Tables:
    """What judging makes."""

    judgements: pd.DataFrame
    flags: pd.DataFrame
    residuals: pd.DataFrame
    forecasts: pd.DataFrame | None = None
    """As they were made in time; only where judging was replayed."""


@dataclass(frozen=True)
class JudgeResult:
    """What the stage changed."""

    units: tuple[str, ...]
    """Units of which a judgement or flag differs from before."""
    opened: int
    risen: int
    closed: int
    cycles: int
    """Cycles with a new or different verdict."""


def judge_tables(snapshot: Snapshot, config: Config, as_of: pd.Timestamp) -> Tables:
    """Judge what a snapshot holds up to a moment; nothing is written."""
    cycles = settled(snapshot.table("cycles"), as_of)
    service = seen_service(snapshot.table("service"), as_of)
    judged = judge(cycles, service, config, as_of=as_of, journal=snapshot.table("journal"))
    return Tables(
        JUDGEMENTS.conform(judged.judgements),
        FLAGS.conform(judged.flags),
        RESIDUALS.conform(judged.residuals),
        judged.forecasts,
    )


def seen_cycles(cycles: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return the cycles that had ended at a moment."""
    return cycles[(cycles["ended_at"] <= as_of).to_numpy()].reset_index(drop=True)


def seen_service(service: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return the service entries of a moment, without those that were taken back."""
    undone = service["undone"].fillna(False).astype(bool)
    return service[((service["time"] <= as_of) & ~undone).to_numpy()].reset_index(drop=True)


def judged_before(work: Work) -> pd.Timestamp | None:
    """Return the moment that the judgement before this run looked from, or None."""
    document = work.snapshot.state(JUDGED)
    return None if document is None else pd.Timestamp(document["as_of"]).as_unit("ms")


def note_rejudge(work: Work) -> None:
    """Keep for a later run which units' cycles changed, from when on."""
    before = work.snapshot.state(REJUDGE) or {}
    merged = _earliest(before, work.rejudge)
    if merged != before:
        work.txn.put_state(REJUDGE, merged)
        work.changed = True


def judge_fleet(work: Work) -> JudgeResult:
    """Judge what is new, or all cycles anew where it must be, and publish what differs."""
    view = work.txn.preview()
    before = read_before(work.snapshot, work.config)
    rejudge = _earliest(before.rejudge or {}, work.rejudge)
    service = seen_service(view.table("service"), work.as_of)
    digests = service_digests(service)
    work.report("judging", 0, 1)
    night = _go_on(work, view, before, rejudge, service, digests)
    if isinstance(night, str):
        fresh = settled(view.table("cycles"), work.as_of)
        night = Night(night, None, fresh, *_judge(work, None, fresh, service), None, None)
    own = None if night.carried is None else sorted(night.state.get("units", {}))
    judged = with_journal(night.judged, view.table("journal", units=own), work.as_of)
    work.explain("judge", "fleet", night.why)
    work.report("judging", 1, 1)
    result = _publish(work, view, judged, night.stretch, own)
    if work.changed and night.state:  # there is none before the first cycle
        _keep(work, before, night)
        months = months_kept(before, judged.begins, night.again, whole=night.carried is None)
        write_state(
            work.txn,
            night.state,
            before,
            night.carried,
            work.as_of,
            work.config,
            digests,
            months,
        )
    if before.rejudge:
        work.txn.put_state(REJUDGE, {})
        work.changed = True
    return result


@dataclass(frozen=True)
class Night:
    """What was judged."""

    why: str
    carried: Carried | None
    """What it went on from; None: all was judged."""
    cycles: pd.DataFrame
    judged: Judged
    state: dict[str, Any]
    again: Again | None
    stretch: Mapping[str, pd.Timestamp] | None
    """By unit with news, from when on what was published is compared; None: all."""


def _judge(
    work: Work,
    state: dict[str, Any] | None,
    cycles: pd.DataFrame,
    service: pd.DataFrame,
    recalled: pd.DataFrame | None = None,
    again: Again | None = None,
) -> tuple[Judged, dict[str, Any]]:
    return judge_night(
        state,
        cycles,
        service,
        work.config,
        as_of=work.as_of,
        recalled=recalled,
        again=again,
        crew=_crew(work),
    )


def _go_on(
    work: Work,
    view: Snapshot,
    before: Before,
    rejudge: Mapping[str, int],
    service: pd.DataFrame,
    digests: Mapping[str, str],
) -> Night | str:
    """Judge on from the last night's state; return why it can't be done where it is so."""
    if before.as_of is not None and work.as_of < before.as_of:
        work.warnings.append(
            f"judged as of {work.as_of:%Y-%m-%d %H:%M} UTC, but a run before looked from "
            f"{before.as_of:%Y-%m-%d %H:%M} UTC: what came between is hidden until the next run"
        )
        return "an earlier moment was asked for"
    if before.why or before.as_of is None:
        return before.why
    recent = recent_cycles(view, before.as_of, rejudge, work.as_of)
    months = month_of(to_days(ended(recent))) if len(recent) else np.zeros(0, dtype=np.int64)
    later = months[months > before.month]
    begins = int(later.min()) if later.size else None
    carried = read_states(
        work.snapshot,
        before,
        _concerned(work.config, before, recent, rejudge, digests)
        if begins is None
        else before.units,
    )
    if carried is None:
        return "the state of judging is not complete"
    fresh = unseen(recent, carried)
    late = what_came_late(carried, fresh, rejudge, service, work.config)
    try:
        if late:
            return _again(work, view, before, carried, fresh, service, late, begins)
        recalled = None
        if begins is not None:
            recalled = view.table("recall", since=stamp(window_start(before.month + 1)))
        judged, state = _judge(work, carried.state, fresh, service, recalled)
    except ReplayNeededError as error:
        return str(error)
    why = f"{len(fresh)} new cycles, on from the last night's state"
    return Night(why, carried, fresh, judged, state, None, _first_starts(fresh))


def _again(
    work: Work,
    view: Snapshot,
    before: Before,
    carried: Carried,
    fresh: pd.DataFrame,
    service: pd.DataFrame,
    late: Mapping[str, Late],
    begins: int | None,
) -> Night | str:
    """Judge again what something late concerns, and go on with all else."""
    found = what_again(view, work.config, before, late, work.as_of, begins)
    if isinstance(found, str):
        return found
    since = found.again.since
    new = fresh[~fresh["unit_id"].isin(list(since))]
    cycles = pd.concat([found.cycles, new], ignore_index=True)
    state = state_of(found.monthly or carried.state["monthly"], found.units)
    for part in ("units", "power", "repairs"):
        kept = carried.state[part]
        state[part] = {**{u: d for u, d in kept.items() if u not in since}, **state[part]}
    judged, state = _judge(work, state, cycles, service, found.recalled, found.again)
    first = min(month_name(m) for m in since.values())
    why = (
        f"{next(iter(late.values())).why}: {len(since)} units judged again from {first} on, "
        f"{len(cycles)} cycles"
    )
    stretch = {**_first_starts(new), **found.stretch}
    return Night(why, carried, cycles, judged, state, found.again, stretch)


def _first_starts(cycles: pd.DataFrame) -> dict[str, pd.Timestamp]:
    return {str(u): t for u, t in cycles.groupby("unit_id")["started_at"].min().items()}


def _crew(work: Work) -> Crew:
    """Return the run's processes; they are given cycles, since what was found tonight is in no
    store yet."""
    if work.workers <= 1 and work.scheduler is None:
        return Alone()
    return Processes(work.workers, work.scheduler, work.parts)


def _concerned(
    config: Config,
    before: Before,
    recent: pd.DataFrame,
    rejudge: Mapping[str, int],
    digests: Mapping[str, str],
) -> set[str]:
    """Return the units with news and those at their sites, which share their mains."""
    held = before.service or {}
    units = {str(u) for u in recent["unit_id"].unique()} | set(rejudge)
    units |= {u for u in {*held, *digests} if held.get(u) != digests.get(u)}
    units |= {u.id for u in config.units if u.retired_at is not None}
    sites = {config.unit(u).site for u in units} - {"", None}
    return units | {u for u in before.units if config.unit(u).site in sites}


def _keep(work: Work, before: Before, night: Night) -> None:
    """Keep the rows that the fits of later months read, and the begins of months."""
    rows = night.judged.recall
    begun = night.judged.begins
    frame = begins_frame({m: b.units for m, b in begun.items()})
    known = set(frame["unit_id"])
    if night.carried is None:
        old = set(work.snapshot.table("recall", columns=["unit_id"])["unit_id"])
        work.txn.replace_many("recall", rows, sorted(old | set(rows["unit_id"])))
        work.txn.replace_many(BEGINS, frame, sorted(before.units | known))
    elif night.again is not None:
        since = {u: month_stamp(m) for u, m in night.again.since.items()}
        work.txn.replace_since_many("recall", rows.iloc[:0], since)
        work.txn.append("recall", rows)
        first = frame.groupby("unit_id")["begins_at"].min()
        work.txn.replace_since_many(BEGINS, frame, {str(u): t for u, t in first.items()})
    else:
        work.txn.append("recall", rows)
        work.txn.append(BEGINS, frame)
    fixed = {} if night.again is None else night.again.months
    work.txn.put_states({month_key(m): b.monthly for m, b in begun.items() if m not in fixed})


def _publish(
    work: Work,
    view: Snapshot,
    judged: Judged,
    stretch: Mapping[str, pd.Timestamp] | None,
    concerned: list[str] | None,
) -> JudgeResult:
    """Put judgements, residuals and flags that differ from before into the transaction.

    Parameters
    ----------
    stretch
        By unit with news, from when on judgements are compared; None: all are.
    concerned
        Units whose flags were judged; None: all, and the cycles are all there are.
    """
    units: list[str] = []
    verdicts = 0
    own = None if stretch is None else sorted(stretch)
    for table, made in ((JUDGEMENTS, judged.judgements), (RESIDUALS, judged.residuals)):
        if own == []:
            break  # no new cycles: only flags may differ
        old = view.table(table.name, units=own, since=min(stretch.values()) if stretch else None)
        old = _sorted(table.conform(old), table.key)
        times = _times(table, old)
        if stretch is not None and len(old):
            within = (times >= old["unit_id"].map(dict(stretch))).to_numpy(dtype=bool)
            old, times = old[within].reset_index(drop=True), times[within]
        new = _sorted(table.conform(made), table.key)
        differing = publish_since(work.txn, table, old, new, (times, _times(table, new)))
        work.changed = work.changed or bool(differing)
        if table is JUDGEMENTS:
            units = differing
            pair = ["cycle_id", "verdict"]
            verdicts = len(changed_keys(old[pair], new[pair], ["cycle_id"]))
    old_flags = FLAGS.conform(view.table("flags", units=concerned))
    flags = keep_recorded(FLAGS.conform(judged.flags), old_flags, work.recorded_at)
    keys = changed_keys(old_flags, flags, list(FLAGS.key))
    flagged = _publish_flags(work, old_flags, flags, keys)
    work.changed = work.changed or bool(flagged)
    for unit in sorted({*units, *flagged}):
        work.explain("judge", unit, "judgements or flags differ from before")
    counts = _flag_events(old_flags, flags, keys)
    return JudgeResult(tuple(sorted({*units, *flagged})), *counts, cycles=verdicts)


def _earliest(one: Mapping[str, int], other: Mapping[str, int]) -> dict[str, int]:
    return {
        u: min(t for t in (one.get(u), other.get(u)) if t is not None)
        for u in sorted({*one, *other})
    }


def _times(table: Table, frame: pd.DataFrame) -> pd.Series:
    return frame["started_at"] if "started_at" in frame.columns else _cycle_times(frame)


def keep_recorded(
    flags: pd.DataFrame, old: pd.DataFrame, recorded_at: pd.Timestamp
) -> pd.DataFrame:
    """Return flags with the run that first learned each of them."""
    key = list(FLAGS.key)
    known = old[[*key, "recorded_at"]].rename(columns={"recorded_at": "_known"})
    merged = flags[key].merge(known, on=key, how="left")
    first = merged["_known"].astype("datetime64[ms, UTC]").fillna(recorded_at)
    return FLAGS.conform(flags.assign(recorded_at=first.to_numpy()))


def _publish_flags(
    work: Work, old: pd.DataFrame, flags: pd.DataFrame, keys: pd.DataFrame
) -> list[str]:
    """Replace the flags of units that differ; what is shown anew goes into the journal."""
    if not len(keys):
        return []
    shown = flags.merge(keys, on=list(FLAGS.key), how="inner")
    gone = old.merge(keys, on=list(FLAGS.key), how="inner")
    units = sorted({str(u) for u in [*shown["unit_id"], *gone["unit_id"]]})
    work.txn.replace_many("flags", flags[flags["unit_id"].isin(units)], units)
    if len(shown):
        work.txn.append("journal", FLAGS.conform(shown).assign(recorded_at=work.recorded_at))
    return units


def _flag_events(
    old: pd.DataFrame, flags: pd.DataFrame, keys: pd.DataFrame
) -> tuple[int, int, int]:
    """Return how many episodes were opened, rose and were closed, also within one run."""
    new = flags.merge(keys, on=list(FLAGS.key), how="inner")
    was_open = set(old.loc[old["closed_at"].isna(), "flag_id"])
    known = set(old["flag_id"])
    is_open = set(flags.loc[flags["closed_at"].isna(), "flag_id"])
    added = new[~_in(new, old)]
    opened = set(added["flag_id"]) - known
    rows = new["flag_id"].value_counts()
    risen = {f for f in added["flag_id"] if f in known or rows.get(f, 0) > 1}
    return len(opened), len(risen), len((was_open | opened) - is_open)


def _in(frame: pd.DataFrame, other: pd.DataFrame) -> pd.Series:
    pairs = pd.MultiIndex.from_frame(frame[list(FLAGS.key)].astype(object))
    return pd.Series(pairs.isin(pd.MultiIndex.from_frame(other[list(FLAGS.key)].astype(object))),
                     index=frame.index)  # fmt: skip


def _sorted(frame: pd.DataFrame, key: tuple[str, ...]) -> pd.DataFrame:
    return frame.sort_values(["unit_id", *key], kind="stable", ignore_index=True)


def _cycle_times(frame: pd.DataFrame) -> pd.Series:
    """Return the times that the store orders judgements by: the end of the cycle's id."""
    text = [str(i).rpartition("@")[2] for i in frame["cycle_id"]]
    parsed: Any = pd.to_datetime(pd.Series(text, dtype=object), utc=True, format="ISO8601")
    return pd.Series(parsed.astype("datetime64[ms, UTC]"))
