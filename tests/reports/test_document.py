"""The PDF as a file: bytes, fonts, metadata, bookmarks, and what stays out of memory."""

from __future__ import annotations

import gc
import hashlib
import io
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from chamberdrift.reports import ReportOptions, cycle_sheet, cycle_view, fleet_report, unit_report
from chamberdrift.reports.document import figures, preview, render, write
from chamberdrift.reports.fleet import fleet_document
from chamberdrift.reports.unit import unit_document
from chamberdrift.reports.views import FleetView
from matplotlib.figure import Figure
from pypdf import PdfReader


def flagged(builder: Any) -> Any:
    return builder.unit_view(
        "Otter Creek 2", cycles=60, drift=1.0, flags=[builder.flag("Otter Creek 2")]
    )


@pytest.fixture(scope="module")
def unit_pdf(builder: Any) -> bytes:
    target = io.BytesIO()
    unit_report(flagged(builder), target)
    return target.getvalue()


def test_equal_views_give_equal_bytes(builder: Any, unit_pdf: bytes) -> None:
    again = io.BytesIO()
    unit_report(flagged(builder), again)
    assert again.getvalue() == unit_pdf


def test_bytes_do_not_hang_on_hash_seed_or_process(builder: Any, unit_pdf: bytes) -> None:
    code = (
        "import hashlib, importlib.util, io\n"
        "from chamberdrift.reports import unit_report\n"
        f"spec = importlib.util.spec_from_file_location('b', {builder.__file__!r})\n"
        "b = importlib.util.module_from_spec(spec); spec.loader.exec_module(b)\n"
        "out = io.BytesIO()\n"
        "unit_report(b.unit_view('Otter Creek 2', cycles=60, drift=1.0,"
        " flags=[b.flag('Otter Creek 2')]), out)\n"
        "print(hashlib.sha256(out.getvalue()).hexdigest())\n"
    )
    for seed in ("1", "77"):
        done = subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": seed, "SOURCE_DATE_EPOCH": "1"},
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.strip() == hashlib.sha256(unit_pdf).hexdigest()


def test_other_data_gives_other_bytes(builder: Any, unit_pdf: bytes) -> None:
    view = flagged(builder)
    later = replace(view, as_of=view.as_of + pd.Timedelta(days=1))
    target = io.BytesIO()
    unit_report(later, target)
    assert target.getvalue() != unit_pdf


def test_a_pdf_names_its_title_author_and_moment(builder: Any, unit_pdf: bytes) -> None:
    meta = PdfReader(io.BytesIO(unit_pdf), strict=True).metadata
    assert meta is not None
    assert meta.title == "Unit Otter Creek 2, 25 Nov 2026"
    assert meta.author == "chamberdrift"
    assert meta.creation_date == builder.AS_OF.to_pydatetime()


def test_fonts_are_embedded_truetype_with_a_map_to_text(unit_pdf: bytes) -> None:
    seen = 0
    for page in PdfReader(io.BytesIO(unit_pdf)).pages:
        fonts: Any = page["/Resources"]["/Font"]  # type: ignore[index]
        for name in fonts:
            font = fonts[name].get_object()
            assert font["/Subtype"] == "/Type0"
            assert "/ToUnicode" in font
            inner = font["/DescendantFonts"][0].get_object()
            assert inner["/Subtype"] == "/CIDFontType2"
            assert "/FontFile2" in inner["/FontDescriptor"]
            seen += 1
    assert seen


def test_text_is_searchable_beyond_latin(builder: Any) -> None:
    name = "Łódź Ωmega 3 – «Öst»"
    target = io.BytesIO()
    unit_report(builder.unit_view(name, cycles=3), target)
    reader = PdfReader(target)
    assert name in reader.pages[0].extract_text()
    assert reader.metadata is not None
    assert reader.metadata.title == f"Unit {name}, 25 Nov 2026"


def test_letters_beyond_the_small_typeface_are_still_letters(builder: Any) -> None:
    name = "Երևան 3 ქართული"  # Armenian and Georgian: in the whole typeface alone
    target = io.BytesIO()
    unit_report(builder.unit_view(name, cycles=3), target)
    assert name in PdfReader(target).pages[0].extract_text()


def test_bookmarks_lead_to_their_pages(builder: Any) -> None:
    view = builder.fleet_view(30, cycles=3, flagged=30)
    document = fleet_document(view, ReportOptions())
    reader = PdfReader(io.BytesIO(render(document)), strict=True)
    outline: Any = reader.outline
    titles = [o.title for o in outline]
    assert titles[0] == "Work list"
    assert {"All units", "Residuals by part"} <= set(titles)
    for flag_unit in view.flags["unit_id"]:
        assert any(t.startswith(f"{flag_unit}: ") for t in titles)
    for entry in outline:
        page = reader.get_destination_page_number(entry)
        assert page is not None
        words = entry.title.split(":")[0]
        assert words in reader.pages[page].extract_text()


def test_every_page_has_the_size_of_its_paper(builder: Any) -> None:
    view = builder.unit_view(cycles=3)
    # ISO 216 A4 is 210 mm by 297 mm; US letter is 8.5 in by 11 in.
    for paper, size in (("A4", (210 / 25.4 * 72, 297 / 25.4 * 72)), ("letter", (612.0, 792.0))):
        target = io.BytesIO()
        unit_report(view, target, options=ReportOptions(paper=paper))
        for page in PdfReader(target).pages:
            got = (float(page.mediabox.width), float(page.mediabox.height))
            assert got == pytest.approx(size, abs=0.1)


def test_paths_are_written_whole_or_not_at_all(builder: Any, tmp_path: Path) -> None:
    view = builder.unit_view(cycles=3)
    unit_report(view, tmp_path / "unit.pdf")
    fleet_report(builder.fleet_view(2, cycles=3), str(tmp_path / "fleet.pdf"))
    cycle_sheet(cycle_view(view, view.cycles["cycle_id"].iloc[0]), tmp_path / "cycle.pdf")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["cycle.pdf", "fleet.pdf", "unit.pdf"]
    with pytest.raises(FileNotFoundError):
        write(unit_document(view, ReportOptions()), tmp_path / "missing" / "unit.pdf")
    (tmp_path / "folder.pdf").mkdir()
    with pytest.raises(OSError, match="folder"):
        unit_report(view, tmp_path / "folder.pdf")
    assert not list(tmp_path.glob("*.part"))


def test_figures_do_not_pile_up(builder: Any) -> None:
    render(fleet_document(builder.fleet_view(20, cycles=5), ReportOptions()))
    gc.collect()
    assert not [o for o in gc.get_objects() if isinstance(o, Figure)]


def test_page_numbers_count_all_pages(unit_pdf: bytes) -> None:
    reader = PdfReader(io.BytesIO(unit_pdf))
    total = len(reader.pages)
    for number, page in enumerate(reader.pages, 1):
        assert f"page {number} of {total}" in page.extract_text()


def test_settings_of_the_drawing_library_are_left_as_they_were(builder: Any) -> None:
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    for _ in figures(unit_document(builder.unit_view(cycles=3), ReportOptions())):
        pass
    render(unit_document(builder.unit_view(cycles=3), ReportOptions()))
    assert dict(mpl.rcParams) == before


def test_terminal_text_needs_no_drawing_library() -> None:
    code = (
        "import sys\n"
        "from chamberdrift.reports import show_text, summary_text, FleetView\n"
        "assert not [m for m in sys.modules if m.startswith('matplotlib')]\n"
        "from chamberdrift.reports import fleet_report, unit_report, cycle_sheet\n"
        "assert callable(cycle_sheet)\n"
        "assert 'matplotlib.figure' in sys.modules\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_unknown_names_of_the_package_are_refused() -> None:
    import chamberdrift.reports as reports

    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = reports.nothing


def test_choices_that_do_not_exist_are_refused() -> None:
    with pytest.raises(ValueError, match="paper 'A5' is not one of A4, letter"):
        ReportOptions(paper="A5")
    with pytest.raises(ValueError, match="temperature_unit"):
        ReportOptions(temperature_unit="K")


def test_preview_is_a_small_png_of_one_page(builder: Any) -> None:
    document = unit_document(flagged(builder), ReportOptions())
    data = preview(document, 1)
    assert data == preview(document, 1)
    assert data.startswith(b"\x89PNG")
    assert len(data) < 150_000
    width, height = (int.from_bytes(data[i : i + 4], "big") for i in (16, 20))
    assert (width, height) == (595, 841)
    with pytest.raises(IndexError, match="page 9"):
        preview(document, 9)


@pytest.mark.parametrize(
    "name", ["$x_1^2$", ") >> /OpenAction << /S /JavaScript (", "a\\)b%<</AA"]
)
def test_markup_and_pdf_syntax_in_names_stay_text(builder: Any, name: str) -> None:
    """Names come from exports. Actions are those of ISO 32000-1, 12.6; none is ever made."""
    view = builder.unit_view(name, cycles=8, flags=[builder.flag(name, evidence=name)])
    target = io.BytesIO()
    unit_report(view, target)
    fleet = io.BytesIO()
    flags = view.flags
    whole = FleetView(view.config, view.cycles, view.as_of, flags=flags, intake=view.intake)
    fleet_report(replace(whole, files={name: "unit-u-00.pdf"}), fleet)
    for made in (target, fleet):
        reader: Any = PdfReader(made, strict=True)
        assert name in reader.pages[0].extract_text()
        assert set(reader.root_object) <= {"/Type", "/Pages", "/Outlines", "/PageMode"}
        titles = [entry.title for entry in reader.outline]
        assert any(name in title for title in titles)
        for page in reader.pages:
            assert "/AA" not in page
            for note in page.get("/Annots") or ():
                action = note.get_object()["/A"]
                assert action["/S"] in ("/URI", "/GoToR")
                assert "unit-u-00.pdf" in str(action)
