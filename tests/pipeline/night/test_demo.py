"""The demo: it runs, compares with the truth, and names its reports."""

from __future__ import annotations

import json
from pathlib import Path

import chamberdrift.fixtures.demo as demo_fixture
import pandas as pd
import pytest
from chamberdrift.fixtures.plan import FleetPlan, plan_fleet
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.demo import compare, run_demo
from chamberdrift.pipeline.simulation import read_truth
from chamberdrift.shared.errors import ChamberdriftError
from click.testing import CliRunner


@pytest.fixture
def small_plan(monkeypatch: pytest.MonkeyPatch) -> FleetPlan:
    """Two units over six days instead of the demo's fleet; a tuning seed."""
    plan = plan_fleet(2, 6, 13)
    monkeypatch.setattr(demo_fixture, "demo_plan", lambda: plan)
    return plan


def test_the_demo_ends_with_work_list_truth_and_reports(
    small_plan: FleetPlan, tmp_path: Path
) -> None:
    folder = tmp_path / "try"
    result = CliRunner().invoke(cli, ["demo", str(folder), "--workers", "1"])
    assert result.exit_code == 0, result.output
    for unit in small_plan.units:
        assert unit.unit.id in result.stdout
    assert "open flags:" in result.stdout
    pdfs = [line.strip() for line in result.stdout.splitlines() if line.endswith(".pdf")]
    paths = [Path(p) for p in pdfs if not p.startswith("Reports:")]
    assert paths
    assert all(p.read_bytes().startswith(b"%PDF-") for p in paths)
    score = CliRunner().invoke(cli, ["evaluate", str(folder), "--store", str(folder / "store")])
    assert score.exit_code == 0, score.output
    assert "found and matched" in score.stdout


def test_the_demo_may_be_run_again_but_clears_no_other_folder(
    small_plan: FleetPlan, tmp_path: Path
) -> None:
    folder = tmp_path / "try"
    first = run_demo(str(folder))
    again = run_demo(str(folder))
    assert again.rows == first.rows
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("keep")
    for command in (["demo"], ["simulate", "--units", "1", "--days", "1", "--seed", "1"]):
        result = CliRunner().invoke(cli, [command[0], str(tmp_path / "mine"), *command[1:]])
        assert result.exit_code == 1
        assert "name another folder" in result.stderr
    assert (tmp_path / "mine" / "letter.txt").read_text() == "keep"


def test_a_simulation_and_a_store_of_ones_own_are_not_cleared(
    small_plan: FleetPlan, tmp_path: Path
) -> None:
    own = tmp_path / "own"
    simulated = CliRunner().invoke(
        cli, ["simulate", str(own), "--units", "1", "--days", "1", "--seed", "3"]
    )
    assert simulated.exit_code == 0, simulated.output
    before = sorted(own.rglob("*"))
    result = CliRunner().invoke(cli, ["demo", str(own)])
    assert result.exit_code == 1
    assert "name another folder" in result.stderr
    assert sorted(own.rglob("*")) == before
    store = tmp_path / "fleet"
    CliRunner().invoke(cli, ["init", "--zone", "Europe/Oslo", "--store", str(store)])
    settings = (store / "chamberdrift.toml").read_bytes()
    result = CliRunner().invoke(cli, ["demo", str(tmp_path / "try"), "--store", str(store)])
    assert result.exit_code == 1
    assert "name another with --store" in result.stderr
    assert (store / "chamberdrift.toml").read_bytes() == settings
    assert not (tmp_path / "try").exists()


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("unit_id,part\nA,heater\n", "line 1: column mode, onset"),
        ("unit_id,onset\nA,in May\n", "truth-faults.csv can't be read as a simulation's truth"),
    ],
)
def test_a_spoilt_truth_is_named(tmp_path: Path, text: str, found: str) -> None:
    (tmp_path / "truth-faults.csv").write_text(text, encoding="utf-8")
    with pytest.raises(ChamberdriftError) as caught:
        read_truth(str(tmp_path), "truth-faults.csv")
    assert found in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_environments_store_is_left_alone(
    small_plan: FleetPlan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CHAMBERDRIFT_STORE", str(tmp_path / "precious"))
    result = CliRunner().invoke(cli, ["demo", str(tmp_path / "try"), "--json"])
    assert result.exit_code == 0, result.output
    assert not (tmp_path / "precious").exists()
    assert json.loads(result.stdout)["night"]["store"].endswith("store")


def times(*days: str | None) -> list[pd.Timestamp | None]:
    return [None if d is None else pd.Timestamp(f"2026-05-{d}T00:00Z") for d in days]


def test_flags_are_compared_with_the_truth() -> None:
    truth = pd.DataFrame(
        {
            "unit_id": ["A", "B", "C", "D"],
            "part": ["heater", "door_seal", "heater", "heater"],
            "mode": ["element weak", "", "", ""],
            "onset": times("05", "05", "05", "05"),
            "first_failed_cycle_start": times("20", None, "20", "20"),
        }
    )
    flags = pd.DataFrame(
        {
            "flag_id": ["a", "a2", "b", "c", "c", "e"],
            "unit_id": ["A", "A", "B", "C", "C", "E"],
            "part": ["heater", "door_seal", "vent_path", "heater", "heater", "logger"],
            "mode": ["element weak", "", "", "", "", ""],
            "severity": ["service", "service", "stop", "watch", "service", "service"],
            "first_seen": times("10", "12", "09", "08", "22", "09"),
        }
    )
    truth[["onset", "first_failed_cycle_start"]] = truth[
        ["onset", "first_failed_cycle_start"]
    ].astype("datetime64[ms, UTC]")
    rows = {r["unit"]: r for r in compare(flags, truth, ["A", "B", "C", "D", "E", "F"])}
    assert rows["A"]["outcome"] == "10 days ahead, right part; also door seal 12 May"
    assert rows["A"]["also"] == "door seal 12 May"
    assert rows["B"]["outcome"] == "before it failed, another part"
    assert rows["C"]["outcome"] == "flagged after the first failed cycle, right part"
    assert rows["D"]["outcome"] == "not flagged"
    assert rows["E"]["outcome"] == "flagged without a fault"
    assert rows["F"]["outcome"] == "quiet, as it should be"


def test_a_folder_without_truth_is_a_message(tmp_path: Path) -> None:
    with pytest.raises(ChamberdriftError, match="simulate or demo"):
        read_truth(str(tmp_path), "truth-faults.csv")


@pytest.mark.slow
def test_the_demos_failing_units_are_flagged_ahead_and_the_healthy_are_quiet(
    tmp_path: Path,
) -> None:
    """A regression on the demo's own scenario, which was looked at while tuning."""
    result = run_demo(str(tmp_path / "demo"), workers=2)
    failing = [r for r in result.rows if r["failed"]]
    assert failing
    for row in failing:
        assert "days ahead, right part" in row["outcome"], row
    for row in result.rows:
        if row["simulated"] == "healthy":
            assert row["outcome"] == "quiet, as it should be", row


def test_a_simulated_fleet_is_judged_and_scored_by_three_commands(tmp_path: Path) -> None:
    fleet, store = str(tmp_path / "try"), str(tmp_path / "store")

    def run(*command: str) -> str:
        result = CliRunner().invoke(cli, [*command])
        assert result.exit_code == 0, result.output
        return result.stdout

    run("simulate", fleet, "--units", "2", "--days", "6", "--seed", "13")
    night = run("nightly", f"{fleet}/inbox", "--store", store)
    assert "its settings are a copy of" in night.replace("\n  ", " ")
    settings = (tmp_path / "store" / "chamberdrift.toml").read_bytes()
    assert settings == (tmp_path / "try" / "chamberdrift.toml").read_bytes()
    score = json.loads(run("evaluate", fleet, "--store", store, "--json"))
    assert score["cycles"]["found"] > 0


def test_settings_inside_an_inbox_are_not_taken(tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "chamberdrift.toml").write_text('[defaults]\nzone = "UTC"\n')
    (tmp_path / "inbox" / "a.csv").write_text("no table\n")
    store = tmp_path / "store"
    CliRunner().invoke(cli, ["nightly", str(tmp_path / "inbox"), "--store", str(store)])
    assert 'zone = "UTC"' not in (store / "chamberdrift.toml").read_text().splitlines()
