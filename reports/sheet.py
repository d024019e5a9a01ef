"""A figure addressed in points from its top left corner."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.text import Text
from numpy.typing import NDArray

from .flow import Row, Rule, Words
from .metrics import text_width_pt
from .plot import Plot
from .typeface import families

if TYPE_CHECKING:
    from matplotlib.backend_bases import RendererBase


@lru_cache(maxsize=64)
def _font(size: float, bold: bool, named: tuple[str, ...]) -> FontProperties:
    weight = "bold" if bold else "normal"
    return FontProperties(family=list(named), size=size, weight=weight)


class OneLine(Text):
    """Text on one line that is placed from our own metrics.

    The library measures each text through a renderer before it draws it, which
    takes longer than drawing; its own measure is still there for whoever asks.
    """

    def draw(self, renderer: RendererBase) -> None:
        """Draw the line at its anchor, shifted for its alignment."""
        if not self.get_visible() or not self.get_text():
            return
        x, y = self.get_transform().transform(self.get_position())
        properties = self.get_fontproperties()
        size, bold = properties.get_size_in_points(), properties.get_weight() == "bold"
        share = {"left": 0.0, "center": 0.5, "right": 1.0}[self.get_horizontalalignment()]
        if share:
            width = text_width_pt(self.get_text(), size, bold=bold)
            x -= share * float(renderer.points_to_pixels(width))  # type: ignore[arg-type]
        if renderer.flipy():
            y = renderer.get_canvas_width_height()[1] - y
        context = renderer.new_gc()
        context.set_foreground(self.get_color())
        if self.get_url():
            context.set_url(self.get_url())
        renderer.draw_text(context, x, y, self.get_text(), properties, 0.0, ismath=False)
        context.restore()
        self.stale = False


class Sheet:
    """One page to draw on.

    Parameters
    ----------
    width, height
        Size of the page [pt].
    """

    def __init__(self, width: float, height: float) -> None:
        self.width = width
        self.height = height
        self.figure = Figure(figsize=(width / 72.0, height / 72.0), dpi=72.0)
        self._rules: list[tuple[Rule, float, float]] = []
        self._plots: list[Plot] = []

    def words(self, item: Words, x: float = 0.0, y: float = 0.0) -> None:
        """Write one line; (x, y) is the origin of the item's coordinates."""
        if not item.text:
            return
        self.figure.add_artist(
            OneLine(
                (x + item.x) / self.width,
                1.0 - (y + item.y) / self.height,
                item.text,
                fontproperties=_font(item.size, item.bold, families()),
                color=item.colour,
                horizontalalignment=item.align,
                verticalalignment="baseline",
                transform=self.figure.transFigure,
                parse_math=False,
                zorder=5,
                url=item.link or None,
            ),
            clip=False,
        )

    def place(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return points [pt from the top left], shape (n, 2), in figure coordinates."""
        return np.asarray(points / (self.width, -self.height) + (0.0, 1.0))

    def rule(self, rule: Rule, x: float = 0.0, y: float = 0.0) -> None:
        """Draw one hairline; all are set in one go by ``finish``."""
        self._rules.append((rule, x, y))

    def row(self, row: Row, x: float, y: float) -> None:
        """Draw one row with its top left corner at (x, y)."""
        for rule in row.rules:
            self.rule(rule, x, y)
        for item in row.words:
            self.words(item, x, y)
        if row.panel is not None:
            row.panel(self, x, y)

    def pile(self, rows: Sequence[Row], x: float, y: float) -> float:
        """Draw rows below one another from (x, y); return where they end."""
        for row in rows:
            self.row(row, x, y)
            y += row.height
        return y

    def plot(self, x: float, y: float, width: float, height: float) -> Plot:
        """Return a plot whose box has its top left corner at (x, y)."""
        made = Plot(self, (x, y, width, height))
        self._plots.append(made)
        return made

    def finish(self) -> Figure:
        """Return the figure with everything on it."""
        for plot in self._plots:
            plot.finish()
        if self._rules:
            segments = []
            for rule, x, y in self._rules:
                level = 1.0 - (y + rule.y) / self.height
                ends = [((x + rule.x0) / self.width, level), ((x + rule.x1) / self.width, level)]
                segments.append(ends)
            self.figure.add_artist(
                LineCollection(
                    segments,
                    colors=[r.colour for r, _, _ in self._rules],
                    linewidths=[r.width for r, _, _ in self._rules],
                    transform=self.figure.transFigure,
                    zorder=1,
                ),
                clip=False,
            )
            self._rules = []
        return self.figure
