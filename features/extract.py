"""From one unit's trace to its cycles."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd
import pyarrow as pa

from ..shared.config import Limits, Unit
from ..shared.programs import Program
from ..shared.schema import CYCLES, to_pandas
from . import cycle
from .assign import assign_after, assign_rows, facts_of
from .crossing import median
from .events import BREAK_S, Event, clusters, find_events, parted
from .memory import PLATEAUS, STOPPED, Memory
from .quick import diff, true_at
from .row import Place, Row, finish
from .samples import Samples, from_trace
from .setpoints import ABOVE_BAND_K, STOPPED_LONGEST_S, USUAL_K

CONTEXT_S: Final = 4.0 * 3600.0
"""Samples before a cycle that its start and circumstances may look at [s]."""
SETTLE_S: Final = 1000.0
"""Samples this long after a cycle's end are seen before it is final [s]."""


@dataclass(frozen=True)
class Extraction:
    """Cycles of a trace, and where to resume when it grows."""

    table: pa.Table
    """Columns of the cycles table, in time order."""
    resume_from: pd.Timestamp | None
    """Earliest sample time needed when more data come; cycles that start before are final."""
    memory: Memory = field(default_factory=Memory)
    """What later cycles need to know of those that start before ``resume_from``."""

    @cached_property
    def cycles(self) -> pd.DataFrame:
        """The cycles as a frame."""
        return to_pandas(self.table)


def extract(
    trace: pd.DataFrame,
    unit: Unit,
    limits: Limits | None = None,
    *,
    earlier: pd.DataFrame | None = None,
    memory: Memory | None = None,
) -> Extraction:
    """Find the cycles of one unit's trace and measure them.

    Parameters
    ----------
    trace
        Samples of one unit (columns of the traces table).
    unit
        Its configuration: programs and air removal settle what a trace leaves open.
    limits
        Band width and leak test start; the shipped ones if None.
    earlier
        Cycles of the unit before the trace, as extracted (those that start
        within it are left aside, since they are found anew); they give the idle
        time before the first cycle and the unit's usual plateaus. With the
        final cycles of an extraction, going on from its ``resume_from`` equals
        extracting the whole.
    memory
        What an extraction returned beside the ``resume_from`` at which the trace
        begins: stands for all ``earlier`` cycles and stays small.

    Returns
    -------
    Extraction
    """
    limits = limits if limits is not None else Limits()
    samples = from_trace(trace)
    if len(samples) < 2:
        only = pd.Timestamp(int(samples.time_ms[0]), unit="ms", tz="UTC") if len(samples) else None
        before = memory if memory is not None else _remember(earlier, unit)
        return Extraction(CYCLES.plain_schema.empty_table(), only, before)
    programs = tuple(Program.parse(p) for p in unit.programs)
    if memory is None:
        if earlier is not None:
            first = pd.Timestamp(int(samples.time_ms[0]), unit="ms", tz="UTC")
            earlier = earlier[earlier["started_at"] < first]
        memory = _remember(earlier, unit)
    history = _History(memory)
    groups = clusters(samples, find_events(samples))
    rows: list[Row] = []
    left = 0
    pending: int | None = None
    n = len(samples)
    for k, group in enumerate(groups):
        begin = group[0].start
        context = int(samples.time_s.searchsorted(samples.time_s[begin] - CONTEXT_S))
        right = groups[k + 1][0].start if k + 1 < len(groups) else n
        stop = _before_gap(samples, group[-1].stop - 1, right)
        place = Place(
            # A vacuum that lost its pressure may reach over the next steam.
            left=max(_after_gap(samples, min(left, begin), begin), context),
            right=stop,
            last=k + 1 == len(groups) and stop == n,
            previous_end_s=history.end_s,
            pumped_kpa=history.pumped_kpa,
            stopped=tuple(history.stopped),
        )
        found = cycle.build(samples, group, place, unit, limits, history.usual(), programs)
        done = group[-1].stop - 1
        finished = done < n - 1
        if found is not None:
            rows.append(found.row)
            history.add(found.row)
            done, finished = max(done, found.end), found.finished
        if place.last and not (finished and _settled(samples, group[-1], done)):
            pending = place.left
        left = min(done + 1, n - 1)
    resume_from = _resume(samples, left, pending)
    cycles, after = _table(rows, unit, memory, resume_from)
    return Extraction(cycles, resume_from, after)


def _settled(samples: Samples, last: Event, done: int) -> bool:
    """Return whether samples after a cycle show that nothing more belongs to it."""
    n = len(samples)
    if samples.time_s[-1] - samples.time_s[done] < SETTLE_S:
        return False
    return parted(samples, last, Event("vacuum", n - 1, n)) and parted(
        samples, last, Event("steam", n - 1, n)
    )


class _History:
    """What earlier cycles say: the last end, and the usual plateau of each set point."""

    def __init__(self, memory: Memory) -> None:
        self.end_s = memory.end_s
        self.pumped_kpa = memory.pumped_kpa
        self.seen = list(memory.plateaus)
        self.stopped = list(memory.stopped)

    def add(self, row: Row) -> None:
        """Note a cycle that was just found."""
        self.end_s = row.values["ended_at"] / 1000.0
        self.pumped_kpa = row.values.get("drying_vacuum_kpa", self.pumped_kpa)
        over = row.values.get("overshoot_k", 0.0) > ABOVE_BAND_K
        if "setpoint_c" in row.values and not over:
            self.seen.append((row.values["setpoint_c"], row.values["plateau_c"]))
            del self.seen[:-PLATEAUS]
        broken_off = over and row.values["plateau_s"] < STOPPED_LONGEST_S
        climbed = "setpoint_c" not in row.values and row.values["completion"] == "aborted"
        if broken_off or (climbed and "plateau_c" in row.values):
            self.stopped.append((self.end_s, row.values["plateau_c"]))
            del self.stopped[:-STOPPED]

    def usual(self) -> dict[float, float]:
        """Return the median plateau [°C] of each set point over the last 15 cycles at it."""
        levels: dict[float, list[float]] = {}
        for setpoint, level in self.seen:
            if USUAL_K[0] < level - setpoint < USUAL_K[1]:
                levels.setdefault(setpoint, []).append(level)
        return {s: median(np.asarray(v[-15:])) for s, v in levels.items()}


def _after_gap(samples: Samples, left: int, begin: int) -> int:
    """Return the first sample after the last long gap before an event."""
    steps = true_at(diff(samples.time_s[left : begin + 1]) > BREAK_S)
    return left + int(steps[-1]) + 1 if len(steps) else left


def _before_gap(samples: Samples, last: int, right: int) -> int:
    """Return the end of samples without a long gap after an event."""
    steps = true_at(diff(samples.time_s[last:right]) > BREAK_S)
    return last + int(steps[0]) + 1 if len(steps) else right


def _resume(samples: Samples, left: int, pending: int | None) -> pd.Timestamp:
    """Return the first sample needed with later data.

    No event is open there, so extraction from there on goes as in the whole.
    """
    k = pending
    if k is None:
        since = samples.time_s[-1] - CONTEXT_S - SETTLE_S
        k = max(left, int(samples.time_s.searchsorted(since)))
    return pd.Timestamp(int(samples.time_ms[k]), unit="ms", tz="UTC")


def _table(
    rows: list[Row], unit: Unit, memory: Memory, until: pd.Timestamp
) -> tuple[pa.Table, Memory]:
    """Return rows as the cycles table, programs assigned, and the memory of those before."""
    if not rows:
        return CYCLES.plain_schema.empty_table(), memory
    rows = sorted(rows, key=lambda r: float(r.values["started_at"]))
    until_s = until.timestamp()
    assigned = assign_rows([facts_of(r.values) for r in rows], unit, memory, until_s)
    after = assigned.memory
    records = finish(rows)
    columns = [
        pa.array(
            assigned.columns.get(f.name) or [r.get(f.name) for r in records],
            type=f.type,
            from_pandas=True,
        )
        for f in CYCLES.plain_schema
    ]
    cycles = pa.Table.from_arrays(columns, schema=CYCLES.plain_schema)
    history = _History(memory)
    for row in rows:
        if row.values["started_at"] / 1000.0 < until_s:
            history.add(row)
    known = replace(after, end_s=history.end_s, pumped_kpa=history.pumped_kpa)
    past = tuple(history.stopped)
    return cycles, replace(known, plateaus=tuple(history.seen), stopped=past)


def _remember(earlier: pd.DataFrame | None, unit: Unit) -> Memory:
    """Return what later cycles need to know of these."""
    if earlier is None or not len(earlier):
        return Memory()
    ordered = earlier.sort_values("started_at", kind="stable", ignore_index=True)
    _, memory = assign_after(ordered, unit, Memory())
    end_s = float(pd.DatetimeIndex(ordered["ended_at"]).as_unit("ms").asi8[-1]) / 1000.0
    over = (ordered["overshoot_k"] > ABOVE_BAND_K).fillna(False).astype(bool)
    tail = ordered[~over].dropna(subset=["setpoint_c", "plateau_c"]).tail(PLATEAUS)
    pairs = zip(tail["setpoint_c"].tolist(), tail["plateau_c"].tolist(), strict=True)
    plateaus = tuple((float(s), float(p)) for s, p in pairs)
    short = (ordered["plateau_s"] < STOPPED_LONGEST_S).fillna(False).astype(bool)
    climbed = ordered["setpoint_c"].isna() & (ordered["completion"] == "aborted")
    broken = ordered[(over & short) | climbed].dropna(subset=["plateau_c"]).tail(STOPPED)
    ends = pd.DatetimeIndex(broken["ended_at"]).as_unit("ms").asi8 / 1000.0
    stopped = tuple(zip(ends.tolist(), broken["plateau_c"].astype(float).tolist(), strict=True))
    pumped = ordered["drying_vacuum_kpa"].dropna().tolist()
    known = replace(memory, end_s=end_s, pumped_kpa=float(pumped[-1]) if pumped else float("nan"))
    return replace(known, plateaus=plateaus, stopped=stopped)
