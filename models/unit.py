"""One unit's state, and the step from charts to flags over new rows."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..shared.config import Config
from .budgets import asked
from .consequences import logger_moved, without_moved_logger
from .describe import RowContext, put_forecast
from .diagnosis import conditional, likeness
from .facts import Facts
from .findings import SERVICE_CYCLES, SERVICE_DAYS, SWINGS, Findings, drift_row, noisy
from .forecast import Forecast, forecast
from .forest import HEALTHY_AFTER_DAYS
from .lifecycle import Ledger
from .limit_findings import absolute_row, limit_row
from .limits_of_size import floor_share, growth_scale, size_limit
from .odd_cycles import (
    ALONE_Z,
    NEAREST_SHARE,
    NEAREST_T,
    PEER_Z,
    SERVICE_COUNT,
    SPAN_DAYS,
    STRONG_CYCLES,
    STRONG_DAYS,
    STRONG_LEFT_OUT,
    STRONG_Z,
    TWO_CYCLES,
    TWO_DAYS,
    TWO_Z,
    WATCH_COUNT,
    count_odd,
    describe_alone,
    describe_odd,
    describe_strong,
    describe_two,
    small_p,
)
from .outstanding import WINDOW, count, outstanding
from .plain import array, plain
from .quiet import Seen, quiet_rows, take
from .reference import Reference
from .scores import WATCH_T, matched, score_rows
from .signatures import DIRECTIONS, LEAKS, SIGNATURE_PARTS, TWO_SIDED
from .signs import INDEX, NAMES
from .size_history import daily_size
from .tracker import LOOK_BACK_DAYS, Rows, Track, Tracker, unresolved

FloatArray = NDArray[np.float64]

FAILING_PARTS: Final = frozenset(
    {"heater", "door_seal", "vent_path", "temperature_sensor", "water_fill", "controller"}
)
"""Parts from whose faults cycles fall short of their exposure."""


COUNTED: Final = [i for i, name in enumerate(NAMES) if name not in STRONG_LEFT_OUT]


@dataclass
class UnitState:
    """All that a unit carries from night to night."""

    tracker: Tracker
    findings: Findings
    ledger: Ledger
    slow_level: FloatArray
    """Slow chart of each sign at the last row, NaN before the charts are ready."""
    expected: FloatArray
    """Last known healthy level of each sign, on the sign's scale."""
    scale: FloatArray
    wander: FloatArray
    signature: dict[str, int] = field(default_factory=dict)
    """Signature behind each standing flag."""
    forecasts: list[dict[str, Any]] = field(default_factory=list)
    next_forecast: dict[str, float] = field(default_factory=dict)

    @classmethod
    def new(cls, unit_id: str) -> UnitState:
        """Return the state of a unit that was never seen."""
        empty = np.full(len(NAMES), np.nan)
        return cls(
            Tracker(),
            Findings(),
            Ledger(unit_id),
            empty.copy(),
            empty.copy(),
            empty.copy(),
            empty.copy(),
        )

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and numbers; forecasts already handed out are not kept."""
        out: dict[str, Any] = plain(
            {
                "tracker": self.tracker.to_json(),
                "findings": self.findings.to_json(),
                "ledger": self.ledger.to_json(),
                "slow_level": self.slow_level,
                "expected": self.expected,
                "scale": self.scale,
                "wander": self.wander,
                "signature": self.signature,
                "next_forecast": self.next_forecast,
            }
        )
        return out

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> UnitState:
        """Read what ``to_json`` returned."""
        return cls(
            Tracker.from_json(data["tracker"]),
            Findings.from_json(data["findings"]),
            Ledger.from_json(data["ledger"]),
            array(data["slow_level"]),
            array(data["expected"]),
            array(data["scale"]),
            array(data["wander"]),
            dict(data["signature"]),
            [],
            dict(data["next_forecast"]),
        )

    def healthy(self, time: FloatArray) -> NDArray[np.bool_]:
        """Return which times lie clear of every service flag, by thirty days before it."""
        clear = np.ones(time.shape, dtype=np.bool_)
        for episode in self.ledger.episodes:
            raised = [r["first_seen"] for r in episode.rows if r["severity"] != "watch"]
            if raised:
                end = episode.closed_at if episode.closed_at is not None else math.inf
                clear &= (time < min(raised) - HEALTHY_AFTER_DAYS) | (time > end)
        return clear

    def history(self, now: float) -> FloatArray:
        """Return the days that were over before ``now``, shape (days, 1 + signs)."""
        today = math.floor(now)
        days = self.tracker.days
        return days[(days[:, 0] >= today - LOOK_BACK_DAYS) & (days[:, 0] < today)]

    def forecast_for(self, part: str, now: float, config: Config) -> Forecast | None:
        """Run the part's fault on to the limit that it will reach first, as seen at ``now``."""
        main = self.signature.get(part)
        if part in FAILING_PARTS and self.findings.failing():
            return Forecast(0.0, 0.0, 0.0, math.nan)  # cycles fail already
        if main is None:
            return None
        history = self.history(now)
        made = [
            self._run_on(k, history, config)
            for k, name in enumerate(SIGNATURE_PARTS)
            if name == part and (k == main or k in LEAKS)
        ]
        known = [m for m in made if m is not None]
        return min(known, key=lambda m: m.low, default=None)

    def _run_on(self, k: int, history: FloatArray, config: Config) -> Forecast | None:
        days, size = daily_size(history, self.scale, self.wander, k)
        if days.size < 2:
            return None
        growing = float(np.sign(np.median(size[-5:]))) or 1.0
        grown = growth_scale(k, size) if not TWO_SIDED[k] else size * growing
        limit = size_limit(k, self.expected, growing, config.limits)
        if limit is None:
            return None
        return forecast(days, grown, limit=limit.size, shares=limit.shares)

    def forecast_now(self, config: Config) -> None:
        """Put a fresh forecast on every standing flag."""
        for episode in self.ledger.standing_all():
            put_forecast(
                episode.rows[-1], self.forecast_for(episode.part, self.tracker.time + 1.0, config)
            )


def find(
    state: UnitState,
    rows: Rows,
    moved: Track,
    facts: Facts,
    odd: dict[str, FloatArray],
    reference: Reference,
    config: Config,
) -> None:
    """Turn the charts of new rows into flags; ``state`` is changed in place."""
    scores = score_rows(moved.delta, moved.variance, moved.ready, moved.scale)
    single = (
        moved.scale**2
        + reference.wander**2
        + unresolved(np.nan_to_num(rows.resolution), moved.scale)
    )
    judged = moved.ready & rows.complete
    context = RowContext(state, rows, moved, scores, facts.cycle_id, config)

    def share(size: FloatArray, at: Any) -> FloatArray:
        return floor_share(size, context.expected[at], config.limits)

    alone = outstanding(moved.residual, single, judged, share)
    place = (state.findings.judged + np.cumsum(judged)).tolist()
    settled: dict[int, list[Any]] = {}
    for one in moved.settled:
        settled.setdefault(one.row, []).append(one)
    ids, causes = facts.cycle_id, facts.cause
    duty = np.exp(rows.signs[:, INDEX["duty"]])
    duties = duty.tolist()
    times = rows.time.tolist()
    smallest = small_p(odd)
    small = smallest.tolist()
    both = np.abs(moved.delta) / np.sqrt(moved.variance)
    worst = np.where(np.isfinite(both), both, 0.0).max(axis=(1, 2))
    strong = scores.seen & (both[:, 1][:, COUNTED] >= STRONG_Z).any(axis=1)
    state.wander = reference.wander
    ledger, findings = state.ledger, state.findings
    seen = Seen(rows.time, rows.complete, moved.ready, duty, smallest, facts)
    named = scores.seen & (scores.t >= WATCH_T).any(axis=1)
    lone = scores.seen & (worst >= TWO_Z) & ~named
    apart = _given_others(moved, lone)
    beyond = asked(config.budgets)
    floors = share(scores.size, slice(None))
    quiet = quiet_rows(seen, scores, findings, config.limits, beyond, floors)
    quiet &= ~lone & ~strong & (alone.signature < 0)
    quiet[list(settled)] = False
    loud = [*np.flatnonzero(~quiet).tolist(), len(times)]
    after = 0
    for i, now in enumerate(times):
        if i < after:
            continue
        if quiet[i] and not ledger.standing_all():
            after = loud[bisect_left(loud, i)]
            take(findings, seen, i, after, scores.seen)
            continue
        for one in settled.get(i, []):
            if one.agrees and ledger.standing(one.part) is not None:
                ledger.close(one.part, now, "serviced")
                findings.forget(one.part)
        standing = bool(ledger.standing_all())
        if moved.ready[i] and (scores.seen[i] or standing):
            context.at(i)
            drift_row(
                findings,
                ledger,
                now,
                scores.t[i],
                scores.size[i],
                scores.support[i],
                context.delta,
                context.describe,
                context.resolve,
                context.allowed,
                moved.provisional[i],
                beyond,
                partial(share, at=i),
                bool(rows.complete[i]),
            )
        if alone.signature[i] >= 0:
            context.at(i)
            _stands_out(context, int(alone.signature[i]), float(alone.size[i]), place[i], now)
        if rows.complete[i]:
            absolute_row(findings, ledger, now, duties[i], scores.t[i], ids[i])
        if i in apart:
            _alone(state, moved, scores.t[i], apart[i], i, now, ids[i])
        if strong[i]:
            _strong(state, moved, scores.t[i], i, now, ids[i])
        if small and moved.ready[i] and math.isfinite(small[i]):
            _vote(state, moved, i, now, small[i], ids[i], bool(named[i]))
        row = facts.row(i)
        limit_row(findings, ledger, now, causes[i], row, scores.t[i], ids[i], config.limits)
        if standing or ledger.standing_all():
            context.at(i)
            context.keep_forecasts(now)
    if times:
        findings.judged = place[-1]
        context.at(len(times) - 1)
        well = bool(moved.ready[-1]) and not ledger.standing_all()
        state.slow_level = moved.delta[-1, 1].copy() if well else np.full(len(NAMES), np.nan)


def _stands_out(context: RowContext, k: int, size: float, place: int, now: float) -> None:
    """Let cycles that stand out each by itself call for a visit."""
    state, i = context.state, context.i
    findings, ledger = state.findings, state.ledger
    k = context.resolve(k)
    if k in SWINGS and noisy(*context.delta(k)):
        return
    findings.alone, cycles = count(findings.alone, now, place, k)
    part = SIGNATURE_PARTS[k]
    ledger.support(part, now)
    standing = ledger.standing(part)
    others = [e for e in ledger.standing_all() if e.part != part and e.severity != "watch"]
    held = part in context.moved.provisional[i]
    if others or held or not context.allowed(k):
        return
    pooled = findings.candidate(part, "service")
    if pooled.cycles and pooled.missed:  # the charts called before, and wait for more
        pooled.add(now)
    if not cycles and not pooled.enough():
        return
    if standing is None or standing.severity == "watch":
        row = context.describe(k, size, "service", context.scores.t[i])
        if cycles:
            row["evidence"] += f" {cycles} of the last {WINDOW} cycles show it each by itself."
        ledger.raise_flag(part, "service", now, row)


def _given_others(moved: Track, chosen: NDArray[np.bool_]) -> dict[int, FloatArray]:
    """Return the charts' signs given all others, shape (2, signs), of the rows they speak in.

    Those are chosen rows with two signs of the short chart beyond ``TWO_Z``, or one of the
    long chart beyond ``ALONE_Z``.
    """
    at, width = np.flatnonzero(chosen), len(NAMES)
    if not at.size:
        return {}
    z = conditional(moved.delta[at].reshape(-1, width), moved.variance[at].reshape(-1, width))
    z = z.reshape(-1, 2, width)
    size = np.abs(z[:, :, COUNTED])
    two = (size[:, 0] >= TWO_Z).sum(axis=1) >= 2
    speaks = np.flatnonzero(two | (size[:, 1] >= ALONE_Z).any(axis=1))
    return dict(zip(at[speaks].tolist(), z[speaks], strict=True))


def _alone(
    state: UnitState,
    moved: Track,
    t: FloatArray,
    given_others: FloatArray,
    i: int,
    now: float,
    cycle_id: str,
) -> None:
    """Let signs that stick out and fit no signature well call: one to watch, two for a visit."""
    findings, ledger = state.findings, state.ledger
    quick, peer = given_others
    if int((np.abs(np.nan_to_num(quick[COUNTED])) >= TWO_Z).sum()) >= 2:
        two = findings.candidate("unknown", "service")
        two.add(now)
        standing = ledger.standing_all()
        if ledger.standing("unknown") is not None:
            ledger.support("unknown", now)
        enough = two.cycles >= TWO_CYCLES and len(two.days) >= TWO_DAYS
        if enough and all(e.part == "unknown" or e.severity == "watch" for e in standing):
            most = int(np.argmax(np.abs(np.nan_to_num(quick))))
            part = _nearest(t, most, moved.delta[i, 0], moved.variance[i, 0])
            row = describe_two(quick, moved.delta[i, 0], part, cycle_id)
            ledger.raise_flag(part, "service", now, row)
    if not float(np.max(np.abs(np.nan_to_num(peer[COUNTED])))) >= ALONE_Z:
        return
    counted = findings.candidate("unknown", "watch")
    counted.add(now)
    enough = counted.cycles >= SERVICE_CYCLES and len(counted.days) >= SERVICE_DAYS
    if ledger.standing("unknown") is not None:
        ledger.support("unknown", now)
    elif enough and not ledger.standing_all():
        ledger.raise_flag(
            "unknown", "watch", now, describe_alone(peer, moved.delta[i, 1], cycle_id)
        )


def _strong(
    state: UnitState, moved: Track, t: FloatArray, i: int, now: float, cycle_id: str
) -> None:
    """Let one very strong sign call for a visit, whatever explains it but a moved logger."""
    delta, variance = moved.delta[i, 1], moved.variance[i, 1]
    if logger_moved(state.ledger):  # else nothing is taken off, and the sign is strong as it is
        size = matched(delta[None, :], variance[None, :])[1][0]
        left = without_moved_logger(delta, t, size)
        if not (np.abs(np.nan_to_num(left / np.sqrt(variance)))[COUNTED] >= STRONG_Z).any():
            return
    counted = state.findings.candidate("strong", "service")
    counted.add(now)
    standing = state.ledger.standing_all()
    if any(e.severity != "watch" for e in standing):
        return
    if counted.cycles < STRONG_CYCLES or len(counted.days) < STRONG_DAYS:
        return
    z = np.full(len(NAMES), np.nan)
    z[COUNTED] = (delta / np.sqrt(variance))[COUNTED]
    most = int(np.argmax(np.abs(np.nan_to_num(z))))
    part = _nearest(t, most, delta, variance)
    state.ledger.raise_flag(part, "service", now, describe_strong(z, delta, part, cycle_id))


def _nearest(t: FloatArray, sign: int, delta: FloatArray, variance: FloatArray) -> str:
    """Return the part whose signature fits best and moves a sign the way it went, else unknown.

    Where none is significant beside the circumstances, the one that most of what moved looks like.
    """
    way = DIRECTIONS[:, sign] * np.sign(delta[sign])
    able = (way > 0.0) | (TWO_SIDED & (way != 0.0))
    fits = np.where(able, t, 0.0)
    k = int(fits.argmax())
    if fits[k] >= NEAREST_T:
        return SIGNATURE_PARTS[k]
    return _looks_like(delta, variance)


def _looks_like(delta: FloatArray, variance: FloatArray) -> str:
    """Return the part that most of what moved looks like, else unknown."""
    alike = likeness(delta, variance)
    k = int(alike.argmax())
    return SIGNATURE_PARTS[k] if alike[k] >= NEAREST_SHARE else "unknown"


def _vote(
    state: UnitState, moved: Track, i: int, now: float, p: float, cycle_id: str, explained: bool
) -> None:
    """Let the forest raise ``unknown`` where nothing known explains many odd cycles."""
    state.findings.odd, count, span = count_odd(state.findings.odd, now, p)
    standing = state.ledger.standing("unknown")
    if standing is not None:
        if count >= WATCH_COUNT // 2:
            state.ledger.support("unknown", now)
        else:
            state.ledger.quiet("unknown", now)
    others = [e for e in state.ledger.standing_all() if e.part != "unknown"]
    if explained or others or count < WATCH_COUNT or span < SPAN_DAYS:
        return
    delta, variance = moved.delta[i, 1], moved.variance[i, 1]
    peer = conditional(delta[None, :], variance[None, :])[0]
    agrees = bool((np.abs(np.nan_to_num(peer)) >= PEER_Z).any())
    severity = "service" if count >= SERVICE_COUNT and agrees else "watch"
    # A visit is for a part, where the signs look like one.
    part = _looks_like(delta, variance) if severity == "service" else "unknown"
    state.ledger.raise_flag(
        part, severity, now, describe_odd(count, peer, delta, p, cycle_id, part)
    )


__all__ = ["UnitState", "find"]
