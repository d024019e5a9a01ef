"""Exports read in pieces give what they give when read whole."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from chamberdrift.pipeline.ingest import Reading, containers, stream
from chamberdrift.pipeline.ingest.raw import Raw
from chamberdrift.pipeline.ingest.roles import Roles, TimePlan
from chamberdrift.shared.errors import ExportRefusedError

from .shapes import all_shapes
from .truth import Shape, attempt

NOT_IN_PIECES = {
    "seven days on end settle the order": "day_month",
    # These need the whole table at once and are refused when they are too large for memory.
    "elapsed as h:mm:ss": "too_large",
    "clock only, date above": "too_large",
    "clock only, across midnight": "too_large",
    "clock only, start above": "too_large",
    "numbered rows with start and interval": "too_large",
    "several cycles in blocks": "start_time",
    "whole lines in quotes": "no_table",
    "formula quotes": "time_column",
    "zone below the table": "zone",
    "unit below the table": "unit_id",
    "blocks with their own day": "too_large",
    "blocks with the start in cells": "start_time",
    "minutes and seconds, said so": "too_large",
    "folders in an archive name the unit": "archive_too_large",
    "long table, channel after channel": "channels",
    "zip of two and a note": "archive_too_large",
    "long preamble": "no_table",
    # Other scripts and guards around cells are turned into plain text in memory only.
    "Arabic digits": "no_table",
    "Arabic header and digits": "no_table",
    "Persian digits": "no_table",
    "full-width digits": "no_table",
    "full-width brackets and units": "pressure_unit",
    "a minus sign that is no hyphen": "channels",
    "guarded cells in some rows": "no_table",
    "a quote before each cell": "no_table",
    # What stands below all rows is met when the first of them are stored already.
    "units and zone below the rows": "pressure_unit",
    "Fahrenheit and psi below the rows": "pressure_unit",
}
SHAPES = [s for s in all_shapes() if not s.cause]


@pytest.fixture(params=[6000, 9001])
def pieces(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> int:
    """Make pieces small, of sizes that part rows and characters anywhere."""
    monkeypatch.setattr(containers, "IN_MEMORY", 0)
    monkeypatch.setattr(stream, "PIECE", request.param)
    return int(request.param)


@pytest.mark.parametrize("shape", SHAPES, ids=[s.name for s in SHAPES])
def test_a_shape_in_pieces(shape: Shape, pieces: int, tmp_path: Path) -> None:
    path = tmp_path / "export"
    path.write_bytes(shape.data)
    reading, error = attempt(path, shape.file, shape.config)
    tables: list[pa.Table] = []
    if reading is not None:
        assert not reading.complete
        error = consume(reading, tables)
    if error is not None:
        assert error.cause == NOT_IN_PIECES.get(shape.name), error.message
        return
    assert reading is not None
    check_whole(reading, tables, shape)


REFUSED = [s for s in all_shapes() if s.cause]


@pytest.mark.parametrize("shape", REFUSED, ids=[s.name for s in REFUSED])
def test_what_is_refused_whole_is_refused_in_pieces(
    shape: Shape, pieces: int, tmp_path: Path
) -> None:
    path = tmp_path / "export"
    path.write_bytes(shape.data)
    reading, error = attempt(path, shape.file, shape.config)
    if reading is not None:
        error = consume(reading, [])
    assert error is not None
    # What needs the whole table at once is refused as too large before it is asked about.
    assert error.cause in {shape.cause, "too_large"}, error.message


def consume(reading: Reading, tables: list[pa.Table]) -> ExportRefusedError | None:
    """Take all tables; return the refusal that may come on the way."""
    try:
        tables.extend(reading.tables)
    except ExportRefusedError as error:
        return error
    return None


def check_whole(reading: Reading, tables: list[pa.Table], shape: Shape) -> None:
    """Compare what came in pieces with the truth."""
    assert reading.complete
    assert reading.rows_read == reading.rows_kept + reading.rows_dropped
    assert reading.samples == sum(len(t) for t in tables)
    assert reading.unit_ids == tuple(shape.unit.split(","))
    frame = pa.concat_tables(tables).to_pandas()
    frame = frame[frame["unit_id"] == reading.unit_ids[0]]
    # Readings of one moment that a long table parts between two pieces come as two rows.
    frame = frame.groupby("time").first().reset_index()
    assert shape.truth is not None
    assert np.array_equal(frame["time"].astype("int64").to_numpy(), shape.truth.ms)
    np.testing.assert_allclose(
        frame["temperature_c"].astype(float), shape.truth.t, atol=shape.tolerance_k
    )
    if shape.pressure:
        np.testing.assert_allclose(
            frame["pressure_kpa"].astype(float), shape.truth.p, atol=shape.tolerance_kpa
        )
    assert reading.line_map is not None
    _, first, last = reading.line_map.lines_of(reading.samples - 1)
    assert 1 <= first <= last


@pytest.mark.slow
def test_a_large_export_stays_below_one_gibibyte(tmp_path: Path) -> None:
    """Two gigabytes in a process of its own; its peak is what the system says."""
    import subprocess
    import sys

    path = tmp_path / "S-12.csv"
    block = 500_000
    with path.open("w") as out:
        out.write("Time,Temp (°C),Pressure (kPa abs)\n")
        for k in range(116):
            start = np.datetime64("2020-01-01T00:00:00") + np.timedelta64(k * block, "s")
            stamps = np.datetime_as_string(start + np.arange(block).astype("timedelta64[s]"))
            out.write("\n".join(f"{s},21.5,101.3" for s in stamps) + "\n")
    code = (
        "import resource, sys\n"
        "from chamberdrift.pipeline.ingest import read_export\n"
        "from chamberdrift.shared.config import Config, Defaults\n"
        "c = Config(defaults=Defaults(zone='Etc/UTC'))\n"
        "r = read_export(sys.argv[1], name='S-12.csv', config=c)\n"
        "n = sum(len(t) for t in r.tables)\n"
        "print(n, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    rows, peak_mib = (int(x) for x in done.stdout.split())
    assert rows == 116 * block
    assert peak_mib < 1024


def test_a_count_that_starts_again_is_seen_in_a_column_with_words() -> None:
    roles = Roles(TimePlan("elapsed", (0,)), ())
    for texts in (["0.5", "1.5", "door", "0.5"], ["0,5", "1,5", "door", "0,5"]):
        with pytest.raises(ExportRefusedError, match="starts again"):
            stream._goes_on(Raw({0: pa.array(texts)}, np.arange(4)), roles, -1.0, "a.csv", 3)
