"""Two programs of one temperature, of which nobody told: the page asks."""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from chamberdrift.reports import show_text, unit_report
from chamberdrift.reports.other_holds import other_holds_sentence
from chamberdrift.reports.views import UnitView
from pypdf import PdfReader

NAME = "Otter Creek 2"


def with_holds(builder: Any, holds_s: list[float], source: str = "history") -> UnitView:
    """Return a unit that usually holds 121 °C for 30 min, its last cycles with given holds."""
    view: UnitView = builder.unit_view(NAME, cycles=60)
    exposure = np.full(60, 1800.0)
    exposure[60 - len(holds_s) :] = holds_s
    return replace(view, cycles=view.cycles.assign(exposure_s=exposure, program_source=source))


def test_a_hold_that_comes_again_and_again_is_asked_about(builder: Any) -> None:
    view = with_holds(builder, [1200.0, 1204.0, 1198.0, 1202.0, 1200.0, 1201.0])
    said = "6 exposures of 20 min at 121 °C in 90 days, where 30 min are usual: if that is a"
    assert other_holds_sentence(view).startswith(said)
    assert 'programs = ["gravity-121x30", "gravity-121x20"]' in other_holds_sentence(view)
    assert said in " ".join(show_text(view).split())
    target = io.BytesIO()
    unit_report(view, target)
    assert said in " ".join(PdfReader(target).pages[0].extract_text().split())


@pytest.mark.parametrize(
    ("holds_s", "source"),
    [
        ([1200.0] * 4, "history"),  # too few
        ([1180.0, 1190.0, 1200.0, 1212.0, 1190.0, 1213.0], "history"),  # no timer ends so
        ([300.0] * 8, "history"),  # shorter than any published time at 121 °C
        ([1200.0] * 8, "configuration"),  # the programs are told
        ([1750.0] * 8, "history"),  # the usual one, a little short
    ],
)
def test_what_is_no_program_is_not_asked_about(
    builder: Any, holds_s: list[float], source: str
) -> None:
    assert other_holds_sentence(with_holds(builder, holds_s, source)) == ""
