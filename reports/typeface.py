"""The pages' typeface: the drawing library's own sans, in two copies without ballast.

Each PDF embeds a subset of its fonts, and that takes longer the more a font file
holds. So pages use a copy with the glyphs of everyday Latin, Greek and Cyrillic
text and no tables for layout; a name in other letters falls back, letter by letter,
to a copy with all glyphs. Both are kept in the drawing library's cache folder;
outlines, widths and hints stay as they are. Where they can't be written, the
original serves.
"""

from __future__ import annotations

import hashlib
import os
import struct
from functools import lru_cache
from pathlib import Path
from typing import Final

from .glyphs import cut_down, font_file, tables_of

ORIGINAL: Final = "DejaVu Sans"
SLIM: Final = "DejaVu Page"
WHOLE: Final = "DejaVu Wide"
"""Family names of the copies; as long as the original's, so that they fit in its place."""

_KEPT: Final = frozenset(
    (
        b"cmap", b"cvt ", b"fpgm", b"gasp", b"glyf", b"head", b"hhea", b"hmtx",
        b"loca", b"maxp", b"name", b"OS/2", b"post", b"prep",
    )
)  # fmt: skip

_RANGES: Final = (
    (0x0020, 0x007E), (0x00A0, 0x017F), (0x0370, 0x03FF), (0x0400, 0x045F),
    (0x2010, 0x2027), (0x2030, 0x203A), (0x2070, 0x208E), (0x20AC, 0x20AC),
    (0x2103, 0x2103), (0x2109, 0x2109), (0x2116, 0x2116), (0x2190, 0x2193),
    (0x2212, 0x2212), (0x2248, 0x2248), (0x2264, 0x2265), (0x2581, 0x2588),
    (0x25A0, 0x25CF),
)  # fmt: skip
"""Code points of the small copy: Latin, Greek, Cyrillic, punctuation, marks."""


@lru_cache(maxsize=1)
def families() -> tuple[str, ...]:
    """Return the family names to draw with, after making them known to the library."""
    import matplotlib as mpl
    from matplotlib.font_manager import FontProperties, findfont, fontManager

    try:
        folder = Path(mpl.get_cachedir())
        paths = []
        for weight in ("normal", "bold"):
            found = findfont(FontProperties(family=ORIGINAL, weight=weight))
            paths += _copies(Path(found), folder, weight)
        for path in paths:
            fontManager.addfont(path)
    except (OSError, ValueError, KeyError, IndexError, struct.error):
        return (ORIGINAL,)
    return (SLIM, WHOLE)


def _copies(original: Path, folder: Path, weight: str) -> list[Path]:
    from matplotlib.ft2font import FT2Font

    data = original.read_bytes()
    charmap = {int(c): int(g) for c, g in FT2Font(str(original)).get_charmap().items()}
    mark = hashlib.sha256(data).hexdigest()[:12]
    made = {"page": slim(data, charmap), "whole": slim(data)}
    return [
        _written(folder / f"chamberdrift-{name}-{weight}-{mark}.ttf", wanted)
        for name, wanted in made.items()
    ]


def _written(path: Path, wanted: bytes) -> Path:
    """Write a file if it isn't there as wanted; return its path."""
    if not path.exists() or path.read_bytes() != wanted:
        part = path.with_suffix(f".{os.getpid()}.part")
        part.write_bytes(wanted)
        part.replace(path)
    return path


def slim(data: bytes, charmap: dict[int, int] | None = None) -> bytes:
    """Return a TrueType font with the tables that drawing needs, under a name of our own.

    Parameters
    ----------
    data
        A font file with one table directory (ISO/IEC 14496-22, "Organization of
        an OpenType font").
    charmap
        Code point to glyph number of the font, to keep everyday glyphs only;
        None keeps all of them.

    Raises
    ------
    ValueError
        If it is another kind of font file.
    """
    tables = {tag: table for tag, table in tables_of(data).items() if tag in _KEPT}
    name = WHOLE if charmap is None else SLIM
    for coding in ("utf-16-be", "latin-1"):
        tables[b"name"] = tables[b"name"].replace(ORIGINAL.encode(coding), name.encode(coding))
    if charmap is not None:
        wanted = {c for low, high in _RANGES for c in range(low, high + 1)}
        tables = cut_down(tables, {c: g for c, g in charmap.items() if c in wanted})
    return font_file(tables)
