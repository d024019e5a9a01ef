"""Judge the fleet's cycles and publish what changed.

A night goes on from the state that the last one left. Late data, changed settings
or service, and a new month replay all cycles in event order, so the result depends
on what the store holds and not on the order of arrival. ``recorded_at`` of a flag is
the run that learned it first; what was shown stays in the journal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from ..models import Judged, ReplayNeededError, judge, judge_night
from ..models.result import with_journal
from ..shared.config import Config
from ..shared.schema import FLAGS, JUDGEMENTS, RESIDUALS, Table
from .judge_state import (
    JUDGED,
    REJUDGE,
    came_late,
    new_cycles,
    read_before,
    settled,
    write_state,
)
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
    carried, why = before.carried, before.why
    rejudge = _earliest(before.rejudge, work.rejudge)
    if before.as_of is not None and work.as_of < before.as_of:
        carried, why = None, "the last run looked from a later moment"
    if carried is not None and (late := came_late(carried, rejudge)):
        carried, why = None, f"cycles of {late} changed that were judged already"
    work.report("judging", 0, 1)
    service = seen_service(view.table("service"), work.as_of)
    judged = None
    if carried is not None:
        fresh = new_cycles(view, carried, rejudge, work.as_of)
        try:
            judged, state = judge_night(
                carried.state, fresh, service, work.config, as_of=work.as_of
            )
            why = f"{len(fresh)} new cycles, on from the last night's state"
        except ReplayNeededError as error:
            carried, why = None, str(error)
    if judged is None:
        fresh = settled(view.table("cycles"), work.as_of)
        judged, state = judge_night(None, fresh, service, work.config, as_of=work.as_of)
    judged = with_journal(judged, view.table("journal"), work.as_of)
    work.explain("judge", "fleet", why)
    work.report("judging", 1, 1)
    result = _publish(work, view, judged, fresh, whole=carried is None)
    if work.changed and state:  # there is none before the first cycle
        write_state(work.txn, state, carried, work.as_of, work.config)
    if before.rejudge:
        work.txn.put_state(REJUDGE, {})
        work.changed = True
    return result


def _publish(
    work: Work, view: Snapshot, judged: Judged, fresh: pd.DataFrame, *, whole: bool
) -> JudgeResult:
    """Put judgements, residuals and flags that differ from before into the transaction.

    Parameters
    ----------
    fresh
        The cycles that were judged.
    whole
        They are all there are; else only these units' last stretches are looked at.
    """
    units: list[str] = []
    verdicts = 0
    since = None if whole else fresh.groupby("unit_id")["started_at"].min()
    own = None if since is None else [str(u) for u in since.index]
    for table, made in ((JUDGEMENTS, judged.judgements), (RESIDUALS, judged.residuals)):
        if own == []:
            break  # no new cycles: only flags may differ
        old = view.table(table.name, units=own, since=None if own is None else _first(since))
        old = _sorted(table.conform(old), table.key)
        times = _times(table, old)
        if since is not None and len(old):
            stretch = (times >= old["unit_id"].map(since)).to_numpy(dtype=bool)
            old, times = old[stretch].reset_index(drop=True), times[stretch]
        new = _sorted(table.conform(made), table.key)
        differing = publish_since(work.txn, table, old, new, (times, _times(table, new)))
        work.changed = work.changed or bool(differing)
        if table is JUDGEMENTS:
            units = differing
            pair = ["cycle_id", "verdict"]
            verdicts = len(changed_keys(old[pair], new[pair], ["cycle_id"]))
    old_flags = FLAGS.conform(view.table("flags"))
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


def _first(since: pd.Series | None) -> pd.Timestamp | None:
    return None if since is None or not len(since) else since.min()


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
