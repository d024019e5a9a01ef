"""The slim copy of the typeface: same glyphs, same widths, fewer tables."""

from __future__ import annotations

from pathlib import Path

import pytest
from chamberdrift.reports.typeface import ORIGINAL, SLIM, family, slim
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font


def files() -> tuple[Path, Path]:
    original = Path(findfont(FontProperties(family=ORIGINAL)))
    copy = Path(findfont(FontProperties(family=family())))
    return original, copy


def test_the_copy_is_in_use_and_smaller() -> None:
    assert family() == SLIM
    original, copy = files()
    assert copy.stat().st_size < original.stat().st_size


def test_glyphs_and_advances_are_the_same() -> None:
    original, copy = (FT2Font(str(p)) for p in files())
    assert original.get_charmap() == copy.get_charmap()
    for font in (original, copy):
        font.set_size(100.0, 72.0)
    for character in "AgÅŁ0°–▲■Ж":
        widths = {f.load_char(ord(character)).linearHoriAdvance for f in (original, copy)}
        assert len(widths) == 1


def test_another_kind_of_file_is_refused() -> None:
    with pytest.raises(ValueError, match="not a TrueType font"):
        slim(b"OTTO" + bytes(100))
