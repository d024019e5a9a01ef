"""Unit marks with what the pressure counts from, as abbreviated in other languages."""

from __future__ import annotations

import pytest
from chamberdrift.pipeline.ingest.units_found import read_mark


@pytest.mark.parametrize(
    ("text", "unit", "reference"),
    [
        ("bar ass.", "bar", "absolute"),
        ("bar rel.", "bar", "vented_gauge"),
        ("[bar abs.]", "bar", "absolute"),
        ("кгс/см2 изб.", "kgf/cm2", "vented_gauge"),
        ("kPa مطلق", "kPa", "absolute"),
        ("kPa", "kPa", ""),
    ],
)
def test_marks_state_what_pressure_counts_from(text: str, unit: str, reference: str) -> None:
    mark = read_mark(text)
    assert mark is not None
    assert (mark.unit, mark.reference) == (unit, reference)
