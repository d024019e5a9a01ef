"""A fleet's own weeks in another order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from chamberdrift.models.resampled import draw, healthy_units, realised
from chamberdrift.shared.config import Budgets
from chamberdrift.shared.schema import CYCLES, FLAGS

from .conftest import Plan, config_of, make, service_rows

PLANS = [Plan(name=f"unit-{i:02d}", days=120, seed=i) for i in range(6)]


def test_a_draw_keeps_whole_weeks_and_their_cycles() -> None:
    cycles = make(PLANS[:2])
    drawn = draw(cycles, np.random.default_rng(1))
    own = cycles[cycles["unit_id"] == "unit-00"]
    made = drawn[drawn["unit_id"] == "unit-00"]
    begin = own["started_at"].dt.floor("D").min()
    week = pd.Timedelta(days=7)
    assert made["cycle_id"].is_unique
    # Each drawn week is one week of the past, moved by whole weeks and otherwise the same.
    seen = set()
    for number, rows in made.groupby((made["started_at"].dt.floor("D") - begin) // week):
        matches = [
            k
            for k, past in own.groupby((own["started_at"].dt.floor("D") - begin) // week)
            if len(past) == len(rows)
            and np.array_equal(past["heat_up_s"].to_numpy(), rows["heat_up_s"].to_numpy(), True)
        ]
        assert len(matches) == 1
        moved = rows["started_at"].reset_index(drop=True) - own.loc[
            (own["started_at"].dt.floor("D") - begin) // week == matches[0], "started_at"
        ].reset_index(drop=True)
        assert (moved == (number - matches[0]) * week).all()
        seen.add(matches[0])
    assert 3 < len(seen) < 17  # with replacement: some more than once, others not at all
    pd.testing.assert_frame_equal(drawn, draw(cycles, np.random.default_rng(1)))


def test_units_with_a_finding_are_left_out_and_a_mistake_is_not() -> None:
    cycles = make(PLANS[:4])
    worked = service_rows(
        [("unit-00", 40.0, "heater", "replaced"), ("unit-01", 9.0, "heater", "checked")]
    )
    flags = FLAGS.conform(
        pd.DataFrame(
            {
                "flag_id": ["a", "b", "c"],
                "unit_id": ["unit-02", "unit-03", "unit-01"],
                "part": "door_seal",
                "severity": ["service", "service", "watch"],
                "close_reason": [None, "recovered", None],
                "first_seen": pd.Timestamp("2026-02-01", tz="UTC"),
                "last_seen": pd.Timestamp("2026-02-02", tz="UTC"),
            }
        )
    )
    assert healthy_units(cycles, flags, worked) == ["unit-01", "unit-03"]


def test_the_rate_counts_unit_years_and_follows_the_budget() -> None:
    # Weeks of which each has mains of its own: in another order they raise something.
    def weeks(day: float, physics: dict[str, float]) -> None:
        physics["power"] *= float(np.exp(0.06 * np.random.default_rng(int(day // 7)).normal()))

    cycles = make([replace(p, change=weeks) for p in PLANS])
    counted = {}
    for factor in (0.1, 10.0):
        config = replace(config_of(PLANS), budgets=Budgets(fleet_factor=factor))
        *_, (last, number) = realised(cycles, config, draws=2, seed=3)
        assert number == 2
        assert last.units == 6
        assert last.drawn_years == 2 * last.healthy_years
        assert abs(last.healthy_years - 6 * 119.5 / 365.25) < 0.05
        counted[factor] = last.flags
    assert counted[0.1]["watch"] > counted[10.0]["watch"]


def test_a_short_past_is_not_drawn_from() -> None:
    short = [Plan(days=30)]
    assert list(realised(make(short), config_of(short), draws=1, seed=0)) == []
    none = CYCLES.empty()
    assert len(draw(none, np.random.default_rng(0))) == 0
