"""Text for terminals, and commands that can be copied."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.names import not_known
from chamberdrift.pipeline.shown import shell_word, visible
from click.testing import CliRunner


def test_nothing_steers_the_terminal_and_all_else_stays() -> None:
    assert visible("a\x1b[31mb\x07\x9b\x7f\u202ec") == "a\\x1b[31mb\\x07\\x9b\\x7f\\u202ec"
    said = "25 °C\tλ – 温度\n  second line"
    assert visible(said) == said


def test_what_commands_say_does_not_steer_the_terminal(tmp_path: Path) -> None:
    odd = tmp_path / "odd.csv"
    odd.write_text(
        "time;te\x07mp\n" + "".join(f"2026-04-03 10:00:{k:02d};20.5\n" for k in range(60)),
        encoding="utf-8",
    )
    for args in (["probe", str(odd)], ["probe", str(tmp_path / "no\x1b[2Jfile")]):
        result = CliRunner().invoke(cli, args)
        assert result.exit_code != 0
        assert "\x07" not in result.output
        assert "\x1b" not in result.output


@pytest.mark.skipif(os.name == "nt", reason="quotes of another shell")
@pytest.mark.parametrize("place", ["fleet", "s3://bucket/path", "my store", "it's", "a;b $c"])
def test_a_command_can_be_copied(place: str) -> None:
    said = subprocess.run(
        ["sh", "-c", f"printf %s {shell_word(place)}"], capture_output=True, check=True, text=True
    )
    assert said.stdout == place
    error = str(not_known("unit", "X", [], table="units", location=place))
    assert error.endswith(f"--store {shell_word(place)}")


def test_plain_addresses_stay_bare() -> None:
    assert shell_word("s3://bucket/path-1") == "s3://bucket/path-1"
    assert shell_word("/srv/fleet") == "/srv/fleet"
