"""All units at a glance: small multiples of residuals, and a map of unit by part."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.collections import LineCollection, PolyCollection

from ..shared.parts import PARTS
from . import style
from .density import bin_series, broken
from .document import text_box
from .flow import Row, Words, heading
from .metrics import fit, printable
from .moments import Clock
from .options import ReportOptions
from .quantities import FEATURE_PART, feature_words, fixed
from .views import FleetView

if TYPE_CHECKING:
    from .sheet import Sheet

RECENT = 15
"""Cycles whose median residual stands for the present."""
NOTABLE_Z = 3.0
LARGE_Z = 6.0
"""Residuals from which a cell is bold, and framed (reading aids, not flag limits)."""
WINDOW_DAYS = 90.0
CLIP_Z = 9.0


def recent_z(residuals: pd.DataFrame) -> pd.DataFrame:
    """Return ``unit_id, feature, part, z``: the median residual of the last cycles."""
    known = residuals[residuals["z"].notna()]
    known = known.sort_values("started_at", kind="stable")
    last = known.groupby(["unit_id", "feature"], observed=True, sort=False).tail(RECENT)
    out = last.groupby(["unit_id", "feature"], observed=True)["z"].median().reset_index()
    out["part"] = out["feature"].map(FEATURE_PART).fillna("unknown")
    return out


def _leading(recent: pd.DataFrame) -> pd.DataFrame:
    """Return one row a unit: the feature with the largest recent residual."""
    order = recent.assign(size=recent["z"].abs())
    order = order.sort_values(["unit_id", "size", "feature"], ascending=[True, False, True])
    return order.drop_duplicates("unit_id").drop(columns="size")


def small_multiple_rows(
    view: FleetView,
    worst: dict[str, str],
    units: pd.DataFrame,
    clock: Clock,
    options: ReportOptions,
) -> list[Row]:
    """Return pages of one small panel a unit, so that the odd one shows."""
    active = units[~units["retired"].astype(bool)]
    if active.empty:
        return []
    width, height = text_box(options)
    lead = _leading(recent_z(view.residuals))
    lead = active[["unit_id", "site"]].merge(lead, on="unit_id", how="left")
    columns, tall = _grid(len(lead))
    per_page = columns * int((height - 62.0) // tall)
    window = _window_days(view)
    order_note = "by site"
    if len(lead) > per_page:
        size = lead["z"].abs().fillna(-1.0)
        lead = lead.assign(size=size).sort_values(
            ["size", "unit_id"], ascending=[False, True], kind="stable"
        )
        order_note = "largest residual first"
    series = _series(view, lead)
    note = (
        f"The feature of each unit that stands out most, last {window:.0f} days, {order_note}; "
        "band: usual range, ±3 robust standard deviations."
    )
    rows: list[Row] = []
    for start in range(0, len(lead), per_page):
        part = lead.iloc[start : start + per_page]
        title = "All units" if start == 0 else "All units, continued"
        head = heading(title, width, note=note, bookmark="All units" if start == 0 else "")
        lines = -(-len(part) // columns)
        cells = _cells(part, series, worst, columns, tall, width, window)
        panel = Row(lines * tall, panel=cells)
        rows += [replace(head[0], break_before=start > 0), *head[1:], panel]
    return rows


def _grid(count: int) -> tuple[int, float]:
    """Return columns and cell height [pt] for a number of units."""
    if count <= 8:
        return 2, 120.0
    if count <= 21:
        return 3, 92.0
    if count <= 44:
        return 4, 62.0
    return 6, 52.0


def _window_days(view: FleetView) -> float:
    """Return the days shown: all that there are, 90 at most, in whole weeks."""
    if view.residuals.empty:
        return WINDOW_DAYS
    age = (view.as_of - view.residuals["started_at"].min()) / pd.Timedelta(days=1)
    return min(WINDOW_DAYS, max(7.0, 7.0 * np.ceil(age / 7.0)))


def _series(view: FleetView, lead: pd.DataFrame) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Return unit to (days before as_of, z), binned, of its leading feature."""
    res = view.residuals
    begin = view.as_of - pd.Timedelta(days=WINDOW_DAYS)
    res = res[(res["started_at"] > begin) & res["z"].notna()]
    keys = lead[["unit_id", "feature"]].dropna()
    res = res.merge(keys, on=["unit_id", "feature"], how="inner")
    res = res.sort_values(["unit_id", "started_at"], kind="stable")
    days = ((res["started_at"] - view.as_of) / pd.Timedelta(days=1)).to_numpy(float)
    z = res["z"].to_numpy(float)
    out = {}
    names = res["unit_id"].to_numpy(object)
    edges = np.flatnonzero(names[1:] != names[:-1]) + 1 if len(names) else np.empty(0, int)
    for start, end in zip([0, *edges], [*edges, len(names)], strict=True):
        if end > start:
            bins = bin_series(days[start:end], z[start:end], 45)
            out[str(names[start])] = broken(bins.x, bins.middle, 5.0)
    return out


def _cells(
    part: pd.DataFrame,
    series: dict[str, tuple[np.ndarray, np.ndarray]],
    worst: dict[str, str],
    columns: int,
    tall: float,
    width: float,
    window: float,
):  # type: ignore[no-untyped-def]
    gap = 11.0
    wide = (width - gap * (columns - 1)) / columns
    size = style.SMALL_PT if columns < 6 else style.TINY_PT
    name_h, word_h = size * 1.5, size * 1.35
    box_h = tall - name_h - word_h - 8.0

    def draw(sheet: Sheet, left: float, top: float) -> None:
        lines: list[np.ndarray] = []
        colours: list[str] = []
        widths: list[float] = []
        bands: list[np.ndarray] = []
        zeros: list[np.ndarray] = []
        for index, (unit, feature, z) in enumerate(
            zip(part["unit_id"], part["feature"], part["z"], strict=True)
        ):
            x0 = left + (index % columns) * (wide + gap)
            y0 = top + (index // columns) * tall + name_h
            middle, unit_y = y0 + box_h / 2, box_h / (2 * CLIP_Z)
            odd = not pd.isna(z) and abs(z) >= NOTABLE_Z
            mark = style.SEVERITY_MARKS.get(worst.get(str(unit), ""), "")
            word = worst.get(str(unit), "")
            tag = f"{mark} {word}" if word else ""
            room = wide - (len(tag) * size * 0.62 + 4 if tag else 0)
            sheet.words(
                Words(x0, y0 - 3.0, fit(printable(unit), size, room, bold=odd), size, bold=odd)
            )
            if tag:
                tint = style.SEVERITY_COLOURS[word]
                sheet.words(Words(x0 + wide, y0 - 3.0, tag, size, tint, align="right"))
            half = NOTABLE_Z * unit_y
            bands.append(
                np.array(
                    [
                        (x0, middle - half),
                        (x0 + wide, middle - half),
                        (x0 + wide, middle + half),
                        (x0, middle + half),
                    ]
                )
            )
            zeros.append(np.array([(x0, middle), (x0 + wide, middle)]))
            if pd.isna(feature):
                caption = "no residuals yet"
            else:
                caption = f"{feature_words(str(feature))}  {fixed(float(z), 1)}"
            shown = fit(caption, size, wide)
            sheet.words(Words(x0, y0 + box_h + word_h - 1.5, shown, size, style.MUTED))
            if str(unit) in series:
                days, values = series[str(unit)]
                px = x0 + np.clip((days + window) / window, 0.0, 1.0) * wide
                py = middle - np.clip(values, -CLIP_Z, CLIP_Z) * unit_y
                for stretch in _stretches(px, py):
                    lines.append(stretch)
                    colours.append(style.VERMILION if odd else style.BLUE)
                    widths.append(1.1 if odd else 0.6)
        figure, scale = sheet.figure, np.array([1 / sheet.width, -1 / sheet.height])
        move = np.array([0.0, 1.0])
        to = [b * scale + move for b in bands]
        figure.add_artist(
            PolyCollection(to, facecolors=style.BAND, transform=figure.transFigure, zorder=1),
            clip=False,
        )
        figure.add_artist(
            LineCollection(
                [z * scale + move for z in zeros],
                colors=style.BAND_EDGE,
                linewidths=0.4,
                transform=figure.transFigure,
                zorder=2,
            ),
            clip=False,
        )
        if lines:
            figure.add_artist(
                LineCollection(
                    [s * scale + move for s in lines],
                    colors=colours,
                    linewidths=widths,
                    transform=figure.transFigure,
                    zorder=3,
                ),
                clip=False,
            )

    return draw


def _stretches(x: np.ndarray, y: np.ndarray) -> list[np.ndarray]:
    """Split a line at NaN into arrays of points; a lone point becomes a dash."""
    out = []
    good = np.isfinite(x) & np.isfinite(y)
    edges = np.flatnonzero(np.diff(good.astype(int))) + 1
    for piece in np.split(np.arange(len(x)), edges):
        if len(piece) and good[piece[0]]:
            points = np.column_stack([x[piece], y[piece]])
            if len(points) == 1:
                points = np.vstack([points - [0.8, 0], points + [0.8, 0]])
            out.append(points)
    return out


def heat_map_rows(
    view: FleetView, worst: dict[str, str], units: pd.DataFrame, options: ReportOptions
) -> list[Row]:
    """Return pages of the map: unit by part, the largest recent residual in each cell."""
    recent = recent_z(view.residuals)
    active = units[~units["retired"].astype(bool)]
    if recent.empty or active.empty:
        return []
    width, height = text_box(options)
    recent = recent.assign(size=recent["z"].abs())
    top = recent.sort_values(["size", "feature"], ascending=[False, True], kind="stable")
    top = top.drop_duplicates(["unit_id", "part"])
    grid = top.pivot(index="unit_id", columns="part", values="z")
    parts = [p for p in PARTS if p in grid.columns]
    grid = grid.reindex(index=list(active["unit_id"]), columns=parts)
    line = 13.0
    per_page = int((height - 96.0) // line)
    if len(grid) > per_page:
        order = grid.abs().max(axis=1).fillna(-1.0)
        grid = grid.loc[order.sort_values(ascending=False, kind="stable").index]
    note = (
        "Largest median residual of the last 15 cycles among a part's features, in robust "
        "standard deviations from the unit's own usual level. + orange above usual, − blue "
        "below; bold from 3, framed from 6; a dot: under 1; a dash: nothing measured."
    )
    rows: list[Row] = []
    for start in range(0, len(grid), per_page):
        part = grid.iloc[start : start + per_page]
        title = "Residuals by part" if start == 0 else "Residuals by part, continued"
        head = heading(title, width, note=note, bookmark="Residuals by part" * (start == 0))
        panel = Row(40.0 + len(part) * line, panel=_map(part, worst, width, line))
        first = replace(head[0], break_before=start > 0)
        rows += [first, *head[1:], panel]
    return rows


def _map(grid: pd.DataFrame, worst: dict[str, str], width: float, line: float):  # type: ignore[no-untyped-def]
    names_w = 118.0
    wide = (width - names_w) / max(1, len(grid.columns))
    size = style.SMALL_PT

    def draw(sheet: Sheet, left: float, top: float) -> None:
        for j, part in enumerate(grid.columns):
            words = _short(str(part)).split(" ", 1)
            for k, word in enumerate(words):
                x = left + names_w + (j + 0.5) * wide
                y = top + 32.0 - (len(words) - 1 - k) * size * 1.25
                sheet.words(Words(x, y, word, size, style.MUTED, align="center"))
        values = grid.to_numpy(float)
        boxes: list[np.ndarray] = []
        fills: list[tuple[float, float, float]] = []
        framed: list[np.ndarray] = []
        for i, unit in enumerate(grid.index):
            y = top + 38.0 + i * line
            mark = style.SEVERITY_MARKS.get(worst.get(str(unit), ""), "")
            sheet.words(Words(left, y + line * 0.7, mark, size, style.INK))
            name = fit(printable(unit), size, names_w - 18.0)
            sheet.words(Words(left + 10.0, y + line * 0.7, name, size))
            for j in range(values.shape[1]):
                z = values[i, j]
                x = left + names_w + j * wide
                text = _cell_text(float(z))
                bold = bool(abs(z) >= NOTABLE_Z)
                colour = style.FAINT if not bold else style.INK
                sheet.words(
                    Words(x + wide / 2, y + line * 0.7, text, size, colour, bold, "center")
                )
                if abs(z) >= 1.5:
                    box = np.array(
                        [
                            (x + 1, y + 0.7),
                            (x + wide - 1, y + 0.7),
                            (x + wide - 1, y + line - 0.7),
                            (x + 1, y + line - 0.7),
                        ]
                    )
                    boxes.append(box)
                    fills.append(_tint(z))
                    if abs(z) >= LARGE_Z:
                        framed.append(box)
        scale, move = np.array([1 / sheet.width, -1 / sheet.height]), np.array([0.0, 1.0])
        figure = sheet.figure
        if boxes:
            figure.add_artist(
                PolyCollection(
                    [b * scale + move for b in boxes],
                    facecolors=fills,
                    transform=figure.transFigure,
                    zorder=1,
                ),
                clip=False,
            )
        if framed:
            figure.add_artist(
                PolyCollection(
                    [b * scale + move for b in framed],
                    facecolors="none",
                    edgecolors=style.INK,
                    linewidths=0.9,
                    transform=figure.transFigure,
                    zorder=2,
                ),
                clip=False,
            )

    return draw


def _cell_text(z: float) -> str:
    if np.isnan(z):
        return "–"
    return "·" if abs(z) < 1.0 else f"{z:+.1f}".replace("-", "−")


def _short(part: str) -> str:
    words = {"temperature_sensor": "temperature sensor", "unknown": "other"}
    return words.get(part, part.replace("_", " "))


def _tint(z: float) -> tuple[float, float, float]:
    """Return a light fill: orange above the usual level, blue below, stronger when larger."""
    strength = min(1.0, abs(z) / 8.0)
    ends = ((0.97, 0.72, 0.35), (0.45, 0.70, 0.90))
    red, green, blue = ends[0] if z > 0 else ends[1]
    return (1 - strength * (1 - red), 1 - strength * (1 - green), 1 - strength * (1 - blue))
