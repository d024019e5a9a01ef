"""The pages' typeface: the drawing library's own sans, in two copies without ballast.

Each PDF embeds a subset of its fonts, and that takes longer the more a font file
holds. So pages use a copy with the glyphs of everyday Latin, Greek and Cyrillic
text and no tables for layout; a name in other letters falls back, letter by letter,
to a copy with all glyphs. Both are kept in the drawing library's cache folder;
outlines, widths and hints stay as they are. Where they can't be written, the
original serves.

Chinese, Japanese and Korean letters are in neither: they are lent by whichever font of
the machine has them, so such a page's bytes depend on the machine.
"""

from __future__ import annotations

import hashlib
import os
import struct
import unicodedata
from collections.abc import Iterable
from dataclasses import replace
from functools import cache, lru_cache
from pathlib import Path
from typing import Any, Final

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


_LENDERS: dict[str, None] = {}
"""Families that lend letters, in the order in which names asked for them."""
_CURVES: set[bytes] = set()
_LIKELY: Final = ("cjk", "hans", "gothic", "hei", "han", "song", "ming", "kai", "fallback")
"""Words in the names of fonts with such letters: those are looked into first."""
_FIRST_WIDE: Final = 0x1100
"""Hangul Jamo, the first block of wide letters (Unicode Standard Annex 11)."""
_NO_LETTERS: Final = ("lastresort", "blank", "emoji")
"""Words in the names of fonts that draw a box for every letter, nothing, or pictures."""


def families() -> tuple[str, ...]:
    """Return the family names to draw with, in the order in which a letter is looked for."""
    return (*own_families(), *_LENDERS)


def borrow(codes: Iterable[int]) -> None:
    """Look for installed fonts that have letters which the typeface lacks.

    Parameters
    ----------
    codes
        Code points; only wide letters (East Asian Width W or F, Unicode Standard Annex 11)
        are borrowed, since scripts whose letters change with their neighbours would be
        drawn wrongly letter by letter.
    """
    for code in codes:
        if unicodedata.east_asian_width(chr(code)) in "WF" and chr(code).isalnum():
            found = _lender(code)
            if found is not None:
                _LENDERS.setdefault(found)


@lru_cache(maxsize=4096)
def _lender(code: int) -> str | None:
    """Return a family that has a letter, made from an installed font; None where none has."""
    from matplotlib.font_manager import fontManager

    for entry in installed():
        letters, name = _wide_letters(str(entry.fname), getattr(entry, "index", 0))
        if code not in letters:
            continue
        if name:
            _CURVES.add(name)
        family = f"{entry.name}, lent"
        if family not in _LENDERS:  # one file serves both weights, under a name of its own
            both = [replace(entry, name=family, weight=weight) for weight in (400, 700)]
            fontManager.ttflist.extend(both)
        return family
    return None


@cache
def _wide_letters(path: str, index: int) -> tuple[frozenset[int], bytes]:
    """Return the wide letters of a font, and its PDF name where its outlines are curves (CFF)."""
    try:
        font = open_font(path, index)
        letters = [c for c in font.get_charmap() if c >= _FIRST_WIDE] if font.scalable else []
    except (OSError, RuntimeError, ValueError):  # gone since, or of no readable kind
        return frozenset(), b""
    limits = font.get_sfnt_table("maxp")
    curves = limits is None or limits["version"][0] < 1  # 0.5: CFF (OpenType, "maxp")
    name = font.postscript_name.encode("ascii", "replace") if curves else b""
    return frozenset(letters), name


def lent_curves() -> frozenset[bytes]:
    """Return the PDF names of lending fonts whose outlines are not TrueType's (CFF)."""
    return frozenset(_CURVES)


@lru_cache(maxsize=1)
def installed() -> tuple[Any, ...]:
    """Return the library's entries of all installed fonts, likely lenders first."""
    from matplotlib.font_manager import fontManager

    ranked = []
    for entry in fontManager.ttflist:
        name = entry.name.lower()
        if any(w in name.replace(" ", "") for w in _NO_LETTERS) or name.startswith("dejavu"):
            continue
        weight = entry.weight if isinstance(entry.weight, (int, float)) else 400
        unlikely = not any(w in name for w in _LIKELY)
        plain = entry.style == "normal"
        ranked.append((unlikely, not plain, abs(weight - 400), name, str(entry.fname), entry))
    return tuple(r[-1] for r in sorted(ranked, key=lambda r: r[:-1]))


def open_font(path: Any, index: int | None = None) -> Any:
    """Open a font file; of several fonts in it, the one that the index or the path names."""
    from matplotlib.ft2font import FT2Font

    index = getattr(path, "face_index", 0) if index is None else index
    return FT2Font(str(path), face_index=index) if index else FT2Font(str(path))


@lru_cache(maxsize=1)
def own_families() -> tuple[str, ...]:
    """Return the typeface's family names, after making them known to the library."""
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
