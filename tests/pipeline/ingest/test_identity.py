"""Unit ids from names, preambles, loggers and columns."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from chamberdrift.pipeline.ingest import read_export
from chamberdrift.pipeline.ingest.identity import strip_name
from chamberdrift.shared.config import Assignment, Config, Defaults, Unit
from chamberdrift.shared.errors import ExportRefusedError

from .shapes import HEAD, iso
from .truth import lines

BERLIN = Defaults(zone="Europe/Berlin")


@pytest.mark.parametrize(
    ("stem", "left"),
    [
        ("ST-07 2024-05-21 10-00-00", "ST-07"),
        ("20240521_100000_ST-07", "ST-07"),
        ("ST-07_2024-05-21T10-00", "ST-07"),
        ("ST-07.2024-05-21", "ST-07"),
        ("ST-07_21.05.2024", "ST-07"),
        ("ST-07_2024-W21", "ST-07"),
        ("ST-07_cycle0012", "ST-07"),
        ("ST-07 (2)", "ST-07"),
        ("export_ST-07_week21", "ST-07"),
        ("ST-07-export", "ST-07"),
        ("log-ST-07", "ST-07"),
        ("S-101_0001", "S-101"),
        ("autoclave 3", "autoclave 3"),
        ("unit_07", "unit_07"),
        ("2024-05-21_100000", ""),
        ("0012", ""),
        ("cycle_0012", ""),
        ("export", ""),
        ("temperature log 2024", ""),
        ("north__array_A__2024-05-01__2024-05-31__1m__UTC", "north__array_A"),
        ("ST-07__2024-05-01__10s", "ST-07"),
    ],
)
def test_names_lose_date_time_and_sequence(stem: str, left: str) -> None:
    assert strip_name(stem) == left


def units(name: str, config: Config, *above: str) -> tuple[str, ...]:
    data = lines(iso(), *above, HEAD).encode()
    return read_export(data, name=name, config=config).unit_ids


@pytest.mark.parametrize(
    ("name", "above", "unit"),
    [
        ("north/2024/05/ST-07/0012.csv", (), "ST-07"),
        ("north/x.csv", ("Unit: S-12",), "S-12"),
        ("north/x.csv", ("Device ID;0042",), "0042"),
        ("north/x.csv", ("Gerätenummer: 17-B",), "17-B"),
        ("north/x.csv", ("Appareil : S-12",), "S-12"),
        ("north/x.csv", ("Equipo;S-12;;",), "S-12"),
        ("north/x.csv", ("Device model: M200", "Unit type: bench", "Unit: S-12"), "S-12"),
        ("north/x.csv", ("Units: °C, kPa", "Sterilizer = S-12"), "S-12"),
    ],
)
def test_where_the_id_stands(name: str, above: tuple[str, ...], unit: str) -> None:
    assert units(name, Config(defaults=BERLIN), *above) == (unit,)


def test_a_configured_unit_is_found_in_the_path() -> None:
    config = Config(defaults=BERLIN, units=(Unit("0012"), Unit("left room")))
    assert units("north/2024-05-21 0012 run.csv", config) == ("0012",)
    assert units("Left Room/2024-05-21.csv", config) == ("left room",)


def test_a_logger_is_mapped_by_its_assignment() -> None:
    config = Config(defaults=BERLIN, assignments=(Assignment("L-778", "S-12"),))
    assert units("a/2024-05-21.csv", config, "Logger serial number: L-778") == ("S-12",)
    assert units("a/2024-05-21.csv", config, "Device: L-778") == ("S-12",)


def test_a_logger_that_moved_gives_each_unit_its_rows() -> None:
    moved = datetime(2024, 5, 21, 8, 30, tzinfo=UTC)
    config = Config(
        defaults=BERLIN,
        assignments=(
            Assignment("L-778", "S-1", end=moved),
            Assignment("L-778", "S-2", start=moved),
        ),
    )
    data = lines(iso(), "Logger serial: L-778", HEAD).encode()
    reading = read_export(data, name="x/2024.csv", config=config)
    frame = reading.table().to_pandas()
    assert reading.unit_ids == ("S-1", "S-2")
    assert reading.rows_kept == len(frame) == 360
    assert (frame.loc[frame["unit_id"] == "S-1", "time"] < moved).all()
    assert (frame.loc[frame["unit_id"] == "S-2", "time"] >= moved).all()
    assert set(frame["logger_id"]) == {"L-778"}


@pytest.mark.parametrize(
    ("channels", "kept"),
    [
        (("temperature_c",), ("temperature_c",)),
        (("pressure_kpa",), ("pressure_kpa",)),
        (("temperature_c", "pressure_kpa"), ("temperature_c", "pressure_kpa")),
        (("",), ("temperature_c", "pressure_kpa")),
    ],
)
def test_an_assignment_of_a_channel_keeps_no_other(
    channels: tuple[str, ...], kept: tuple[str, ...]
) -> None:
    own = tuple(Assignment("L-778", "S-12", c) for c in channels)
    config = Config(defaults=BERLIN, assignments=own)
    data = lines(iso(), "Logger serial: L-778", HEAD).encode()
    reading = read_export(data, name="x/2024.csv", config=config)
    frame = reading.table().to_pandas()
    assert reading.unit_ids == ("S-12",)
    assert reading.rows_read == reading.rows_kept == len(frame) == 360
    for column in ("temperature_c", "pressure_kpa"):
        assert frame[column].notna().all() == (column in kept)
        assert frame[column].isna().all() == (column not in kept)


@pytest.mark.parametrize("header", ["Unit ID", "Device", "Sterilizer"])
def test_ids_that_look_like_unit_marks_are_ids(header: str) -> None:
    rows = [f"{row},{'AC'[k // 180]}" for k, row in enumerate(iso())]
    data = lines(rows, f"{HEAD},{header}").encode()
    assert read_export(data, name="x.csv", config=Config(defaults=BERLIN)).unit_ids == ("A", "C")


@pytest.mark.parametrize("header", ["Unit", "unit of measure", "Units of measurement"])
def test_units_that_something_is_measured_in_are_no_ids(header: str) -> None:
    rows = [line.split(",") for line in iso()]
    long = [
        f"{r[0]},{n},{v},{u}"
        for r in rows
        for n, v, u in zip(("temperature", "pressure"), r[1:3], ("°C", "kPa abs"), strict=True)
    ]
    data = lines(long, f"time,channel,value,{header}").encode()
    assert read_export(data, name="S-1.csv", config=Config(defaults=BERLIN)).unit_ids == ("S-1",)


def test_rows_outside_one_loggers_assignment_are_counted_beside_others() -> None:
    later = datetime(2025, 1, 1, tzinfo=UTC)
    config = Config(
        defaults=BERLIN,
        assignments=(Assignment("L-1", "S-1", start=later), Assignment("L-2", "S-2")),
    )
    rows = [f"{row},L-{k % 2 + 1}" for k, row in enumerate(iso())]
    reading = read_export(
        lines(rows, f"{HEAD},Logger serial").encode(), name="x/2024.csv", config=config
    )
    assert reading.unit_ids == ("S-2",)
    assert reading.dropped_by_reason == {"unassigned_time": 180}
    assert reading.rows_read == reading.rows_kept + reading.rows_dropped == 360


def test_a_channel_that_is_assigned_and_not_there_gives_no_samples() -> None:
    config = Config(defaults=BERLIN, assignments=(Assignment("L-778", "S-12", "pressure_kpa"),))
    rows = [row.rpartition(",")[0] for row in iso()]
    data = lines(rows, "Logger serial: L-778", HEAD.rpartition(",")[0]).encode()
    with pytest.raises(ExportRefusedError, match="other_channel: 360"):
        read_export(data, name="x/2024.csv", config=config)


def test_assignments_that_overlap_count_and_keep_each_row_once() -> None:
    first, second = (datetime(2024, 5, 21, 8, m, tzinfo=UTC) for m in (20, 40))
    config = Config(
        defaults=BERLIN,
        assignments=(
            Assignment("L-778", "S-12", "temperature_c", end=second),
            Assignment("L-778", "S-12", "pressure_kpa", start=first),
            Assignment("L-778", "S-12", start=first, end=second),
        ),
    )
    data = lines(iso(), "Logger serial: L-778", HEAD).encode()
    reading = read_export(data, name="x/2024.csv", config=config)
    frame = reading.table().to_pandas()
    assert reading.rows_read == reading.rows_kept == reading.samples == len(frame) == 360
    before, after = frame["time"] < first, frame["time"] >= second
    assert (frame["temperature_c"].isna() == after).all()
    assert (frame["pressure_kpa"].isna() == before).all()
    assert before.sum() == after.sum() == 120


def test_a_logger_with_a_channel_at_each_of_two_units_is_refused() -> None:
    config = Config(
        defaults=BERLIN,
        assignments=(
            Assignment("L-778", "S-1", "temperature_c"),
            Assignment("L-778", "S-2", "pressure_kpa"),
        ),
    )
    data = lines(iso(), "Logger serial: L-778", HEAD).encode()
    with pytest.raises(ExportRefusedError, match="can't be parted so"):
        read_export(data, name="x/2024.csv", config=config)


@pytest.mark.parametrize(
    ("name", "config", "above"),
    [
        ("x.csv", Config(defaults=BERLIN), ("Unit: S-12", "Machine: S-13")),
        (
            "S-13/2024-05-21.csv",
            Config(defaults=BERLIN, units=(Unit("S-12"), Unit("S-13"))),
            ("Unit: S-12",),
        ),
        (
            "S-13_2024-05-21.csv",
            Config(defaults=BERLIN, units=(Unit("S-12"), Unit("S-13"))),
            ("Unit: S-12",),
        ),
        (
            "x.csv",
            Config(defaults=BERLIN, assignments=(Assignment("L-1", "S-13"),)),
            ("Logger ID: L-1", "Unit: S-12"),
        ),
        ("2024-05-21.csv", Config(defaults=BERLIN), ()),
    ],
)
def test_candidates_that_disagree_are_a_question(
    name: str, config: Config, above: tuple[str, ...]
) -> None:
    with pytest.raises(ExportRefusedError) as caught:
        units(name, config, *above)
    assert caught.value.cause == "unit_id"
    assert caught.value.question


def test_a_configured_units_id_above_the_table_is_one_under_any_word() -> None:
    config = Config(defaults=BERLIN, units=(Unit("LODZ/01"),))
    assert units("lodz/LODZ-01/x.csv", config, "Urządzenie: LODZ/01") == ("LODZ/01",)
    assert units("lodz/x.csv", config, "Urządzenie: LODZ/07") == ("x",)


def test_the_only_temperature_beside_a_steam_pressure_is_the_units() -> None:
    data = lines(iso(), "Unit: S-1", HEAD.replace("Temperature", "Load temperature")).encode()
    read = read_export(data, name="x.csv", config=Config(defaults=BERLIN))
    assert np.isfinite(read.table()["temperature_c"].to_numpy()).all()


def test_a_path_names_a_configured_unit_whose_marks_no_path_can_hold() -> None:
    units_of = (Unit("LODZ/01"), Unit("LODZ/02"), Unit("AB-1"), Unit("AB1"))
    config = Config(defaults=BERLIN, units=units_of)
    assert units("lodz/LODZ-01/20260216.csv", config) == ("LODZ/01",)
    assert units("lodz/lodz_02_2026-02-16.csv", config) == ("LODZ/02",)
    assert units("x/A-B1/20260216.csv", config) == ("A-B1",)  # two are alike to it


@pytest.mark.parametrize(
    ("above", "unit"),
    [
        ("Autoklaavi AUT 3   Tallennin K80422", "AUT 3"),
        ("# device=V26187 asset=H-9", "H-9"),
        ("# recorder V26187 of the north wing", "H-9"),
        ("Unit: OD-9", "OD-9"),
    ],
)
def test_a_known_unit_among_other_words_is_no_new_unit(above: str, unit: str) -> None:
    config = Config(
        defaults=BERLIN,
        units=(Unit("AUT 3"), Unit("H-9"), Unit("A")),
        assignments=(Assignment("K80422", "AUT 3"), Assignment("V26187", "H-9")),
    )
    assert units("north/loki20260112.csv", config, above) == (unit,)


def test_two_known_units_among_other_words_name_none() -> None:
    config = Config(defaults=BERLIN, units=(Unit("AUT 3"), Unit("H-9")))
    assert units("north/loki.csv", config, "room of AUT 3 and H-9") == ("loki",)
