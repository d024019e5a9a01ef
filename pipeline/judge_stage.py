"""Judge the fleet's cycles and publish what changed.

Judging replays all cycles in event order, so its result depends on what the
store holds and not on the order of arrival. ``recorded_at`` of a flag is the run
that learned it first; what was shown stays in the journal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import pandas as pd

from ..models import judge
from ..shared.config import Config
from ..shared.schema import FLAGS, JUDGEMENTS, RESIDUALS
from .store import Snapshot
from .table_changes import changed_keys, publish_since
from .work import Work

STATE: Final = "judged"


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
    cycles = seen_cycles(snapshot.table("cycles"), as_of)
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
    document = work.snapshot.state(STATE)
    return None if document is None else pd.Timestamp(document["as_of"]).as_unit("ms")


def judge_fleet(work: Work) -> JudgeResult:
    """Judge all cycles and put what differs into the transaction."""
    before = judged_before(work)
    if before is not None and work.as_of < before:
        work.warnings.append(
            f"judged as of {work.as_of:%Y-%m-%d %H:%M} UTC, but a run before looked from "
            f"{before:%Y-%m-%d %H:%M} UTC: what came between is hidden until the next run"
        )
    view = work.txn.preview()
    work.report("judging", 0, 1)
    tables = judge_tables(view, work.config, work.as_of)
    work.report("judging", 1, 1)
    old = Tables(
        JUDGEMENTS.conform(view.table("judgements")),
        FLAGS.conform(view.table("flags")),
        RESIDUALS.conform(view.table("residuals")),
    )
    was = _sorted(old.judgements, JUDGEMENTS.key)
    new = _sorted(tables.judgements, JUDGEMENTS.key)
    judged = publish_since(work.txn, JUDGEMENTS, was, new, (_cycle_times(was), _cycle_times(new)))
    was = _sorted(old.residuals, RESIDUALS.key)
    new = _sorted(tables.residuals, RESIDUALS.key)
    residual = publish_since(work.txn, RESIDUALS, was, new, (was["started_at"], new["started_at"]))
    flags = keep_recorded(tables.flags, old.flags, work.recorded_at)
    keys = changed_keys(old.flags, flags, list(FLAGS.key))
    units = _publish_flags(work, old.flags, flags, keys)
    for unit in sorted({*judged, *units}):
        work.explain("judge", unit, "judgements or flags differ from before")
    if judged or residual or units:
        work.txn.put_state(STATE, {"as_of": work.as_of.isoformat()})
        work.changed = True
    counts = _flag_events(old.flags, flags, keys)
    verdicts = changed_keys(
        old.judgements[["cycle_id", "verdict"]],
        tables.judgements[["cycle_id", "verdict"]],
        ["cycle_id"],
    )
    return JudgeResult(tuple(sorted({*judged, *units})), *counts, cycles=len(verdicts))


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
    """Return how many episodes were opened, rose and were closed."""
    new = flags.merge(keys, on=list(FLAGS.key), how="inner")
    was_open = set(old.loc[old["closed_at"].isna(), "flag_id"])
    known = set(old["flag_id"])
    is_open = set(flags.loc[flags["closed_at"].isna(), "flag_id"])
    added = new[~_in(new, old)]
    opened = set(added["flag_id"]) - known
    risen = set(added["flag_id"]) & known
    return len(opened), len(risen), len(was_open - is_open)


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
