"""The protocol end to end on small tuning fleets; the report's size runs by hand."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
import run_protocol  # type: ignore[import-not-found]
from chamberdrift.pipeline.evaluation import HEALTHY
from fleet_tables import fleet_tables, source_hash  # type: ignore[import-not-found]

OWN = run_protocol.OWN


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> run_protocol.Outcome:
    """Return a fleet of six units over 45 days, from a tuning seed."""
    cache = tmp_path_factory.mktemp("cache")
    return run_protocol.run_seed(4, 6, 45, cache, compare=False, variant="standard")


def test_cycles_of_a_small_fleet_are_found_and_judged(small: run_protocol.Outcome) -> None:
    cycles = small.scores()[OWN].cycles
    assert cycles.truth > 300
    assert cycles.missing + cycles.extra <= 0.005 * cycles.truth
    assert cycles.verdict_share is not None
    assert cycles.verdict_share > 0.97


def test_healthy_units_are_quiet_in_a_small_fleet(small: run_protocol.Outcome) -> None:
    rates = small.scores()[OWN].rate_of(HEALTHY, "service")
    assert rates.unit_years > 0.1
    assert rates.flags <= 1


def test_unit_ids_carry_the_seed(small: run_protocol.Outcome) -> None:
    assert small.cycles["unit_id"].str.startswith("4/").all()
    assert set(small.truth_cycles["unit_id"]) >= set(small.cycles["unit_id"])


def test_fleets_are_joined_whole(small: run_protocol.Outcome) -> None:
    both = run_protocol.together([small, small])
    assert len(both.cycles) == 2 * len(small.cycles)
    assert both.flags.keys() == small.flags.keys()


def test_the_cache_gives_the_same_tables(tmp_path: Path) -> None:
    made = fleet_tables(7, 2, 15, tmp_path)
    kept = fleet_tables(7, 2, 15, tmp_path)
    pd.testing.assert_frame_equal(made.cycles, kept.cycles)
    assert source_hash() in next(tmp_path.iterdir()).name


def test_seeds_of_the_parts_do_not_meet() -> None:
    seeds = [set(part) for part in run_protocol.PARTS.values()]
    assert not seeds[0] & seeds[1]
    assert not seeds[0] & seeds[2]
    assert not seeds[1] & seeds[2]


@pytest.mark.slow
def test_validation_fleets_meet_the_goals_on_cycles_and_false_flags(tmp_path: Path) -> None:
    outcomes = [
        run_protocol.run_seed(seed, 24, 180, tmp_path, compare=True, variant="standard")
        for seed in (101, 102)
    ]
    scores = run_protocol.together(outcomes).scores()
    own = scores[OWN]
    assert own.cycles.missing + own.cycles.extra <= 0.001 * own.cycles.truth
    rate = own.rate_of(HEALTHY, "service").per_unit_year
    assert rate is not None
    assert rate <= 0.25
    raised = own.headline.raised_in_time / own.headline.faults
    # Better than doing nothing and than a clock that knows nothing.
    for dummy in ("dummy: flags nothing", "dummy: every 100th"):
        other = scores[dummy].headline
        assert raised > other.raised_in_time / other.faults
