"""The map of unit by part: where residuals are large, in numbers, frames and colour."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.collections import PolyCollection
from matplotlib.lines import Line2D

from ..shared.parts import PARTS
from . import style
from .document import text_box
from .flow import Row, Words, heading
from .metrics import fit, printable
from .options import ReportOptions
from .recent import LARGE_Z, NOTABLE_Z, by_part, recent_z
from .states import in_fleet
from .views import FleetView

if TYPE_CHECKING:
    from .sheet import Sheet

LINE_PT = 13.0
QUIET_Z = 1.0
TINTED_Z = 1.5
"""Residual from which a cell is tinted."""
MOST_UNITS = 1200
NAMES_PT = 118.0
HEAD_PT = 38.0
NOTE = (
    "Largest median residual of the last 15 cycles among a part's features, in robust standard "
    "deviations from the unit's own usual level. + and orange: above usual; − and blue: below; "
    "bold from 3, framed from 6; a dot: under 1; a dash: nothing measured."
)


def heat_map_rows(
    view: FleetView, worst: dict[str, str], units: pd.DataFrame, options: ReportOptions
) -> list[Row]:
    """Return pages of the map.

    Parameters
    ----------
    view
        The fleet.
    worst
        Unit to its gravest open severity.
    units
        Table of ``known_units``.
    options
        The paper.
    """
    recent = recent_z(view.residuals)
    active = in_fleet(units)
    if recent.empty or active.empty:
        return []
    width, height = text_box(options)
    grid = by_part(recent)
    parts = [p for p in PARTS if p in grid.columns]
    grid = grid.reindex(index=list(active["unit_id"]), columns=parts)
    per_page = int((height - 30.0 - HEAD_PT - 34.0) // LINE_PT)
    note = NOTE
    if len(grid) > per_page:
        order = grid.abs().max(axis=1).fillna(-1.0)
        order = order.sort_values(ascending=False, kind="stable")
        told = order[(order >= TINTED_Z) | order.index.isin(list(worst))].index
        told = order.index[:per_page] if len(told) < per_page else told[:MOST_UNITS]
        note += f" Largest first; {len(grid) - len(told)} quieter units are left out."
        grid = grid.loc[told]
    rows: list[Row] = []
    for start in range(0, len(grid), per_page):
        part = grid.iloc[start : start + per_page]
        title = "Residuals by part" if start == 0 else "Residuals by part, continued"
        head = heading(title, width, note=note, bookmark="Residuals by part" if not start else "")
        panel = Row(HEAD_PT + 2.0 + len(part) * LINE_PT, panel=_panel(part, worst, width))
        rows += [replace(head[0], break_before=start > 0), *head[1:], panel]
    return rows


def _panel(
    grid: pd.DataFrame, worst: dict[str, str], width: float
) -> Callable[[Sheet, float, float], None]:
    wide = (width - NAMES_PT) / max(1, len(grid.columns))
    values = grid.to_numpy(np.float64)
    size = style.SMALL_PT

    def draw(sheet: Sheet, left: float, top: float) -> None:
        for j, part in enumerate(grid.columns):
            words = _short(str(part)).split(" ", 1)
            for k, word in enumerate(words):
                x = left + NAMES_PT + (j + 0.5) * wide
                y = top + HEAD_PT - 6.0 - (len(words) - 1 - k) * size * 1.25
                sheet.words(Words(x, y, word, size, style.MUTED, align="center"))
        for i, unit in enumerate(grid.index):
            y = top + HEAD_PT + i * LINE_PT + LINE_PT * 0.7
            mark = style.SEVERITY_MARKS.get(worst.get(str(unit), ""), "")
            sheet.words(Words(left, y, mark, size))
            name = fit(printable(unit), size, NAMES_PT - 18.0)
            sheet.words(Words(left + 10.0, y, name, size))
            for j in range(values.shape[1]):
                z = float(values[i, j])
                if not abs(z) >= QUIET_Z:
                    continue
                bold = abs(z) >= NOTABLE_Z
                colour = style.INK if bold else style.FAINT
                x = left + NAMES_PT + (j + 0.5) * wide
                sheet.words(Words(x, y, _cell_text(z), size, colour, bold, "center"))
        _boxes(sheet, values, left + NAMES_PT, top + HEAD_PT, wide)
        _quiet(sheet, values, left + NAMES_PT, top + HEAD_PT, wide)

    return draw


def _quiet(sheet: Sheet, values: np.ndarray, left: float, top: float, wide: float) -> None:
    """Put a dot into cells that are near their usual level, and a dash where nothing is known."""
    for which, mark, size in ((np.abs(values) < QUIET_Z, ".", 2.0), (np.isnan(values), "_", 3.5)):
        rows, columns = np.nonzero(which)
        middle = np.column_stack([left + (columns + 0.5) * wide, top + (rows + 0.5) * LINE_PT])
        at = sheet.place(middle)
        marks = Line2D(
            at[:, 0],
            at[:, 1],
            linestyle="none",
            marker=mark,
            markersize=size,
            color=style.FAINT,
            transform=sheet.figure.transFigure,
            zorder=1.5,
        )
        sheet.figure.add_artist(marks, clip=False)


def _boxes(sheet: Sheet, values: np.ndarray, left: float, top: float, wide: float) -> None:
    """Fill cells from 1.5, and frame the large ones."""
    boxes, fills, framed = [], [], []
    for i, j in np.argwhere(np.abs(values) >= TINTED_Z):
        x, y = left + j * wide, top + i * LINE_PT
        x0, x1, y0, y1 = x + 1.0, x + wide - 1.0, y + 0.7, y + LINE_PT - 0.7
        box = sheet.place(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]))
        boxes.append(box)
        fills.append(_tint(float(values[i, j])))
        if abs(values[i, j]) >= LARGE_Z:
            framed.append(box)
    figure = sheet.figure
    if boxes:
        filled = PolyCollection(boxes, facecolors=fills, transform=figure.transFigure, zorder=1)
        figure.add_artist(filled, clip=False)
    if framed:
        frames = PolyCollection(
            framed,
            facecolors="none",
            edgecolors=style.INK,
            linewidths=0.9,
            transform=figure.transFigure,
            zorder=2,
        )
        figure.add_artist(frames, clip=False)


def _cell_text(z: float) -> str:
    if abs(z) >= 99.5:
        return ">99" if z > 0 else "<−99"
    return f"{z:+.1f}".replace("-", "−")


def _short(part: str) -> str:
    words = {"temperature_sensor": "temperature sensor", "unknown": "other"}
    return words.get(part, part.replace("_", " "))


def _tint(z: float) -> tuple[float, float, float]:
    """Return a light fill: orange above the usual level, blue below, stronger when larger."""
    strength = min(1.0, abs(z) / 8.0)
    red, green, blue = (0.97, 0.72, 0.35) if z > 0 else (0.45, 0.70, 0.90)
    return (1 - strength * (1 - red), 1 - strength * (1 - green), 1 - strength * (1 - blue))
