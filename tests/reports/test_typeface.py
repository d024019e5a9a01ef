"""The copies of the typeface: same outlines and widths, less to embed."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from chamberdrift.reports.glyphs import font_file, tables_of
from chamberdrift.reports.typeface import ORIGINAL, SLIM, WHOLE, families, slim
from fontTools.ttLib import TTFont  # type: ignore[import-untyped]
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font, LoadFlags

WEIGHTS = ("normal", "bold")


def path_of(family: str, weight: str = "normal") -> Path:
    return Path(findfont(FontProperties(family=family, weight=weight)))


def test_the_copies_are_in_use_and_smaller() -> None:
    assert families() == (SLIM, WHOLE)
    sizes = [path_of(f).stat().st_size for f in (SLIM, WHOLE, ORIGINAL)]
    assert sizes[0] < sizes[1] / 4
    assert sizes[1] < sizes[2]


@pytest.mark.parametrize("weight", WEIGHTS)
def test_outlines_and_advances_are_the_originals(weight: str) -> None:
    original, page, whole = (FT2Font(str(path_of(f, weight))) for f in (ORIGINAL, SLIM, WHOLE))
    assert original.get_charmap() == whole.get_charmap()
    kept = page.get_charmap()
    assert set(kept) <= set(original.get_charmap())
    assert {ord(c) for c in "AgÅŁőğ0°–−▲■○◆◇▼ЖΩµ▁█…≥"} <= set(kept)
    for font in (original, page):
        font.set_size(100.0, 72.0)
    for code in kept:  # accented letters are composites, whose parts were renumbered
        points = []
        for font in (original, page):
            glyph = font.load_char(int(code), flags=LoadFlags.NO_HINTING)
            vertices, codes = font.get_path()
            points.append((glyph.linearHoriAdvance, np.asarray(vertices), np.asarray(codes)))
        (wide, vertices, codes), (again, same, marks) = points
        assert wide == again
        assert np.array_equal(vertices, same)
        assert np.array_equal(codes, marks)


@pytest.mark.parametrize("family", [SLIM, WHOLE])
def test_another_reader_reads_the_file(family: str) -> None:
    data = path_of(family).read_bytes()
    font = TTFont(io.BytesIO(data), checkChecksums=2)
    assert set(font.getBestCmap()) == set(FT2Font(str(path_of(family))).get_charmap())
    for tag in tables_of(data):
        assert font[tag.decode()] is not None
    assert len(font.getGlyphOrder()) == font["maxp"].numGlyphs
    assert font["name"].getDebugName(1) == family


def test_tables_survive_the_way_there_and_back() -> None:
    tables = tables_of(path_of(SLIM).read_bytes())
    assert tables[b"head"][8:12] == bytes(4)  # the one field that depends on the file
    assert tables_of(font_file(tables)) == tables


def test_another_kind_of_file_is_refused() -> None:
    with pytest.raises(ValueError, match="not a TrueType font"):
        slim(b"OTTO" + bytes(100))
