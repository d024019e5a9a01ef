"""One unit's state, and the step from charts to flags over new rows."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ..shared.config import Config
from .bench import bench_check
from .change import Change, change_point
from .diagnosis import conditional
from .evidence import drift_evidence
from .facts import Facts
from .findings import (
    SERVICE_CYCLES,
    SERVICE_DAYS,
    SUPPORT_Z,
    WATCH_T,
    Findings,
    Scores,
    drift_row,
    score_rows,
)
from .forecast import Forecast, forecast
from .forest import HEALTHY_AFTER_DAYS
from .lifecycle import Ledger
from .limit_findings import absolute_row, limit_row
from .limits_of_size import growth_scale, size_limit
from .odd_cycles import (
    ALONE_Z,
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
from .plain import array, plain
from .quiet import Seen, quiet_rows, take
from .reference import Reference
from .signatures import AIR, DIRECTIONS, MOVED, OWN_SENSOR, SIGNATURE_PARTS, SIGNATURES, TWO_SIDED
from .signs import INDEX, NAMES
from .size_history import daily_size
from .tracker import LOOK_BACK_DAYS, Rows, Track, Tracker

FloatArray = NDArray[np.float64]

FAILING_PARTS: Final = frozenset(
    {"heater", "door_seal", "vent_path", "temperature_sensor", "water_fill", "controller"}
)
"""Parts from whose faults cycles fall short of their exposure."""
FORECAST_EVERY_DAYS: Final = 7.0
"""Forecasts are kept weekly, to be scored later (the contract's protocol)."""

ALIKE_SHARE: Final = 0.75
"""A part whose best signature reaches this share of the winner's T is named beside it."""

CONFIDENCE_TEMPER: Final = 6.0
"""T squared over twice this, as a log weight: signatures are approximate, so the textbook
value of 1 would be far too sure (design choice)."""

OPEN_ELEMENT_SIZE: Final = 0.2
"""A step of this share of power looks like one element of a few that opened."""


COUNTED: Final = [i for i, name in enumerate(NAMES) if name not in STRONG_LEFT_OUT]

AT_ONCE_SHARE: Final = 0.7
"""A step has this share of its size on its first two days."""


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
        kept = [row for row in self.tracker.days if today - LOOK_BACK_DAYS <= row[0] < today]
        return array(kept).reshape(-1, 1 + len(NAMES))

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
            if name == part and (k == main or part == "door_seal")
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
            _put(
                episode.rows[-1], self.forecast_for(episode.part, self.tracker.time + 1.0, config)
            )


def _put(row: dict[str, Any], made: Forecast | None) -> None:
    row["days_to_limit"] = _round(made.days if made else math.nan)
    row["days_to_limit_low"] = _round(made.low if made else math.nan)
    row["days_to_limit_high"] = _round(made.high if made else math.nan)
    row["slope_per_day"] = made.slope_per_day if made else math.nan


def _round(value: float) -> float:
    return round(value, 1) if math.isfinite(value) else math.nan


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
    scores = score_rows(moved.delta, moved.variance, moved.ready)
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
    worst = np.where(np.isfinite(both), both, 0.0).max(axis=(1, 2)).tolist()
    out = np.asarray(np.nan_to_num(both[:, 1])[:, COUNTED] >= STRONG_Z)
    strong = np.asarray(out.any(axis=1)).tolist()
    state.wander = reference.wander
    context = _Context(state, rows, moved, scores, ids, config)
    ledger, findings = state.ledger, state.findings
    seen = Seen(rows.time, rows.complete, moved.ready, duty, smallest, facts)
    named = (scores.t >= WATCH_T).any(axis=1)
    quiet = quiet_rows(seen, scores, findings, config.limits)
    quiet &= ~(scores.seen & ((np.array(worst) >= TWO_Z) & ~named | np.array(strong, dtype=bool)))
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
            )
        if rows.complete[i]:
            absolute_row(findings, ledger, now, duties[i], scores.t[i], ids[i])
        if scores.seen[i] and worst[i] >= TWO_Z and not (scores.t[i] >= WATCH_T).any():
            _alone(state, moved, scores.t[i], i, now, ids[i])
        if scores.seen[i] and strong[i]:
            _strong(state, moved, scores.t[i], i, now, ids[i])
        if small and moved.ready[i] and math.isfinite(small[i]):
            explained = bool(scores.seen[i]) and bool((scores.t[i] >= WATCH_T).any())
            _vote(state, moved, i, now, small[i], ids[i], explained)
        row = facts.row(i)
        limit_row(findings, ledger, now, causes[i], row, scores.t[i], ids[i], config.limits)
        if standing or ledger.standing_all():
            context.at(i)
            context.keep_forecasts(now)
    if times:
        context.at(len(times) - 1)
        well = bool(moved.ready[-1]) and not ledger.standing_all()
        state.slow_level = moved.delta[-1, 1] if well else np.full(len(NAMES), np.nan)


def _alone(
    state: UnitState, moved: Track, t: FloatArray, i: int, now: float, cycle_id: str
) -> None:
    """Let signs that stick out and fit no signature well call: one to watch, two for a visit."""
    findings, ledger = state.findings, state.ledger
    quick = conditional(moved.delta[i, :1], moved.variance[i, :1])[0]
    if int((np.abs(np.nan_to_num(quick)) >= TWO_Z).sum()) >= 2:
        two = findings.candidate("unknown", "service")
        two.add(now)
        standing = ledger.standing_all()
        if ledger.standing("unknown") is not None:
            ledger.support("unknown", now)
        enough = two.cycles >= TWO_CYCLES and len(two.days) >= TWO_DAYS
        if enough and all(e.part == "unknown" or e.severity == "watch" for e in standing):
            most = int(np.argmax(np.abs(np.nan_to_num(quick))))
            part = _nearest(t, most, moved.delta[i, 0, most])
            row = describe_two(quick, moved.delta[i, 0], part, cycle_id)
            ledger.raise_flag(part, "service", now, row)
    delta = moved.delta[i, 1]
    peer = conditional(delta[None, :], moved.variance[i, 1][None, :])[0]
    if not float(np.max(np.abs(np.nan_to_num(peer)))) >= ALONE_Z:
        return
    counted = findings.candidate("unknown", "watch")
    counted.add(now)
    enough = counted.cycles >= SERVICE_CYCLES and len(counted.days) >= SERVICE_DAYS
    if ledger.standing("unknown") is not None:
        ledger.support("unknown", now)
    elif enough and not ledger.standing_all():
        ledger.raise_flag("unknown", "watch", now, describe_alone(peer, delta, cycle_id))


def _strong(
    state: UnitState, moved: Track, t: FloatArray, i: int, now: float, cycle_id: str
) -> None:
    """Let one very strong sign call for a visit, whatever explains it."""
    counted = state.findings.candidate("strong", "service")
    counted.add(now)
    standing = state.ledger.standing_all()
    if any(e.severity != "watch" for e in standing):
        return
    if counted.cycles < STRONG_CYCLES or len(counted.days) < STRONG_DAYS:
        return
    delta, variance = moved.delta[i, 1], moved.variance[i, 1]
    z = np.full(len(NAMES), np.nan)
    z[COUNTED] = (delta / np.sqrt(variance))[COUNTED]
    most = int(np.argmax(np.abs(np.nan_to_num(z))))
    part = _nearest(t, most, delta[most])
    state.ledger.raise_flag(part, "service", now, describe_strong(z, delta, part, cycle_id))


def _nearest(t: FloatArray, sign: int, delta: float) -> str:
    """Return the part whose signature fits best and moves a sign the way it went, else unknown."""
    way = DIRECTIONS[:, sign] * np.sign(delta)
    fits = np.where((way > 0.0) | (TWO_SIDED & (way != 0.0)), t, 0.0)
    k = int(fits.argmax())
    return SIGNATURE_PARTS[k] if fits[k] >= NEAREST_T else "unknown"


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
    state.ledger.raise_flag(
        "unknown", severity, now, describe_odd(count, peer, delta, p, cycle_id)
    )


class _Context:
    """What describing one row needs; the row is set by ``at``."""

    def __init__(
        self,
        state: UnitState,
        rows: Rows,
        moved: Track,
        scores: Scores,
        ids: list[str],
        config: Config,
    ) -> None:
        self.state, self.rows, self.moved = state, rows, moved
        self.scores, self.ids, self.config = scores, ids, config
        self.level = moved.adjusted - moved.residual
        known = np.isfinite(self.level)
        place = np.where(known, np.arange(len(ids))[:, None], -1)
        self.last = np.maximum.accumulate(place, axis=0) if len(ids) else place
        self.before = state.expected
        self.i = -1
        self.cycle_id = ""

    def at(self, i: int) -> None:
        """Move on to a row: the state's healthy levels and scatter become that row's."""
        if i == self.i:
            return
        self.i, self.cycle_id = i, self.ids[i]
        last = self.last[i]
        known = self.level[np.maximum(last, 0), np.arange(len(NAMES))]
        self.state.expected = np.where(last >= 0, known, self.before)
        self.state.scale = self.moved.scale[i]

    def delta(self, k: int) -> tuple[FloatArray, FloatArray]:
        """Return the row's change of each sign and its variance, by signature's chart."""
        chart = int(self.scores.chart[self.i, k])
        return self.moved.delta[self.i, chart], self.moved.variance[self.i, chart]

    def resolve(self, k: int) -> int:
        """Tell what looks alike in a trace by what else moved and by how the change came.

        T that sinks against an unchanged pressure is the logger's own, or air left inside by a
        machine that holds the pressure; the boil-off plateau tells, for no air is left then.
        Without a pressure a moved probe and the controller's own sensor both only move the
        plateau; the probe does so between two cycles, the sensor drifts.
        """
        if k not in (*MOVED, OWN_SENSOR, AIR):
            return k
        delta, _ = self.delta(k)
        saturation, boil = delta[INDEX["saturation"]], delta[INDEX["boil"]]
        if k == OWN_SENSOR and math.isfinite(saturation):
            return MOVED[0] if self._saturation_moved(delta) else k
        if math.isfinite(saturation):
            spread = math.sqrt(float(self.moved.variance[self.i, 1, INDEX["boil"]]))
            held = math.isfinite(boil) and abs(boil) < SUPPORT_Z * spread
            return AIR if held and saturation < 0.0 else MOVED[0] if k == AIR else k
        if math.isfinite(boil):
            return k
        return MOVED[0] if self.at_once() else OWN_SENSOR

    def at_once(self) -> bool:
        """Return whether the plateau moved between two cycles rather than day by day."""
        state = self.state
        history = state.history(float(self.rows.time[self.i]) + 1.0)
        days, sizes = daily_size(history, state.scale, state.wander, OWN_SENSOR)
        found = change_point(days, sizes, least=2)
        if found is None:
            return False
        after = sizes[found.index :]
        quick = abs(float(after[:2].mean())) >= AT_ONCE_SHARE * abs(float(after[-3:].mean()))
        return found.kind == "step" and quick

    def allowed(self, k: int) -> bool:
        """Return whether a signature may call for a visit.

        A plateau that moved at once, with nothing else, is a logger that was changed or moved
        until cycles fail: worth a look, not a visit.
        """
        return k not in (OWN_SENSOR, *MOVED) or not self.at_once()

    def _saturation_moved(self, delta: FloatArray) -> bool:
        """Return whether T moved against the pressure as the plateau moved."""
        both = delta[[INDEX["saturation"], INDEX["plateau"]]]
        variance = self.moved.variance[self.i, 1, INDEX["saturation"]]
        return bool(both[0] * both[1] > 0.0 and abs(both[0]) >= SUPPORT_Z * math.sqrt(variance))

    def describe(self, k: int, size: float, severity: str, t: FloatArray) -> dict[str, Any]:
        """Make the columns of a drift flag."""
        state, now = self.state, float(self.rows.time[self.i])
        sig = SIGNATURES[k]
        delta, variance = self.delta(k)
        z = delta / np.sqrt(variance)
        history = state.history(now)
        days, sizes = daily_size(history, state.scale, state.wander, k)
        found = change_point(days, sizes * (np.sign(size) if TWO_SIDED[k] else 1.0))
        state.signature[sig.part] = k
        begin = _change_times(days, found)
        expected = np.array(
            [
                (math.exp(v) if _is_log(j) else v) if _shows(j) else math.nan
                for j, v in enumerate(state.expected.tolist())
            ]
        )
        ago = now - begin[0] if begin else math.nan
        text, column = drift_evidence(k, delta, z, expected, ago)
        mode = sig.mode
        if (
            mode == "element weak"
            and found is not None
            and found.kind == "step"
            and (size >= OPEN_ELEMENT_SIZE)
        ):
            mode = "element open"
        row = {
            "part": sig.part,
            "mode": mode,
            "alternatives": ",".join(_alternatives(k, t)),
            "confidence": _confidence(k, t),
            "layer": "drift",
            "feature": column,
            "evidence": text,
            "bench_check": bench_check(sig.part, mode),
            "cycle_id": self.cycle_id,
            "change_point": begin[0] if begin else math.nan,
            "change_point_low": begin[1] if begin else math.nan,
            "change_point_high": begin[2] if begin else math.nan,
        }
        _put(row, state.forecast_for(sig.part, now, self.config))
        if severity == "service":
            state.next_forecast[sig.part] = now
        return row

    def keep_forecasts(self, now: float) -> None:
        """Keep a forecast of every standing service flag once a week."""
        for episode in self.state.ledger.standing_all():
            due = self.state.next_forecast.get(episode.part)
            if due is None or now < due or episode.severity == "watch":
                continue
            self.state.next_forecast[episode.part] = now + FORECAST_EVERY_DAYS
            made = self.state.forecast_for(episode.part, now, self.config)
            _put(episode.rows[-1], made)
            self.state.forecasts.append(
                {
                    "flag_id": episode.flag_id,
                    "unit_id": self.state.ledger.unit_id,
                    "part": episode.part,
                    "time": now,
                    "days_to_limit": episode.rows[-1]["days_to_limit"],
                    "days_to_limit_low": episode.rows[-1]["days_to_limit_low"],
                    "days_to_limit_high": episode.rows[-1]["days_to_limit_high"],
                }
            )


def _change_times(days: FloatArray, found: Change | None) -> tuple[float, float, float] | None:
    if found is None:
        return None
    last = days.size - 1
    return (
        float(days[min(found.index, last)]),
        float(days[min(found.low, last)]),
        float(days[min(found.high, last)]),
    )


def _is_log(j: int) -> bool:
    from .signs import SIGNS

    return SIGNS[j].scale == "log"


def _shows(j: int) -> bool:
    """Signs whose own scale is a difference are not shown as from-to."""
    return NAMES[j] not in ("plateau", "dip", "boil")


def _best_by_part(t: FloatArray) -> dict[str, float]:
    best: dict[str, float] = {}
    for k, part in enumerate(SIGNATURE_PARTS):
        best[part] = max(best.get(part, 0.0), float(t[k]))
    return best


def _alternatives(k: int, t: FloatArray) -> list[str]:
    best = _best_by_part(t)
    own = SIGNATURE_PARTS[k]
    close = [p for p, v in best.items() if p != own and v >= ALIKE_SHARE * float(t[k])]
    named = [*SIGNATURES[k].look_alikes, *sorted(close, key=lambda p: -best[p])]
    return list(dict.fromkeys(p for p in named if p != own))


def _confidence(k: int, t: FloatArray) -> float:
    best = _best_by_part(t)
    top = max(best.values())
    weights = {
        p: math.exp((v * v - top * top) / (2.0 * CONFIDENCE_TEMPER)) for p, v in best.items()
    }
    return round(weights[SIGNATURE_PARTS[k]] / (sum(weights.values()) + 0.05), 3)


__all__ = ["UnitState", "find"]
