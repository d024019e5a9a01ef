"""What a flag says of its row, and what it rests on."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from chamberdrift.models.describe import RowContext, _alternatives
from chamberdrift.models.evidence import drift_evidence
from chamberdrift.models.signatures import BLOCKED, DRAWN_IN, SIGNATURES, TIMER, WEAK
from chamberdrift.models.signs import INDEX, NAMES, SCATTER, WANDER
from chamberdrift.models.unit import UnitState
from chamberdrift.shared.config import Config


def context(time: float, plateau: list[float]) -> RowContext:
    """Return the context of one row of a unit whose plateau moved so, day by day."""
    state = UnitState.new("unit-01")
    days = np.full((len(plateau), 1 + len(NAMES)), np.nan)
    days[:, 0] = np.arange(len(plateau))
    days[:, 1 + INDEX["plateau"]] = plateau
    state.tracker.days, state.wander = days, WANDER
    none = np.full((1, len(NAMES)), np.nan)
    moved: Any = SimpleNamespace(adjusted=none, residual=none, scale=SCATTER[None, :])
    rows: Any = SimpleNamespace(time=np.array([time]))
    scores: Any = None
    made = RowContext(state, rows, moved, scores, ["one"], Config())
    made.at(0)
    return made


@pytest.mark.parametrize("later", [[], [5.0], [5.0, 9.0]])
def test_a_days_later_cycles_do_not_tell_how_a_level_moved(later: list[float]) -> None:
    # A replay knows all of a day's cycles and of days to come; a night knows the days before.
    over = [0.0, 0.01] * 9 + [1.0, 1.01]
    assert context(20.4, [*over, *later]).at_once()


def test_a_level_that_keeps_climbing_did_not_move_at_once() -> None:
    over = [0.0, 0.01] * 9 + [1.0, 2.0, 3.0, 4.0, 5.0]
    assert not context(23.4, over).at_once()


def test_what_tells_a_fault_from_others_is_among_what_is_said() -> None:
    k = next(i for i, s in enumerate(SIGNATURES) if "by which the machine regulates" in s.size)
    delta, z = np.full((2, len(NAMES)), np.nan)
    moved = {
        "plateau": (-0.37, -10.0),
        "overshoot": (-0.40, -8.2),
        "saturation": (-0.39, -7.5),
        "open_pressure": (3.2, 6.0),
        "equilibration": (-2.0, -2.0),  # against all others: no evidence of this fault
    }
    for name, (change, errors) in moved.items():
        delta[INDEX[name]], z[INDEX[name]] = change, errors
    text, column = drift_evidence(k, delta, z, np.full(len(NAMES), 100.0), 9.0)
    assert column == "exposure_mean_c"
    assert "pressure reading with the chamber open is up by 3.2 kPa" in text
    assert "delay" not in text


@pytest.mark.parametrize(
    ("program", "moved", "part"),
    [
        ("prevacuum-134x4", {"vacuum": 0.0, "evacuation": 0.02}, "door_seal"),
        ("prevacuum-134x4", {"vacuum": 0.0, "evacuation": 0.3}, "air_removal"),  # a pump wears
        ("prevacuum-134x4", {"vacuum": 0.0, "leak": 0.0}, "air_removal"),  # a leak test is run
        ("gravity-121x20", {}, "air_removal"),  # nothing draws air in
    ],
)
def test_air_is_a_seals_where_no_leak_test_and_no_pump_speaks(
    program: str, moved: dict[str, float], part: str
) -> None:
    made = context(5.4, [0.0] * 5)
    delta = np.full(len(NAMES), np.nan)
    for name, value in {"saturation": -0.5, **moved}.items():
        delta[INDEX[name]] = value
    made.rows.program = np.array([program])  # type: ignore[misc]
    made.delta = lambda k: (delta, WANDER**2)  # type: ignore[method-assign]
    assert SIGNATURES[made.resolve(DRAWN_IN[0])].part == part


@pytest.mark.parametrize(
    ("slow", "called"),
    [((0.5,) * 5, True), ((0.0, 1.2, 0.0, 0.0, 1.2), False)],
)
def test_a_vent_that_narrows_slows_every_exhaust(slow: tuple[float, ...], called: bool) -> None:
    made = context(5.4, [0.0] * 5)
    made.state.tracker.days[:, 1 + INDEX["exhaust"]] = slow
    made.scores = SimpleNamespace(size=np.full((1, 40), 0.5))  # type: ignore[assignment]
    assert made.allowed(BLOCKED) is called


def test_a_hold_is_not_timed_while_the_logger_loses_samples() -> None:
    made = context(5.4, [0.0] * 5)
    assert made.allowed(TIMER)
    made.state.ledger.raise_flag("logger", "watch", 4.0, {"mode": "drop-outs"})
    assert not made.allowed(TIMER)


def test_too_little_steam_without_a_saw_tooth_may_be_too_little_water() -> None:
    t = np.where(np.arange(len(SIGNATURES)) == WEAK, 6.0, 0.0)
    seen = np.zeros(len(NAMES))
    assert "water_fill" not in _alternatives(WEAK, t, seen)
    seen[INDEX["power"]] = np.nan
    assert "water_fill" in _alternatives(WEAK, t, seen)
