"""The README's commands run as written; its other blocks parse."""

from __future__ import annotations

import configparser
import json
import re
import shlex
import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import click
import pytest
from chamberdrift.features import extract
from chamberdrift.fixtures.simulator import demo_plan, plan_fleet, simulate_unit
from chamberdrift.pipeline.cli.root import cli
from click.testing import CliRunner

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLE_CYCLE = "ST-07@2026-05-01T06:12:40Z"


def blocks(kind: str) -> list[str]:
    """Return the README's fenced blocks of one kind."""
    return re.findall(rf"^```{kind}\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Return a folder as the README's reader has it, and the id of a cycle in it."""
    folder = tmp_path_factory.mktemp("desk")
    plan = plan_fleet(
        1, 7, 5, start=datetime(2026, 5, 1, tzinfo=UTC), healthy_share=1.0, confounders=False,
        proportioned_share=0.0, no_pressure_share=0.0, continuous_share=0.0,
    )  # fmt: skip
    unit = plan.units[0]
    loggers = tuple(replace(u, interval_s=10.0, reference="absolute") for u in unit.loggers)
    made = simulate_unit(replace(plan, units=(replace(unit, loggers=loggers),)), 0)
    trace = made.trace.assign(unit_id="ST-07")
    export = trace[["time", "temperature_c", "pressure_kpa"]].copy()
    export["time"] = export["time"].dt.tz_convert("Europe/Oslo").dt.strftime("%Y-%m-%d %H:%M:%S")
    export.columns = ["time", "chamber temperature [°C]", "chamber pressure [kPa absolute]"]
    (folder / "exports" / "north").mkdir(parents=True)
    export.to_csv(folder / "exports" / "north" / "ST-07_2026-05.csv", index=False)
    (folder / "units.csv").write_text(blocks("csv")[1], encoding="utf-8")
    cycles = extract(trace, replace(unit.unit, id="ST-07")).cycles
    return folder, str(cycles["cycle_id"].iloc[0])


@pytest.fixture(scope="module")
def demo_unit(desk: tuple[Path, str]) -> None:
    """Put the demo's folder beside the reader's own, of the one unit that is followed."""
    from chamberdrift.fixtures.fleet_files import write_fleet
    from chamberdrift.pipeline.night import run_night
    from chamberdrift.pipeline.setup import init_store

    plan = demo_plan()
    folder = desk[0] / "chamberdrift-demo"
    write_fleet(replace(plan, units=tuple(u for u in plan.units if u.unit.id == "TARN-A")), folder)
    init_store(str(folder / "store"), {}, settings=str(folder / "chamberdrift.toml"))
    run_night(
        str(folder / "inbox"),
        str(folder / "store"),
        as_of=datetime(2026, 7, 3, tzinfo=UTC),
        draw=False,
    )


def test_the_readme_has_the_two_commands_first() -> None:
    plain = blocks("")
    assert plain[0].strip().endswith("chamberdrift demo")
    assert plain[1].strip().endswith("pytest -n 2")


@pytest.mark.usefixtures("demo_unit")
def test_each_command_runs(desk: tuple[Path, str], monkeypatch: pytest.MonkeyPatch) -> None:
    folder, cycle = desk
    monkeypatch.chdir(folder)
    runner = CliRunner()
    lines = [line for block in blocks("sh") for line in block.strip().splitlines()]
    assert len(lines) >= 12
    for line in lines:
        words = shlex.split(line.replace(EXAMPLE_CYCLE, cycle))
        assert words[0] == "chamberdrift", line
        result = runner.invoke(cli, words[1:])
        assert result.exit_code == 0, f"{line}\n{result.output}"


@pytest.mark.usefixtures("demo_unit")
def test_the_followed_finding_is_what_the_demo_shows(
    desk: tuple[Path, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first lines of the export, the cycle's numbers, the flag and its day."""
    monkeypatch.chdir(desk[0])
    export = Path("chamberdrift-demo/inbox/tarnwick/LOG4100_2026-W20.csv")
    lines = export.read_text(encoding="utf-8").splitlines()
    assert blocks("csv")[0].splitlines() == lines[:2]
    store = ["--store", "chamberdrift-demo/store"]
    shown = CliRunner().invoke(cli, ["show", "TARN-A", "--as-of", "2026-05-13", *store]).output
    assert "heater (element weak), since 12 May 2026" in shown
    table = CliRunner().invoke(
        cli, ["table", "cycles", "--unit", "TARN-A", "--format", "json", *store]
    )
    [cycle] = [
        c for c in json.loads(table.stdout) if c["cycle_id"] == "TARN-A@2026-05-11T08:19:45Z"
    ]
    assert cycle["verdict"] == "inside"
    assert round(cycle["heater_duty"], 2) == 0.48
    assert round(cycle["heat_rate_pressurised_k_per_min"], 1) == 3.2


def test_the_pictures_are_there() -> None:
    pictures = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", README)
    assert len(pictures) >= 4
    for picture in pictures:
        assert (ROOT / picture).read_bytes().startswith(b"\x89PNG")


def test_cron_and_service_lines_parse() -> None:
    mailto, line = blocks("cron")[0].splitlines()
    assert mailto.startswith("MAILTO=")
    cron = line.split(maxsplit=5)
    assert cron[0].isdigit()
    assert 0 <= int(cron[0]) < 60
    assert int(cron[1]) < 24
    service, timer = (configparser.ConfigParser() for _ in range(2))
    service.optionxform = timer.optionxform = str  # type: ignore[assignment,method-assign]
    units = blocks("ini")
    service.read_string(units[0])
    timer.read_string(units[1])
    assert timer["Timer"]["Persistent"] == "true"
    assert "OnCalendar" in timer["Timer"]
    after = shlex.split(service["Service"]["ExecStopPost"])[-1].partition(" 2>&1 |")[0]
    windows = re.findall(r'/TR "([^"]+)"', blocks("bat")[1])
    assert len(windows) == 1
    for command in (cron[5], service["Service"]["ExecStart"], after, windows[0]):
        program, *words = command.split()
        whole = r"(/|[A-Z]:\\).*chamberdrift(\.exe)?"  # a timer knows no folder
        assert re.fullmatch(whole, program)
        parse_only(words)


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd")
def test_systemd_takes_the_units(tmp_path: Path) -> None:
    service, timer = blocks("ini")
    program = "/opt/chamberdrift/.venv/bin/chamberdrift"
    assert program in service
    (tmp_path / "chamberdrift.service").write_text(service.replace(program, "/bin/true"))
    (tmp_path / "chamberdrift.timer").write_text(timer)
    paths = [str(tmp_path / f"chamberdrift.{kind}") for kind in ("service", "timer")]
    done = subprocess.run(
        ["systemd-analyze", "verify", *paths], capture_output=True, text=True, timeout=60
    )
    own = [line for line in done.stderr.splitlines() if "chamberdrift" in line]
    assert (done.returncode, own) == (0, [])


def test_cluster_lines_parse() -> None:
    from distributed.cli.dask_scheduler import main as scheduler
    from distributed.cli.dask_worker import main as worker

    first, second, third = blocks("text")[0].splitlines()
    for line, command in ((first, scheduler), (second, worker)):
        command.make_context("dask", shlex.split(line)[2:])
    assert third.startswith("chamberdrift ")
    parse_only(shlex.split(third)[1:])


@pytest.mark.slow
def test_the_lines_that_install_and_show_run_to_the_letter(tmp_path: Path) -> None:
    """From a clean clone; needs git and the package registry. ``.ci/run`` runs the tests' line."""
    folder = tmp_path / "clone"
    subprocess.run(["git", "clone", "--quiet", str(ROOT), str(folder)], check=True)
    for block in (blocks("")[0], blocks("bash")[0]):
        done = subprocess.run(
            ["bash", "-euc", block], cwd=folder, capture_output=True, text=True, timeout=1800
        )
        assert done.returncode == 0, done.stderr
    assert list((folder / "chamberdrift-demo").rglob("fleet.pdf"))
    assert re.match(r"chamberdrift, version \d", done.stdout.splitlines()[-1])


def test_windows_installs_by_the_same_lines() -> None:
    windows = blocks("bat")[0].replace("\\Scripts\\", "/bin/").replace("py -m", "python3 -m")
    assert windows.splitlines() == blocks("bash")[0].splitlines()


def test_blocks_are_of_kinds_that_tests_run_or_parse() -> None:
    kinds = set(re.findall(r"^```(\w+)$", README, re.MULTILINE))
    assert kinds == {"sh", "csv", "cron", "ini", "text", "bash", "bat"}


def parse_only(words: list[str]) -> None:
    """Fail unless the words parse as a command line."""
    command = cli.get_command(click.Context(cli), words[0])
    assert command is not None, words[0]
    command.make_context(words[0], words[1:])


def test_links_lead_somewhere() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    texts = {"": README, "DEVELOPERS.md": guide}
    for target in re.findall(r"\]\(([^)]+)\)", README):
        path, _, anchor = target.partition("#")
        if path:
            assert (ROOT / path).is_file(), target
        if anchor:
            heads = re.findall(r"^#+ (.+)$", texts[path], re.MULTILINE)
            slugs = {re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in heads}
            assert anchor in slugs, target
