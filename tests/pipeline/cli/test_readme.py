"""Every command block of the README runs as written, in its order, in a fresh folder."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pandas as pd
import pytest
from chamberdrift.fixtures.plan import plan_fleet
from chamberdrift.fixtures.simulator import simulate_unit
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.store import Store
from click.testing import CliRunner

README = Path(__file__).parents[3] / "README.md"
EXAMPLE_CYCLE = "ST-07@2026-05-01T06:12:40Z"


def blocks(language: str) -> list[list[str]]:
    """Return the lines of the README's fenced blocks in a language."""
    text = README.read_text(encoding="utf-8")
    found = re.findall(rf"^```{language}\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    return [[line for line in b.splitlines() if line.strip()] for b in found]


def write_exports(folder: Path) -> None:
    """Write two weeks of a simulated unit as its logger might, in local time."""
    plan = plan_fleet(1, 14, 12, start=pd.Timestamp("2026-05-01T00:00Z").to_pydatetime(),
                      no_pressure_share=0.0)  # fmt: skip
    trace = simulate_unit(plan, 0).trace
    local = trace["time"].dt.tz_convert("Europe/Oslo").dt.strftime("%Y-%m-%d %H:%M:%S")
    frame = pd.DataFrame(
        {
            "time": local,
            "temperature (°C)": trace["temperature_c"].round(2),
            "pressure (kPa abs)": trace["pressure_kpa"].round(2),
        }
    )
    (folder / "exports" / "north").mkdir(parents=True)
    frame.to_csv(folder / "exports" / "north" / "ST-07_2026-05.csv", index=False)
    (folder / "units.csv").write_text(
        "unit_id,site,zone,air_removal\nST-07,north,Europe/Oslo,gravity\n", encoding="utf-8"
    )


def test_every_shell_block_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write_exports(tmp_path)
    ran = 0
    for block in blocks("sh"):
        for line in block:
            words = shlex.split(line)
            assert words[0] == "chamberdrift", line
            if EXAMPLE_CYCLE in words:
                cycles = Store.open("fleet").snapshot().table("cycles")
                words[words.index(EXAMPLE_CYCLE)] = str(cycles["cycle_id"].iloc[-1])
            result = CliRunner().invoke(cli, words[1:])
            assert result.exit_code == 0, f"{line}\n{result.output}"
            ran += 1
    assert ran >= 12
    assert len(Store.open("fleet").snapshot().table("cycles")) > 20


def test_the_other_commands_of_the_readme_parse() -> None:
    """Timers and clusters are not run here; their command lines must be right."""
    lines = [line for kind in ("cron", "ini", "text") for b in blocks(kind) for line in b]
    found = [re.search(r"\bchamberdrift (?=nightly)(.*)$", line) for line in lines]
    commands = [m[1] for m in found if m]
    assert len(commands) >= 3
    for command in commands:
        name, *args = shlex.split(command)
        assert cli.commands[name].make_context(name, args).params["store"]


def test_commands_named_in_the_text_exist() -> None:
    text = README.read_text(encoding="utf-8")
    for name in re.findall(r"`(?:chamberdrift )?([a-z-]+)(?: [^`]*)?`", text):
        if f"`chamberdrift {name}" in text:
            assert name in cli.commands
    assert set(re.findall(r"`chamberdrift ([a-z-]+)", text)) <= set(cli.commands)


def test_the_first_two_blocks_are_the_demo_and_the_tests() -> None:
    first, second = blocks("")[:2]
    assert len(first) == len(second) == 1
    assert first[0].endswith("chamberdrift demo")
    assert ".venv/bin/pytest" in second[0]


def test_the_exit_codes_of_readme_and_help_agree() -> None:
    text = README.read_text(encoding="utf-8")
    table = dict(re.findall(r"^\| (\d) \| (.+) \|$", text, re.MULTILINE))
    shown = CliRunner().invoke(cli, ["--help"]).output
    for code, meaning in table.items():
        assert re.search(
            rf"^ +{code}  {re.escape(meaning.replace('`', ''))}$", shown, re.MULTILINE
        )
    assert set(table) == set("012345")
