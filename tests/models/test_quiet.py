"""Cycles that are taken at once end as one by one."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from chamberdrift.models import judge_night, unit
from chamberdrift.models.quiet import quiet_rows
from pandas.testing import assert_frame_equal


def test_quiet_cycles_taken_at_once_end_as_one_by_one(
    lab: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def weak(day: float, x: dict[str, float]) -> None:
        x["power"] *= 1.0 - 0.006 * max(day - 90.0, 0.0)

    plans = [lab.plan(name="u0", seed=3, days=150, site="s", change=weak)]
    plans += [lab.plan(name=f"v{i}", seed=50 + i, days=150, site="s") for i in range(3)]
    cycles, config = lab.cycles(plans), lab.config(plans)
    # Broken limits, gaps and stuck values here and there, alone and repeated.
    rng = np.random.default_rng(5)
    for column, value in (("gap_s", 400.0), ("stuck_s", 900.0), ("exposure_min_c", 118.0)):
        cycles.loc[rng.random(len(cycles)) < 0.02, column] = value
    few = (cycles["unit_id"] == "v1") & (cycles["started_at"].dt.day.isin([9, 10, 11]))
    cycles.loc[few, "exposure_min_c"] = 118.0
    cycles.loc[(cycles["unit_id"] == "v2") & few.shift(3, fill_value=False), "heater_duty"] = 0.95
    service = lab.service([("u0", 140.0, "heater", "replaced")])
    quiet = []

    def counted(*given: Any) -> Any:
        found = quiet_rows(*given)
        quiet.append(found)
        return found

    monkeypatch.setattr(unit, "quiet_rows", counted)
    at_once, state = judge_night(None, cycles, service, config)
    share = np.concatenate(quiet).mean()
    assert 0.3 < share < 0.98
    monkeypatch.setattr(unit, "quiet_rows", lambda *given: np.zeros_like(quiet_rows(*given)))
    one_by_one, after = judge_night(None, cycles, service, config)
    assert len(at_once.flags) >= 4
    for name in ("judgements", "flags", "residuals", "forecasts"):
        assert_frame_equal(getattr(at_once, name), getattr(one_by_one, name))
    assert json.dumps(after) == json.dumps(state)
