"""The configuration: every mistake is named with its line and a remedy.

No outside source applies: the expectations are the file's own line numbers,
counted by hand.
"""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import UTC, datetime

import pytest
from chamberdrift.shared import units
from chamberdrift.shared.config import Config
from chamberdrift.shared.config_file import check_zone, nearest, parse_config
from chamberdrift.shared.config_keys import PRESSURE_UNITS, TEMPERATURE_UNITS
from chamberdrift.shared.config_sections import SECTION_BY_NAME, SECTIONS
from chamberdrift.shared.config_template import (
    commented_config,
    render_config,
    set_key,
    table_text,
    toml_value,
)
from chamberdrift.shared.errors import ConfigError
from chamberdrift.shared.toml_lines import key_lines
from hypothesis import given
from hypothesis import strategies as st


def mistakes(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_config(text)
    return str(caught.value).splitlines()


@pytest.mark.parametrize(
    ("text", "line", "found", "remedy"),
    [
        ("[defaults]\nday_fist = true", 2, "'day_fist'", "did you mean 'day_first'?"),
        ('[defalts]\nzone = "UTC"', 1, "'defalts'", "did you mean 'defaults'?"),
        ('zone = "UTC"', 1, "'zone'", "[defaults]"),
        ('[defaults]\n\nzone = "Oslo"', 3, "'Oslo'", "did you mean 'Europe/Oslo'?"),
        ('[defaults]\nzone = "Europe/Olso"', 2, "'Europe/Olso'", "'Europe/Oslo'"),
        ('[[unit]]\nid = "a"\nvolume_l = "18"', 3, "volume_l", "a number"),
        ('[[unit]]\nid = "a"\nvolume_l = -1', 3, "-1", "0.1 to 2000"),
        ('[[unit]]\nid = "a"\nvolume_l = true', 3, "True", "a number"),
        ('[[unit]]\nid = ""', 2, "empty", '"ST-01"'),
        (f'[[unit]]\nid = "{"x" * 65}"', 2, "65", "shorten"),
        ('[[unit]]\nsite = "a"', 1, "lacks 'id'", "add id"),
        ('[[unit]]\nid = "a"\nsite = "nrth"\n[[site]]\nid = "north"', 3, "'nrth'", "'north'"),
        ('[[unit]]\nid = "a"\n[[unit]]\nid = "a"', 4, "first at line 2", "remove one"),
        ('[[unit]]\nid = "a"\nprograms = ["gravity-121"]', 3, "'gravity-121'", "gravity-121x30"),
        ('[[unit]]\nid = "a"\nprograms = "gravity-121x30"', 3, "programs", "a list of texts"),
        ('[[unit]]\nid = "a"\nair_removal = "vacuum"', 3, "'vacuum'", "'prevacuum'"),
        ('[[unit]]\nid = "a"\nretired_at = 2026-05-01', 3, "without an offset", "+00:00"),
        ('[[unit]]\nid = "a"\nretired_at = "May"', 3, "'May'", "a time, such as"),
        ('[unit]\nid = "a"', 1, "more than once", "[[unit]]"),
        ('[[defaults]]\nzone = "UTC"', 1, "stands once", "[defaults]"),
        ('[[layout]]\nencoding = "utf8000"', 2, "'utf8000'", "utf-16"),
        ('[[layout]]\ncolumns = { T = "temp_c" }', 2, "'temp_c'", "'temperature_c'"),
        ("[[layout]]\ncolumns = { T = 3 }", 2, "columns", "a table of texts"),
        ("[[layout]]\nheader_row = 2.5", 2, "2.5", "a whole number"),
        ('[[service_interval]]\npart = "door_seal"', 1, "days, cycles or both", "days = 365"),
        ('[[service_interval]]\npart = "seal"\ndays = 3', 2, "'seal'", "'door_seal'"),
        (
            '[[unit]]\nid = "a"\n[[assignment]]\nlogger = "L"\nunit = "b"',
            5,
            "'b'",
            'add [[unit]] id = "b"',
        ),
        (
            '[[assignment]]\nlogger = "L"\nunit = "a"\n[[assignment]]\nlogger = "L"\nunit = "b"',
            4,
            "(line 1)",
            "from and to",
        ),
        (
            '[[assignment]]\nlogger = "L"\nunit = "a"\n'
            '[[assignment]]\nlogger = "L"\nunit = "b"\nchannel = "pressure_kpa"',
            4,
            "(line 1)",
            "from and to",
        ),
        (
            '[[unit]]\nid = "a"\nretired_at = 0001-01-01T00:00:00+05:00',
            3,
            "year 1",
            "correct the year",
        ),
        (
            '[[assignment]]\nlogger = "L"\nunit = "a"\nfrom = 2026-02-01T00:00:00Z\n'
            "to = 2026-01-01T00:00:00Z",
            5,
            "not later",
            "swap",
        ),
        ("[limits]\nband_width_k = 1,5", 2, "1,5", "a point, not a comma"),
        ("[defaults]\nzone = UTC", 2, "zone = UTC", 'zone = "UTC"'),
        ("[defaults]\nzone: 'UTC'", 2, "zone:", "joined by ="),
        ('[defaults]\nzone = "UTC', 2, "", "quote"),
        ("[limits]\n[limits]", 2, "[limits]", "twice"),
        ('[defaults]\nzone = "UTC"\nzone = "UTC"', 3, "zone", "twice"),
        ('[[unit]]\nid = "a"\nprograms = [', 3, "", "bracket"),
    ],
)
def test_a_mistake_is_named_with_line_and_remedy(
    text: str, line: int, found: str, remedy: str
) -> None:
    message = mistakes(text)[0]
    assert message.startswith(f"chamberdrift.toml, line {line}: ")
    assert found in message
    assert remedy in message


def test_all_mistakes_are_named_at_once_in_order() -> None:
    lines = mistakes('[defaults]\nzonee = "UTC"\n[[unit]]\nvolume = 3\n[[unit]]\nid = 4')
    assert [int(m.split("line ")[1].split(":")[0]) for m in lines] == sorted(
        int(m.split("line ")[1].split(":")[0]) for m in lines
    )
    assert len(lines) == 4


def test_times_without_offset_stand_in_the_units_zone() -> None:
    config = parse_config(
        '[[site]]\nid = "n"\nzone = "Europe/Oslo"\n[[unit]]\nid = "a"\nsite = "n"\n'
        "retired_at = 2026-07-01T10:00:00\n"
        '[[assignment]]\nlogger = "L"\nunit = "a"\nfrom = 2026-01-05'
    )
    assert config.units[0].retired_at == datetime(2026, 7, 1, 8, tzinfo=UTC)
    assert config.assignments[0].start == datetime(2026, 1, 4, 23, tzinfo=UTC)


def test_a_byte_order_mark_is_no_mistake() -> None:
    assert parse_config('\ufeff[defaults]\nzone = "UTC"').defaults.zone == "UTC"


def test_an_empty_file_is_the_default() -> None:
    assert parse_config("") == Config()


def test_the_commented_file_holds_the_defaults_and_explains_every_key() -> None:
    text = commented_config()
    assert parse_config(text) == Config()
    for section in SECTIONS:
        for key in section.keys:
            assert re.search(rf"^# {key.name} = ", text, re.MULTILINE), key.name


def test_the_commented_file_is_valid_when_every_comment_is_taken_off() -> None:
    text = re.sub(r"^# (?=\[\[|\w+ = )", "", commented_config(), flags=re.MULTILINE)
    config = parse_config(text)
    assert parse_config(render_config(config)) == config
    assert config.units[0].programs == ("gravity-121x30",)


def test_every_limit_states_its_source() -> None:
    text = commented_config()
    for name in ("limits", "budgets", "schedule"):
        for key in SECTION_BY_NAME[name].keys:
            assert key.source, key.name
    assert "value not checked against it" in " ".join(text.replace("\n# ", " ").split())


def test_the_defaults_lie_inside_the_permitted_ranges() -> None:
    config = Config()
    for name, holder in (("limits", config.limits), ("budgets", config.budgets)):
        for key in SECTION_BY_NAME[name].keys:
            assert key.low is not None
            assert key.high is not None
            assert key.low <= getattr(holder, key.target) <= key.high


def test_every_field_of_the_configuration_has_a_key() -> None:
    for section in SECTIONS:
        if section.type is not object:
            assert {f.name for f in fields(section.type)} == {k.target for k in section.keys}


def test_the_units_are_those_that_the_conversion_knows() -> None:
    assert set(PRESSURE_UNITS) == set(units.PRESSURE_TO_KPA)
    assert set(TEMPERATURE_UNITS) == set(units.TEMPERATURE_TO_C)


def test_answers_are_set_in_the_commented_file() -> None:
    text = commented_config({"zone": "UTC", "altitude_m": 12.0, "day_first": True})
    defaults = parse_config(text).defaults
    assert (defaults.zone, defaults.altitude_m, defaults.day_first) == ("UTC", 12.0, True)


@pytest.mark.parametrize(
    "text",
    [
        commented_config(),
        "",
        '[defaults]\nzone = "UTC"  # ours\n[limits]\nsaturation_k = 1.0\n',
        "[limits]\nsaturation_k = 1.0\n",
    ],
)
def test_a_key_is_set_and_comments_stay(text: str) -> None:
    changed = set_key(text, ("defaults", "zone"), "Europe/Oslo")
    assert parse_config(changed).defaults.zone == "Europe/Oslo"
    kept = [line for line in text.splitlines() if "zone =" not in line]
    assert [line for line in changed.splitlines() if line in kept] == kept
    assert ("# ours" in changed) == ("# ours" in text)


def test_the_right_entry_of_a_list_is_changed() -> None:
    text = '[[unit]]\nid = "a"\n[[unit]]\nid = "b"\nsite = "n"\n[[site]]\nid = "n"\n[[site]]\nid = "s"\n'  # noqa: E501
    changed = parse_config(set_key(text, ("unit", 1, "site"), "s"))
    assert [u.site for u in changed.units] == [None, "s"]
    changed = parse_config(set_key(text, ("unit", 0, "site"), "s"))
    assert [u.site for u in changed.units] == ["s", "n"]


@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=16))
def test_any_text_survives_writing(name: str) -> None:
    config = parse_config(table_text("site", {"id": name, "altitude_m": None}))
    assert config.sites[0].id == name


def test_values_are_written_as_toml() -> None:
    assert toml_value(True) == "true"
    assert toml_value(datetime(2026, 5, 1, tzinfo=UTC)) == "2026-05-01T00:00:00Z"
    assert toml_value(("a", 'b"c')) == '["a", "b\\"c"]'


def test_lines_are_found_past_long_strings_and_arrays() -> None:
    text = (
        '[a]\nx = [\n  "[b]", # ]\n  "y = 3",\n]\nz = """\n[c]\nw = 1\n"""\n[[d]]\nv = { p = 1 }\n'
    )
    lines = key_lines(text)
    assert lines == {("a",): 1, ("a", "x"): 2, ("a", "z"): 6, ("d", 0): 10, ("d", 0, "v"): 11}


def test_nearest_names_nothing_where_nothing_is_near() -> None:
    assert nearest("qqqq", ["zone", "altitude_m"]) is None
    assert nearest("ZONE", ["zone"]) == "zone"
    assert check_zone("Europe/Oslo") is None
