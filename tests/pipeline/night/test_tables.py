"""Tables as they leave the program."""

from __future__ import annotations

import csv
import io
import json

import pandas as pd
import pyarrow.parquet as pq
import pytest
from chamberdrift.pipeline.tables import (
    CYCLES_JUDGED,
    FORMULA_STARTS,
    SHOWN,
    describe,
    select,
    to_csv,
    to_json,
    to_parquet,
)
from chamberdrift.shared.schema import FLAGS, SERVICE


def service(**columns: object) -> pd.DataFrame:
    row = {
        "service_id": "s-1",
        "unit_id": "A",
        "time": pd.Timestamp("2026-05-01T10:00Z"),
        "part": "heater",
        "action": "checked",
        "undone": False,
    }
    return SERVICE.conform(pd.DataFrame([row | columns]))


@pytest.mark.parametrize("start", FORMULA_STARTS)
def test_no_text_cell_begins_a_formula(start: str) -> None:
    """The characters are those of OWASP's page on CSV injection."""
    text = to_csv(service(note=start + "1+1"))
    row = next(csv.DictReader(io.StringIO(text, newline="")))
    assert row["note"] == "'" + start.replace("\r", "\n") + "1+1"


def test_a_negative_number_stays_a_number() -> None:
    frame = pd.DataFrame({"slope": [-1.5, float("nan")], "n": pd.array([-3, None], "Int64")})
    assert to_csv(frame) == "slope,n\n-1.5,-3\n,\n"


def test_times_and_flags_are_written_plainly() -> None:
    row = next(csv.DictReader(io.StringIO(to_csv(service()))))
    assert row["time"] == "2026-05-01T10:00:00Z"
    assert row["undone"] == "false"
    assert row["note"] == ""
    fine = service(time=pd.Timestamp("2026-05-01T10:00:00.250Z"))
    assert "2026-05-01T10:00:00.250Z" in to_csv(fine)


def test_json_has_null_for_what_is_missing() -> None:
    frame = FLAGS.conform(
        pd.DataFrame(
            [
                {
                    "flag_id": "f",
                    "unit_id": "=A",
                    "part": "heater",
                    "severity": "watch",
                    "first_seen": pd.Timestamp("2026-05-01T10:00Z"),
                    "days_to_limit": float("nan"),
                    "slope_per_day": float("inf"),
                }
            ]
        )
    )
    row = json.loads(to_json(frame))[0]
    assert row["unit_id"] == "=A"
    assert row["closed_at"] is None
    assert row["days_to_limit"] is None
    assert row["slope_per_day"] is None
    assert row["first_seen"] == "2026-05-01T10:00:00Z"
    assert json.loads(to_json(FLAGS.empty())) == []


def test_parquet_carries_units_and_meanings() -> None:
    table = pq.read_table(io.BytesIO(to_parquet(service(), SERVICE)))
    assert table.schema.field("time").metadata[b"unit"] == b"UTC"
    assert table.num_rows == 1


def test_rows_are_selected_by_unit_and_moment() -> None:
    frame = pd.concat([service(), service(unit_id="B", time=pd.Timestamp("2026-06-01T00:00Z"))])
    assert list(select(frame, "service", units=["A"])["unit_id"]) == ["A"]
    later = select(frame, "service", since=pd.Timestamp("2026-05-15T00:00Z"))
    assert list(later["unit_id"]) == ["B"]
    intake = pd.DataFrame(
        {
            "unit_ids": ["A, B", "C", None],
            "export": ["x.csv", "y.csv", "a_2026.csv"],
            "outcome": ["accepted", "accepted", "duplicate"],
        }
    )
    assert len(select(intake, "intake", units=["B"])) == 1


@pytest.mark.parametrize("width", [60, 80, 120])
def test_the_dictionary_is_aligned_and_wrapped(width: int) -> None:
    for table in SHOWN.values():
        text = describe(table, width)
        lines = text.splitlines()
        assert max(len(line) for line in lines) <= width
        for column in table.columns:
            assert any(line.startswith(column.name + " ") for line in lines)


def test_the_cycles_table_is_joined_with_its_judgements() -> None:
    names = CYCLES_JUDGED.names
    assert names.count("unit_id") == 1
    assert {"verdict", "verdict_reason", "anomaly_p", "model_version"} <= set(names)
