"""A measured trace from another domain: read right, and not taken for sterilizer cycles.

Source and licence: tests/data/README.md.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from chamberdrift.features import extract
from chamberdrift.pipeline.ingest import read_export
from chamberdrift.shared.config import Config, LayoutPin, Unit
from chamberdrift.shared.errors import ExportRefusedError

FILE = Path(__file__).parents[1] / "data" / "solar-array" / "array-1_2017-05-09.csv"

PIN = LayoutPin(
    match="array-1*",
    zone="UTC",
    temperature_unit="K",
    columns=(
        ("te_out", "temperature_c"),
        ("te_in", "temperature2_c"),
        ("te_amb", "ambient_c"),
    ),
)


def stored() -> pd.DataFrame:
    """Return the pinned reading as it would be stored."""
    reading = read_export(FILE, name=FILE.name, config=Config(layouts=(PIN,)))
    frame: pd.DataFrame = pa.concat_tables(list(reading.tables)).to_pandas()
    return frame


def test_without_a_pin_it_is_refused_with_the_columns_named() -> None:
    with pytest.raises(ExportRefusedError) as refused:
        list(read_export(FILE, name=FILE.name, config=Config()).tables)
    assert "te_out" in str(refused.value)


def test_with_a_pin_every_value_is_stored_in_celsius_at_its_time() -> None:
    raw = pd.read_csv(FILE, sep=";")
    frame = stored()
    assert len(frame) == len(raw)
    assert set(frame["unit_id"]) == {"array-1"}
    wanted = pd.to_datetime(raw["timestamps_UTC"], utc=True)
    assert (frame["time"].to_numpy() == wanted.to_numpy()).all()
    for column, channel in PIN.columns:
        error = np.abs(frame[channel].to_numpy() - (raw[column].to_numpy() - 273.15))
        assert error.max() < 1e-6
    assert frame["pressure_kpa"].isna().all()


def test_hot_liquid_is_no_complete_sterilization() -> None:
    cycles = extract(stored(), Unit("array-1")).cycles
    complete = (cycles["kind"] == "sterilization") & (cycles["completion"] == "complete")
    assert not complete.any()
