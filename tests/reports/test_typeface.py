"""The copies of the typeface: same outlines and widths, less to embed."""

from __future__ import annotations

import io
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from chamberdrift.reports import typeface, unit_report
from chamberdrift.reports.glyphs import font_file, tables_of
from chamberdrift.reports.metrics import printable, text_width_pt
from chamberdrift.reports.typeface import ORIGINAL, SLIM, WHOLE, families, own_families, slim
from fontTools.fontBuilder import FontBuilder  # type: ignore[import-untyped]
from fontTools.pens.t2CharStringPen import T2CharStringPen  # type: ignore[import-untyped]
from fontTools.pens.ttGlyphPen import TTGlyphPen  # type: ignore[import-untyped]
from fontTools.ttLib import TTFont  # type: ignore[import-untyped]
from matplotlib import ft2font
from matplotlib.font_manager import FontProperties, findfont, fontManager
from matplotlib.ft2font import FT2Font
from pypdf import PdfReader

WEIGHTS = ("normal", "bold")
_FLAGS: Any = ft2font
NO_HINTING: Any = (
    _FLAGS.LoadFlags.NO_HINTING  # from matplotlib 3.10 on
    if hasattr(_FLAGS, "LoadFlags")
    else _FLAGS.LOAD_NO_HINTING
)


def path_of(family: str, weight: str = "normal") -> Path:
    return Path(findfont(FontProperties(family=family, weight=weight)))


def test_the_copies_are_in_use_and_smaller() -> None:
    assert own_families() == (SLIM, WHOLE)
    assert families()[:2] == (SLIM, WHOLE)
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
            glyph = font.load_char(int(code), flags=NO_HINTING)
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


WIDE = "消毒器"
"""Three letters that the typeface does not have."""


def made_font(path: Path, family: str, letters: str, *, curves: bool) -> Path:
    """Write a font whose letters are squares, with TrueType outlines or with curves (CFF)."""
    names = [".notdef", *(f"u{ord(c):04X}" for c in letters)]
    builder = FontBuilder(1000, isTTF=not curves)
    builder.setupGlyphOrder(names)
    builder.setupCharacterMap({ord(c): n for c, n in zip(letters, names[1:], strict=True)})
    drawn = {}
    for name in names:
        pen = T2CharStringPen(1000, None) if curves else TTGlyphPen(None)
        for step, point in enumerate(((100, 0), (100, 800), (900, 800), (900, 0))):
            (pen.lineTo if step else pen.moveTo)(point)
        pen.closePath()
        drawn[name] = pen.getCharString() if curves else pen.glyph()
    if curves:
        builder.setupCFF(f"{family}-Regular", {}, drawn, {})
    else:
        builder.setupGlyf(drawn)
    builder.setupHorizontalMetrics(dict.fromkeys(names, (1000, 100)))
    builder.setupHorizontalHeader(ascent=800, descent=-200)
    builder.setupNameTable(
        {"familyName": family, "styleName": "Regular", "psName": f"{family}-Regular"}
    )
    builder.setupOS2()
    builder.setupPost()
    builder.save(path)
    return path


@pytest.fixture
def lenders(monkeypatch: pytest.MonkeyPatch) -> Any:
    """Let only named fonts be installed, and forget afterwards what they lent."""
    listed = list(fontManager.ttflist)
    monkeypatch.setattr(typeface, "_LENDERS", {})
    monkeypatch.setattr(typeface, "_CURVES", set())

    def install(*paths: Path) -> None:
        own = families()
        fontManager.ttflist[:] = [e for e in fontManager.ttflist if e.name in (ORIGINAL, *own)]
        for path in paths:
            fontManager.addfont(path)
        typeface.installed.cache_clear()
        typeface._lender.cache_clear()

    yield install
    fontManager.ttflist[:] = listed
    typeface.installed.cache_clear()
    typeface._lender.cache_clear()


@pytest.mark.parametrize("curves", [False, True])
def test_a_font_of_the_machine_lends_the_letters_of_a_name(
    builder: Any, lenders: Any, tmp_path: Path, curves: bool
) -> None:
    family = f"Lender{curves}"
    lenders(
        made_font(tmp_path / f"{family}.{'otf' if curves else 'ttf'}", family, WIDE, curves=curves)
    )
    name = f"{WIDE} 3 å"
    assert printable(name) == name
    assert text_width_pt(WIDE, 10.0) == text_width_pt(WIDE, 10.0, bold=True) == pytest.approx(30.0)
    target = io.BytesIO()
    unit_report(builder.unit_view(name, cycles=3), target)
    # drawings of letters are searchable with later versions of the library alone
    searchable = not curves or hasattr(_FLAGS, "LoadFlags")
    assert (name in PdfReader(target).pages[0].extract_text()) == searchable
    fonts: Any = PdfReader(target).pages[0]["/Resources"]
    kinds = {str(font.get_object()["/Subtype"]) for font in fonts["/Font"].values()}
    assert kinds == {"/Type3" if curves else "/Type0"}
    if shutil.which("pdftotext"):  # another reader has no complaint
        (tmp_path / "a.pdf").write_bytes(target.getvalue())
        done = subprocess.run(
            ["pdftotext", "-l", "1", tmp_path / "a.pdf", "-"], capture_output=True, text=True
        )
        assert (name in done.stdout) == searchable
        assert done.stderr == ""


def test_what_no_font_has_is_shown_as_its_code(lenders: Any, tmp_path: Path) -> None:
    lenders(
        made_font(tmp_path / "a.ttf", "LastResort Made", WIDE, curves=False),
        made_font(tmp_path / "b.ttf", "Half", WIDE[0], curves=False),
    )
    assert printable(WIDE) == f"{WIDE[0]}<6BD2><5668>"
    assert printable("ก") == "<0E01>"  # Thai: letters change with their neighbours


def test_a_lender_changes_no_other_page(builder: Any, lenders: Any, tmp_path: Path) -> None:
    view = builder.unit_view("Otter Creek 2", cycles=3)
    before, after = io.BytesIO(), io.BytesIO()
    unit_report(view, before)
    lenders(made_font(tmp_path / "c.otf", "Lender", WIDE, curves=True))
    assert printable(WIDE) == WIDE
    unit_report(view, after)
    assert before.getvalue() == after.getvalue()
