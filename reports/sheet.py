"""A figure addressed in points from its top left corner."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.text import Text
from numpy.typing import NDArray

from . import style
from .flow import Row, Rule, Words

if TYPE_CHECKING:
    from matplotlib.axes import Axes


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

    def words(self, item: Words, x: float = 0.0, y: float = 0.0) -> None:
        """Write one line; (x, y) is the origin of the item's coordinates."""
        if not item.text:
            return
        self.figure.add_artist(
            Text(
                (x + item.x) / self.width,
                1.0 - (y + item.y) / self.height,
                item.text,
                fontsize=item.size,
                color=item.colour,
                fontweight="bold" if item.bold else "normal",
                horizontalalignment=item.align,
                verticalalignment="baseline",
                transform=self.figure.transFigure,
                parse_math=False,
                zorder=5,
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

    def axes(self, x: float, y: float, width: float, height: float, **options: Any) -> Axes:
        """Return axes whose box has its top left corner at (x, y)."""
        box = (
            x / self.width,
            1.0 - (y + height) / self.height,
            width / self.width,
            height / self.height,
        )
        return self.figure.add_axes(box, **options)

    def finish(self) -> Figure:
        """Return the figure with everything on it."""
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


def plain_axes(axes: Axes) -> Axes:
    """Give axes the house look: no box, a light horizontal grid, small labels."""
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(style.FAINT)
    axes.grid(axis="y", color=style.GRID, linewidth=0.5)
    axes.set_axisbelow(True)
    axes.tick_params(axis="both", which="major", labelsize=style.SMALL_PT, pad=2.0)
    return axes
