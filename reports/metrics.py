"""How wide a text is, and how to make it fit: from the font's own advance widths.

Measuring through a renderer costs more than drawing; a table of advances is
exact for unkerned text and lets a page be laid out before a figure exists.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache
from typing import Any

from .typeface import borrow, families, open_font

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]+")


@lru_cache(maxsize=2)
def _advances(bold: bool) -> dict[int, float]:
    """Return advance per code point in units of the size, for printable ASCII."""
    return {c: _advance(c, bold) for c in range(32, 127)}


@lru_cache(maxsize=32)
def _font(family: str, bold: bool) -> tuple[frozenset[int], Any]:
    """Return the characters of a family, and its font."""
    from matplotlib.font_manager import FontProperties, findfont

    weight = "bold" if bold else "normal"
    font = open_font(findfont(FontProperties(family=[family], weight=weight)))
    font.set_size(100.0, 72.0)
    return frozenset(font.get_charmap()), font


def _known(code: int) -> bool:
    return any(code in _font(family, False)[0] for family in families())


def _advance(code: int, bold: bool) -> float:
    fonts = [_font(family, bold) for family in families()]
    font = next((f for known, f in fonts if code in known), fonts[0][1])
    return float(font.load_char(code).linearHoriAdvance) / 65536.0 / 100.0


def text_width_pt(text: str, size_pt: float, *, bold: bool = False) -> float:
    """Return the width [pt] of one line of text."""
    table = _advances(bold)
    total = 0.0
    for character in text:
        code = ord(character)
        width = table.get(code)
        if width is None:
            width = _advance(code, bold)
            table[code] = width
        total += width
    return total * size_pt


def plain(text: object) -> str:
    """Return text on one line, with control and direction characters as a space."""
    return unicodedata.normalize("NFC", _CONTROL.sub(" ", str(text)))


def printable(text: object) -> str:
    """Return text that the font can show on one line.

    A character that no font here has becomes its code point in angle brackets, so
    that two names never look alike for want of a glyph.
    """
    clean = plain(text)
    if clean.isascii():
        return clean
    borrow(sorted({ord(c) for c in clean if not c.isascii() and not _known(ord(c))}))
    return "".join(c if c.isascii() or _known(ord(c)) else f"<{ord(c):04X}>" for c in clean)


def fit(text: str, size_pt: float, width_pt: float, *, bold: bool = False) -> str:
    """Return the text, shortened in its middle with an ellipsis when it is too wide."""
    if text_width_pt(text, size_pt, bold=bold) <= width_pt:
        return text
    low, high = 0, len(text)
    while low < high:
        keep = (low + high + 1) // 2
        if text_width_pt(_shorten(text, keep), size_pt, bold=bold) <= width_pt:
            low = keep
        else:
            high = keep - 1
    return _shorten(text, low)


def fit_end(text: str, size_pt: float, width_pt: float, *, bold: bool = False) -> str:
    """Return the text, cut at a word's end with an ellipsis when it is too wide."""
    if text_width_pt(text, size_pt, bold=bold) <= width_pt:
        return text
    kept = ""
    for word in text.split(" "):
        longer = f"{kept} {word}".strip()
        if text_width_pt(longer + " …", size_pt, bold=bold) > width_pt:
            break
        kept = longer
    return f"{kept} …" if kept else fit(text, size_pt, width_pt, bold=bold)


def _shorten(text: str, keep: int) -> str:
    head = (keep + 1) // 2
    tail = keep - head
    return f"{text[:head]}…{text[len(text) - tail :] if tail else ''}"


def wrap(text: str, size_pt: float, width_pt: float, *, bold: bool = False) -> list[str]:
    """Break text into lines no wider than ``width_pt``; a too long word is split."""
    lines: list[str] = []
    current = ""
    for word in text.split():
        longer = f"{current} {word}" if current else word
        if text_width_pt(longer, size_pt, bold=bold) <= width_pt:
            current = longer
            continue
        if current:
            lines.append(current)
        current = word
        while text_width_pt(current, size_pt, bold=bold) > width_pt and len(current) > 1:
            cut = len(current) - 1
            while cut > 1 and text_width_pt(current[:cut], size_pt, bold=bold) > width_pt:
                cut -= 1
            lines.append(current[:cut])
            current = current[cut:]
    if current:
        lines.append(current)
    return lines or [""]
