"""What a flag says of the row that raised it: part, mode, words, change point, forecast."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ..shared.config import Config
from .bench import bench_check
from .change import Change, change_point
from .chart_pair import carried
from .evidence import drift_evidence
from .forecast import Forecast
from .scores import SUPPORT_Z, Scores
from .signatures import (
    AIR,
    BLOCKED,
    DIRECTIONS,
    DRAWN_IN,
    LATE_END,
    LESS_TO_HEAT,
    MOVED,
    NO_PURGE,
    OWN_SENSOR,
    PUMP_SIGNS,
    SIGNATURE_PARTS,
    SIGNATURES,
    TIMER,
    TWO_SIDED,
    WEAK,
)
from .signs import INDEX, NAMES, SIGNS
from .size_history import daily_size
from .tracker import Rows, Track

if TYPE_CHECKING:
    from .unit import UnitState

FloatArray = NDArray[np.float64]

FORECAST_EVERY_DAYS: Final = 7.0
"""Forecasts are kept weekly, to be scored later (the contract's protocol)."""

ALIKE_SHARE: Final = 0.75
"""A part whose best signature reaches this share of the winner's T is named beside it."""

CONFIDENCE_TEMPER: Final = 6.0
"""T squared over twice this, as a log weight: signatures are approximate, so the textbook
value of 1 would be far too sure (design choice)."""

OPEN_ELEMENT_SIZE: Final = 0.2
"""A step of this share of power looks like one element of a few that opened."""

AT_ONCE_SHARE: Final = 0.7
"""A step has this share of its size on its first two days."""

MIDDLE_DAYS: Final = 5
"""Days of which the middle one stands for an end that comes late now and then."""

RATE_SIGNS: Final = [
    INDEX[n] for n in ("power", "loss", "heat_rate", "heat_rate_pressurised", "heat_up", "seat")
]


class RowContext:
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
        level = moved.adjusted - moved.residual
        self.expected = carried(level, np.isfinite(level), state.expected)
        self.i = -1
        self.cycle_id = ""
        self.moves: dict[int, tuple[int, FloatArray, bool]] = {}
        """By signature, the day and scatter it was last asked of, and whether it moved at once."""

    def at(self, i: int) -> None:
        """Move on to a row: the state's healthy levels and scatter become that row's."""
        if i == self.i:
            return
        self.i, self.cycle_id = i, self.ids[i]
        # Copies: the state outlives the month, and a view would keep all of its rows.
        self.state.expected = self.expected[i].copy()
        self.state.scale = self.moved.scale[i].copy()

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
        if k in LATE_END:
            return LATE_END[0 if self.rows.program[self.i].startswith("prevacuum") else 1]
        if k in DRAWN_IN:
            return DRAWN_IN[1 if self._drawn_in(k) else 0]
        if k not in (*MOVED, OWN_SENSOR, AIR, NO_PURGE):
            return k
        delta, variance = self.delta(k)
        if k == NO_PURGE:  # a narrow vent holds the steam back, and lets it out slowly
            slow = delta[INDEX["exhaust"]] >= SUPPORT_Z * math.sqrt(variance[INDEX["exhaust"]])
            return BLOCKED if slow else k
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

    def _drawn_in(self, k: int) -> bool:
        """Return whether air is likelier drawn in by a seal than left in by a pump or a trap.

        A pump that wears evacuates slower or less deep. Where it does neither and no leak test
        speaks for the seal, the seal is the commonest way for air into a chamber under vacuum.
        """
        if not self.rows.program[self.i].startswith("prevacuum"):
            return False
        delta, variance = self.delta(k)
        at = [INDEX[n] for n in PUMP_SIGNS]
        pump = delta[at] >= SUPPORT_Z * np.sqrt(variance[at])
        seen = np.isfinite(delta[at]).any()
        return bool(seen and not pump.any() and not math.isfinite(delta[INDEX["leak"]]))

    def at_once(self, k: int = OWN_SENSOR) -> bool:
        """Return whether a size, else the plateau, moved between two cycles, not day by day."""
        today, scale = math.floor(self.rows.time[self.i]), self.state.scale
        known = self.moves.get(k)
        if known is None or known[0] != today or not np.array_equal(known[1], scale):
            known = today, scale, self._at_once(k)
            self.moves[k] = known
        return known[2]

    def _at_once(self, k: int) -> bool:
        """Tell it from the days that are over: a day's later cycles are not looked at."""
        state = self.state
        history = state.history(float(self.rows.time[self.i]))
        days, sizes = daily_size(history, state.scale, state.wander, k)
        if k in LATE_END and sizes.size >= MIDDLE_DAYS:  # single late ends make no step
            sizes = np.median(sliding_window_view(sizes, MIDDLE_DAYS), axis=1)
            days = days[MIDDLE_DAYS - 1 :]
        found = change_point(days, sizes, least=2)
        if found is None:
            return False
        after = sizes[found.index :]
        quick = abs(float(after[:2].mean())) >= AT_ONCE_SHARE * abs(float(after[-3:].mean()))
        return found.kind == "step" and quick

    def allowed(self, k: int) -> bool:
        """Return whether a signature may call for a visit.

        A plateau that moved at once, with nothing else, is a logger that was changed or moved
        until cycles fail: worth a look, not a visit. So is an end that comes later from one cycle
        to the next: somebody set another time of drying. Nor is there less water where the end
        came sooner and every rate stayed. A vent that narrows slows every exhaust, not those that
        somebody lets out slowly. A hold is not timed while the logger loses samples.
        """
        if k == TIMER:
            logger = self.state.ledger.standing("logger")
            return logger is None or logger.rows[-1].get("mode") != "drop-outs"
        if k == BLOCKED:
            return self._most_days(k)
        if k in LATE_END:
            return not self.at_once(k)
        if k in LESS_TO_HEAT and math.isfinite(self.delta(k)[0][INDEX["closing"]]):
            delta, variance = (x[RATE_SIGNS] for x in self.delta(k))
            z = delta / np.sqrt(variance) * np.sign(DIRECTIONS[k, RATE_SIGNS])
            return bool((z >= SUPPORT_Z).any())  # NaN where unseen is no support
        return k not in (OWN_SENSOR, *MOVED) or not self.at_once()

    def _most_days(self, k: int) -> bool:
        """Return whether the middle one of the last days, if there are any, shows half a size."""
        state = self.state
        history = state.history(float(self.rows.time[self.i]))
        _, sizes = daily_size(history, state.scale, state.wander, k)
        last = sizes[-MIDDLE_DAYS:]
        return bool(not last.size or np.median(last) >= 0.5 * self.scores.size[self.i, k])

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
            "alternatives": ",".join(_alternatives(k, t, delta)),
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
        put_forecast(row, state.forecast_for(sig.part, now, self.config))
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
            put_forecast(episode.rows[-1], made)
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
    return SIGNS[j].scale == "log"


def _shows(j: int) -> bool:
    """Signs whose own scale is a difference are not shown as from-to."""
    return NAMES[j] not in ("plateau", "dip", "boil", "boiling")


def _best_by_part(t: FloatArray) -> dict[str, float]:
    best: dict[str, float] = {}
    for k, part in enumerate(SIGNATURE_PARTS):
        best[part] = max(best.get(part, 0.0), float(t[k]))
    return best


def _alternatives(k: int, t: FloatArray, delta: FloatArray) -> list[str]:
    best = _best_by_part(t)
    own = SIGNATURE_PARTS[k]
    close = [p for p, v in best.items() if p != own and v >= ALIKE_SHARE * float(t[k])]
    named = [*SIGNATURES[k].look_alikes, *sorted(close, key=lambda p: -best[p])]
    if k == WEAK and not math.isfinite(delta[INDEX["power"]]):
        named.append("water_fill")  # a boiler that is given too little makes as little steam
    if k in (OWN_SENSOR, *MOVED) and not math.isfinite(delta[INDEX["saturation"]]):
        # A machine that holds its pressure moves its plateau with what it takes that to be, and
        # any machine with its set point: only a pressure channel would tell.
        named += ["temperature_sensor", "logger", "pressure_sensor", "controller"]
    return list(dict.fromkeys(p for p in named if p != own))


def _confidence(k: int, t: FloatArray) -> float:
    best = _best_by_part(t)
    top = max(best.values())
    weights = {
        p: math.exp((v * v - top * top) / (2.0 * CONFIDENCE_TEMPER)) for p, v in best.items()
    }
    return round(weights[SIGNATURE_PARTS[k]] / (sum(weights.values()) + 0.05), 3)


def put_forecast(row: dict[str, Any], made: Forecast | None) -> None:
    """Write a forecast into the columns of a flag; None: nothing is foretold."""
    row["days_to_limit"] = _round(made.days if made else math.nan)
    row["days_to_limit_low"] = _round(made.low if made else math.nan)
    row["days_to_limit_high"] = _round(made.high if made else math.nan)
    row["slope_per_day"] = made.slope_per_day if made else math.nan


def _round(value: float) -> float:
    return round(value, 1) if math.isfinite(value) else math.nan
