"""The run's log, the store's settings file, and a probe of one export."""

from __future__ import annotations

import json
import logging
from pathlib import Path

import pytest
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.run_log import log_event, redact, run_log
from chamberdrift.pipeline.settings import read_settings, set_in_list
from chamberdrift.pipeline.store.location import open_location
from chamberdrift.shared.config_file import parse_config
from chamberdrift.shared.errors import ConfigError
from click.testing import CliRunner


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("s3://AKIA:secret@bucket/x", "s3://***@bucket/x"),
        ("https://user@host/x", "https://***@host/x"),
        (
            "s3://bucket/x?access_key=AKIA&secret_key=s",
            "s3://bucket/x?access_key=***&secret_key=***",
        ),
        ("token=abc'", "token=***'"),
        ("s3://bucket/x", "s3://bucket/x"),
        ("time 10:00 at unit A@2026-05-01", "time 10:00 at unit A@2026-05-01"),
    ],
)
def test_credentials_are_taken_out(text: str, shown: str) -> None:
    assert redact(text) == shown


def test_entries_are_json_lines_and_are_appended(tmp_path: Path) -> None:
    path = tmp_path / "log.jsonl"
    for k in range(2):
        with run_log(str(path)):
            log_event("night", "it's done", units=k, path=Path("x"))
    entries = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert [e["units"] for e in entries] == [0, 1]
    assert entries[0]["event"] == "night"
    assert entries[0]["level"] == "info"
    assert entries[0]["path"] == "x"
    assert not logging.getLogger("chamberdrift").handlers


def test_a_log_that_can_not_be_written_is_said_once_and_ends_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no device that is always full")
    with run_log(str(full)):
        for _ in range(3):
            log_event("night", "done")
    said = capsys.readouterr().err
    assert said == "warning: the log /dev/full can't be written: No space left on device\n"
    path = tmp_path / "log.jsonl"
    with run_log(str(path)):
        log_event("night", "a name of no UTF-8: \udcff")
    assert "a name of no UTF-8: \\udcff" in path.read_text(encoding="utf-8")
    assert capsys.readouterr().err == ""


def test_only_warnings_reach_stderr_unless_asked(capsys: pytest.CaptureFixture[str]) -> None:
    with run_log():
        log_event("a", "quiet")
        log_event("b", "loud", level=logging.WARNING)
        log_event("c", "said already", level=logging.ERROR, shown=True)
    assert capsys.readouterr().err == "warning: loud\n"
    with run_log(verbose=True):
        log_event("a", "told")
    assert capsys.readouterr().err == "info: told\n"


def test_settings_that_are_no_utf8_are_named_by_line(tmp_path: Path) -> None:
    (tmp_path / "chamberdrift.toml").write_bytes(b'[[site]]\nid = "n"\nname = "Gr\xfcn"\n')
    with pytest.raises(ConfigError, match=r"line 3: a character is not UTF-8"):
        read_settings(open_location(str(tmp_path)))


def test_a_list_entry_is_changed_or_added() -> None:
    text = set_in_list('[[unit]]\nid = "A"\n', "unit", "id", {"A": {"type": "x"}})
    text = set_in_list(text, "unit", "id", {"B": {"type": "y", "volume_l": None}})
    assert [(u.id, u.type) for u in parse_config(text).units] == [("A", "x"), ("B", "y")]


def test_a_probe_tells_how_an_export_is_read_and_its_lines_pin_it(tmp_path: Path) -> None:
    lines = ["time,temperature (°C),pressure (kPa abs)"]
    lines += [f"2026-05-01 10:{m:02d}:{s:02d},{20 + m:.1f},101.3"
              for m in range(30) for s in range(0, 60, 10)]  # fmt: skip
    export = tmp_path / "ST-07.csv"
    export.write_text("\n".join(lines), encoding="utf-8")
    store = str(tmp_path / "s")
    refused = CliRunner().invoke(cli, ["probe", str(export)])
    assert refused.exit_code == 3
    assert "chamberdrift init --zone" in refused.stdout
    CliRunner().invoke(cli, ["init", "--zone", "Europe/Oslo", "--store", store])
    found = CliRunner().invoke(cli, ["probe", str(export), "--store", store, "--json"])
    assert found.exit_code == 0, found.output
    data = json.loads(found.stdout)
    assert data["unit_ids"] == ["ST-07"]
    assert data["rows_kept"] == 180
    # Oslo is two hours ahead of UTC in May (IANA zone data).
    assert data["first_time"].startswith("2026-05-01T08:00:00")
    assert {"zone", "header"} <= {e["decision"] for e in data["evidence"]}
    config = parse_config(data["toml"])
    assert len(config.layouts) == 1
    toml = tmp_path / "s" / "chamberdrift.toml"
    toml.write_text(toml.read_text("utf-8") + "\n" + data["toml"] + "\n", encoding="utf-8")
    again = CliRunner().invoke(cli, ["probe", str(export), "--store", store, "--json"])
    assert json.loads(again.stdout)["first_time"] == data["first_time"]
    text = CliRunner().invoke(cli, ["probe", str(export), "--store", store]).stdout
    assert max(len(line) for line in text.splitlines() if str(tmp_path) not in line) <= 120
