"""Find the cycles in new samples: only touched units, from where each may go on.

A unit's small document in the store says with which configuration its cycles
were found, from where extraction resumes, and what it needs to know of the cycles
before, so that a night reads none of them. Points of earlier runs are kept, so that
late samples need a short way back and not the whole trace.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from ..features import Memory, extract
from ..shared.config import Clock, Config, Correction, Limits, Unit
from ..shared.errors import ChamberdriftError
from ..shared.schema import CYCLES, to_pandas
from ..shared.version import SCHEMA_VERSION, VERSION
from .corrections import corrected, corrections_of, with_amounts
from .cycle_changes import Change, begins_with, earliest_change, ends, keep_aliases
from .executor import run_chunked
from .logger_pairs import STATE as PAIRS
from .logger_pairs import Pair, all_pairs, clocks_of, paired, reach, said_of
from .resume_points import from_ms, next_points, resume_point, to_ms
from .retention import forgotten_before
from .store import Snapshot, TraceTask
from .store.entries import UnitSpan
from .work import Work

STAGE_VERSION: Final = 2
"""Raise it when extraction changes its numbers between versions of the program and of the
columns, which find all cycles anew by themselves: what one column means may have changed."""
SILENT: Final = pd.Timedelta(days=7)
"""Units that go on from further back than the others by this much are read apart, so that
one that was silent for long does not make the night read far back for all (no source)."""
WAIT_MS: Final = 30 * 86_400_000
"""So long the first heat-ups of two loggers are waited for, and a unit is read from its first
sample; later, what is there decides (no source)."""
STATE: Final = "extract/"
PENDING: Final = "pending"


@dataclass(frozen=True)
class ExtractTask:
    """One unit's work: paths and settings, no samples."""

    unit: Unit
    limits: Limits
    trace: TraceTask
    corrections: tuple[Correction, ...]
    memory: Memory | None
    """What is known of the cycles before the trace, where it was kept."""
    earlier: pd.DataFrame | None = None
    """Else those cycles."""
    start: pd.Timestamp | None = None
    """Where extraction begins; the trace may reach further back, for a pressure logger whose
    clock is moved."""
    clocks: tuple[Clock, ...] = ()
    pair: Pair | None = None
    """What an earlier run settled about the clocks of two loggers."""


@dataclass(frozen=True)
class Extracted:
    """One unit's cycles, or why there are none."""

    unit_id: str
    cycles: pa.Table
    """Columns of the cycles table, in time order."""
    resume_from: pd.Timestamp | None
    memory: Memory
    loggers: tuple[str, ...] = ()
    """The loggers that recorded it."""
    pair: Pair | None = None
    """How the clocks of two loggers stand, where it has two."""
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


def settings_digest(
    unit: Unit,
    limits: Limits,
    corrections: Sequence[Correction] = (),
    clocks: Sequence[Clock] = (),
) -> str:
    """Return a digest of everything but the samples that a unit's cycles depend on."""
    relevant = {k: v for k, v in asdict(unit).items() if k not in ("site", "retired_at")}
    program = (STAGE_VERSION, SCHEMA_VERSION, VERSION)
    text = repr((*program, sorted(relevant.items()), sorted(asdict(limits).items())))
    text += repr([replace(c, note="") for c in corrections]) if corrections else ""
    text += repr([replace(c, note="") for c in clocks]) if clocks else ""
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
    pairs = all_pairs(work.snapshot.state(PAIRS))
    starts: dict[str, pd.Timestamp | None] = {}
    for unit in units:
        state = states.get(STATE + unit, {})
        digest = _digest(work.config, unit, state.get("loggers"), pairs)
        if everything or state.get("digest") != digest:
            starts[unit] = None
            why = "all cycles anew" if everything else "settings or program changed"
            work.explain("extract", unit, why if state else "new unit")
        elif unit in since:
            starts[unit] = resume_point(state.get("points", []), since[unit])
            if _undecided(pairs.get(unit), spans[unit]):
                starts[unit] = None
            where = starts[unit]
            work.explain(
                "extract",
                unit,
                f"new samples from {_iso(since[unit])}, resumed at "
                f"{'the first sample' if where is None else _iso(to_ms(where))}",
            )
    memories = {u: _memory(states.get(STATE + u, {}), at) for u, at in starts.items()}
    by_unit = _stored_cycles(view, starts, memories)
    tasks = []
    for unit, start in sorted(starts.items()):
        if start is None:
            starts[unit] = start = _after_forgotten(view, unit, by_unit.get(unit))
        # Where all cycles are found anew, clocks are looked at anew too.
        pair = None if memories[unit] is None and start is None else pairs.get(unit)
        tasks.append(_task(work, view, unit, start, memories[unit], by_unit.get(unit), pair))
    new = 0
    changes: list[Change] = []
    documents: dict[str, dict[str, Any]] = {}
    done: list[str] = []
    results = run_chunked(
        extract_unit, tasks, workers=work.workers, scheduler=work.scheduler, chunk=8
    )
    for count, (task, found) in enumerate(zip(tasks, results, strict=True), start=1):
        work.report("cycles", count, len(tasks))
        unit = task.unit.id
        if found.error:
            work.fail("extract", unit, found.error)
            continue
        change = _difference(work, task, starts[unit], by_unit.get(unit), found)
        if change is not None:
            new += change.new
            changes.append(change)
        loggers = sorted({*found.loggers, *states.get(STATE + unit, {}).get("loggers", ())})
        # Two loggers that are met on the way: the cycles before are found anew next time.
        met = found.pair is not None and unit not in pairs and starts[unit] is not None
        if found.pair is not None:
            pairs[unit] = found.pair
        elif pairs.get(unit) is not None and task.pair is None:
            del pairs[unit]  # all was looked at anew, and there is nothing to say
        documents[STATE + unit] = {
            "digest": "" if met else _digest(work.config, unit, loggers, pairs),
            "loggers": loggers,
            "points": next_points(
                states.get(STATE + unit, {}).get("points", []),
                starts[unit],
                since.get(unit),
                spans[unit].last,
                found.resume_from,
            ),
            **_kept_memory(found),
        }
        done.append(unit)
    _publish(work, starts, changes)
    _keep_pairs(work, pairs, done)
    documents = {k: d for k, d in documents.items() if d != states.get(k)}
    if documents:
        work.txn.put_states(documents)
        work.changed = True
    _settle_pending(work, done, since)
    return ExtractResult(tuple(done), new, tuple(c.unit for c in changes))


def extract_unit(task: ExtractTask) -> Extracted:
    """Read a unit's samples and find its cycles; an error stays with the unit."""
    unit = task.unit.id
    try:
        trace, pair = paired(task.trace.read(), task.clocks, task.pair)
        if task.start is not None and len(trace):
            trace = trace[(trace["time"] >= task.start).to_numpy()].reset_index(drop=True)
        found = extract(
            corrected(trace, task.corrections),
            task.unit,
            task.limits,
            earlier=task.earlier,
            memory=task.memory,
        )
    except ChamberdriftError as error:
        return _failed(unit, str(error))
    except Exception as error:
        return _failed(unit, f"{type(error).__name__}: {error}")
    loggers = tuple(sorted(str(x) for x in trace["logger_id"].dropna().unique() if x))
    cycles = found.table
    if task.corrections and len(cycles):
        cycles = CYCLES.arrow(with_amounts(found.cycles, task.corrections))
    return Extracted(unit, cycles, found.resume_from, found.memory, loggers, pair)


def _failed(unit: str, why: str) -> Extracted:
    return Extracted(unit, CYCLES.plain_schema.empty_table(), None, Memory(), error=why)


def _digest(
    config: Config, unit: str, loggers: Collection[str] | None, pairs: Mapping[str, Pair]
) -> str:
    known = corrections_of(config, unit, loggers)
    clocks = clocks_of(config, unit) if unit in pairs else ()
    return settings_digest(config.unit(unit), config.limits, known, clocks)


def _undecided(pair: Pair | None, span: UnitSpan) -> bool:
    """Return whether a unit's first heat-ups are still to tell how its clocks stand."""
    return pair is not None and pair.state == "open" and span.last - span.first < WAIT_MS


def _keep_pairs(work: Work, pairs: Mapping[str, Pair], done: Sequence[str]) -> None:
    document = {u: p.to_json() for u, p in sorted(pairs.items())}
    if document != (work.snapshot.state(PAIRS) or {}):
        work.txn.put_state(PAIRS, document)
        work.changed = True
    work.warnings += said_of(pairs, done)


def _memory(state: Mapping[str, Any], start: pd.Timestamp | None) -> Memory | None:
    """Return what an earlier run knew of the cycles before a point, if it was that point."""
    held = state.get("memory")
    if start is None or held is None or held["before"] != to_ms(start):
        return None
    return Memory.from_json(held["cycles"])


def _kept_memory(found: Extracted) -> dict[str, Any]:
    if found.resume_from is None:
        return {}
    return {"memory": {"before": to_ms(found.resume_from), "cycles": found.memory.to_json()}}


def _stored_cycles(
    view: Snapshot,
    starts: Mapping[str, pd.Timestamp | None],
    memories: Mapping[str, Memory | None],
) -> dict[str, pa.Table]:
    """Return each unit's stored cycles: those from its start on, or all where the start was
    not the last run's, or there is none."""
    known = {u: at for u, at in starts.items() if at is not None and memories[u] is not None}
    newest = max(known.values(), default=None)
    recent = {u: at for u, at in known.items() if newest is not None and at > newest - SILENT}
    groups: list[tuple[list[str], pd.Timestamp | None]] = [
        (sorted(recent), min(recent.values(), default=None)),
        (sorted(known.keys() - recent.keys()), None),
        (sorted(starts.keys() - known.keys()), None),
    ]
    if groups[1][0]:
        groups[1] = (groups[1][0], min(known[u] for u in groups[1][0]))
    tables: dict[str, pa.Table] = {}
    for units, since in groups:
        if not units:
            continue
        rows = view.arrow("cycles", keys=units, since=since).cast(CYCLES.plain_schema)
        counts = pc.value_counts(rows.column("unit_id")).to_pylist()  # sorted by unit
        first = 0
        for count in counts:
            name, own = str(count["values"]), rows.slice(first, count["counts"])
            first += len(own)
            tables[name] = _since(own, known.get(name))
    return tables


def _since(cycles: pa.Table, moment: pd.Timestamp | None) -> pa.Table:
    """Return the cycles that start at a moment or later; all without one."""
    if moment is None or not len(cycles):
        return cycles
    first = int(np.searchsorted(_starts_ms(cycles), to_ms(moment)))
    return cycles if first == 0 else cycles.slice(first)


def _starts_ms(cycles: pa.Table) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Return when cycles start [ms since 1970], shape (n,), in order."""
    starts: np.ndarray[Any, np.dtype[np.int64]] = (
        cycles.column("started_at").cast(pa.int64()).to_numpy()
    )
    return starts


def _task(
    work: Work,
    view: Snapshot,
    unit: str,
    start: pd.Timestamp | None,
    memory: Memory | None,
    before: pa.Table | None,
    pair: Pair | None,
) -> ExtractTask:
    clocks = clocks_of(work.config, unit)
    far = start if start is None or pair is None else start - reach(clocks)
    earlier = None
    if start is not None and memory is None and before is not None:
        count = int(np.searchsorted(_starts_ms(before), to_ms(start)))
        earlier = to_pandas(before.slice(0, count))
    return ExtractTask(
        work.config.unit(unit),
        work.config.limits,
        view.trace_task(unit, far),
        corrections_of(work.config, unit),
        memory,
        earlier,
        start,
        clocks,
        pair,
    )


def _after_forgotten(view: Snapshot, unit: str, before: pa.Table | None) -> pd.Timestamp | None:
    """Return the first sample kept, where samples of older cycles were forgotten; else None."""
    limit = forgotten_before(view)
    if before is None or not len(before) or limit is None:
        return None
    files = view.trace_files(unit)
    first = from_ms(min([limit, *(f.low for f in files)]))
    return first if _starts_ms(before)[0] < to_ms(first) else None


def _difference(
    work: Work,
    task: ExtractTask,
    start: pd.Timestamp | None,
    before: pa.Table | None,
    found: Extracted,
) -> Change | None:
    """Return what changes of a unit's cycles, or None if nothing does."""
    fresh, unit = found.cycles, found.unit_id
    old = before
    if start is not None:
        # What began before is final, or its samples are gone; of a cycle that was cut in two
        # by their removal, the rest is no cycle of its own.
        last_end = _ended_before(task, start, before)
        fresh = _since(fresh, start if last_end is None else max(start, last_end))
        old = None if old is None else _since(old, start)
    if old is None or not len(old):
        return _all_new(work, unit, fresh)
    if begins_with(fresh, old):  # most nights: yesterday's cycles stand, today's follow
        return _all_new(work, unit, fresh.slice(len(old)))
    was = to_pandas(old)
    cycles = keep_aliases(to_pandas(fresh), was)
    if cycles.equals(was):
        return None
    _rejudge(work, unit, earliest_change(was, cycles))
    new = len(set(cycles["cycle_id"]) - set(was["cycle_id"]))
    return Change(unit, CYCLES.arrow(cycles), new)


def _ended_before(
    task: ExtractTask, start: pd.Timestamp, before: pa.Table | None
) -> pd.Timestamp | None:
    """Return the end of the last cycle that began before a moment, or None."""
    if task.memory is not None:
        end_s = task.memory.end_s
        return None if math.isnan(end_s) else from_ms(round(end_s * 1000.0))
    if before is None:
        return None
    count = int(np.searchsorted(_starts_ms(before), to_ms(start)))
    last_end = pc.max(before.column("ended_at").slice(0, count)).as_py()
    return None if last_end is None else pd.Timestamp(last_end)


def _all_new(work: Work, unit: str, fresh: pa.Table) -> Change | None:
    """Return cycles that replace none; most nights' and all of a first one's."""
    if not len(fresh):
        return None
    _rejudge(work, unit, pc.min(ends(fresh).cast(pa.int64())).as_py())
    return Change(unit, fresh, len(fresh), added=True)


def _rejudge(work: Work, unit: str, changed: int | None) -> None:
    if changed is not None:
        work.rejudge[unit] = min(changed, work.rejudge.get(unit, changed))


def _publish(
    work: Work, starts: Mapping[str, pd.Timestamp | None], changes: Sequence[Change]
) -> None:
    """Put the cycles of all units that differ into the transaction, in a few calls."""
    added = [c for c in changes if c.added]
    whole = [c for c in changes if not c.added and starts[c.unit] is None]
    parts = [c for c in changes if not c.added and starts[c.unit] is not None]
    if whole:
        rows = to_pandas(pa.concat_tables([c.rows for c in whole]))
        work.txn.replace_many("cycles", rows, [c.unit for c in whole])
    if parts:
        rows = to_pandas(pa.concat_tables([c.rows for c in parts]))
        since = {c.unit: at for c in parts if (at := starts[c.unit]) is not None}
        work.txn.replace_since_many("cycles", rows, since)
    if added:
        work.txn.append("cycles", to_pandas(pa.concat_tables([c.rows for c in added])))
    work.changed = work.changed or bool(changes)


def _settle_pending(work: Work, done: Collection[str], since: Mapping[str, int]) -> None:
    before = pending_units(work.snapshot)
    left = {u: t for u, t in since.items() if u not in done}
    if left != before:
        work.txn.put_state(PENDING, {"extract": left})
        work.changed = True


def _iso(ms: int) -> str:
    return from_ms(ms).isoformat().replace("+00:00", "Z")
