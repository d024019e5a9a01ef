"""One unit, cycle after cycle: residuals, and the recent level of each sign.

Two exponentially weighted charts run over the residuals of each sign, one with a
short memory for steps and one with a long memory for slow drifts. Memory is in
days, so that doubled use does not shorten it. Nothing here looks ahead: the row
of a cycle depends on that cycle and the ones before it.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..shared.parts import EPOCH_ACTIONS
from .baseline import FULL, MANY, SPLICE, TEST_KINDS, Baseline, Level, adjust, needs
from .chart_pair import (
    accumulate,
    carried,
    fades,
    pulled,
    values_before,
)
from .forest import standardise
from .moves import DESIGN_EFFECT, Settled, finish_splice, settle
from .plain import array, lists, number
from .reference import Reference
from .robust import nanmedian
from .signatures import NUISANCE_DIRECTIONS, NUISANCES
from .signs import INDEX, MEMORY, NAMES, OTHER, REACH, RESOLUTION

FloatArray = NDArray[np.float64]


LEAST_EFFECTIVE: Final = (2.5, 4.0)
"""Effective cycles in the short and the long chart before they speak."""

INTERVAL_CLASS: Final = 1.5
OTHER_CYCLES: Final = 8
"""A logger is set to another interval when so many cycles in a row differ by this factor
(design choice): one that alternates between two rates does so by chance once in 256."""

HISTORY_DAYS: Final = 160
"""Days of daily means that are kept: what a look back needs, and a month of chunk more."""

LOOK_BACK_DAYS: Final = 120.0
"""How far change points and forecasts look back."""

STALE_WEIGHT: Final = 0.2
"""A chart whose newest value has faded to this weight is silent."""

_COUNT = len(NAMES)
_LEAST = np.array(LEAST_EFFECTIVE)[:, None] / np.where(MEMORY > 1.0, 2.5, 1.0)[None, :]
WEATHER: Final = sum(
    (
        np.square(n.sd * NUISANCE_DIRECTIONS[i])
        for i, n in enumerate(NUISANCES)
        if "weather" in n.name
    ),
    np.zeros(_COUNT),
)
"""Variance of each sign from one week's weather to the next's."""
_EFFECT = np.where(MEMORY > 1.0, 1.0, DESIGN_EFFECT)  # weekly tests are independent


@dataclass(frozen=True)
class Rows:
    """Cycles of one unit in event order, as arrays."""

    time: FloatArray
    """End of the cycle [days]."""
    signs: FloatArray
    circumstances: FloatArray
    program: list[str]
    complete: NDArray[np.bool_]
    """Complete and fit to be compared."""
    logger: list[str]
    interval: FloatArray
    """Sampling interval [s]."""
    resolution: FloatArray
    """One sampling interval on the scale of each sign, 0 where it does not matter."""

    def part(self, start: int, end: int) -> Rows:
        """Return some of the rows."""
        return Rows(
            self.time[start:end],
            self.signs[start:end],
            self.circumstances[start:end],
            self.program[start:end],
            self.complete[start:end],
            self.logger[start:end],
            self.interval[start:end],
            self.resolution[start:end],
        )


@dataclass(frozen=True)
class Repair:
    """One row of the service log."""

    time: float
    part: str
    action: str


@dataclass
class Tracker:
    """What one unit's charts carry from cycle to cycle."""

    baseline: Baseline = field(default_factory=Baseline)
    charts: FloatArray = field(default_factory=lambda: np.zeros((3, 2, _COUNT)))
    """Total, weight and square of the weights of the short and the long chart."""
    last: FloatArray = field(default_factory=lambda: np.full((2, _COUNT), np.nan))
    """The two residuals before, the newer first."""
    time: float = math.nan
    cycles: int = 0
    logger: str | None = None
    interval: float = math.nan
    """Sampling interval that the unit's logger is set to [s]."""
    other: list[list[float]] = field(default_factory=list)
    """Residuals of the last cycles in a row that were sampled otherwise."""
    recent: list[list[float]] = field(default_factory=list)
    resolution: FloatArray = field(default_factory=lambda: np.zeros(_COUNT))
    """One sampling interval on the scale of each sign, as last seen."""
    splice: list[list[float]] | None = None
    before: list[list[float]] = field(default_factory=list)
    pending: list[dict[str, Any]] = field(default_factory=list)
    days: FloatArray = field(default_factory=lambda: np.empty((0, 1 + _COUNT)))
    """Day, then the mean residual of each sign: days that are over, shape (days, 1 + signs)."""
    day: float = math.nan
    day_total: FloatArray = field(default_factory=lambda: np.zeros(_COUNT))
    day_count: FloatArray = field(default_factory=lambda: np.zeros(_COUNT))

    def to_json(self) -> dict[str, Any]:
        """Return arrays and plain numbers; days are kept as far back as a later row looks."""
        since = math.floor(self.time) - LOOK_BACK_DAYS if not math.isnan(self.time) else 0.0
        return {
            "baseline": self.baseline.to_json(),
            "charts": self.charts,
            "last": self.last,
            "time": self.time,
            "cycles": self.cycles,
            "logger": self.logger,
            "interval": self.interval,
            "other": np.array(self.other, dtype=np.float64),
            "resolution": self.resolution,
            "recent": np.array(self.recent, dtype=np.float64),
            "splice": None if self.splice is None else np.array(self.splice, dtype=np.float64),
            "before": np.array(self.before, dtype=np.float64),
            "pending": [
                {**w, **{k: np.array(w[k], dtype=np.float64) for k in ("rows", "was")}}
                for w in self.pending
            ],
            "days": self.days[self.days[:, 0] >= since],
            "day": self.day,
            "day_total": self.day_total,
            "day_count": self.day_count,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Tracker:
        """Read what ``to_json`` returned."""
        read = dict(data)
        read["baseline"] = Baseline.from_json(data["baseline"])
        for name in ("charts", "last", "resolution", "day_total", "day_count"):
            read[name] = array(data[name])
        for name in ("time", "day", "interval"):
            read[name] = number(data[name])
        for name in ("other", "recent", "before"):
            read[name] = lists(data[name])
        read["days"] = array(data["days"]).reshape(-1, 1 + _COUNT)
        read["splice"] = None if data["splice"] is None else lists(data["splice"])
        read["pending"] = [
            {**w, "rows": lists(w["rows"]), "was": array(w["was"])} for w in data["pending"]
        ]
        return cls(**read)


@dataclass(frozen=True)
class Track:
    """What the charts say at each row."""

    residual: FloatArray
    """Sign minus expected, NaN where there is no level, shape (rows, signs)."""
    adjusted: FloatArray
    """Sign at usual circumstances, shape (rows, signs)."""
    scale: FloatArray
    """Scatter from cycle to cycle, shape (rows, signs)."""
    delta: FloatArray
    """Recent level of the residuals, shape (rows, 2, signs)."""
    variance: FloatArray
    """Variance of that level, wander included, same shape."""
    z: FloatArray
    """Residual in standard deviations of scatter and wander, bounded, shape (rows, signs)."""
    ready: NDArray[np.bool_]
    """Charts may speak: thirty cycles and no splice under way, shape (rows,)."""
    epoch: NDArray[np.int64]
    provisional: list[frozenset[str]]
    """Parts whose repair is being compared at each row."""
    settled: list[Settled]


def track(state: Tracker, rows: Rows, reference: Reference, repairs: list[Repair]) -> Track:
    """Step the charts over new cycles; ``state`` is changed in place.

    Parameters
    ----------
    state
        The unit's state after the cycles before.
    rows
        New cycles in event order.
    reference
        The fleet's reference that holds for all of them.
    repairs
        Service rows after the last cycle seen and up to the last new one, in order.
    """
    n = len(rows.program)
    levels: dict[str, Level | None] = {}
    adjusted = np.full((n, _COUNT), np.nan)
    plain = np.full((n, _COUNT), np.nan)
    counts = np.full((n, _COUNT), MANY)

    def refresh(program: str, start: int) -> None:
        level = state.baseline.level(program, reference)
        levels[program] = level
        if level is None:
            return
        at = [i for i in range(start, n) if rows.program[i] == program]
        if at:
            moved = adjust(rows.signs[at], rows.circumstances[at], level.centre, reference.slopes)
            residual = moved - level.level
            residual[np.abs(residual) > OTHER] = np.nan  # no change of the same: not compared
            adjusted[at], plain[at], counts[at] = moved, residual, level.count

    for program in sorted(set(rows.program)):
        refresh(program, 0)
    scale = state.baseline.scale(reference, levels)
    bound = REACH * np.hypot(scale, reference.wander)
    out = _Arrays(n)
    queue = list(repairs)
    calm = _Calm(rows, state)
    i = 0
    while i < n:
        until = calm.until(i, state, queue, levels)
        if until > i + 1:
            _many(state, rows.part(i, until), plain[i:until], levels, bound, out, i)
            out.scale[i:until] = scale
            i = until
            continue
        now = float(rows.time[i])
        while queue and queue[0].time < now:
            repair = queue.pop(0)
            if repair.action in EPOCH_ACTIONS:
                was = nanmedian(array(state.recent).reshape(-1, _COUNT), axis=0)
                state.pending.append(
                    {"part": repair.part, "since": repair.time, "rows": [], "was": was}
                )
        residual = plain[i] - state.baseline.shift
        odd = bool(rows.complete[i]) and _sampled_otherwise(
            state, rows.logger[i], float(rows.interval[i]), residual
        )
        if rows.complete[i] and (
            rows.logger[i] != state.logger or len(state.other) >= OTHER_CYCLES
        ):
            if state.logger is not None and any(levels.values()):
                if state.splice is None:  # another change within one: still what was before both
                    state.before = state.recent
                state.splice = state.other[:-1]
                state.recent = []
            elif state.logger is not None:  # nothing to carry over yet: start again
                state.baseline.programs = {}
            state.logger, state.interval, state.other = rows.logger[i], float(rows.interval[i]), []
            odd = False
        if rows.complete[i] and not odd:
            fine = rows.resolution[i]
            state.resolution = np.where(np.isfinite(fine), fine, state.resolution)
        usable = bool(rows.complete[i]) and levels.get(rows.program[i]) is not None and not odd
        held = state.splice is not None or odd
        if usable:
            if state.splice is not None:
                state.splice.append(residual.tolist())
                if len(state.splice) >= SPLICE:
                    finish_splice(state)
            else:
                state.recent = [*state.recent[1 - SPLICE :], residual.tolist()]
                for waiting in state.pending:
                    waiting["rows"].append(residual.tolist())
                out.settled += settle(state, scale, reference, i)
        _step(state, now, residual, bound, usable and not held)
        if usable and not held:
            _keep_day(state, now, residual)
        out.residual[i], out.scale[i] = residual, scale
        out.charts[i] = state.charts
        out.resolution[i] = state.resolution
        out.shift_count[i] = state.baseline.shift_count
        out.epoch[i] = state.baseline.epoch
        out.provisional.append(frozenset(w["part"] for w in state.pending))
        if rows.complete[i] and rows.program[i] not in TEST_KINDS:
            state.cycles += 1
        out.ready[i] = state.cycles >= FULL and not held
        if (
            rows.complete[i]
            and not held
            and state.baseline.add(rows.program[i], rows.signs[i], rows.circumstances[i])
        ):
            refresh(rows.program[i], i + 1)
            scale = state.baseline.scale(reference, levels)
            bound = REACH * np.hypot(scale, reference.wander)
        i += 1
    return out.finish(adjusted, counts, reference)


def _sampled_otherwise(state: Tracker, logger: str, interval: float, residual: FloatArray) -> bool:
    """Return whether a cycle of the same logger was sampled at another interval.

    Such a cycle waits outside the charts: a new setting shows by staying, while a logger
    with two rates, or one that jitters, comes back.
    """
    if logger != state.logger or math.isnan(interval):
        state.other = []
        return False
    if math.isnan(state.interval):
        state.interval = interval
    ratio = interval / state.interval
    if 1.0 / INTERVAL_CLASS < ratio < INTERVAL_CLASS:
        state.other = []
        return False
    state.other = [*state.other, residual.tolist()]
    return True


class _Calm:
    """Finds runs of rows in which nothing but the charts moves."""

    def __init__(self, rows: Rows, state: Tracker) -> None:
        self.rows = rows
        self.names, self.code = np.unique(np.array(rows.program, dtype=str), return_inverse=True)
        self.logger = np.array(rows.logger, dtype=object)

    def until(
        self, i: int, state: Tracker, queue: list[Repair], levels: dict[str, Level | None]
    ) -> int:
        """Return where a run of calm rows from ``i`` on ends; ``i`` for none."""
        if state.splice is not None or state.pending or state.other or math.isnan(state.interval):
            return i
        full = np.array([_is_full(state.baseline, str(name)) for name in self.names])
        if not self._calm(slice(i, i + 1), state, full)[0]:
            return i
        calm = self._calm(slice(i, None), state, full)
        if queue:
            calm &= self.rows.time[i:] <= queue[0].time
        return i + (len(calm) if calm.all() else int(calm.argmin()))

    def _calm(self, at: slice, state: Tracker, full: NDArray[np.bool_]) -> NDArray[np.bool_]:
        rows = self.rows
        interval = rows.interval[at] / state.interval
        same = np.isnan(interval) | (
            (interval > 1.0 / INTERVAL_CLASS) & (interval < INTERVAL_CLASS)
        )
        same &= np.asarray(self.logger[at] == state.logger, dtype=np.bool_) & full[self.code[at]]
        return np.asarray(same | ~rows.complete[at])


def _is_full(baseline: Baseline, program: str) -> bool:
    kept = baseline.programs.get(program)
    return kept is not None and len(kept.signs) >= needs(program)[1]


def _many(
    state: Tracker,
    rows: Rows,
    plain: FloatArray,
    levels: dict[str, Level | None],
    bound: FloatArray,
    out: _Arrays,
    first: int,
) -> None:
    """Step the charts over calm rows; the same as one by one."""
    n = len(rows.program)
    at = slice(first, first + n)
    known = {name: levels.get(name) is not None for name in set(rows.program)}
    usable = rows.complete & np.array([known[name] for name in rows.program])
    residual = plain - state.baseline.shift
    here = np.isfinite(residual) & usable[:, None]
    before = values_before(residual, here, state.last)
    counted = np.where(here, residual, np.nan)
    enters = pulled(counted, before.newer[:-1], before.older[:-1], bound)
    charts = np.empty((n + 1, *state.charts.shape))
    charts[0] = state.charts
    times = [state.time, *rows.time.tolist()]
    gaps = [b - a for a, b in itertools.pairwise(times)]
    accumulate(charts, fades(gaps), enters, here)
    state.charts, state.time = charts[-1].copy(), times[-1]
    state.last = np.stack([before.newer[-1], before.older[-1]])
    fine = np.isfinite(rows.resolution) & rows.complete[:, None]
    out.resolution[at] = carried(rows.resolution, fine, state.resolution)
    state.resolution = out.resolution[first + n - 1].copy()
    chosen = np.flatnonzero(usable).tolist()
    state.recent = [*state.recent, *(residual[i].tolist() for i in chosen[-SPLICE:])][-SPLICE:]
    _keep_days(state, rows.time[usable], residual[usable])
    out.residual[at] = residual
    out.charts[at] = charts[1:]
    out.shift_count[at] = state.baseline.shift_count
    out.epoch[at] = state.baseline.epoch
    out.provisional += [frozenset()] * n
    judged = rows.complete & ~np.isin(rows.program, TEST_KINDS)
    cycles = state.cycles + np.cumsum(judged)
    out.ready[at] = cycles >= FULL
    state.cycles = int(cycles[-1])


class _Arrays:
    """Rows of the charts while they are being filled."""

    def __init__(self, n: int) -> None:
        self.residual = np.full((n, _COUNT), np.nan)
        self.scale = np.empty((n, _COUNT))
        self.charts = np.empty((n, 3, 2, _COUNT))
        self.resolution = np.empty((n, _COUNT))
        self.shift_count = np.empty((n, _COUNT))
        self.epoch = np.zeros(n, dtype=np.int64)
        self.ready = np.zeros(n, dtype=np.bool_)
        self.provisional: list[frozenset[str]] = []
        self.settled: list[Settled] = []

    def finish(self, adjusted: FloatArray, counts: FloatArray, reference: Reference) -> Track:
        total, weight, square = (self.charts[:, k] for k in range(3))
        seen = weight > STALE_WEIGHT
        safe = np.where(seen, weight, 1.0)
        effective = safe * safe / np.where(seen, square, 1.0)
        seen &= effective >= _LEAST[None, :, :]
        scale = self.scale[:, None, :]
        behind = 1.0 / np.maximum(counts, 1.0) + 1.0 / np.maximum(self.shift_count, 1.0)
        noise = _EFFECT * (1.0 / effective + behind[:, None, :])
        # A shift was measured in one week, with what that week was off by.
        shifted = self.shift_count < MANY
        week = np.where(shifted, reference.wander**2 + WEATHER, 0.0)
        return Track(
            self.residual,
            adjusted,
            self.scale,
            np.where(seen, total / safe, np.nan),
            scale**2 * noise
            + (reference.wander**2 + week)[:, None, :]
            + unresolved(self.resolution, self.scale)[:, None, :],
            standardise(self.residual, self.scale, reference.wander),
            self.ready,
            self.epoch,
            self.provisional,
            self.settled,
        )


def unresolved(resolution: FloatArray, scale: FloatArray) -> FloatArray:
    """Return the variance of what sampling hides; arrays of shape (rows, signs).

    A leak rate's own error is part of its scatter already, as far as it was as large before.
    """
    variance = np.square(RESOLUTION * resolution)
    leak = INDEX["leak"]
    variance[:, leak] = np.maximum(variance[:, leak] - scale[:, leak] ** 2, 0.0)
    return variance


def _step(
    state: Tracker, now: float, residual: FloatArray, bound: FloatArray, usable: bool
) -> None:
    """Let the charts fade and add one cycle."""
    gap = 0.0 if math.isnan(state.time) else now - state.time
    here = np.isfinite(residual) & usable
    enters = pulled(np.where(here, residual, np.nan), state.last[0], state.last[1], bound)
    charts = np.empty((2, *state.charts.shape))
    charts[0] = state.charts
    accumulate(charts, fades([gap]), enters[None, :], here[None, :])
    state.charts, state.time = charts[1], now
    state.last = np.where(here, np.stack([residual, state.last[0]]), state.last)


def _keep_day(state: Tracker, now: float, residual: FloatArray) -> None:
    """Add a cycle to its day's mean; a day that is over goes to the history."""
    day = float(math.floor(now))
    seen = np.isfinite(residual)
    if day != state.day:
        if not math.isnan(state.day):
            _close_days(state, np.array([state.day]), state.day_total[None], state.day_count[None])
        state.day, state.day_total, state.day_count = day, np.zeros(_COUNT), np.zeros(_COUNT)
    state.day_total = state.day_total + np.where(seen, residual, 0.0)
    state.day_count = state.day_count + seen


def _keep_days(state: Tracker, times: FloatArray, residual: FloatArray) -> None:
    """Add cycles to their days' means, as ``_keep_day`` does one by one."""
    if not len(times):
        return
    day = np.floor(times)
    seen = np.isfinite(residual)
    values = np.where(seen, residual, 0.0)
    first = np.flatnonzero(np.diff(day, prepend=np.nan) != 0.0)
    cycles = np.diff(first, append=len(day))
    days = day[first]
    total = np.zeros((len(days), _COUNT))
    count = np.add.reduceat(seen, first, axis=0, dtype=np.float64)
    if days[0] == state.day:
        total[0] = state.day_total
        count[0] += state.day_count
    elif not math.isnan(state.day):
        _close_days(state, np.array([state.day]), state.day_total[None], state.day_count[None])
    for k in range(int(cycles.max())):  # cycle by cycle: the order of a sum is its bits
        more = cycles > k
        total[more] += values[first[more] + k]
    _close_days(state, days[:-1], total[:-1], count[:-1])
    state.day, state.day_total, state.day_count = float(days[-1]), total[-1], count[-1]


def _close_days(state: Tracker, days: FloatArray, total: FloatArray, count: FloatArray) -> None:
    """Let days go to the history; total and count of shape (days, signs)."""
    mean = np.where(count > 0.0, total / np.where(count > 0.0, count, 1.0), np.nan)
    # Single precision: change points and forecasts need no more, and states are half as long.
    over = np.column_stack([days, mean.astype(np.float32)])
    state.days = np.concatenate([state.days, over])[-HISTORY_DAYS:]
