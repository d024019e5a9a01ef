"""The service log of an inbox: each line once, a wrong line alone refused."""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest
from chamberdrift.pipeline.service_log import (
    ServiceEntry,
    local_time,
    merge_entries,
    read_service_log,
    undo_entry,
)
from chamberdrift.shared.config import Config, Defaults, Site, Unit
from chamberdrift.shared.errors import ChamberdriftError
from chamberdrift.shared.schema import SERVICE
from hypothesis import given, settings
from hypothesis import strategies as st

CONFIG = Config(
    sites=(Site("north", zone="Europe/Oslo"),), units=(Unit("ST-01", site="north"), Unit("ST-02"))
)
NOW = datetime(2026, 6, 1, tzinfo=UTC)


def read(text: str, config: Config = CONFIG) -> tuple[list[ServiceEntry], list[str]]:
    log = read_service_log(text.encode(), config, {"ST-09"})
    return list(log.entries), list(log.refused)


def test_a_time_without_offset_stands_in_the_sites_zone() -> None:
    entries, refused = read(
        "unit_id,time,part,action,note\nST-01,2026-05-01 14:30,door_seal,replaced,new seal\n"
    )
    assert not refused
    # Oslo is two hours ahead of UTC in May (IANA zone data).
    assert entries == [
        ServiceEntry(
            "ST-01", datetime(2026, 5, 1, 12, 30, tzinfo=UTC), "door_seal", "replaced", "new seal"
        )
    ]


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("ST-1,2026-05-01T10:00Z,heater,replaced,", "did you mean 'ST-01'?"),
        ("ST-01,2026-05-01T10:00Z,heatr,replaced,", "did you mean 'heater'?"),
        ("ST-01,2026-05-01T10:00Z,heater,swapped,", "action 'swapped' is not known"),
        ("ST-01,soon,heater,replaced,", "'soon' is no time"),
        ("ST-02,2026-05-01 10:00,heater,replaced,", "init --zone"),
        ("ST-01", "part '' is not known"),
    ],
)
def test_a_wrong_line_is_refused_alone(line: str, found: str) -> None:
    good = "ST-01,2026-05-02T10:00Z,heater,replaced,"
    entries, refused = read(f"unit_id,time,part,action,note\n{line}\n{good}\n")
    assert len(entries) == 1
    assert refused[0].startswith("service-log.csv, line 2: ")
    assert found in refused[0]


def test_semicolons_spaces_blank_lines_and_other_encodings_are_read() -> None:
    text = "Unit_ID;Time;Part;Action;Note\n\n ST-09 ;2026-05-01T10:00Z;Door seal;Replaced;año\n"
    for encoding in ("utf-8", "utf-8-sig", "utf-16", "cp1252"):
        log = read_service_log(text.encode(encoding), CONFIG, {"ST-09"})
        assert [e.note for e in log.entries] == ["año"]
        assert log.entries[0].part == "door_seal"


def test_a_missing_column_is_named() -> None:
    entries, refused = read("unit,time,part,action\nST-01,2026-05-01,heater,replaced")
    assert not entries
    assert "column unit_id is missing" in refused[0]
    assert read("") == ([], [])


def test_the_same_line_twice_is_one_entry() -> None:
    line = "ST-01,2026-05-01T10:00Z,heater,replaced,\n"
    other = "ST-01,2026-05-01T12:00+02:00,heater,replaced,\n"
    entries, _ = read("unit_id,time,part,action,note\n" + line + line + other)
    assert len(entries) == 1


def test_entries_are_merged_once_and_an_undone_one_stays_undone() -> None:
    entry = ServiceEntry("ST-01", NOW, "heater", "replaced")
    table = merge_entries(SERVICE.empty(), [entry], NOW)
    again = merge_entries(table, [entry], NOW)
    assert again.equals(table)
    undone = undo_entry(table, entry.service_id)
    assert list(merge_entries(undone, [entry], NOW)["undone"]) == [True]
    assert list(table["undone"]) == [False]
    assert list(merge_entries(undone, [entry], NOW, by_hand=True)["undone"]) == [False]


def test_a_result_is_set_on_the_entry_that_is_there() -> None:
    entry = ServiceEntry("ST-01", NOW, "heater", "replaced")
    table = merge_entries(SERVICE.empty(), [entry], NOW)
    with_result = ServiceEntry("ST-01", NOW, "heater", "replaced", result="confirmed")
    merged = merge_entries(table, [with_result], NOW)
    assert list(merged["result"]) == ["confirmed"]


def test_an_unknown_entry_can_not_be_undone() -> None:
    with pytest.raises(ChamberdriftError, match="table service"):
        undo_entry(SERVICE.empty(), "s-1")


def test_the_stores_zone_serves_units_without_a_site() -> None:
    config = Config(defaults=Defaults(zone="America/Chicago"))
    # Chicago is six hours behind UTC in January (IANA zone data).
    assert local_time("2026-01-10", "X", config) == datetime(2026, 1, 10, 6, tzinfo=UTC)


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_are_a_log_or_refused_by_line(data: bytes) -> None:
    """The inbox is shared: whatever stands in the file, the night goes on."""
    log = read_service_log(b"unit_id,time,part,action,note\n" + data, CONFIG, {"ST-09"})
    assert all(re.match(r"service-log\.csv, line \d+: ", r) for r in log.refused)
    assert all(len(r) < 1000 for r in log.refused)


def test_a_cell_of_any_length_is_refused_in_a_short_sentence() -> None:
    entries, refused = read(
        "unit_id,time,part,action\nST-01,2026-05-01," + "x" * 200_000 + ",replaced"
    )
    assert not entries
    assert len(refused[0]) < 300


def test_a_line_is_named_by_where_it_begins() -> None:
    note = '"two\nlines"'
    entries, refused = read(
        f"unit_id,time,part,action,note\nST-01,2026-05-01,heater,replaced,{note}\nST-01,x,heater,replaced,"
    )
    assert [e.note for e in entries] == ["two\nlines"]
    assert "line 4:" in refused[0]


@pytest.mark.parametrize("time", ["0001-01-01T00:00+05:00", "9999-12-31", "1026-05-01"])
def test_a_year_out_of_all_reason_is_refused(time: str) -> None:
    entries, refused = read(f"unit_id,time,part,action\nST-01,{time},heater,replaced")
    assert not entries
    assert "see to the year" in refused[0]


def test_a_log_that_is_none_by_its_size_is_left_out(tmp_path: Path) -> None:
    from chamberdrift.pipeline.service_import import LARGEST, _trouble
    from chamberdrift.pipeline.store.location import LocalLocation

    place = LocalLocation(str(tmp_path))
    (tmp_path / "small.csv").write_bytes(b"unit_id")
    with open(tmp_path / "service-log.csv", "wb") as file:
        file.truncate(LARGEST + 1)
    assert _trouble(place, "small.csv") == ""
    assert _trouble(place, "service-log.csv").startswith("16 MB is no service log")
    assert "can't be read" in _trouble(place, "not-there.csv")


@pytest.mark.skipif(os.name == "nt", reason="no such names there")
def test_a_folder_with_an_odd_name_reaches_no_message_raw(tmp_path: Path) -> None:
    from chamberdrift.pipeline.service_import import import_service

    odd = "north\x1b[31m/service-log.csv"
    (tmp_path / odd).parent.mkdir()
    (tmp_path / odd).write_text(
        "unit_id,time,part,action\nX,2026-05-01,heater,replaced\n", "utf-8"
    )
    work = SimpleNamespace(snapshot=SimpleNamespace(unit_ids=list), config=Config())
    taken = SimpleNamespace(units=(), service_logs=(odd, odd.replace("service", "no")))
    refused, new = import_service(work, str(tmp_path), taken)  # type: ignore[arg-type]
    assert new == 0
    assert [r.partition(":")[0].partition(",")[0] for r in refused] == [
        "north\\x1b[31m/service-log.csv",
        "north\\x1b[31m/no-log.csv",
    ]
