"""Rows whose ends differ, and cells with line breaks: every row counted, every line known."""

from __future__ import annotations

import io
import zipfile

import numpy as np
import pytest

from .shapes_common import BERLIN, HEAD, C, iso
from .truth import attempt, cycle, lines, zoned


@pytest.mark.parametrize("names", ["", "\tNote", "\tF", "\tNote\tF"])
def test_rows_that_differ_in_trailing_tabs_are_read_or_refused_never_a_column_off(
    names: str,
) -> None:
    # Blanks part these rows more evenly than their tabs do.
    texts = [r.replace(",", "\t") + ("\t" if k % 3 else "\t\t") for k, r in enumerate(iso())]
    head = HEAD.replace(",", "\t") + names
    reading, refused = attempt(lines(texts, head).encode(), "S-12.csv", zoned())
    if names.count("\t") > 1:
        assert refused is not None
        assert refused.cause == "columns_mismatch"
        return
    assert reading is not None, refused
    frame = reading.table().to_pandas()
    assert np.array_equal(frame["time"].astype("int64"), C.ms)
    np.testing.assert_allclose(frame["temperature_c"], C.t, atol=0.051)
    np.testing.assert_allclose(frame["pressure_kpa"], C.p, atol=0.051)
    assert (reading.rows_read, reading.dropped_by_reason) == (len(C.ms), {})


def _noted(notes: dict[int, str]) -> list[str]:
    """Rows with a note each, empty but for those given; the first shows that notes are quoted."""
    return [f"{r},{notes.get(k, '')}" for k, r in enumerate(iso())]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_line_break_in_a_cell_moves_no_line_number(end: str) -> None:
    texts = _noted({3: '"start"', 100: '"door\nopened, by hand\nat night"', 300: '"5"" pipe"'})
    texts[200:200] = ["", "a note of its own"]
    data = lines(texts, "logger 1", "", HEAD + ",Note", end=end)
    reading, _ = attempt(data.encode(), "S-12.csv", zoned())
    assert reading is not None
    assert reading.dropped_by_reason == {"not_a_sample": 1}
    assert reading.rows_kept == len(C.ms)
    assert reading.line_map is not None
    written = data.replace("\r\n", "\n").split("\n")
    for row, moment in enumerate(C.local(BERLIN)):
        _, first, last = reading.line_map.lines_of(row)
        assert first == last
        assert written[first - 1].startswith(f"{moment:%Y-%m-%d %H:%M:%S}")


@pytest.mark.parametrize(
    ("notes", "lost"),
    [
        ({3: '"start"', 100: '"door open', 110: '"closed"'}, 10),
        ({3: '"start"', 340: '"door open'}, 19),
        ({3: '"start"', 100: '5" pipe'}, 0),
    ],
)
def test_rows_behind_a_quote_that_nobody_closed_are_counted(
    notes: dict[int, str], lost: int
) -> None:
    data = lines(_noted(notes), HEAD + ",Note").encode()
    reading, _ = attempt(data, "S-12.csv", zoned())
    assert reading is not None
    assert reading.rows_read == len(C.ms)
    assert reading.dropped_by_reason == ({"wrong_column_count": lost} if lost else {})
    assert reading.line_map is not None
    _, line, _ = reading.line_map.lines_of(101)
    assert line == 103 + (lost if 100 in notes else 0)


def _with_air(air: dict[int, str]) -> bytes:
    texts = [
        f"{w:%Y-%m-%d %H:%M:%S};{t};{p - 96.0:.1f};{air.get(k, '')}"
        for k, (w, t, p) in enumerate(zip(C.local(BERLIN), C.t, C.p, strict=True))
    ]
    return lines(texts, "Time;Temp °C;Pressure kPa gauge;Barometer kPa").encode()


def test_a_barometer_read_now_and_then_holds_and_what_lies_before_it_is_counted() -> None:
    every_minute = dict.fromkeys(range(0, len(C.ms), 6), "96.0")
    reading, _ = attempt(_with_air(every_minute), "S-12.csv", zoned())
    assert reading is not None
    assert reading.cells_blanked == {}
    pressure = reading.table().to_pandas()["pressure_kpa"]
    np.testing.assert_allclose(pressure, C.p, atol=0.06)
    late, _ = attempt(_with_air({12: "96.0", 20: "-999"}), "S-12.csv", zoned())
    assert late is not None
    assert late.cells_blanked == {"pressure_kpa: no_atmosphere": 12}
    assert late.table().column("pressure_kpa").null_count == 12
    assert "pressure_kpa: no_atmosphere 12" in {e.value for e in late.evidence}


@pytest.mark.parametrize(
    "said", ["96,000 kPa", "0,960 bar", "960,000 hPa", "96.000 kPa", "960 hPa", "720,060 mmHg"]
)
def test_a_stated_barometer_is_read_with_either_mark(said: str) -> None:
    texts = [
        f"{w:%Y-%m-%d %H:%M:%S};{t};{p - 96.0:.1f}"
        for w, t, p in zip(C.local(BERLIN), C.t, C.p, strict=True)
    ]
    data = lines(texts, f"Barometer: {said}", "", "Time;Temp °C;Pressure kPa gauge").encode()
    reading, _ = attempt(data, "S-12.csv", zoned())
    assert reading is not None
    frame = reading.table().to_pandas()
    assert not frame["atmosphere_assumed"].any()
    np.testing.assert_allclose(frame["pressure_kpa"], C.p, atol=0.06)


def test_newest_first_leads_back_to_its_line() -> None:
    c = cycle(rows=2400, step_s=5)
    reading, _ = attempt(lines(iso(c)[::-1], "logger 1", HEAD).encode(), "S-12.csv", zoned())
    assert reading is not None
    assert reading.line_map is not None
    for sample in (0, 1, 1200, 2399):
        assert reading.line_map.lines_of(sample)[1:] == (2402 - sample, 2402 - sample)


def test_a_sample_of_an_archive_leads_back_to_its_file() -> None:
    c = cycle(rows=400)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("b.csv", lines(iso(c)[:150], HEAD))
        archive.writestr("a.csv", lines(iso(c)[150:], "logger 1", HEAD))
    reading, _ = attempt(packed.getvalue(), "S-12.zip", zoned())
    assert reading is not None
    assert reading.line_map is not None
    assert reading.line_map.lines_of(149) == ("S-12.zip/b.csv", 151, 151)
    assert reading.line_map.lines_of(150) == ("S-12.zip/a.csv", 3, 3)
    assert reading.line_map.lines_of(399) == ("S-12.zip/a.csv", 252, 252)


def test_empty_last_cells_between_tabs_stay_when_ends_are_evened_out() -> None:
    texts = [r.replace(",", "\t") + ("\t\t" if k % 20 else "\t\t\t") for k, r in enumerate(iso())]
    when, warm, _ = iso()[100].split(",")
    texts[100] = f"{when}\t{warm}\t\t\t\t"
    head = "\t".join([*HEAD.split(","), "Alarm", "Note"])
    reading, _ = attempt(lines(texts, head).encode(), "S-12.csv", zoned())
    assert reading is not None
    assert reading.dropped_by_reason == {}
    assert reading.table().column("pressure_kpa").null_count == 1


def _long(reference: str) -> list[str]:
    return [
        text
        for k, (w, t, p) in enumerate(zip(C.local(BERLIN), C.t, C.p, strict=True))
        for text in (
            f"{w:%Y-%m-%d %H:%M:%S},Temperature,{t},°C",
            f"{w:%Y-%m-%d %H:%M:%S},Pressure,{p},kPa {reference if k > 350 else 'abs'}",
        )
    ]


def test_a_sample_of_two_readings_leads_back_to_both_lines() -> None:
    data = lines(_long("abs"), "Time,Channel,Value,Unit").encode()
    reading, _ = attempt(data, "S-12.csv", zoned())
    assert reading is not None
    assert reading.line_map is not None
    for sample in (0, 100, 359):
        assert reading.line_map.lines_of(sample)[1:] == (2 + 2 * sample, 3 + 2 * sample)


@pytest.mark.parametrize("shape", ["cells", "beside", "long"])
def test_a_reference_that_changes_within_a_column_is_asked_about(shape: str) -> None:
    mark = {"cells": " ", "beside": ","}.get(shape, "")
    rows = [f"{r}{mark}kPa {'gauge' if k > 350 else 'abs'}" for k, r in enumerate(iso())]
    head = "Time,Temperature (°C),Pressure" + (",Unit" if shape == "beside" else "")
    if shape == "long":
        rows, head = _long("gauge"), "Time,Channel,Value,Unit"
    _, refused = attempt(lines(rows, head).encode(), "S-12.csv", zoned())
    assert refused is not None
    assert refused.cause == "units_differ"
