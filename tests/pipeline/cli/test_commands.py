"""Every command of the contract is there, explains itself, and fails in one line."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from chamberdrift.pipeline.cli.output import called_as
from chamberdrift.pipeline.cli.root import cli
from click.testing import CliRunner, Result

COMMANDS = (
    "nightly", "ingest", "extract", "judge", "report", "demo", "simulate", "evaluate",
    "table", "show", "status", "probe", "service", "defer", "init", "import-units",
    "retire", "move", "verify", "compact", "forget",
)  # fmt: skip
AS_OF = ("nightly", "judge", "report", "status", "evaluate")
COMMON = ("--json", "--workers", "--scheduler", "--log-file", "-v", "--verbose", "--explain")
STORELESS = ("simulate",)


def run(*args: str, env: dict[str, str] | None = None) -> Result:
    return CliRunner().invoke(cli, list(args), env=env)


def options(name: str) -> set[str]:
    return {o for p in cli.commands[name].params for o in p.opts}


def test_the_commands_are_those_of_the_contract() -> None:
    assert set(cli.commands) == set(COMMANDS)
    assert set(cli.list_commands(click.Context(cli))) == set(COMMANDS)


@pytest.mark.parametrize("name", COMMANDS)
def test_each_help_text_has_an_example_that_parses(name: str) -> None:
    result = run(name, "--help")
    assert result.exit_code == 0
    examples = re.findall(rf"^ +(?:.*\s)?(chamberdrift {name}\b.*)$", result.output, re.MULTILINE)
    assert examples, "no example"
    for example in examples:
        words = re.sub(r"\s*\|.*$", "", example)
        import shlex

        args = shlex.split(words)[2:]
        command = cli.commands[name]
        if any(isinstance(p.type, click.Path) and p.type.exists for p in command.params):
            continue  # the file of the example is not here
        context = command.make_context(name, args)
        assert context.params


@pytest.mark.parametrize("name", COMMANDS)
def test_each_command_takes_the_common_options(name: str) -> None:
    assert set(COMMON) <= options(name)
    assert ("--store" in options(name)) == (name not in STORELESS)
    if name in AS_OF:
        assert "--as-of" in options(name)


@pytest.mark.parametrize("name", COMMANDS)
def test_each_short_help_fits_its_line(name: str) -> None:
    for line in run("--help").output.splitlines():
        if line.startswith(f"  {name} "):
            assert not line.endswith("..."), line
            return
    pytest.fail("not listed")


def test_a_degree_sign_need_not_be_typed(tmp_path: Path) -> None:
    result = run("init", "--temperature-unit", "F", "--store", str(tmp_path / "s"))
    assert result.exit_code == 0
    assert 'temperature_unit = "°F"' in (tmp_path / "s" / "chamberdrift.toml").read_text("utf-8")


def test_every_option_has_a_help_text() -> None:
    for name, command in cli.commands.items():
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                assert parameter.help, f"{name} {parameter.opts}"


def test_help_names_exit_codes_and_completion() -> None:
    text = run("--help").output
    for code in range(6):
        assert re.search(rf"^ +{code}  ", text, re.MULTILINE)
    for shell in ("bash", "zsh", "fish"):
        assert f"{shell}_source" in text


def test_the_exit_codes_of_readme_and_help_agree() -> None:
    readme = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    table = dict(re.findall(r"^\| (\d) \| (.+) \|$", readme, re.MULTILINE))
    shown = run("--help").output
    assert set(table) == set("012345")
    for code, meaning in table.items():
        assert re.search(
            rf"^ +{code}  {re.escape(meaning.replace('`', ''))}$", shown, re.MULTILINE
        )


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys\n"
        "from click.testing import CliRunner, Result\n"
        "from chamberdrift.pipeline.cli.root import cli\n"
        f"for args in [['--help']] + [[n, '--help'] for n in {COMMANDS!r}]:\n"
        "    assert CliRunner().invoke(cli, args).exit_code == 0\n"
        "heavy = {'pandas', 'numpy', 'pyarrow', 'matplotlib', 'sklearn', 'distributed'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_module_runs_as_the_command() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "chamberdrift", "--version"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert re.fullmatch(r"chamberdrift, version \d+\.\d+\.\d+\n", done.stdout)


@pytest.mark.parametrize(
    ("args", "code", "found"),
    [
        (["nigthly"], 2, "Did you mean 'nightly'?"),
        (["nightly"], 2, "Missing argument 'INBOX'"),
        (["nightly", "x"], 2, "CHAMBERDRIFT_STORE"),
        (["table", "cycle", "--store", "x"], 2, "'cycle'"),
        (["table", "cycles"], 2, "--store"),
        (["status", "--store", "x", "--as-of", "May"], 2, "2026-05-01"),
        (["status", "--store", "x", "--as-of", "0001-01-01T00:00+14:00"], 2, "see to the year"),
        (["table", "cycles", "--store", "x", "--since", "9999-12-31"], 2, "1700 and 2200"),
        (["status", "--store", "nowhere"], 1, "no store at"),
        (["status", "--store", "s3://[x"], 1, "like s3://bucket/path"),
        (["service", "--undo", "", "--store", "nowhere"], 1, "no store at"),
        (["simulate", "file/x", "--units", "1", "--days", "1", "--seed", "1"], 1, "is a file"),
        (["evaluate", "file", "--store", "nowhere"], 1, "no truth-cycles.csv"),
        (["service", "--store", "x"], 2, "Missing UNIT and --part and --action"),
        (["service", "A", "--undo", "s-1", "--store", "x"], 2, "stands alone"),
        (["status", "--store", "x", "--log-file", "no/such/folder/l.jsonl"], 2, "can't be"),
        (["init", "--zone", "Oslo", "--store", "s"], 1, "did you mean 'Europe/Oslo'?"),
        (["simulate", "d", "--units", "0", "--days", "1", "--seed", "1"], 2, "--units"),
    ],
)
def test_a_mistake_ends_in_a_message_and_a_code(
    args: list[str], code: int, found: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CHAMBERDRIFT_STORE", raising=False)
    (tmp_path / "file").write_text("x", encoding="utf-8")
    result = run(*args)
    assert result.exit_code == code, result.output
    assert found in result.stderr
    assert "Traceback" not in result.stderr
    assert result.stdout == ""


def test_an_unforeseen_error_is_one_line_and_its_traceback_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import chamberdrift.pipeline.setup as setup

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("s3://key:secret@bucket is\nbroken")

    monkeypatch.setattr(setup, "init_store", broken)
    log = tmp_path / "log.jsonl"
    result = run("init", "--store", "x", "--log-file", str(log))
    assert result.exit_code == 1
    assert result.stderr.count("\n") == 1
    assert "RuntimeError" in result.stderr
    assert str(log) in result.stderr
    entries = [json.loads(line) for line in log.read_text().splitlines()]
    assert "Traceback" in entries[-1]["traceback"]
    assert "secret" not in result.stderr + log.read_text()
    result = run("init", "--store", "x")
    assert "-v" in result.stderr
    assert "Traceback" not in result.stderr
    assert "Traceback" in run("init", "--store", "x", "-v").stderr


def test_the_store_is_taken_from_the_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("CHAMBERDRIFT_STORE", str(tmp_path / "s"))
    assert run("init", "--zone", "UTC").exit_code == 0
    assert (tmp_path / "s" / "chamberdrift.toml").is_file()


def test_init_makes_a_store_and_sets_answers_in_one_that_is_there(tmp_path: Path) -> None:
    store = str(tmp_path / "s")
    first = run("init", "--store", store)
    assert first.exit_code == 0
    assert "Made a store" in first.output
    toml = tmp_path / "s" / "chamberdrift.toml"
    assert "# zone = " in toml.read_text()
    toml.write_text(toml.read_text() + '\n[[site]]\nid = "n"  # ours\n')
    second = run("init", "--zone", "Europe/Oslo", "--day-first", "--store", store, "--json")
    assert json.loads(second.stdout)["changed"] == {"zone": "Europe/Oslo", "day_first": True}
    text = toml.read_text()
    assert 'zone = "Europe/Oslo"' in text
    assert "# ours" in text


def test_a_mistake_in_the_configuration_is_named_by_every_command(tmp_path: Path) -> None:
    store = str(tmp_path / "s")
    run("init", "--store", store)
    (tmp_path / "s" / "chamberdrift.toml").write_text('[defaults]\nzone = "UTC"\nzoom = 3\n')
    for args in (
        ["status"],
        ["table", "units"],
        ["judge"],
        ["show", "A"],
        ["init", "--zone", "UTC"],
    ):
        result = run(*args, "--store", store)
        assert result.exit_code == 1
        assert "chamberdrift.toml, line 3: defaults has no key 'zoom'" in result.stderr


def test_the_dictionary_of_each_table_is_printed_without_a_store() -> None:
    for name in ("cycles", "flags", "intake", "units", "service"):
        text = run("table", name, "--describe").output
        assert max(len(line) for line in text.splitlines()) <= 80
        rows = json.loads(run("table", name, "--describe", "--json").stdout)
        assert all(f"\n{r['column']} " in "\n" + text for r in rows)


def test_units_are_imported(tmp_path: Path) -> None:
    units = tmp_path / "units.csv"
    units.write_text("unit_id,site,zone\nA,north,Europe/Oslo\n")
    store = str(tmp_path / "s")
    result = run("import-units", str(units), "--store", store)
    assert result.exit_code == 0, result.output
    table = run("table", "units", "--store", store, "--format", "json")
    assert [r["site"] for r in json.loads(table.stdout)] == ["north"]
    moved = run("move", "A", "--site", "south", "--store", store)
    assert moved.exit_code == 1
    assert "no site is called 'south'" in moved.stderr


@pytest.mark.parametrize(
    ("words", "reach"),
    [
        (("status", "--store", "nowhere", "--workers", "two"), "0 to 1024"),
        (("simulate", "nowhere", "--days", "5", "--seed", "1", "--units", "0"), "1 to 100000"),
        (("simulate", "nowhere", "--days", "5", "--units", "1", "--seed", "x"), "0 on"),
    ],
)
def test_a_wrong_number_is_refused_in_plain_words(words: tuple[str, ...], reach: str) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert f"{words[-1]!r} will not do; write a whole number from {reach}." in result.output


def test_a_table_is_not_written_under_a_name_that_tells_another_format(tmp_path: Path) -> None:
    store = str(tmp_path / "s")
    assert run("init", "--store", store).exit_code == 0
    sheet, plain = tmp_path / "units.xlsx", tmp_path / "units.csv"
    refused = run("table", "units", "--store", store, "--output", str(sheet))
    assert refused.exit_code == 2
    assert "'.xlsx' tells no format" in refused.stderr
    assert not sheet.exists()
    done = run("table", "units", "--store", store, "--output", str(plain), "--json")
    assert json.loads(done.stdout)["format"] == "csv"
    assert plain.read_text().startswith("unit_id,")


def test_an_inbox_or_a_file_as_store_is_refused_in_one_line(tmp_path: Path) -> None:
    inbox = tmp_path / "exports"
    inbox.mkdir()
    export = inbox / "ST-01.csv"
    export.write_text("time,temperature\n")
    for store, why in ((inbox, "is the inbox, too"), (export, "Not a directory")):
        result = run("nightly", str(inbox), "--store", str(store))
        assert result.exit_code == 1
        assert result.stderr.startswith("Error: ")
        assert why in result.stderr
        assert len(result.stderr.splitlines()) == 1
    assert list(inbox.iterdir()) == [export]


def test_the_program_is_named_as_this_terminal_can_call_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = tmp_path / "chamberdrift"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    monkeypatch.setattr(sys, "argv", [str(program), "demo"])
    monkeypatch.setenv("PATH", str(tmp_path / "elsewhere"))
    assert called_as() == str(program)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert called_as() == "chamberdrift"
