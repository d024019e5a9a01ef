"""Clocks: zones, both daylight-saving changes, steps, order, doubles.

The zone rules are those of the IANA database that Python ships; the truth is the
UTC times that the rows were written from.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from chamberdrift.pipeline.ingest import Reading, read_export
from chamberdrift.shared.config import Config, Defaults, LayoutPin
from chamberdrift.shared.config_file import parse_config
from chamberdrift.shared.errors import ExportRefusedError

from .shapes import HEAD
from .truth import Cycle, attempt, cycle, lines, rows_of, zoned

BERLIN = "Europe/Berlin"


def rows(c: Cycle, zone: str) -> list[str]:
    return rows_of(c, zone, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{t},{p}")


def read(texts: list[str], config: Config | None = None) -> Reading:
    return read_export(lines(texts, HEAD).encode(), name="S-12.csv", config=config or zoned())


def times(reading: Reading) -> np.ndarray:
    return np.asarray(reading.table().to_pandas()["time"].astype("int64"))


@pytest.mark.parametrize(
    ("start", "count", "step_s", "zone"),
    [
        ("2024-10-26T23:30:00", 1080, 10, BERLIN),
        ("2024-10-26T23:30:00", 250, 10, BERLIN),
        ("2024-10-27T01:10:00", 600, 10, BERLIN),
        ("2024-10-27T00:40:00", 240, 10, BERLIN),
        ("2024-10-26T20:00:00", 600, 60, BERLIN),
        ("2024-10-26T20:00:00", 200, 300, BERLIN),
        ("2024-03-31T00:00:00", 1080, 10, BERLIN),
        ("2024-11-03T04:00:00", 1800, 10, "America/New_York"),
        ("2024-03-10T05:00:00", 1800, 10, "America/New_York"),
        ("2024-04-06T13:00:00", 1080, 10, "Australia/Lord_Howe"),
        ("2024-04-06T13:00:00", 360, 10, "Asia/Kathmandu"),
    ],
)
@pytest.mark.parametrize("newest_first", [False, True])
def test_changes_of_the_clock_are_undone(
    start: str, count: int, step_s: int, zone: str, newest_first: bool
) -> None:
    c = cycle(start, count, step_s)
    texts = rows(c, zone)
    reading = read(texts[::-1] if newest_first else texts, zoned(zone))
    assert np.array_equal(times(reading), c.ms)
    assert reading.dropped_by_reason == {}


@pytest.mark.parametrize("start", ["2024-10-27T01:10:00", "2024-10-27T00:10:00"])
def test_rows_within_the_repeated_hour_alone_are_asked_about(start: str) -> None:
    with pytest.raises(ExportRefusedError) as caught:
        read(rows(cycle(start, 200), BERLIN))
    assert caught.value.cause == "ambiguous_hour"


@pytest.mark.parametrize(
    ("start", "count", "hours"),
    [
        ("2024-10-26T22:30:00", 1800, "+1"),
        ("2024-10-26T22:30:00", 1800, "+2"),
        ("2024-03-31T00:00:00", 1080, "+1"),
    ],
)
def test_a_clock_that_does_not_follow_its_zone_is_noticed(
    start: str, count: int, hours: str
) -> None:
    with pytest.raises(ExportRefusedError) as caught:
        read(rows(cycle(start, count), hours))
    assert caught.value.cause == "zone_not_followed"


def test_a_clock_set_back_does_not_mix_two_records() -> None:
    c = cycle()
    texts = [
        f"{w - timedelta(minutes=5 if k > 200 else 0):%Y-%m-%d %H:%M:%S},{t},{p}"
        for k, (w, t, p) in enumerate(zip(c.local(BERLIN), c.t, c.p, strict=True))
    ]
    reading = read(texts)
    assert reading.rows_read == 360
    assert reading.rows_kept == 330
    assert sum(reading.dropped_by_reason.values()) == 30
    assert set(reading.dropped_by_reason) <= {"clock_set_back", "duplicate"}
    assert any(e.decision == "clock" for e in reading.evidence)


@pytest.mark.parametrize("seed", [1, 2])
def test_shuffled_rows_are_sorted(seed: int) -> None:
    c = cycle()
    order = np.random.default_rng(seed).permutation(len(c.ms))
    texts = rows(c, BERLIN)
    reading = read([texts[k] for k in order])
    assert np.array_equal(times(reading), c.ms)
    frame = reading.table().to_pandas()
    np.testing.assert_allclose(frame["temperature_c"], c.t)
    assert reading.line_map is not None
    for sample in (0, 100, 359):
        _, first, last = reading.line_map.lines_of(sample)
        assert first <= 2 + int(np.flatnonzero(order == sample)[0]) <= last


def test_a_late_block_fills_its_hole() -> None:
    c = cycle()
    texts = rows(c, BERLIN)
    reading = read(texts[:100] + texts[150:] + texts[100:150])
    assert np.array_equal(times(reading), c.ms)


def test_doubles_are_counted_by_kind() -> None:
    c = cycle()
    texts = rows(c, BERLIN)
    other = texts[99].split(",")[0] + ",99.9,101.3"
    reading = read([*texts[:100], other, texts[99], *texts[100:]])
    assert reading.dropped_by_reason == {"duplicate": 1, "duplicate_time": 1}
    np.testing.assert_allclose(reading.table().to_pandas()["temperature_c"], c.t)


def test_the_same_moment_in_two_zones() -> None:
    c = cycle()
    one = read(rows(c, "America/New_York"), zoned("America/New_York"))
    two = read(rows(c, "Asia/Tokyo"), zoned("Asia/Tokyo"))
    assert np.array_equal(times(one), times(two))


def test_rows_with_and_without_an_offset_are_not_mixed() -> None:
    texts = [
        r.replace(",", "+02:00,", 1) if k % 2 else r for k, r in enumerate(rows(cycle(), BERLIN))
    ]
    with pytest.raises(ExportRefusedError) as caught:
        read(texts)
    assert caught.value.cause == "spoilt"


def test_the_export_says_when_it_was_made() -> None:
    head = ("Exported: 2024-05-22 07:30:00", HEAD)
    reading = read_export(
        lines(rows(cycle(), BERLIN), *head).encode(), name="S-12.csv", config=zoned()
    )
    assert reading.created_at is not None
    assert reading.created_at.isoformat() == "2024-05-22T05:30:00+00:00"


@pytest.mark.parametrize("start", ["2024-10-26T23:30:00", "2024-03-31T00:00:00"])
@pytest.mark.parametrize("counted", ["seconds", "hours", "rows"])
def test_counts_go_on_through_a_change_of_the_clock(start: str, counted: str) -> None:
    """A count knows no summer time: its start lies in the zone, its rows in seconds after it."""
    c = cycle(start, 1080, 10)
    begin = f"Start: {next(iter(c.local(BERLIN))):%Y-%m-%d %H:%M:%S}"
    if counted == "rows":
        preamble, head = [begin, "Interval: 10 s"], "No.,Temperature [°C],Pressure abs [kPa]"
        marks = [str(k) for k in range(1, 1081)]
    elif counted == "seconds":
        preamble, head = [begin], "Elapsed [s],Temperature [°C],Pressure abs [kPa]"
        marks = [str(10 * k) for k in range(1080)]
    else:
        preamble, head = [begin], "Elapsed [h:mm:ss],Temperature [°C],Pressure abs [kPa]"
        marks = [f"{k // 360}:{k // 6 % 60:02}:{10 * k % 60:02}" for k in range(1080)]
    texts = [f"{m},{t},{p}" for m, t, p in zip(marks, c.t, c.p, strict=True)]
    data = "\n".join([*preamble, "", head, *texts, ""]).encode()
    reading = read_export(data, name="S-12.csv", config=zoned(BERLIN))
    assert np.array_equal(times(reading), c.ms)
    assert reading.dropped_by_reason == {}


@pytest.mark.parametrize(
    ("day", "learnt"), [("2025-04-04", None), ("2025-04-14", False), ("2025-12-12", None)]
)
def test_a_day_equal_to_its_month_teaches_no_order(day: str, learnt: bool | None) -> None:
    """04/04/2025 reads alike either way; 04/14/2025 can only be the month first."""
    c = cycle(f"{day}T12:00:00", 200, 10)
    texts = rows_of(c, BERLIN, lambda w, t, p, q: f"{w:%m/%d/%Y %H:%M:%S},{t},{p}")
    reading = read(texts)
    assert np.array_equal(times(reading), c.ms)
    assert [k.day_first for k in reading.learned.values()] == [learnt]


@pytest.mark.parametrize("pinned", [False, True])
def test_a_date_beside_elapsed_times_gives_no_clock(pinned: bool) -> None:
    c = cycle()
    texts = [
        f"2024-05-21;{k // 360:02d}:{k // 6 % 60:02d}:{k % 6}0;{t:.1f}" for k, t in enumerate(c.t)
    ]
    config = zoned(BERLIN)
    if pinned:
        pin = LayoutPin("*", columns=(("Date", "date"), ("Elapsed", "elapsed")))
        config = replace(config, layouts=(pin,))
    table = lines(texts, "Date;Elapsed;Temperature (°C)")
    reading, refused = attempt(table.encode(), "S-12.csv", config)
    assert reading is None
    assert refused is not None
    assert refused.cause == "start_time"
    told, _ = attempt(f"Start: 2024-05-21 10:00:00\n{table}".encode(), "S-12.csv", config)
    assert told is not None
    assert np.array_equal(times(told), c.ms)


@pytest.mark.parametrize(
    ("said", "mark", "step_s"),
    [
        ("10 s", ",", 10),
        ("10,000 s", ",", 10),
        ("0,5 s", ",", 0.5),
        ("10.000 s", ".", 10),
        ("00:00:10", ".", 10),
        ("00:00:10 h", ",", 10),
        ("00:00:00.5", ".", 0.5),
        ("10,000 s", ".", None),
        ("10.000 s", ",", None),
        ("about 10", ".", None),
    ],
)
def test_an_interval_has_one_meaning_or_is_asked_about(
    said: str, mark: str, step_s: float | None
) -> None:
    c = cycle()
    texts = [f"{k + 1};{t:.1f}".replace(".", mark) for k, t in enumerate(c.t)]
    table = lines(texts, "Start: 2024-05-21 10:00:00", f"Interval: {said}", "", "No;Temp (°C)")
    reading, refused = attempt(table.encode(), "S-12.csv", zoned(BERLIN))
    if step_s is None:
        assert refused is not None
        assert refused.cause == "start_time"
        return
    assert reading is not None
    assert np.array_equal(times(reading), c.ms[0] + np.arange(len(c.t)) * int(step_s * 1000))


@pytest.mark.parametrize(
    ("said", "known"),
    [
        ("Time: 10:00:00", True),
        ("Uhrzeit: 10:00:00", True),
        ("Time of day: 10:00:00", True),
        ("Time (local): 10:00:00", True),
        ("Start time: 10:00:00", True),
        ("Sterilization time: 00:20:00", False),
        ("Cycle time: 00:52:10", False),
        ("Total time: 1:02:03", False),
        ("Temps de plateau: 00:20:00", False),
        ("Print time: 14:00:00", False),
        ("Drying start: 10:40:00", False),
        ("Exposure start: 10:12:30", False),
    ],
)
def test_how_long_something_took_is_no_start(said: str, known: bool) -> None:
    c = cycle()
    texts = [f"{k * 10},{t:.1f}" for k, t in enumerate(c.t)]
    table = lines(texts, "Date: 2024-05-21", said, "", "Elapsed (s),Temperature (°C)")
    reading, refused = attempt(table.encode(), "S-12.csv", zoned(BERLIN))
    if not known:
        assert refused is not None
        assert refused.cause == "start_time"
        return
    assert reading is not None
    assert np.array_equal(times(reading), c.ms)


@pytest.mark.parametrize(("unit", "step"), [("min", 10), ("h", 1)])
def test_sixtieths_behind_a_point_are_no_decimals(unit: str, step: int) -> None:
    c = cycle()
    head = f"Elapsed ({unit}),Temperature (°C)"
    start = "Start: 2024-05-21 10:00:00"
    counts = np.arange(len(c.t)) * step
    as_sixtieths = [f"{n // 60}.{n % 60:02d},{t:.1f}" for n, t in zip(counts, c.t, strict=True)]
    _, refused = attempt(lines(as_sixtieths, start, head).encode(), "S-12.csv", zoned(BERLIN))
    assert refused is not None
    assert refused.cause == "clock_format"
    decimals = [f"{n / 60:.2f},{t:.1f}" for n, t in zip(counts, c.t, strict=True)]
    reading, _ = attempt(lines(decimals, start, head).encode(), "S-12.csv", zoned(BERLIN))
    assert reading is not None


@pytest.mark.parametrize(("today", "read"), [("2026-10-20", False), ("2027-03-01", True)])
def test_a_setting_that_puts_samples_into_the_future_is_asked_about(
    today: str, read: bool
) -> None:
    """02/12 is the second of December, or, in October, was the twelfth of February."""
    written = [f"02/12/2026 07:{k:02d}:28,21.{k}" for k in range(9)]
    data = lines(written, "Time,Temperature (°C)").encode()
    config = Config(defaults=Defaults(zone="Etc/UTC", day_first=True))
    days = int(np.datetime64(today, "D").astype(int))
    if read:
        reading = read_export(data, name="S-1/1.csv", config=config, today_days=days)
        assert reading.unit_ids == ("S-1",)
        return
    with pytest.raises(ExportRefusedError) as caught:
        read_export(data, name="S-1/1.csv", config=config, today_days=days)
    assert caught.value.cause == "dates"
    assert "future" in str(caught.value)
    pinned = parse_config(caught.value.toml).layouts[0]
    assert (pinned.match, pinned.day_first) == ("S-1/*.csv", False)


def test_days_of_one_month_are_no_days_of_several_years() -> None:
    """12.01.26, 14.01.26, 15.01.26: as year first each day would lie a year after the last."""
    written = [f"{d}.01.26 07:{m:02d}:40;21,{m}" for d in (12, 14, 15) for m in range(9)]
    data = lines(written, "Aika;Lämpötila (°C)").encode()
    reading = read_export(data, name="S-1/1.csv", config=Config(defaults=Defaults(zone="Etc/UTC")))
    first = reading.table().to_pandas()["time"].min()
    assert str(first).startswith("2026-01-12 07:00:40")
    assert reading.learned["S-1"].day_first is True
