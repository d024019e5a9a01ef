"""Bookmarks appended to a PDF (ISO 32000-1, 7.5.6 and 12.3.3), read back by pypdf."""

from __future__ import annotations

import io
from typing import Any

import pytest
from chamberdrift.reports.outline import Bookmark, add_bookmarks
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from pypdf import PdfReader


@pytest.fixture(scope="module")
def plain() -> bytes:
    buffer = io.BytesIO()
    with PdfPages(buffer, metadata={"Title": "plain", "CreationDate": None}) as pdf:
        for i in range(3):
            figure = Figure(figsize=(2, 2))
            figure.text(0.2, 0.5, f"sheet {i}")
            pdf.savefig(figure)
    return buffer.getvalue()


def read(data: bytes) -> list[tuple[str, int | None]]:
    reader = PdfReader(io.BytesIO(data), strict=True)
    outline: Any = reader.outline
    return [(o.title, reader.get_destination_page_number(o)) for o in outline]


def test_titles_and_pages_come_back(plain: bytes) -> None:
    marks = [Bookmark("first", 0), Bookmark("also first", 0), Bookmark("Łódź – 消毒 (3)\\", 2)]
    data = add_bookmarks(plain, marks)
    assert read(data) == [("first", 0), ("also first", 0), ("Łódź – 消毒 (3)\\", 2)]


def test_earlier_bytes_stay(plain: bytes) -> None:
    data = add_bookmarks(plain, [Bookmark("x", 1)])
    assert data.startswith(plain)
    reader = PdfReader(io.BytesIO(data), strict=True)
    assert [p.extract_text().strip() for p in reader.pages] == ["sheet 0", "sheet 1", "sheet 2"]
    assert reader.metadata is not None
    assert reader.metadata.title == "plain"


def test_pages_that_do_not_exist_are_left_out(plain: bytes) -> None:
    assert read(add_bookmarks(plain, [Bookmark("far", 9), Bookmark("near", 1)])) == [("near", 1)]
    assert add_bookmarks(plain, [Bookmark("far", 9)]) == plain


def test_a_second_call_changes_nothing(plain: bytes) -> None:
    once = add_bookmarks(plain, [Bookmark("x", 1)])
    assert add_bookmarks(once, [Bookmark("y", 1)]) == once


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"not a pdf",
        b"%PDF-1.4\nstartxref\n0\n%%EOF",
        b"%PDF-1.4\nxref\n0 1\ntrailer\n<< /Size 1 >>\nstartxref\n9\n%%EOF\n",
        b"%PDF-1.4\nstartxref\n99999999\n%%EOF\n",
    ],
)
def test_other_files_are_returned_unchanged(data: bytes) -> None:
    assert add_bookmarks(data, [Bookmark("x", 0)]) == data
