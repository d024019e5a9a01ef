"""The look of every page: colours, sizes, marks and the drawing library's settings.

Colours are from the Okabe-Ito set, which stays apart for colour-blind readers;
each also differs in grey, and none is the only carrier of a meaning: severities
and verdicts have a mark and a word, bands have an edge or a hatch.
"""

from __future__ import annotations

from typing import Any, Final

from .typeface import families

INK: Final = "#1b1f24"
MUTED: Final = "#59626c"
FAINT: Final = "#8d959d"
HAIRLINE: Final = "#cdd2d7"
GRID: Final = "#e6e9ec"
BAND: Final = "#dfe7ef"
BAND_EDGE: Final = "#b4c3d2"
ENVELOPE: Final = "#c3d3e3"
CONE: Final = "#fbeed3"
CHANGE: Final = "#efe3ec"
GAP: Final = "#f1f2f4"
RAW_BAND: Final = "#d3d7dc"
IN_LIMITS: Final = "#f4f7fa"
PAPER: Final = "#ffffff"

BLUE: Final = "#0072b2"
GREEN: Final = "#009e73"
ORANGE: Final = "#e69f00"
VERMILION: Final = "#b84a00"
PURPLE: Final = "#8f4f7a"
"""Okabe-Ito; vermilion and purple darkened so that small text in them stays legible."""

BODY_PT: Final = 7.6
SMALL_PT: Final = 6.6
TINY_PT: Final = 5.8
HEAD_PT: Final = 9.4
TITLE_PT: Final = 17.0
LEAD: Final = 1.42
"""Line spacing as a multiple of the size."""

MARGIN_LEFT_PT: Final = 51.0
MARGIN_RIGHT_PT: Final = 43.0
MARGIN_TOP_PT: Final = 45.0
MARGIN_BOTTOM_PT: Final = 58.0
"""Room below the text for the footer; the left margin leaves room for a binder's holes."""

SEVERITY_MARKS: Final[dict[str, str]] = {"stop": "■", "service": "▲", "watch": "○"}
SEVERITY_COLOURS: Final[dict[str, str]] = {
    "stop": INK,
    "service": VERMILION,
    "watch": BLUE,
}
VERDICT_MARKS: Final[dict[str, str]] = {"inside": "", "outside": "◆", "incomplete": "◇"}
VERDICT_COLOURS: Final[dict[str, str]] = {
    "inside": MUTED,
    "outside": VERMILION,
    "incomplete": PURPLE,
}
PHASE_FILLS: Final[dict[str, str]] = {
    "idle": "#ffffff",
    "air_removal": "#f4f5f6",
    "heat_up": "#ffffff",
    "exposure": "#f4f5f6",
    "exhaust": "#ffffff",
    "drying": "#f4f5f6",
}
"""Phases are told apart by their names and edges; the fills only help the eye."""


def rc(font_type: int = 42) -> Any:
    """Return the drawing library's settings for our pages, a dict whose keys it types."""
    return {
        "font.family": list(families()),
        "text.parse_math": False,
        "text.usetex": False,
        "pdf.fonttype": font_type,
        "pdf.compression": 6,
        "pdf.use14corefonts": False,
        "hatch.linewidth": 0.35,
        "lines.linewidth": 0.9,
        "lines.solid_capstyle": "butt",
        "path.simplify": True,
        "path.simplify_threshold": 0.2,
        "figure.facecolor": PAPER,
        "savefig.bbox": None,
        "savefig.facecolor": PAPER,
    }
