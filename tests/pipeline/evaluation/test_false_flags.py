"""The fleet's own weeks drawn again, from the command line and in words."""

from __future__ import annotations

from pathlib import Path

import pytest
from chamberdrift.models.resampled import Draws
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.evaluation_rates import poisson_lower, poisson_upper
from chamberdrift.pipeline.false_flags import FalseFlags, summed_up
from chamberdrift.pipeline.setup import init_store
from chamberdrift.shared.config import Budgets
from click.testing import CliRunner


def told(flags: int, years: float, *, healthy: float = 30.0, factor: float = 1.0) -> FalseFlags:
    one = Draws("tabletop", 30, healthy, years, {"watch": 9, "service": flags, "stop": 0})
    return summed_up([one], Budgets(fleet_factor=factor))


def test_bounds_of_a_count_are_the_exact_ones() -> None:
    # Garwood's intervals (Ulm 1990, table; from memory): 90 % for 3 events 0.818 to 7.754.
    assert poisson_lower(3) == pytest.approx(0.818, abs=5e-4)
    assert poisson_upper(3) == pytest.approx(7.754, abs=5e-4)
    assert poisson_lower(0) == 0.0
    stats = pytest.importorskip("scipy.stats")
    for n in (1, 5, 40):
        assert poisson_lower(n) == pytest.approx(stats.chi2.ppf(0.05, 2 * n) / 2)
        assert poisson_upper(n) == pytest.approx(stats.chi2.ppf(0.95, 2 * n + 2) / 2)


def test_a_rate_as_designed_asks_for_no_change() -> None:
    result = told(18, 120.0)
    assert result.enough
    assert result.advised is None
    assert "nothing to change" in " ".join(result.text().split())


def test_too_many_ask_for_a_factor_from_where_it_stands() -> None:
    assert told(54, 120.0).advised == 3.0
    assert told(54, 120.0, factor=2.0).advised == 6.0
    assert "fleet_factor = 3" in told(54, 120.0).text()


def test_none_in_many_years_asks_for_less_but_never_for_nothing() -> None:
    advised = told(0, 400.0).advised
    assert advised is not None
    assert 0.3 <= advised < 1.0


def test_a_short_past_gives_no_advice() -> None:
    result = told(54, 120.0, healthy=19.0)
    assert not result.enough
    assert result.advised is None
    assert "20 healthy unit-years" in " ".join(result.text().split())


def test_a_store_without_a_past_says_so_in_one_line(tmp_path: Path) -> None:
    store = str(tmp_path / "store")
    init_store(store, {})
    result = CliRunner().invoke(cli, ["evaluate", "--own-weeks", "1", "--store", store])
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "eight weeks" in result.stderr


def test_evaluate_wants_a_truth_or_own_weeks_and_not_both(tmp_path: Path) -> None:
    for arguments in ([], ["truth", "--own-weeks", "2"]):
        result = CliRunner().invoke(cli, ["evaluate", *arguments, "--store", str(tmp_path)])
        assert result.exit_code == 2
        assert "either TRUTH" in result.stderr
