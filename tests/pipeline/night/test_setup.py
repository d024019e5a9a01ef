"""Units and sites from a CSV file."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from chamberdrift.pipeline.setup import (
    add_units,
    init_store,
    read_unit_rows,
    shared_loggers,
)
from chamberdrift.shared.config_file import parse_config
from chamberdrift.shared.config_template import commented_config
from chamberdrift.shared.errors import ConfigError

GOOD = """unit_id,site,zone,volume_l,air_removal,programs,logger
ST-01,north,Europe/Oslo,18,gravity,gravity-121x30 gravity-134x3.5,A1
ST-02,north,,,prevacuum,,
"""


def test_units_sites_and_loggers_are_taken_over() -> None:
    rows = read_unit_rows(GOOD.encode(), "units.csv")
    config = parse_config(add_units(commented_config(), rows))
    assert [u.id for u in config.units] == ["ST-01", "ST-02"]
    assert config.units[0].programs == ("gravity-121x30", "gravity-134x3.5")
    assert config.units[0].volume_l == 18.0
    assert [(s.id, s.zone) for s in config.sites] == [("north", "Europe/Oslo")]
    assert [(a.logger, a.unit) for a in config.assignments] == [("A1", "ST-01")]


def test_taking_the_same_file_over_twice_changes_nothing() -> None:
    rows = read_unit_rows(GOOD.encode(), "units.csv")
    once = add_units(commented_config(), rows)
    assert add_units(once, rows) == once


def test_a_large_fleet_is_not_read_again_for_each_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [f"U{i},s{i % 3},Europe/Oslo,L{i}" for i in range(60)]
    rows = read_unit_rows("\n".join(["unit_id,site,zone,logger", *lines]).encode(), "u.csv")
    loads, reads = tomllib.loads, []
    monkeypatch.setattr(tomllib, "loads", lambda text: reads.append(1) or loads(text))
    config = parse_config(add_units("", rows))
    assert [len(config.units), len(config.sites), len(config.assignments)] == [60, 3, 60]
    assert len(reads) < 10


def test_a_unit_that_is_there_is_changed_in_place() -> None:
    text = '[[unit]]\nid = "ST-01"  # by the window\nvolume_l = 20\n'
    changed = add_units(text, read_unit_rows(GOOD.encode(), "units.csv"))
    assert "# by the window" in changed
    assert parse_config(changed).units[0].volume_l == 18.0


def test_decimal_commas_and_semicolons_are_read() -> None:
    rows = read_unit_rows(b"unit_id;volume_l\nA;18,5\n", "u.csv")
    assert rows == [{"unit_id": "A", "volume_l": 18.5}]


@pytest.mark.parametrize(
    ("text", "line", "found"),
    [
        ("unit,site\nA,b\n", 1, "rename 'unit'"),
        ("unit_id,volumes\nA,1\n", 1, "did you mean 'volume_l'?"),
        ("unit_id,volume_l\nA,big\n", 2, "must be a number"),
        ("unit_id,volume_l\nA,-3\n", 2, "outside 0.1 to 2000"),
        ("unit_id,site,zone\nA,n,Europe/Olso\n", 2, "did you mean 'Europe/Oslo'?"),
        ("unit_id,zone\nA,UTC\n", 2, "fill in site"),
        ("unit_id,air_removal\nA,vacuum\n", 2, "did you mean 'prevacuum'?"),
        ("unit_id\nA\nA\n", 3, "first at line 2"),
        ("unit_id,site,zone\nA,n,UTC\nB,n,Europe/Oslo\n", 3, "is UTC at line 2"),
        ("unit_id,site\n,n\n", 2, "unit_id is empty"),
    ],
)
def test_a_mistake_is_named_by_line(text: str, line: int, found: str) -> None:
    with pytest.raises(ConfigError) as caught:
        read_unit_rows(text.encode(), "units.csv")
    message = str(caught.value).splitlines()[0]
    assert message.startswith(f"units.csv, line {line}: ")
    assert found in message
    assert message.count("line") <= 2  # its own place, and another that it speaks of
    assert "chamberdrift.toml" not in message


def test_an_answer_is_named_by_its_option(tmp_path: Path) -> None:
    answers = {"altitude_m": 90000.0, "zone": "Oslo"}
    with pytest.raises(ConfigError) as caught:
        init_store(str(tmp_path / "s"), answers)
    first, second = str(caught.value).splitlines()
    assert first == "--altitude: 90000 is outside -430 to 6000; write a number in that range."
    assert second.startswith("--zone: 'Oslo' is no zone")
    assert not (tmp_path / "s").exists()


def test_an_empty_file_is_a_mistake() -> None:
    for nothing in (b"", b"\n\n"):
        with pytest.raises(ConfigError, match="its first line names the columns: unit_id"):
            read_unit_rows(nothing, "units.csv")
    with pytest.raises(ConfigError, match="no units in it"):
        read_unit_rows(b"unit_id\n", "units.csv")


def test_a_recorder_of_two_units_is_assigned_to_neither() -> None:
    rows = read_unit_rows(b"unit_id,logger\nKOM1,D31\nKOM2,D31\nH-9,V26\n", "units.csv")
    config = parse_config(add_units(commented_config(), rows))
    assert [u.id for u in config.units] == ["KOM1", "KOM2", "H-9"]
    assert [(a.logger, a.unit) for a in config.assignments] == [("V26", "H-9")]
    assert shared_loggers(rows) == {"D31": ["KOM1", "KOM2"]}
