"""Any nullable column may be null: pages are still drawn, with their layout intact."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from chamberdrift.reports import ReportOptions, cycle_view, show_text, summary_text
from chamberdrift.reports.document import figures
from chamberdrift.reports.fleet import fleet_document
from chamberdrift.reports.record import cycle_document
from chamberdrift.reports.unit import unit_document
from chamberdrift.shared.schema import (
    CYCLES,
    FLAGS,
    INTAKE,
    JUDGEMENTS,
    RESIDUALS,
    SERVICE,
    TRACES,
    Table,
)

NAME = "Otter Creek 2"


def holes(table: Table, frame: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the frame with random nulls: some columns empty, others with holes."""
    out = frame.copy()
    for column in table.columns:
        if column.required or column.name not in out.columns:
            continue
        share = rng.choice([0.0, 0.3, 1.0], p=[0.5, 0.25, 0.25])
        out[column.name] = out[column.name].mask(rng.random(len(out)) < share)
    return out


def draw(document: Any) -> int:
    return sum(1 for figure in figures(document) if figure.get_children())


@pytest.mark.parametrize("seed", range(1, 13))
def test_unit_report_and_cycle_sheet_with_holes(builder: Any, seed: int) -> None:
    rng = np.random.default_rng(seed)
    view = builder.unit_view(
        NAME,
        cycles=25,
        drift=1.0,
        flags=[builder.flag(NAME), builder.flag(NAME, "heater", "watch")],
        service=[builder.service_row(NAME, 4.0, "door_seal", "replaced")],
    )
    judged = holes(JUDGEMENTS, view.cycles, rng)
    source = view.trace
    view = replace(
        view,
        cycles=holes(CYCLES, judged, rng),
        flags=holes(FLAGS, view.flags, rng),
        residuals=holes(RESIDUALS, view.residuals, rng),
        service=holes(SERVICE, view.service, rng),
        intake=holes(INTAKE, view.intake, rng),
        trace=lambda cycle_id: holes(TRACES, source(cycle_id), np.random.default_rng(seed)),
    )
    assert draw(unit_document(view, ReportOptions())) >= 1
    sheet = cycle_view(view, str(view.cycles["cycle_id"].iloc[-1]))
    assert draw(cycle_document(sheet, ReportOptions())) == 1
    assert NAME in show_text(view)


@pytest.mark.parametrize("seed", range(1, 7))
def test_fleet_report_with_holes(builder: Any, seed: int) -> None:
    rng = np.random.default_rng(seed)
    view = builder.fleet_view(7, cycles=6)
    view = replace(
        view,
        cycles=holes(CYCLES, holes(JUDGEMENTS, view.cycles, rng), rng),
        flags=holes(FLAGS, view.flags, rng),
        residuals=holes(RESIDUALS, view.residuals, rng),
        service=holes(SERVICE, view.service, rng),
        intake=holes(INTAKE, view.intake, rng),
    )
    assert draw(fleet_document(view, ReportOptions())) >= 1
    assert "units as of" in summary_text(view)
