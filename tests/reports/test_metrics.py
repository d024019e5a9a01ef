"""Text widths against the drawing library's own measure, and fitting."""

from __future__ import annotations

from typing import Any

import pytest
from chamberdrift.reports.metrics import fit, fit_end, plain, printable, text_width_pt, wrap
from chamberdrift.reports.typeface import families
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.font_manager import FontProperties

WORDS = st.text(
    st.characters(min_codepoint=32, max_codepoint=0x2FFF),
    max_size=60,
)


@pytest.mark.parametrize("bold", [False, True])
@pytest.mark.parametrize(
    "text", ["Heat loss over heat capacity", "121.4 °C (118–125)", "AVAVA To", "▲ service ◆ Łódź"]
)
def test_width_agrees_with_the_renderer(text: str, bold: bool) -> None:
    # At 100 times the size the renderer's rounding to whole pixels no longer counts.
    renderer: Any = RendererAgg(10, 10, 72.0)  # type: ignore[no-untyped-call]
    weight = "bold" if bold else "normal"
    properties = FontProperties(family=list(families()), size=760, weight=weight)
    width, _, _ = renderer.get_text_width_height_descent(text, properties, ismath=False)
    assert text_width_pt(text, 7.6, bold=bold) == pytest.approx(width / 100.0, rel=0.01)


@given(WORDS, st.floats(20.0, 300.0))
@settings(max_examples=100, deadline=None)
def test_fitted_text_fits(text: str, width: float) -> None:
    clean = printable(text)
    for cut in (fit, fit_end):
        short = cut(clean, 7.6, width)
        assert text_width_pt(short, 7.6) <= width + 1e-6
        if text_width_pt(clean, 7.6) <= width:
            assert short == clean


@given(WORDS, st.floats(30.0, 300.0))
@settings(max_examples=100, deadline=None)
def test_wrapping_keeps_every_character(text: str, width: float) -> None:
    lines = wrap(printable(text), 7.6, width)
    assert "".join("".join(lines).split()) == "".join(printable(text).split())
    assert all(text_width_pt(line, 7.6) <= width or len(line) == 1 for line in lines)


def test_middle_cut_keeps_both_ends() -> None:
    short = fit("Lakeside Animal Clinic bench unit 07", 7.6, 90.0)
    assert short.startswith("Lake")
    assert short.endswith("07")
    assert "…" in short


def test_control_and_direction_characters_go() -> None:
    assert plain("a\x1b[31mb\u202ec\nd") == "a [31mb c d"


def test_missing_glyphs_become_code_points() -> None:
    assert printable("unit \ue123") == "unit <E123>"
    assert printable("Łódź α Ж") == "Łódź α Ж"
