"""From charts and verdicts to flags, cycle after cycle.

Three kinds of evidence raise flags here: signatures that stand out of the
charts, limits that were broken more than once, and troubles of the logger. One
row is judged at a time and only by what came before it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .budgets import SHIPPED, Asked
from .consequences import cause_of, told_as_consequence
from .diagnosis import match
from .lifecycle import Ledger
from .signatures import (
    DIRECTIONS,
    HEAT,
    LESS_TO_HEAT,
    LOAD,
    MOVED,
    NUISANCE_DIRECTIONS,
    NUISANCE_SD,
    OWN_SENSOR,
    SERVICE_FLOOR,
    SIGNATURE_PARTS,
    SIGNATURES,
    TWO_SIDED,
    WATCH_FLOOR,
)
from .signs import INDEX

FloatArray = NDArray[np.float64]

WATCH_T: Final = 3.0
SERVICE_T: Final = 4.0
KEEP_T: Final = 2.0
"""Size of a signature in standard errors to open a watch, to call for service, and to go on
supporting an open flag. By simulation of all signs with AR(1) of 1/3, Student's t with 4 degrees
of freedom, the shipped wander and nuisances, with the floors and with what is asked less where
signs agree (tests/models/test_calibration.py): 4.0 gives 0.15 false service flags a unit-year,
the design's, and 3.0 gives 0.6 to 0.7 watches. The third is a design choice."""

LONE_T: Final = 0.8
SUPPORT_Z: Final = 2.0
"""What is asked more of a signature that fewer than two signs support by so many standard
errors: one sign alone is easily moved by something else (design choice)."""
_MOVES: Final = DIRECTIONS != 0.0
_SHARED: Final = _MOVES.sum(axis=0) + (NUISANCE_DIRECTIONS != 0.0).sum(axis=0) > 1
SOLE: Final = (_MOVES.sum(axis=1) == 1) & ~_MOVES[:, _SHARED].any(axis=1)
"""Signatures of one sign that no other part and no circumstance moves: nothing can agree with it,
and nothing else explains it (a vacuum break that slows is the filter's)."""

SERVICE_CYCLES: Final = 3
SERVICE_DAYS: Final = 2
"""The contract: service needs at least three cycles on two days."""
KEPT_DAYS: Final = 5
WATCH_CYCLES: Final = 2
FORGET_ROWS: Final = 4
"""Cycles without support after which a candidate starts again."""
SCREEN_Z: Final = 1.3
"""Rows where no sign is out by this much cannot reach a watch in any signature."""
MISFIT: Final = 0.5
"""A fault's signs may differ from its signature by this share (units differ)."""
SECOND_WATCH_T: Final = 1.5
SECOND_SERVICE_T: Final = 2.0
"""More standard errors that a second fault beside a known one has to show: what a signature
does not fit is not another fault (set on tuning fleets)."""

SECOND_SHARE: Final = 0.8
"""... and the share of the first one's T that it must reach to call for a visit of its own: as a
fault grows, so does what its signature does not fit (design choice)."""

NEAR_SHARE: Final = 0.6
"""Where the best explanation is below its floor, another one of this share of its T is taken
(design choice)."""

FAR_T: Final = 4.0
FLOOR_LEAST: Final = 0.5
"""A floor says what a technician would want to know of a change that is barely certain. What is
certain by twice as much and more is out of all healthy wander, and worth it at half of the floor;
in between by straight line, from a severity's own limit over so many more standard errors (set on
tuning fleets: a controller's swing was out by fourteen standard errors while it was below its
floor, and cycles failed)."""
WHOLE_FLOOR: Final = np.array(
    [s.part == "pressure_sensor" or "boiling" in s.changes for s in SIGNATURES]
)
FLOOR_PART: Final = np.where(WHOLE_FLOOR, 1.0, FLOOR_LEAST)
"""Not so a pressure channel: what it is off by counts against its uncertainty and the weather. Nor
a share of cycles: a pause that is seen less often says more about how well it is seen."""

AGREE_SIGNS: Final = 3
AGREE_T: Final = 0.2
"""What is asked less for a visit where so many signs moved a signature's way: so much that the
simulation keeps the budget of false flags: over 480 unit-years of either kind 0.10 a unit-year
without it, 0.15 with it and 0.17 with 0.4."""

NOISE_RISE: Final = 0.35
"""Logarithm of the channel's noise over its usual from which swings are not believed."""

LIMIT_WINDOW: Final = 10
"""Cycles in which a broken limit counts as repeated; leak tests count among leak tests."""

K: Final = len(SIGNATURES)
_RISES: Final = (DIRECTIONS.T > 0.0).astype(np.float64)
_FALLS: Final = (DIRECTIONS.T < 0.0).astype(np.float64)
SWINGS: Final = frozenset(
    k for k, s in enumerate(SIGNATURES) if s.part == "controller" or s.mode == "stuck on"
)
PARTS: Final = tuple(dict.fromkeys(SIGNATURE_PARTS))
OF_PART: Final = {part: tuple(k for k in range(K) if SIGNATURE_PARTS[k] == part) for part in PARTS}
"""Signatures of each part."""


@dataclass
class Candidate:
    """Support for a part that has no flag of a severity yet."""

    cycles: int = 0
    days: list[int] = field(default_factory=list)
    missed: int = 0

    def add(self, now: float) -> None:
        """Count a supporting cycle."""
        self.cycles += 1
        self.missed = 0
        day = math.floor(now)
        if day not in self.days and len(self.days) < KEPT_DAYS:
            self.days.append(day)

    def enough(self) -> bool:
        """Return whether that is enough for a visit."""
        return self.cycles >= SERVICE_CYCLES and len(self.days) >= SERVICE_DAYS

    def miss(self) -> None:
        """Count a cycle without support."""
        self.missed += 1
        if self.missed >= FORGET_ROWS:
            self.cycles, self.days = 0, []


SHORTFALLS: Final = frozenset({"cold", "short", "unreached"})
FAILING_OF: Final = 5
FAILING_LEAST: Final = 3
"""Of the last five cycles three fell short: no days are left to be foretold (design choice)."""


@dataclass
class Findings:
    """What one unit carries between cycles besides its charts and flags."""

    candidates: dict[str, Candidate] = field(default_factory=dict)
    causes: list[list[Any]] = field(default_factory=list)
    """Time, kind and troubles of the last leak tests and of the last other cycles."""
    setpoints: list[float] = field(default_factory=list)
    """Set points of the last cycles [°C]."""
    stuck: list[float] = field(default_factory=list)
    """Longest unchanged runs of the last cycles [s]."""

    duties: list[list[float]] = field(default_factory=list)
    """Time and duty of the last cycles."""
    odd: list[list[float]] = field(default_factory=list)
    """Time and oddness of the last cycles that the forest saw."""
    alone: list[list[float]] = field(default_factory=list)
    """Time, place and signature of the last cycles that stood out by themselves."""
    judged: int = 0
    """Cycles that could stand out so far."""

    def candidate(self, part: str, severity: str) -> Candidate:
        """Return the counter of a part and severity."""
        return self.candidates.setdefault(f"{part}/{severity}", Candidate())

    def add_causes(self, rows: list[list[Any]]) -> None:
        """Add cycles' time, kind and troubles; what no window reaches any more goes.

        A test a week would never be seen to repeat itself among all of a week's cycles.
        """
        found = [*self.causes, *rows]
        tests = [i for i, c in enumerate(found) if c[1] == "leak_test"]
        others = [i for i, c in enumerate(found) if c[1] != "leak_test"]
        self.causes = [found[i] for i in sorted(tests[-LIMIT_WINDOW:] + others[-LIMIT_WINDOW:])]

    def failing(self) -> bool:
        """Return whether the latest cycles fall short of their exposure already."""
        last = [set(c[2:]) for c in self.causes if c[1] != "leak_test"][-FAILING_OF:]
        return sum(bool(c & SHORTFALLS) for c in last) >= FAILING_LEAST

    def forget(self, part: str) -> None:
        """Start all counters of a part again."""
        for key in list(self.candidates):
            if key.startswith(f"{part}/"):
                del self.candidates[key]
        self.alone = [r for r in self.alone if SIGNATURE_PARTS[int(r[2])] != part]
        self.causes = []

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and numbers."""
        return {
            "candidates": {
                k: [c.cycles, c.days, c.missed]
                for k, c in self.candidates.items()
                if c.cycles or c.missed
            },
            "causes": self.causes,
            "setpoints": self.setpoints,
            "stuck": self.stuck,
            "duties": self.duties,
            "odd": self.odd,
            "alone": self.alone,
            "judged": self.judged,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Findings:
        """Read what ``to_json`` returned."""
        read = dict(data)
        read["candidates"] = {
            k: Candidate(v[0], list(v[1]), v[2]) for k, v in data["candidates"].items()
        }
        return cls(**read)


@dataclass(frozen=True)
class Scores:
    """Each signature at each row, the better of both charts."""

    t: FloatArray
    """Standard errors, never negative for two-sided signatures, shape (rows, signatures)."""
    size: FloatArray
    """Signed size, same shape."""
    chart: NDArray[np.int64]
    """0 the short, 1 the long chart, same shape."""
    seen: NDArray[np.bool_]
    """Rows that were scored; others are quiet, shape (rows,)."""
    support: NDArray[np.int64]
    """Signs that moved the signature's way by ``SUPPORT_Z``, shape (rows, signatures)."""


LIGHTER_SHARE: Final = 0.7
LEAST_LOAD_SD: Final = 0.015
"""A load can't be lighter than none. What a unit's loads differ by shows in its rates from cycle
to cycle: even loads put the empty chamber 1.7 standard deviations from the mean, which is taken as
2.5 of the load's own (design choice). Rates that rose by more have less water to heat. The least
is what rates of healthy units wander by, all the same."""
_RATES: Final = [INDEX[n] for n in ("power", "loss", "heat_rate", "heat_rate_pressurised")]


def score_rows(
    delta: FloatArray,
    variance: FloatArray,
    ready: NDArray[np.bool_],
    scale: FloatArray | None = None,
) -> Scores:
    """Match all signatures to all rows that are out of the ordinary.

    Parameters
    ----------
    delta, variance
        Shape (rows, 2, signs).
    ready
        Rows whose charts may speak.
    scale
        Scatter of each sign from cycle to cycle, shape (rows, signs), where it is known.
    """
    n = len(delta)
    z = np.abs(np.where(np.isfinite(delta), delta, 0.0)) / np.sqrt(variance)
    seen = ready & (z.max(axis=(1, 2)) > SCREEN_Z) if n else ready
    t, size = np.zeros((n, K)), np.zeros((n, K))
    chart = np.zeros((n, K), dtype=np.int64)
    support = np.zeros((n, K), dtype=np.int64)
    at = np.flatnonzero(seen)
    if at.size:
        # Both charts in one batch: the rows of the short one, then those of the long one.
        moved, spread = (np.concatenate([x[at, 0], x[at, 1]]) for x in (delta, variance))
        found = matched(moved, spread)
        counts = supporting(moved, spread, found[1])
        if scale is not None:
            _bound_lighter(found, counts, moved, spread, np.concatenate([scale[at], scale[at]]))
        counts = counts.reshape(2, -1, K)
        both, sizes = (x.reshape(2, -1, K) for x in found)
        best = both.argmax(axis=0)
        t[at] = np.round(np.take_along_axis(both, best[None], 0)[0], 6)
        size[at] = np.round(np.take_along_axis(sizes, best[None], 0)[0], 9)
        support[at] = np.take_along_axis(counts, best[None], 0)[0]
        chart[at] = best
    return Scores(t, size, chart, seen, support)


def _bound_lighter(
    found: tuple[FloatArray, FloatArray],
    counts: NDArray[np.int64],
    delta: FloatArray,
    variance: FloatArray,
    scale: FloatArray,
) -> None:
    """Match low water again where rates rose, with no more of it laid to the load than there is.

    ``found`` are t and size, changed in place; arrays of shape (rows, signatures or signs).
    """
    least = np.where(np.isfinite(delta[:, _RATES]), scale[:, _RATES], np.inf).min(axis=1)
    sd = np.maximum(LIGHTER_SHARE * least, LEAST_LOAD_SD)
    water = list(LESS_TO_HEAT)
    up = (found[1][:, water] > 0.0) & (counts[:, water] >= AGREE_SIGNS)
    at = np.flatnonzero(up.any(axis=1) & (sd < NUISANCE_SD[LOAD]))
    if not at.size:
        return
    again = match(delta[at], variance[at], load_sd=sd[at])
    for k in water:
        found[0][at, k], found[1][at, k] = again.t[:, k], again.size[:, k]


def matched(delta: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return t, never negative for two-sided signatures, and signed size, (rows, signatures)."""
    found = match(delta, variance)
    return np.where(TWO_SIDED, np.abs(found.t), found.t), found.size.copy()


def supporting(delta: FloatArray, variance: FloatArray, size: FloatArray) -> NDArray[np.int64]:
    """Count the signs that moved each signature's way, shape (rows, signatures)."""
    z = np.where(np.isfinite(delta), delta, 0.0) / np.sqrt(variance)
    # Small counts are exact as floats, and BLAS multiplies no integers.
    up, down = (z >= SUPPORT_Z).astype(np.float64), (z <= -SUPPORT_Z).astype(np.float64)
    with_it = up @ _RISES + down @ _FALLS
    against = up @ _FALLS + down @ _RISES
    return np.where(size >= 0.0, with_it, against).astype(np.int64)


def eligible(
    t: FloatArray,
    size: FloatArray,
    support: NDArray[np.int64],
    severity: str,
    share: FloatArray | float = 1.0,
) -> NDArray[np.bool_]:
    """Return which signatures are both significant and large enough to matter.

    ``share`` is the part of its floor that each has to reach (``limits_of_size.floor_share``).
    """
    limit, floor = (WATCH_T, WATCH_FLOOR) if severity == "watch" else (SERVICE_T, SERVICE_FLOOR)
    agreed = AGREE_T if severity == "service" else 0.0
    alone = np.where((support >= 2) | SOLE, 0.0, LONE_T)
    needed = limit + np.where(support >= AGREE_SIGNS, -agreed, alone)
    beyond = np.clip((t - needed) / FAR_T, 0.0, 1.0)
    least = share * floor * (1.0 - beyond * (1.0 - FLOOR_PART))
    large = np.where(TWO_SIDED, np.abs(size), size) >= least
    return np.asarray((t >= needed) & large)


def remainder(
    delta: FloatArray, variance: FloatArray, explained: list[tuple[int, float]]
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]] | None:
    """Score one row after faults of given sizes are taken off; None where too little is left.

    Parameters
    ----------
    delta, variance
        Shape (signs,).
    explained
        Signature and size of each fault that is known.

    Returns
    -------
    tuple of ndarray
        t, size and support of every signature, shape (signatures,); None where none of them
        can open a flag beside the faults that are known.
    """
    left, spread = delta.copy(), variance.copy()
    for k, size in explained:
        change = DIRECTIONS[k] * size
        left = left - change
        spread = spread + np.square(MISFIT * change)
    # No signature can reach a larger T than all signs together do; T is rounded to 1e-6.
    z2 = np.square(left) / spread
    if z2[np.isfinite(z2)].sum() < (WATCH_T + SECOND_WATCH_T - 1e-5) ** 2:
        return None
    t, sizes = matched(left[None, :], spread[None, :])
    support = supporting(left[None, :], spread[None, :], sizes)[0]
    return np.round(t[0], 6), np.round(sizes[0], 9), support


def drift_row(
    findings: Findings,
    ledger: Ledger,
    now: float,
    t: FloatArray,
    size: FloatArray,
    support: NDArray[np.int64],
    delta: Callable[[int], tuple[FloatArray, FloatArray]],
    describe: Callable[[int, float, str, FloatArray], dict[str, Any]],
    resolve: Callable[[int], int],
    allowed: Callable[[int], bool],
    held: frozenset[str],
    asked: Asked = SHIPPED,
    share: Callable[[FloatArray], FloatArray] = np.ones_like,
) -> None:
    """Let one row's charts open, raise, support or quiet flags.

    Parameters
    ----------
    findings, ledger
        Changed in place.
    now
        Event time [days].
    t, size, support
        Scores of the row, shape (signatures,).
    delta
        Returns delta and variance of the row for a signature's better chart.
    describe
        Makes the columns of a flag from signature, size, severity and all t.
    resolve
        Chooses between signatures that look alike by how the change came.
    allowed
        Says whether a signature may call for a visit.
    held
        Parts under provisional repair: nothing new is raised for them.
    asked
        What the site's budgets ask beyond the shipped limits.
    share
        Returns the part of its floors that each of the row's sizes has to reach.
    """
    supported: set[str] = set()
    explained = _known(ledger, t, size)
    for k, _ in explained:
        supported.add(SIGNATURE_PARTS[k])
    left = remainder(*delta(explained[0][0]), explained) if explained else (t, size, support)
    for _ in range(3):  # at most three faults at once
        if left is None:
            break
        now_t, now_size, now_support = left
        if not (now_t - asked.watch).max() >= WATCH_T:  # what a watch asks at least
            break
        part_of_floor = share(now_size)
        ready = eligible(now_t - asked.watch, now_size, now_support, "watch", part_of_floor)
        if explained:
            ready &= now_t >= WATCH_T + SECOND_WATCH_T
        if not ready.any():
            break
        best = resolve(int(now_t.argmax()))
        # What explains it best may be too small to matter; the next best must come near it.
        k = best if ready[best] else resolve(int(np.where(ready, now_t, 0.0).argmax()))
        if not ready[k] or now_t[k] < NEAR_SHARE * now_t[best]:
            break
        k = _behind_droop(k, ready, now_t, now_size)
        part = SIGNATURE_PARTS[k]
        supported.add(part)
        # Sensors first: swings that a noisy channel shows are not the sterilizer's.
        blurred = k in SWINGS and noisy(*delta(k))
        if part not in held and not blurred:
            more = asked.service + (SECOND_SERVICE_T if explained else 0.0)
            beside = explained and now_t[k] < SECOND_SHARE * t[explained[0][0]]
            able = eligible(now_t - more, now_size, now_support, "service", part_of_floor)[k]
            cause = cause_of(ledger, part)
            sure = able and not beside and cause is None and allowed(k)
            known = abs(now_size[k]) >= part_of_floor[k] * WATCH_FLOOR[k]
            _count(findings, ledger, now, k, now_t, now_size, describe, known, bool(sure), cause)
        explained.append((k, float(now_size[k])))
        left = remainder(*delta(k), explained)
    for part in PARTS:
        if part not in supported:
            for severity in ("watch", "service"):
                key = f"{part}/{severity}"
                if key in findings.candidates:
                    findings.candidates[key].miss()
    for episode in ledger.standing_all():
        if episode.part == "unknown" and episode.rows[-1]["layer"] == "forest":
            continue  # the forest speaks for it
        ks = OF_PART.get(episode.part, ())
        if episode.part in supported or any(t[k] >= KEEP_T for k in ks):
            ledger.support(episode.part, now)
        else:
            ledger.quiet(episode.part, now)


def _known(ledger: Ledger, t: FloatArray, size: FloatArray) -> list[tuple[int, float]]:
    """Return signature and size of what service flags that stand explain already.

    One cause moves many signs, and more of them as it grows: what a known fault explains
    opens no second flag, unless what is left over is strong by itself.
    """
    out = []
    for episode in ledger.standing_all():
        if episode.severity == "watch":
            continue
        own = OF_PART.get(episode.part, ())
        k = max(own, key=lambda k: float(t[k]), default=-1)
        if own and t[k] >= KEEP_T:
            out.append((k, float(size[k])))
    return out


def _behind_droop(k: int, ready: NDArray[np.bool_], t: FloatArray, size: FloatArray) -> int:
    """Return what lets a plateau droop: a unit short of heat, before a sensor that is off.

    No sensor slows heating, while a controller with too little heat to spare falls short of
    its set point.
    """
    lower = size[k] < 0.0 if k in (OWN_SENSOR, MOVED[0]) else k == MOVED[1]
    heat = [h for h in HEAT if ready[h] and t[h] >= WATCH_T]
    return max(heat, key=lambda h: float(t[h])) if lower and heat else k


def noisy(delta: FloatArray, variance: FloatArray) -> bool:
    """Return whether the channel's own noise has risen enough to widen every swing."""
    i = INDEX["noise"]
    return bool(delta[i] > NOISE_RISE and delta[i] > KEEP_T * math.sqrt(variance[i]))


def _count(
    findings: Findings,
    ledger: Ledger,
    now: float,
    k: int,
    t: FloatArray,
    size: FloatArray,
    describe: Callable[[int, float, str, FloatArray], dict[str, Any]],
    known: bool,
    sure: bool,
    cause: str | None,
) -> None:
    """Count a row for the signature that explains it best; raise what is due."""
    part = SIGNATURE_PARTS[k]
    watch = findings.candidate(part, "watch")
    if known:  # below its floor only a visit is worth a flag
        watch.add(now)
    if watch.cycles >= WATCH_CYCLES and ledger.standing(part) is None:
        row = describe(k, float(size[k]), "watch", t)
        row = told_as_consequence(row, cause) if cause else row
        ledger.raise_flag(part, "watch", now, row)
    service = findings.candidate(part, "service")
    if sure:
        service.add(now)
        standing = ledger.standing(part)
        if service.enough() and (standing is None or standing.severity == "watch"):
            ledger.raise_flag(part, "service", now, describe(k, float(size[k]), "service", t))
    else:
        service.miss()
