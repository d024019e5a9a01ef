"""Find the cycles in new samples: only touched units, from where each may go on.

A unit's small document in the store says with which configuration its cycles
were found and from where extraction resumes. Points of earlier runs are kept,
so that late samples need a short way back and not the whole trace.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final

import pandas as pd

from ..features import extract
from ..shared.config import Limits, Unit
from ..shared.errors import ChamberdriftError
from ..shared.schema import CYCLES
from .executor import run_chunked
from .judge_state import ended
from .store import Snapshot, TraceTask
from .table_changes import changed_keys
from .work import Work

STAGE_VERSION: Final = 1
"""Raise it when extraction changes its numbers: all cycles are then found anew."""
KEPT_POINTS: Final = 90
"""Resume points kept for late data, one a run (a season of nights; no source)."""
STATE: Final = "extract/"
PENDING: Final = "pending"


@dataclass(frozen=True)
class ExtractTask:
    """One unit's work: paths and settings, no samples."""

    unit: Unit
    limits: Limits
    trace: TraceTask
    earlier: pd.DataFrame
    """Final cycles before the trace."""


@dataclass(frozen=True)
class Extracted:
    """One unit's cycles, or why there are none."""

    unit_id: str
    cycles: pd.DataFrame
    resume_from: pd.Timestamp | None
    error: str = ""


@dataclass(frozen=True)
class ExtractResult:
    """What the stage did."""

    units: tuple[str, ...]
    new_cycles: int
    changed: tuple[str, ...]
    """Units whose cycles differ from before."""


def pending_units(snapshot: Snapshot) -> dict[str, int]:
    """Return units with samples that extraction has not seen: earliest new time, ms."""
    document = snapshot.state(PENDING) or {}
    return {str(u): int(t) for u, t in document.get("extract", {}).items()}


def note_pending(work: Work, touched: Mapping[str, int]) -> None:
    """Keep for a later run which units have new samples, from when on [ms]."""
    before = pending_units(work.snapshot)
    merged = {**before, **{u: min(t, before.get(u, t)) for u, t in touched.items()}}
    if merged != before:
        work.txn.put_state(PENDING, {"extract": merged})


def settings_digest(unit: Unit, limits: Limits) -> str:
    """Return a digest of everything but the samples that a unit's cycles depend on."""
    relevant = {k: v for k, v in asdict(unit).items() if k not in ("site", "retired_at")}
    text = repr((STAGE_VERSION, sorted(relevant.items()), sorted(asdict(limits).items())))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def extract_units(
    work: Work, touched: Mapping[str, int], *, everything: bool = False
) -> ExtractResult:
    """Find the cycles of units with new samples or changed settings.

    Parameters
    ----------
    work
        The run; cycles and resume points go into its transaction.
    touched
        Units with new samples in this run and the earliest new time [ms].
    everything
        Find the cycles of all units anew, from their first samples.
    """
    waiting = pending_units(work.snapshot)
    since = {**waiting, **{u: min(t, waiting.get(u, t)) for u, t in touched.items()}}
    view = work.txn.preview()
    units = view.unit_ids()
    states = view.states([STATE + u for u in units])
    spans = view.unit_spans()
    starts: dict[str, pd.Timestamp | None] = {}
    for unit in units:
        state = states.get(STATE + unit, {})
        digest = settings_digest(work.config.unit(unit), work.config.limits)
        if everything or state.get("digest") != digest:
            starts[unit] = None
            why = "all cycles anew" if everything else "settings changed"
            work.explain("extract", unit, why if state else "new unit")
        elif unit in since:
            starts[unit] = resume_point(state.get("points", []), since[unit])
            where = starts[unit]
            work.explain(
                "extract",
                unit,
                f"new samples from {_iso(since[unit])}, resumed at "
                f"{'the first sample' if where is None else _iso(_ms(where))}",
            )
    stored = view.table("cycles", units=sorted(starts)) if starts else CYCLES.empty()
    stored = CYCLES.conform(stored.sort_values("started_at", kind="stable"))
    by_unit = dict(tuple(stored.groupby("unit_id", sort=True)))
    tasks = []
    for unit, start in sorted(starts.items()):
        before = by_unit.get(unit, CYCLES.empty())
        starts[unit] = start = _after_forgotten(view, unit, before) if start is None else start
        tasks.append(_task(work, view, unit, start, before))
    new = 0
    changed: dict[str, pd.DataFrame] = {}
    documents: dict[str, dict[str, Any]] = {}
    done: list[str] = []
    results = run_chunked(
        extract_unit, tasks, workers=work.workers, scheduler=work.scheduler, chunk=4
    )
    for count, (task, found) in enumerate(zip(tasks, results, strict=True), start=1):
        work.report("cycles", count, len(tasks))
        unit = task.unit.id
        if found.error:
            work.fail("extract", unit, found.error)
            continue
        differing = _difference(work, unit, starts[unit], by_unit.get(unit), found)
        if differing is not None:
            new += differing[1]
            changed[unit] = differing[0]
        documents[STATE + unit] = {
            "digest": settings_digest(task.unit, work.config.limits),
            "points": next_points(
                states.get(STATE + unit, {}).get("points", []),
                starts[unit],
                since.get(unit),
                spans[unit].last,
                found.resume_from,
            ),
        }
        done.append(unit)
    _publish(work, starts, changed)
    documents = {k: d for k, d in documents.items() if d != states.get(k)}
    if documents:
        work.txn.put_states(documents)
        work.changed = True
    _settle_pending(work, done, since)
    return ExtractResult(tuple(done), new, tuple(changed))


def extract_unit(task: ExtractTask) -> Extracted:
    """Read a unit's samples and find its cycles; an error stays with the unit."""
    unit = task.unit.id
    try:
        found = extract(task.trace.read(), task.unit, task.limits, earlier=task.earlier)
    except ChamberdriftError as error:
        return Extracted(unit, CYCLES.empty(), None, str(error))
    except Exception as error:
        return Extracted(unit, CYCLES.empty(), None, f"{type(error).__name__}: {error}")
    return Extracted(unit, found.cycles, found.resume_from)


def _task(
    work: Work, view: Snapshot, unit: str, start: pd.Timestamp | None, before: pd.DataFrame
) -> ExtractTask:
    earlier = before.iloc[:0] if start is None else before[before["started_at"] < start]
    return ExtractTask(
        work.config.unit(unit),
        work.config.limits,
        view.trace_task(unit, start),
        earlier.reset_index(drop=True),
    )


def _after_forgotten(view: Snapshot, unit: str, before: pd.DataFrame) -> pd.Timestamp | None:
    """Return the first sample kept, where samples of older cycles were removed; else None."""
    files = view.trace_files(unit)
    first = _time(min(f.low for f in files)) if files else None
    older = before["started_at"].min() < first if first is not None and len(before) else False
    return first if older else None


def resume_point(points: Sequence[Sequence[int]], since: int) -> pd.Timestamp | None:
    """Return where to go on for samples from ``since`` [ms] on; None: from the first.

    Parameters
    ----------
    points
        Of each earlier run, the last sample it knew and the first one that it said
        is needed with later data [ms]. What a run said holds as long as no sample
        came in before its last one.
    """
    good = [first for seen, first in points if seen < since]
    return _time(max(good)) if good else None


def next_points(
    points: Sequence[Sequence[int]],
    start: pd.Timestamp | None,
    since: int | None,
    seen: int,
    resume_from: pd.Timestamp | None,
) -> list[list[int]]:
    """Return the resume points after a run that knew samples up to ``seen`` [ms]."""
    limit = since if since is not None else seen
    kept = [list(p) for p in points if start is not None and p[0] < limit]
    if resume_from is not None:
        kept.append([seen, _ms(resume_from)])
    return kept[-KEPT_POINTS:]


def _difference(
    work: Work,
    unit: str,
    start: pd.Timestamp | None,
    before: pd.DataFrame | None,
    found: Extracted,
) -> tuple[pd.DataFrame, int] | None:
    """Return a unit's cycles from ``start`` on and how many are new, or None if none differ."""
    fresh = found.cycles
    if before is None or not len(before):
        return _all_new(work, unit, fresh)
    old = before if start is None else before[before["started_at"] >= start]
    if start is not None:
        # What began before is final, or its samples are gone; of a cycle that was cut in two
        # by their removal, the rest is no cycle of its own.
        ended = before.loc[before["started_at"] < start, "ended_at"].max()
        own = fresh["started_at"] >= (start if pd.isna(ended) else max(start, ended))
        fresh = fresh[own.to_numpy()].reset_index(drop=True)
    if not len(old):
        return _all_new(work, unit, fresh)
    if _begins_with(fresh, old):  # most nights: yesterday's cycles stand, today's follow
        found_new = _all_new(work, unit, fresh.iloc[len(old) :])
        if found_new is None:
            return None
        return pd.concat([old, found_new[0]], ignore_index=True), found_new[1]
    cycles = keep_aliases(fresh, old)
    old = old.reset_index(drop=True)
    if cycles.equals(CYCLES.conform(old)):
        return None
    _rejudge(work, unit, _earliest_change(old, cycles))
    return cycles, len(set(cycles["cycle_id"]) - set(old["cycle_id"]))


def _begins_with(fresh: pd.DataFrame, old: pd.DataFrame) -> bool:
    """Return whether the first of the fresh cycles are the old ones, unchanged."""
    if len(fresh) < len(old) or fresh["cycle_id"].iloc[: len(old)].tolist() != (
        old["cycle_id"].tolist()
    ):
        return False
    same = [c for c in CYCLES.names if c != "aliases"]
    head = fresh.iloc[: len(old)][same].reset_index(drop=True)
    return head.equals(old[same].reset_index(drop=True))


def _all_new(work: Work, unit: str, fresh: pd.DataFrame) -> tuple[pd.DataFrame, int] | None:
    """Return cycles that replace none; most nights' and all of a first one's."""
    if not len(fresh):
        return None
    _rejudge(work, unit, _ms(ended(fresh).min()))
    return fresh, len(fresh)


def _rejudge(work: Work, unit: str, changed: int | None) -> None:
    if changed is not None:
        work.rejudge[unit] = min(changed, work.rejudge.get(unit, changed))


def _publish(
    work: Work,
    starts: Mapping[str, pd.Timestamp | None],
    changed: Mapping[str, pd.DataFrame],
) -> None:
    """Put the cycles of all units that differ into the transaction, in two calls."""
    whole = [u for u in changed if starts[u] is None]
    parts = {u: at for u in changed if (at := starts[u]) is not None}
    if whole:
        frame = pd.concat([changed[u] for u in whole], ignore_index=True)
        work.txn.replace_many("cycles", frame, whole)
    if parts:
        frame = pd.concat([changed[u] for u in parts], ignore_index=True)
        work.txn.replace_since_many("cycles", frame, parts)
    work.changed = work.changed or bool(changed)


def _earliest_change(old: pd.DataFrame, new: pd.DataFrame) -> int | None:
    """Return the earliest end [ms] among cycles that are new, gone or different, or None."""
    before, after = (CYCLES.conform(f).drop(columns="aliases") for f in (old, new))
    keys = changed_keys(before, after, ["cycle_id"])["cycle_id"]
    ends = pd.concat([ended(f[f["cycle_id"].isin(keys)]) for f in (before, after)]).dropna()
    return None if not len(ends) else _ms(ends.min())


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


def _settle_pending(work: Work, done: Collection[str], since: Mapping[str, int]) -> None:
    before = pending_units(work.snapshot)
    left = {u: t for u, t in since.items() if u not in done}
    if left != before:
        work.txn.put_state(PENDING, {"extract": left})
        work.changed = True


def _ms(time: pd.Timestamp) -> int:
    return int(pd.Timestamp(time).value // 1_000_000)  # .value is in ns whatever the unit


def _time(ms: int) -> pd.Timestamp:
    return pd.Timestamp(ms, unit="ms", tz="UTC").as_unit("ms")


def _iso(ms: int) -> str:
    return _time(ms).isoformat().replace("+00:00", "Z")
