"""Small simulated fleets, made once."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from chamberdrift.fixtures.simulator import FleetPlan, SimulatedUnit, plan_fleet, simulate_unit


@dataclass(frozen=True)
class Fleet:
    """A plan and its units."""

    plan: FleetPlan
    units: tuple[SimulatedUnit, ...]


@pytest.fixture(scope="session")
def fleet() -> Fleet:
    """Three units over eight days; a tuning seed."""
    plan = plan_fleet(3, 8, 5)
    return Fleet(plan, tuple(simulate_unit(plan, i) for i in range(3)))
