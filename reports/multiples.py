"""All units at a glance: one small panel a unit, so that the odd one shows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from matplotlib.collections import LineCollection, PolyCollection
from numpy.typing import NDArray

from . import style
from .density import bin_series, broken
from .document import text_box
from .flow import Row, Words, heading
from .metrics import fit, printable, text_width_pt
from .options import ReportOptions
from .quantities import FEATURE_PART, fixed, residual_words
from .recent import NOTABLE_Z, leading, recent_z
from .rewrite import in_units
from .states import in_fleet, part_short
from .views import FleetView

if TYPE_CHECKING:
    from .sheet import Sheet

FloatArray = NDArray[np.float64]
Series = dict[str, tuple[FloatArray, FloatArray]]

WINDOW_DAYS = 90.0
CLIP_Z = 9.0
BINS = 45
MOST_UNITS = 1200
"""Units shown; what is beyond is nearer to its usual level than all that are shown."""
GAP_PT = 11.0
ROOMY_PT = 140.0
"""Width of a panel from which a word beside its name may be several."""


@dataclass(frozen=True)
class Grid:
    """How panels stand on a page [pt]."""

    columns: int
    tall: float
    wide: float
    text: float

    @property
    def box(self) -> float:
        """Height of a panel's drawing."""
        return self.tall - 2.9 * self.text - 8.0


def small_multiple_rows(
    view: FleetView, worst: dict[str, str], units: pd.DataFrame, options: ReportOptions
) -> list[Row]:
    """Return pages of one small panel a unit.

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
    active = in_fleet(units)
    if active.empty:
        return []
    width, height = text_box(options)
    recent = recent_z(view.residuals)
    opened = view.flags[view.flags["closed_at"].isna()]
    lead = leading(recent, opened)
    lead = active[["unit_id", "site"]].merge(lead, on="unit_id", how="left")
    grid = _grid(len(lead), width)
    per_page = grid.columns * int((height - 62.0) // grid.tall)
    order_note = "by site"
    if len(lead) > per_page:
        lead = lead.assign(size=lead["z"].abs().fillna(-1.0))
        lead = lead.sort_values(["size", "unit_id"], ascending=[False, True], kind="stable")
        order_note = "largest residual first"
        if len(lead) > MOST_UNITS:
            order_note += f", {MOST_UNITS} of {len(lead)} units"
            lead = lead.head(MOST_UNITS)
    window = _window_days(view)
    shorter = _calm_days(view, worst, window)
    series = _series(view, lead)
    note = (
        f"The feature that carries the unit's flag, else stands out most; last {window:.0f} days, "
        f"{order_note}. Band: usual range, ±3 robust standard deviations (SD); thick line: "
        "flagged, or outside the band without a flag; a triangle: beyond the panel's edge."
        + (f" Units without a flag: the last {shorter:.0f} days." if shorter < window else "")
    )
    rows: list[Row] = []
    for start in range(0, len(lead), per_page):
        part = lead.iloc[start : start + per_page]
        title = "All units" if start == 0 else "All units, continued"
        head = heading(title, width, note=note, bookmark="All units" if start == 0 else "")
        lines = -(-len(part) // grid.columns)
        panel = Row(lines * grid.tall, panel=_panel(part, series, worst, grid, window, options))
        rows += [replace(head[0], break_before=start > 0), *head[1:], panel]
    return rows


def _grid(count: int, width: float) -> Grid:
    choices = ((8, 2, 120.0), (21, 3, 92.0), (44, 4, 62.0))
    columns, tall = next(((c, t) for most, c, t in choices if count <= most), (6, 52.0))
    text = style.TINY_PT if columns == 6 else style.SMALL_PT
    return Grid(columns, tall, (width - GAP_PT * (columns - 1)) / columns, text)


def _window_days(view: FleetView) -> float:
    """Return the days shown: all that there are, 90 at most, in whole weeks."""
    if view.residuals.empty:
        return WINDOW_DAYS
    age = float((view.as_of - view.residuals["started_at"].min()) / pd.Timedelta(days=1))
    return float(min(WINDOW_DAYS, max(7.0, 7.0 * np.ceil(age / 7.0))))


def _calm_days(view: FleetView, worst: dict[str, str], window: float) -> float:
    """Return the days that units without a flag are known for, where those are fewer."""
    flagged = view.residuals["unit_id"].isin(list(worst))
    if not flagged.any() or flagged.all():
        return window
    first = view.residuals.loc[~flagged, "started_at"].min()
    days = float((view.as_of - first) / pd.Timedelta(days=1))
    return float(np.ceil(days)) if days < 0.5 * window else window


def _series(view: FleetView, lead: pd.DataFrame) -> Series:
    """Return unit to (days before as_of, z), binned, of its leading feature."""
    res = view.residuals
    begin = view.as_of - pd.Timedelta(days=WINDOW_DAYS)
    res = res[(res["started_at"] > begin) & res["z"].notna()]
    keys = lead[["unit_id", "feature"]].dropna()
    res = res.merge(keys, on=["unit_id", "feature"], how="inner")
    res = res.sort_values(["unit_id", "started_at"], kind="stable")
    if res.empty:
        return {}
    days = np.asarray((res["started_at"] - view.as_of).dt.total_seconds() / 86400.0, np.float64)
    z = np.asarray(res["z"], np.float64)
    names = res["unit_id"].to_numpy(object)
    edges = [int(e) for e in np.flatnonzero(names[1:] != names[:-1]) + 1]
    out: Series = {}
    for start, end in zip([0, *edges], [*edges, len(names)], strict=True):
        bins = bin_series(days[start:end], z[start:end], BINS)
        out[str(names[start])] = broken(bins.x, bins.middle, 5.0)
    return out


def _panel(
    part: pd.DataFrame,
    series: Series,
    worst: dict[str, str],
    grid: Grid,
    window: float,
    options: ReportOptions,
) -> Callable[[Sheet, float, float], None]:
    rows = list(zip(part["unit_id"], part["feature"], part["z"], strict=True))

    def draw(sheet: Sheet, left: float, top: float) -> None:
        shapes = _Shapes()
        for index, (unit, feature, z) in enumerate(rows):
            x = left + (index % grid.columns) * (grid.wide + GAP_PT)
            y = top + (index // grid.columns) * grid.tall + 1.5 * grid.text
            odd = not pd.isna(z) and abs(z) >= NOTABLE_Z
            word = worst.get(str(unit), "")
            _labels(sheet, str(unit), feature, z, word, odd, grid, options, x, y)
            shapes.add(series.get(str(unit)), _colour(word, odd), grid, window, x, y)
        shapes.draw(sheet)

    return draw


def _labels(
    sheet: Sheet,
    unit: str,
    feature: object,
    z: float,
    word: str,
    odd: bool,
    grid: Grid,
    options: ReportOptions,
    x: float,
    y: float,
) -> None:
    size = grid.text
    tag = f"{style.SEVERITY_MARKS[word]} {word}" if word else ""
    if odd and not word:
        tag = "no flag" if grid.wide < ROOMY_PT else "outside its band, no flag"
    room = grid.wide - (text_width_pt(tag, size) + 5.0 if tag else 0.0)
    name = fit(printable(unit), size, room, bold=odd)
    sheet.words(Words(x, y - 3.0, name, size, bold=odd))
    if tag:
        colour = style.SEVERITY_COLOURS.get(word, style.INK)
        sheet.words(Words(x + grid.wide, y - 3.0, tag, size, colour, align="right"))
    caption = "no residuals yet"
    if isinstance(feature, str):
        number = f"{fixed(float(z), 1)} SD"
        number = number if number[0] in "−0" else f"+{number}"
        room = grid.wide - text_width_pt(f"  {number}", size)
        words = in_units(residual_words(feature), options)
        short = part_short(FEATURE_PART.get(feature, "unknown"))
        choices = (words, words.partition(",")[0], words.partition(" (")[0], short)
        words = next((w for w in choices if text_width_pt(w, size) <= room), short)
        caption = f"{fit(words, size, room)}  {number}"
    below = y + grid.box + 1.35 * size - 1.5
    sheet.words(Words(x, below, caption, size, style.MUTED))


def _colour(word: str, odd: bool) -> str:
    """Return a line's colour; each that differs from the usual one has a word beside the name."""
    return style.SEVERITY_COLOURS.get(word, style.INK if odd else style.FAINT)


class _Shapes:
    """Bands and lines of many panels, set in three goes."""

    def __init__(self) -> None:
        self.bands: list[FloatArray] = []
        self.zeros: list[FloatArray] = []
        self.lines: list[FloatArray] = []
        self.colours: list[str] = []
        self.beyond: list[tuple[FloatArray, str]] = []

    def add(
        self,
        line: tuple[FloatArray, FloatArray] | None,
        colour: str,
        grid: Grid,
        window: float,
        x: float,
        y: float,
    ) -> None:
        """Add one panel with its top left corner at (x, y)."""
        middle, per_z = y + grid.box / 2.0, grid.box / (2.0 * CLIP_Z)
        low, high, right = middle + 3.0 * per_z, middle - 3.0 * per_z, x + grid.wide
        self.bands.append(np.array([(x, low), (right, low), (right, high), (x, high)]))
        self.zeros.append(np.array([(x, middle), (right, middle)]))
        if line is None:
            return
        share = np.clip((line[0] + window) / window, 0.0, 1.0)
        px = np.asarray(x + share * grid.wide)
        py = np.asarray(middle - np.clip(line[1], -CLIP_Z, CLIP_Z) * per_z)
        for stretch in _stretches(px, py):
            self.lines.append(stretch)
            self.colours.append(colour)
        for side in (1.0, -1.0):
            far = np.flatnonzero(side * line[1] > CLIP_Z)
            if len(far):
                at = (px[far[-1]], middle - side * (CLIP_Z * per_z - 2.4))
                self.beyond.append((_triangle(*at, -side), colour))

    def draw(self, sheet: Sheet) -> None:
        """Put everything on the sheet."""
        figure = sheet.figure
        bands = PolyCollection(
            [sheet.place(b) for b in self.bands],
            facecolors=style.BAND,
            transform=figure.transFigure,
            zorder=1,
        )
        zeros = LineCollection(
            [sheet.place(z) for z in self.zeros],
            colors=style.BAND_EDGE,
            linewidths=0.4,
            transform=figure.transFigure,
            zorder=2,
        )
        figure.add_artist(bands, clip=False)
        figure.add_artist(zeros, clip=False)
        if self.lines:
            lines = LineCollection(
                [sheet.place(s) for s in self.lines],
                colors=self.colours,
                linewidths=[0.7 if c == style.FAINT else 1.2 for c in self.colours],
                transform=figure.transFigure,
                zorder=3,
            )
            figure.add_artist(lines, clip=False)
        if self.beyond:
            marks = PolyCollection(
                [sheet.place(p) for p, _ in self.beyond],
                facecolors=[c for _, c in self.beyond],
                transform=figure.transFigure,
                zorder=4,
            )
            figure.add_artist(marks, clip=False)


def _triangle(x: float, y: float, down: float) -> FloatArray:
    """Return a small triangle whose base is at y; it points down for 1 and up for -1."""
    return np.array([(x - 2.6, y - 2.0 * down), (x + 2.6, y - 2.0 * down), (x, y + 2.4 * down)])


def _stretches(x: FloatArray, y: FloatArray) -> list[FloatArray]:
    """Split a line at NaN into arrays of points; a lone point becomes a dash."""
    out: list[FloatArray] = []
    good = np.isfinite(x) & np.isfinite(y)
    edges = np.flatnonzero(np.diff(good.astype(int))) + 1
    for piece in np.split(np.arange(len(x)), edges):
        if len(piece) == 0 or not good[piece[0]]:
            continue
        points = np.column_stack([x[piece], y[piece]])
        if len(points) == 1:
            points = points + np.array([[-0.8, 0.0], [0.8, 0.0]])
        out.append(points)
    return out
