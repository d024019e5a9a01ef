"""A small plot: a box on a sheet, two ranges, and what is drawn in it.

The drawing library's own axes cost more than a page's lines; a report needs a
box, a light grid, and labels at places that it computes itself. Items are kept
in data coordinates and placed when the sheet is finished, so ranges may be set
last.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon
from matplotlib.transforms import Bbox, TransformedBbox
from numpy.typing import ArrayLike, NDArray

from . import style
from .flow import Words

if TYPE_CHECKING:
    from matplotlib.artist import Artist

    from .sheet import Sheet

FloatArray = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Left, top, width, height [pt from the page's top left]."""


@dataclass(frozen=True)
class Stroke:
    """How a line is drawn; dashes in points, empty for a solid line."""

    colour: str
    width: float = 0.9
    dashes: tuple[float, ...] = ()
    layer: float = 3.0


@dataclass(frozen=True)
class Fill:
    """How an area is filled."""

    colour: str
    edge: str = ""
    hatch: str = ""
    alpha: float = 1.0
    layer: float = 1.0


class Plot:
    """A box with two linear ranges.

    Parameters
    ----------
    sheet
        The page.
    box
        Where the data area stands.
    """

    def __init__(self, sheet: Sheet, box: Box) -> None:
        self.sheet = sheet
        self.box = box
        self.x = (0.0, 1.0)
        self.y = (0.0, 1.0)
        self._items: list[Callable[[], None]] = []
        self._rules: list[tuple[FloatArray, Stroke]] = []

    def place(self, x: ArrayLike, y: ArrayLike) -> FloatArray:
        """Return data points as page points from the top left, shape (n, 2)."""
        left, top, width, height = self.box
        px = left + (np.asarray(x, np.float64) - self.x[0]) / (self.x[1] - self.x[0]) * width
        py = top + (self.y[1] - np.asarray(y, np.float64)) / (self.y[1] - self.y[0]) * height
        return np.column_stack(np.broadcast_arrays(px, py))

    def line(self, x: ArrayLike, y: ArrayLike, stroke: Stroke) -> None:
        """Draw a line; NaN breaks it."""

        def add() -> None:
            points = self.sheet.place(self.place(x, y))
            look: dict[str, Any] = {"color": stroke.colour, "linewidth": stroke.width}
            if stroke.dashes:
                look["dashes"] = stroke.dashes
            artist = Line2D(points[:, 0], points[:, 1], zorder=stroke.layer, **look)
            self._add(artist)

        self._items.append(add)

    def dots(
        self,
        x: ArrayLike,
        y: ArrayLike,
        colour: str,
        *,
        size: float = 2.0,
        hollow: bool = False,
        mark: str = "o",
        layer: float = 4.0,
    ) -> None:
        """Draw a mark at each point."""

        def add() -> None:
            points = self.sheet.place(self.place(x, y))
            artist = Line2D(
                points[:, 0],
                points[:, 1],
                linestyle="none",
                marker=mark,
                markersize=size,
                markerfacecolor="none" if hollow else colour,
                markeredgecolor=colour,
                markeredgewidth=0.5 if hollow else 0.0,
                zorder=layer,
            )
            self._add(artist)

        self._items.append(add)

    def area(self, x: ArrayLike, y: ArrayLike, fill: Fill) -> None:
        """Fill a polygon given by its corners."""

        def add() -> None:
            corners = self.sheet.place(self.place(x, y))
            self._add(
                Polygon(
                    corners,
                    closed=True,
                    facecolor=fill.colour,
                    edgecolor=fill.edge or "none",
                    linewidth=0.4 if fill.edge else 0.0,
                    hatch=fill.hatch or None,
                    alpha=fill.alpha,
                    zorder=fill.layer,
                )
            )

        self._items.append(add)

    def band(self, x: FloatArray, low: FloatArray, high: FloatArray, fill: Fill) -> None:
        """Fill between two lines; NaN leaves a gap."""
        good = np.isfinite(low) & np.isfinite(high) & np.isfinite(x)
        edges = np.flatnonzero(np.diff(good.astype(np.int8))) + 1
        for piece in np.split(np.arange(len(x)), edges):
            if len(piece) and good[piece[0]]:
                back = piece[::-1]
                self.area(
                    np.concatenate([x[piece], x[back]]),
                    np.concatenate([low[piece], high[back]]),
                    fill,
                )

    def across(self, low: float, high: float, fill: Fill) -> None:
        """Fill between two heights over the whole width."""
        self._items.append(lambda: self._rectangle(self.x, (low, high), fill))

    def upright(self, start: float, end: float, fill: Fill) -> None:
        """Fill between two places over the whole height."""
        self._items.append(lambda: self._rectangle((start, end), self.y, fill))

    def level(self, height: float, stroke: Stroke) -> None:
        """Draw a level line over the whole width."""
        self._items.append(lambda: self._rule(self.x, (height, height), stroke))

    def mark(self, place: float, stroke: Stroke) -> None:
        """Draw an upright line over the whole height."""
        self._items.append(lambda: self._rule((place, place), self.y, stroke))

    def words(
        self, x: float, share: float, text: str, *, size: float = style.TINY_PT, colour: str
    ) -> None:
        """Write centred text at a place, at a share of the height from the foot."""

        def add() -> None:
            left = float(self.place([x], [self.y[0]])[0, 0])
            _, top, _, height = self.box
            at = Words(left, top + height * (1.0 - share), text, size, colour, align="center")
            self.sheet.words(at)

        self._items.append(add)

    def x_ticks(self, places: Sequence[float], labels: Sequence[str]) -> None:
        """Set tick marks and labels below the box."""

        def add() -> None:
            left, top, width, height = self.box
            foot = top + height
            ticks = [np.array([(left, foot), (left + width, foot)])]
            for place, label in zip(places, labels, strict=True):
                x = float(self.place([place], [self.y[0]])[0, 0])
                if not left - 0.5 <= x <= left + width + 0.5:
                    continue
                ticks.append(np.array([(x, foot), (x, foot + 2.5)]))
                at = Words(x, foot + 10.0, label, style.SMALL_PT, style.MUTED, align="center")
                self.sheet.words(at)
            stroke = Stroke(style.FAINT, 0.5, layer=2.5)
            self._rules += [(t, stroke) for t in ticks]

        self._items.append(add)

    def y_ticks(self, places: Sequence[float], labels: Sequence[str]) -> None:
        """Set a light grid line and a label left of the box at each place."""

        def add() -> None:
            for place, label in zip(places, labels, strict=True):
                self._rule(self.x, (place, place), Stroke(style.GRID, 0.5, layer=0.8))
                left, _, _, _ = self.box
                y = float(self.place([self.x[0]], [place])[0, 1])
                size = style.SMALL_PT
                at = Words(left - 4.0, y + size * 0.36, label, size, style.MUTED, align="right")
                self.sheet.words(at)

        self._items.append(add)

    def finish(self) -> None:
        """Put everything on the sheet."""
        for add in self._items:
            add()
        layers: dict[tuple[float, tuple[float, ...]], list[tuple[FloatArray, Stroke]]] = {}
        for segment, stroke in self._rules:
            layers.setdefault((stroke.layer, stroke.dashes), []).append((segment, stroke))
        for (layer, dashes), rules in sorted(layers.items()):
            artist = LineCollection(
                [self.sheet.place(s) for s, _ in rules],
                colors=[r.colour for _, r in rules],
                linewidths=[r.width for _, r in rules],
                linestyles=[(0.0, list(dashes))] if dashes else "solid",
                zorder=layer,
            )
            self._add(artist, clip=False)
        self._items, self._rules = [], []

    def _rule(self, x: tuple[float, float], y: tuple[float, float], stroke: Stroke) -> None:
        self._rules.append((self.place(x, y), stroke))

    def _rectangle(self, x: tuple[float, float], y: tuple[float, float], fill: Fill) -> None:
        corners = self.place([x[0], x[1], x[1], x[0]], [y[0], y[0], y[1], y[1]])
        left, top, width, height = self.box
        corners = np.clip(corners, (left, top), (left + width, top + height))
        self._add(
            Polygon(
                self.sheet.place(corners),
                closed=True,
                facecolor=fill.colour,
                edgecolor=fill.edge or "none",
                linewidth=0.4 if fill.edge else 0.0,
                hatch=fill.hatch or None,
                alpha=fill.alpha,
                zorder=fill.layer,
            ),
            clip=False,
        )

    def _add(self, artist: Artist, *, clip: bool = True) -> None:
        figure = self.sheet.figure
        artist.set_transform(figure.transFigure)
        figure.add_artist(artist, clip=False)
        if clip:
            left, top, width, height = self.box
            corners = self.sheet.place(
                np.array([(left - 1.5, top + height + 1.5), (left + width + 1.5, top - 1.5)])
            )
            artist.set_clip_box(TransformedBbox(Bbox(corners), figure.transFigure))
