"""Content that means harm or makes no sense: refused with a cause, in bounded time and memory."""

from __future__ import annotations

import gzip
import io
import tracemalloc
import zipfile
import zlib
from pathlib import Path

import pytest
from chamberdrift.pipeline.ingest import containers, read_export
from chamberdrift.shared.errors import ExportRefusedError

from .shapes import HEAD, C, iso
from .truth import attempt, lines, zoned

TEXT = lines(iso(), HEAD).encode()
CONFIG = zoned()


def refused(data: bytes, name: str = "S-12.csv") -> ExportRefusedError:
    with pytest.raises(ExportRefusedError) as caught:
        read_export(data, name=name, config=CONFIG)
    return caught.value


def zipped(*members: tuple[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members:
            archive.writestr(name, data)
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "cause"),
    [
        (b"", "empty"),
        (b"\n\n\n", "not_an_export"),
        (b"%PDF-1.7\n" + TEXT, "not_a_table"),
        (b"\x89PNG\r\n\x1a\n" + TEXT, "not_a_table"),
        (b"PAR1" + TEXT, "not_a_table"),
        (b"\xd0\xcf\x11\xe0" + TEXT, "not_a_table"),
        (bytes(range(256)) * 40, "not_a_table"),
        (b"\x00" * 100_000, "not_a_table"),
        (b"hello world\n" * 500, "not_an_export"),
        (gzip.compress(TEXT, mtime=0)[:-40], "damaged_archive"),
        (gzip.compress(b"", mtime=0), "empty"),
        (gzip.compress(gzip.compress(TEXT), mtime=0), "nested_archive"),
        (zipped(("a.zip", zipped(("b.csv", TEXT)))), "nested_archive"),
        (zipped(("a.csv.gz", gzip.compress(TEXT, mtime=0))), "nested_archive"),
        (zipped(("[Content_Types].xml", b"<x/>"), ("xl/sheet.xml", b"<y/>")), "spreadsheet"),
        (zipped(), "empty"),
        (zipped(("a.csv", TEXT))[:-30], "damaged_archive"),
        (b"PK\x03\x04" + TEXT, "damaged_archive"),
        (zipped(("a.csv", b"a note\n"), ("b.csv", b"not a table\n")), "not_an_export"),
    ],
)
def test_what_is_no_export_is_refused(data: bytes, cause: str) -> None:
    assert refused(data).cause == cause


def test_a_compressed_bomb_stops_early() -> None:
    packed = zlib.compressobj(9, zlib.DEFLATED, 31)
    bomb = b"".join(packed.compress(b"\0" * (1 << 20)) for _ in range(200)) + packed.flush()
    tracemalloc.start()
    error = refused(bomb, "S-12.csv.gz")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert error.cause == "archive_too_large"
    assert peak < 64 * 2**20


def test_too_many_members_are_refused() -> None:
    data = zipped(*((f"{k}.csv", b"x") for k in range(containers.MAX_MEMBERS + 1)))
    assert refused(data, "S-12.zip").cause == "archive_too_large"


@pytest.mark.parametrize("line", [b"1,", b"x", b'"', b"1,2024-05-21 10:00:00;", b"  a"])
def test_one_endless_line_is_refused(line: bytes) -> None:
    error = refused(line * (4_000_000 // len(line)))
    assert error.cause in {"line_too_long", "no_table"}


@pytest.mark.slow
def test_a_line_of_a_hundred_megabytes_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "S-12.csv"
    path.write_bytes(TEXT + b"9," * 50_000_000)
    reading, error = attempt(path, "S-12.csv", CONFIG)
    if reading is not None:
        with pytest.raises(ExportRefusedError) as caught:
            list(reading.tables)
        error = caught.value
    assert error is not None
    assert error.cause in {"line_too_long", "spoilt", "no_table"}


def test_a_tail_of_zeros_costs_no_row() -> None:
    reading = read_export(TEXT + b"\0" * 4096, name="S-12.csv", config=CONFIG)
    assert reading.rows_kept == len(C.ms)
    assert reading.rows_dropped == 1


@pytest.mark.parametrize(
    "unit", ["../../x", "CON", "=cmd|'/c calc'!A1", "a/b", "ä" * 32, "-1+2", "'"]
)
def test_odd_unit_ids_are_kept_as_they_are(unit: str) -> None:
    rows = [f"{unit};" + r.replace(",", ";") for r in iso()]
    data = lines(rows, "Unit;" + HEAD.replace(",", ";")).encode()
    assert read_export(data, name="all.csv", config=CONFIG).unit_ids == (unit,)


@pytest.mark.parametrize("unit", ["", "x" * 65, "ä" * 33, "a\x07b", "\x1b[31mred"])
def test_ids_that_can_be_none_are_refused(unit: str) -> None:
    rows = [f"{unit};" + r.replace(",", ";") for r in iso()]
    data = lines(rows, "Unit;" + HEAD.replace(",", ";")).encode()
    assert refused(data, "all.csv").cause in {"unit_id", "not_a_table"}


@pytest.mark.parametrize(
    "name",
    [
        "../../etc/S-12.csv",
        "a\nb/S-12.csv",
        "$(rm -rf)/S-12.csv",
        "..\\S-12.csv",
        "\x1b[2J/S-12.csv",
    ],
)
def test_names_do_not_reach_messages_raw(name: str) -> None:
    assert read_export(TEXT, name=name, config=CONFIG).unit_ids == ("S-12",)
    error = refused(b"nothing\n" * 9, name)
    assert error.message.isprintable()


def test_a_formula_is_no_number() -> None:
    rows = [
        r if k % 30 else r.split(",")[0] + ',=1+2,"=HYPERLINK(1)"' for k, r in enumerate(iso())
    ]
    reading = read_export(lines(rows, HEAD).encode(), name="S-12.csv", config=CONFIG)
    assert reading.dropped_by_reason == {"sensor_error": 12}


def test_a_missing_file_is_a_message(tmp_path: Path) -> None:
    with pytest.raises(ExportRefusedError) as caught:
        read_export(tmp_path / "gone.csv", name="gone.csv", config=CONFIG)
    assert caught.value.cause == "unreadable"


def test_good_files_of_an_archive_are_read_beside_bad_ones() -> None:
    """What no setting could mend is left out, and said so."""
    bad = (b"not a table\n", b"", b"%PDF-1.7 x", (HEAD + "\n").encode())
    for content in bad:
        data = zipped(("S-12_a.csv", TEXT), ("S-12_b.csv", content))
        reading = read_export(data, name="S-12.zip", config=CONFIG)
        assert reading.rows_kept == len(C.t)
        assert reading.rows_read == reading.rows_kept + reading.rows_dropped
        assert len(reading.notices) == 1
        assert "S-12_b.csv" in reading.notices[0]


def test_a_damaged_file_of_an_archive_leaves_the_others() -> None:
    data = bytearray(zipped(("S-12_a.csv", TEXT), ("S-12_b.csv", TEXT[:3000])))
    at = data.rindex(b"PK\x03\x04") + 60
    data[at : at + 40] = bytes(40)
    reading = read_export(bytes(data), name="S-12.zip", config=CONFIG)
    assert reading.rows_kept == len(C.t)
    assert "unpacking stopped" in reading.notices[0]


def test_a_question_about_one_file_of_an_archive_is_asked() -> None:
    """Its answer would mend it: nothing of the archive is taken until it is there."""
    unsaid = lines([r.rsplit(",", 1)[0] + ",50" for r in iso()], HEAD.replace(" abs", ""))
    data = zipped(("S-12_a.csv", TEXT), ("S-12_b.csv", unsaid.encode()))
    assert refused(data, "S-12.zip").cause == "pressure_reference"


def test_a_file_of_one_row_in_an_archive_is_read() -> None:
    one = lines(iso()[-1:], HEAD).encode()
    rest = lines(iso()[:-1], HEAD).encode()
    reading = read_export(
        zipped(("S-12_a.csv", rest), ("S-12_b.csv", one)), name="S-12.zip", config=CONFIG
    )
    assert reading.rows_kept == len(C.t)
    assert reading.notices == ()


def test_a_refusal_tells_what_was_decided_before_it() -> None:
    error = refused(
        lines([r.rsplit(",", 1)[0] + ",50" for r in iso()], HEAD.replace(" abs", "")).encode()
    )
    told = {decision for decision, _, _ in error.evidence}
    assert {"encoding", "delimiter", "header", "time", "zone", "temperature_c"} <= told


@pytest.mark.parametrize("sentinel", ["-999", "-999.9"])
def test_a_gauges_sentinel_is_no_vacuum(sentinel: str) -> None:
    gauge = [f"{(p - 101.325) * 10:.0f}" for p in C.p]
    gauge[200:210] = [sentinel] * 10
    rows = [
        f"{w:%Y-%m-%d %H:%M:%S},{t},{g}"
        for w, t, g in zip(C.local("Europe/Berlin"), C.t, gauge, strict=True)
    ]
    head = "Time,Temperature (°C),Pressure (mbar gauge)"
    reading, _ = attempt(lines(rows, head).encode(), "S-12.csv", zoned())
    assert reading is not None
    assert reading.cells_blanked == {"pressure_kpa: sentinel": 10}
    pump = [0.0, -300.0, -600.0, -800.0, -930.0, -990.0, -999.0, -999.0, -980.0, -900.0, -500.0]
    rows[50:61] = [
        f"{r.rpartition(',')[0]},{v:.0f}" for r, v in zip(rows[50:61], pump, strict=True)
    ]
    reading, _ = attempt(lines(rows, head).encode(), "S-12.csv", zoned())
    assert reading is not None
    assert reading.cells_blanked == {"pressure_kpa: sentinel": 10}
