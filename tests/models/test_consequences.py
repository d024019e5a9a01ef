"""What one fault causes opens no second visit, and a moved logger is no other part's fault."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from chamberdrift.models import findings, judge
from chamberdrift.models.consequences import (
    CAUSED,
    cause_of,
    logger_moved,
    without_moved_logger,
)
from chamberdrift.models.lifecycle import Ledger
from chamberdrift.models.scores import matched
from chamberdrift.models.signs import INDEX, SIGNS, WANDER
from chamberdrift.shared.parts import PARTS
from chamberdrift.shared.schema import SERVICE

ONSET = 60.0


def test_only_a_standing_visit_causes_and_never_its_own_part() -> None:
    ledger = Ledger("unit-01")
    ledger.raise_flag("door_seal", "watch", 1.0, {"mode": ""})
    assert cause_of(ledger, "water_fill") is None
    ledger.raise_flag("door_seal", "service", 2.0, {"mode": ""})
    assert cause_of(ledger, "water_fill") == "door_seal"
    assert cause_of(ledger, "door_seal") is None
    assert cause_of(ledger, "pressure_sensor") is None
    assert cause_of(ledger, "heater") is None
    vent = Ledger("unit-02")
    vent.raise_flag("vent_path", "service", 2.0, {"mode": "blocked"})
    assert cause_of(vent, "air_removal") == "vent_path"
    assert cause_of(vent, "water_fill") is None
    assert set(CAUSED) | set().union(*CAUSED.values()) <= set(PARTS)


def test_lost_steam_that_empties_the_chamber_asks_for_one_visit(
    lab: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def change(day: float, x: dict[str, float]) -> None:
        x["loss"] *= 1.0 + 0.015 * max(day - ONSET, 0.0)
        x["superheat"] += 1.2 if day > ONSET + 35.0 else 0.0  # what is left has boiled away

    plans = [lab.plan(change=change, seed=3, days=130)]
    cycles, config = lab.cycles(plans), lab.config(plans)
    flags = judge(cycles, SERVICE.empty(), config).flags
    calls = flags[(flags["severity"] == "service") & (flags["layer"] == "drift")]
    assert set(calls["part"]) == {"door_seal"}
    dry = flags[flags["part"] == "water_fill"].iloc[0]
    assert dry["severity"] == "watch"
    assert "door seal" in dry["evidence"]
    monkeypatch.setattr(findings, "cause_of", lambda ledger, part: None)
    flags = judge(cycles, SERVICE.empty(), config).flags
    calls = flags[(flags["severity"] == "service") & (flags["layer"] == "drift")]
    assert "water_fill" in set(calls["part"])


@pytest.mark.parametrize("pressure", [True, False])
def test_without_a_pressure_a_moved_plateau_has_more_causes(lab: Any, pressure: bool) -> None:
    def change(day: float, x: dict[str, float]) -> None:
        x["plateau"] -= 0.02 * max(day - ONSET, 0.0)

    plans = [lab.plan(change=change, seed=3, days=120, pressure=pressure)]
    flags = judge(lab.cycles(plans), SERVICE.empty(), lab.config(plans)).flags
    first = flags[flags["part"] == "temperature_sensor"].iloc[0]
    named = set(first["alternatives"].split(","))
    assert ({"pressure_sensor", "controller", "logger"} <= named) is not pressure


def test_a_step_that_a_moved_logger_explains_is_taken_off() -> None:
    delta = np.zeros(len(SIGNS))
    for name in ("plateau", "overshoot", "saturation", "boil"):
        delta[INDEX[name]] = -0.45
    t, size = matched(delta[None, :], (WANDER**2)[None, :])
    ledger = Ledger("unit-01")
    assert not logger_moved(ledger)
    ledger.raise_flag("logger", "watch", 1.0, {"mode": "moved"})
    assert logger_moved(ledger)
    left = without_moved_logger(delta, t[0], size[0])
    assert np.abs(left).max() < 0.05
