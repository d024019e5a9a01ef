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
from .lifecycle import Ledger
from .scores import KEEP_T, SECOND_SERVICE_T, SECOND_WATCH_T, WATCH_T, K, eligible, remainder
from .signatures import (
    AIR,
    DROOPS,
    HEAT,
    MOVED,
    OWN_SENSOR,
    REGULATES,
    SIGNATURE_PARTS,
    SIGNATURES,
    WATCH_FLOOR,
)
from .signs import INDEX

FloatArray = NDArray[np.float64]


SERVICE_CYCLES: Final = 3
SERVICE_DAYS: Final = 2
"""The contract: service needs at least three cycles on two days."""
KEPT_DAYS: Final = 5
WATCH_CYCLES: Final = 2
FORGET_ROWS: Final = 4
"""Cycles without support after which a candidate starts again."""

SECOND_SHARE: Final = 0.8
"""Share of the first one's T that a second fault must reach to call for a visit of its own, beside
``SECOND_SERVICE_T``: as a fault grows, so does what its signature does not fit (design choice)."""

NEAR_SHARE: Final = 0.6
"""Where the best explanation is below its floor, another one of this share of its T is taken
(design choice)."""


DROOP_SIGNS: Final = np.array(
    [2 + len({"plateau", "overshoot", "dip"} & s.changes.keys()) for s in SIGNATURES]
)
DROOP_SHARE: Final = 0.85
"""Signs that moved as a drooping plateau's cause has them, two more of them than a sensor moves of
it, and the share of a sensor's T that it then has to reach: how far a plateau droops is the
thermostat's own (design choice)."""

NOISE_RISE: Final = 0.35
"""Logarithm of the channel's noise over its usual from which swings are not believed."""

LIMIT_WINDOW: Final = 10
"""Cycles in which a broken limit counts as repeated; leak tests count among leak tests."""

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
    compared: bool = True,
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
    compared
        Whether the row's own cycle was fit to be compared: one that was broken off is no sign of
        health, and lets no flag recover.
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
        found = k
        k = _behind_droop(k, ready, now_t, now_size, now_support)
        part = SIGNATURE_PARTS[k]
        supported.add(part)
        # Sensors first: swings that a noisy channel shows are not the sterilizer's.
        blurred = k in SWINGS and noisy(*delta(k))
        if part not in held and not blurred:
            more = asked.service + (SECOND_SERVICE_T if explained else 0.0)
            beside = explained and now_t[k] < SECOND_SHARE * t[explained[0][0]]
            calls = eligible(now_t - more, now_size, now_support, "service", part_of_floor)
            able = calls[k] or (k in DROOPS and calls[found])
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
        elif compared:
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


def _behind_droop(
    k: int,
    ready: NDArray[np.bool_],
    t: FloatArray,
    size: FloatArray,
    support: NDArray[np.int64],
) -> int:
    """Return what lets a plateau droop: a unit short of heat, before a sensor that is off.

    No sensor slows heating, while a controller with too little heat to spare falls short of
    its set point.
    """
    lower = size[k] < 0.0 if k in (OWN_SENSOR, MOVED[0]) else k in (MOVED[1], AIR, REGULATES)
    heat = [h for h in HEAT if ready[h] and t[h] >= WATCH_T]
    if not lower:
        return k
    if heat:
        return max(heat, key=lambda h: float(t[h]))
    # Heating need not show it by itself, where it and the plateau together fit better than a
    # sensor that is off does, or nearly so and by more signs than a sensor moves.
    if max(t[h] for h in HEAT) < KEEP_T:
        return k
    near = np.where(support >= DROOP_SIGNS, DROOP_SHARE, 1.0) * t[k]
    both = [d for d in DROOPS if t[d] > near[d]]
    return max(both, key=lambda d: float(t[d]), default=k)


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
