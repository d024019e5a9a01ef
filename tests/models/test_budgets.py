"""What a budget asks, and that judging follows it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from chamberdrift.models import judge
from chamberdrift.models.budgets import SHIPPED, asked
from chamberdrift.shared.config import Budgets
from chamberdrift.shared.schema import SERVICE

from .conftest import Plan, config_of, make


def test_the_shipped_budgets_ask_nothing_more() -> None:
    assert asked(Budgets()) == SHIPPED


@pytest.mark.parametrize("severity", ["watch", "service"])
def test_a_smaller_budget_asks_more_and_a_greater_one_less(severity: str) -> None:
    usual = getattr(Budgets(), severity)
    more = [
        getattr(asked(Budgets(**{severity: usual * share})), severity)
        for share in (4.0, 2.0, 1.0, 0.5, 0.25)
    ]
    assert more == sorted(more)
    assert more[0] < 0.0 < more[-1]
    assert all(abs(m) <= 3.0 for m in more)


def test_a_fleet_that_raises_twice_as_many_is_asked_as_for_half_the_budget() -> None:
    twice = asked(Budgets(fleet_factor=2.0))
    half = asked(Budgets(watch=1.0, service=0.075))
    assert twice == half


def test_a_strict_budget_calls_later_and_a_loose_one_earlier() -> None:
    def weak(day: float, physics: dict[str, float]) -> None:
        physics["power"] *= 1.0 - 0.003 * max(day - 80.0, 0.0)

    plans = [Plan(change=weak)]
    called = []
    for budget in (1.0, 0.15, 0.01):
        config = replace(config_of(plans), budgets=Budgets(service=budget))
        flags = judge(make(plans), SERVICE.empty(), config).flags
        own = flags[(flags["part"] == "heater") & (flags["severity"] == "service")]
        called.append(own["first_seen"].min())
    assert called[0] < called[1] < called[2]
