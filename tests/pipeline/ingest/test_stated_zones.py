"""What lines above the table say about the clock is followed, or asked about; never half read."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from chamberdrift.pipeline.ingest import read_export
from chamberdrift.pipeline.ingest.clock_text import ABBREVIATIONS
from chamberdrift.pipeline.ingest.recall import forget
from chamberdrift.shared.config import Config, Defaults, LayoutPin
from chamberdrift.shared.config_file import parse_config
from chamberdrift.shared.errors import ExportRefusedError

from .shapes_common import HEAD, C, iso
from .truth import attempt, cycle, lines, rows_of, sited, zoned

LOS_ANGELES = zoned("America/Los_Angeles")


def _starts(line: str, config: Config, zone: str = "Europe/Berlin") -> int | str:
    """Return by how many minutes a reading misses the truth, or a refusal's cause."""
    forget()
    reading, refused = attempt(lines(iso(zone=zone), line, "", HEAD).encode(), "S-12.csv", config)
    if reading is None:
        assert refused is not None
        return refused.cause
    ms = reading.table().to_pandas()["time"].astype("int64").to_numpy()
    assert len(ms) == len(C.ms)
    off = np.unique((ms - C.ms) // 60_000)
    assert len(off) == 1
    return int(off[0])


@pytest.mark.parametrize(
    "line",
    [
        "UTC offset: 2",
        "UTC offset: +2",
        "UTC offset (h): 2",
        "UTC offset: 02:00",
        "Offset from UTC: 120 min",
        "GMT offset (min): 120",
        "UTC offset: +0200",
    ],
)
def test_an_offset_is_read_however_it_is_counted(line: str) -> None:
    assert _starts(line, LOS_ANGELES) == 0


def test_an_offset_of_nothing_is_utc() -> None:
    assert _starts("UTC offset: 0", LOS_ANGELES, zone="UTC") == 0
    assert _starts("GMT offset: -7 h", zoned(), zone="America/Los_Angeles") == 0


@pytest.mark.parametrize(
    "line", ["UTC offset: +120", "Time zone: +120", "UTC offset: 200", "UTC offset: +01:20"]
)
def test_an_offset_that_no_clock_keeps_is_asked_about(line: str) -> None:
    assert _starts(line, LOS_ANGELES) == "zone"


@pytest.mark.parametrize(
    "line", ["Clock drift: +00:02", "Clock offset: +01:00", "Clock correction: -01:00"]
)
def test_how_far_a_clock_is_off_is_no_zone(line: str) -> None:
    assert _starts(line, zoned()) == 0


@pytest.mark.parametrize("config", [zoned(), sited("Europe/Berlin")])
def test_places_beside_an_offset_mean_the_configured_zone(config: Config) -> None:
    assert _starts("Time zone: (UTC+01:00) Amsterdam, Berlin, Bern, Rome", config) == 0


def test_names_of_standard_time_mean_the_configured_zone() -> None:
    line = "Time zone: GMT Standard Time"
    assert _starts(line, zoned("Europe/London"), zone="Europe/London") == 0


@pytest.mark.parametrize(
    "line",
    [
        "Time zone: (UTC+01:00) Amsterdam, Berlin, Bern, Rome",
        "Time zone: (UTC+00:00) Dublin, Edinburgh, Lisbon, London",
        "Time zone: GMT Standard Time",
        "Time zone: GMT Daylight Time",
    ],
)
def test_places_whose_zone_nobody_configured_are_asked_about(line: str) -> None:
    assert _starts(line, LOS_ANGELES) == "zone"
    assert _starts(line, Config()) == "zone"


@pytest.mark.parametrize(
    ("line", "zone"),
    [
        ("Time zone: (UTC) Coordinated Universal Time", "UTC"),
        ("Time zone: GMT (Greenwich Mean Time)", "UTC"),
        ("Time zone: UTC+02:00, no daylight saving", "Europe/Berlin"),
        ("Zeitzone: UTC+02:00 (ohne Sommerzeit)", "Europe/Berlin"),
        ("Time zone: UTC+2h", "Europe/Berlin"),
        ("Time zone: UTC+02:00 fixed", "Europe/Berlin"),
        ("Time zone: UTC+02:00 (CEST)", "Europe/Berlin"),
    ],
)
def test_an_offset_beside_other_words_stays_one(line: str, zone: str) -> None:
    assert _starts(line, LOS_ANGELES, zone=zone) == 0


def test_winter_is_not_asked_about_twice() -> None:
    c = cycle("2024-01-21T08:00:00")
    line = "Time zone: (UTC+01:00) Amsterdam, Berlin, Bern, Rome"
    reading, _ = attempt(lines(iso(c), line, "", HEAD).encode(), "S-12.csv", zoned())
    assert reading is not None
    assert np.array_equal(reading.table().to_pandas()["time"].astype("int64"), c.ms)


def _in_cells(abbreviation: str) -> bytes:
    row = rows_of(
        C, "Etc/UTC", lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S} {abbreviation},{t:.1f},{p:.1f}"
    )
    return lines(row, HEAD).encode()


@pytest.mark.parametrize(
    ("abbreviation", "zone", "offset_h"),
    [("EST", "Australia/Sydney", 10), ("PST", "Asia/Manila", 8)],
)
def test_an_abbreviation_that_the_configured_zone_never_keeps_is_asked_about(
    abbreviation: str, zone: str, offset_h: int
) -> None:
    data = _in_cells(abbreviation)
    config = Config(defaults=Defaults(zone=zone))
    with pytest.raises(ExportRefusedError) as caught:
        read_export(data, name="S-1.csv", config=config)
    assert caught.value.cause == "zone_not_followed"
    (pin,) = parse_config(caught.value.toml).layouts
    assert pin.zone == zone
    local = replace(config, layouts=(pin,))
    first = read_export(data, name="S-1.csv", config=local).table()["time"][0].as_py()
    written = datetime.fromtimestamp(C.ms[0] / 1000, UTC)
    assert first == written - timedelta(hours=offset_h)
    fixed = ABBREVIATIONS[abbreviation][0]
    other = replace(config, layouts=(LayoutPin(zone=f"Etc/GMT{-fixed // 60:+d}"),))
    first = read_export(data, name="S-1.csv", config=other).table()["time"][0].as_py()
    assert first == written - timedelta(minutes=fixed)
    above = lines(iso(), f"Time zone: {abbreviation}", HEAD).encode()
    with pytest.raises(ExportRefusedError):
        read_export(above, name="S-1.csv", config=config)


def test_an_abbreviation_of_the_configured_zone_stands() -> None:
    for zone in ("America/New_York", "America/Chicago"):
        config = Config(defaults=Defaults(zone=zone))
        reading = read_export(_in_cells("EST"), name="S-1.csv", config=config)
        first = reading.table()["time"][0].as_py()
        assert first == datetime.fromtimestamp(C.ms[0] / 1000, UTC) + timedelta(hours=5)
    without = read_export(_in_cells("EST"), name="S-1.csv", config=Config())
    assert without.zone == "in the export"
