"""From planned pages to one PDF with fixed bytes."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
import pandas as pd

from . import style
from .flow import Row, Rule, Words, paginate
from .metrics import fit_end, printable, text_width_pt
from .moments import Clock
from .options import ReportOptions
from .outline import Bookmark, add_bookmarks
from .sheet import Sheet
from .typeface import lent_curves
from .views import Provenance

if TYPE_CHECKING:
    from matplotlib.figure import Figure

FINER = 4
"""A preview is drawn this many times finer and averaged: small text stays even."""

TRUETYPE, DRAWN = 42, 3
"""Ways of embedding a font (ISO 32000-1, 9.6 and 9.7): as it is, or its letters as drawings."""

Target = str | os.PathLike[str] | BinaryIO
"""Where a report goes: a path, or an open binary file."""


@dataclass(frozen=True)
class Page:
    """A planned page: how to draw it, and its lines in the outline."""

    draw: Callable[[Sheet], None]
    bookmarks: tuple[str, ...] = ()


@dataclass(frozen=True)
class Footer:
    """What stands at the foot of each page."""

    left: str
    below: str = ""


@dataclass(frozen=True)
class Document:
    """Pages, and what the file says about itself."""

    title: str
    pages: tuple[Page, ...]
    footer: Footer
    as_of: pd.Timestamp
    options: ReportOptions


def text_box(options: ReportOptions) -> tuple[float, float]:
    """Return width and height [pt] of the part of a page that rows may fill."""
    width, height = options.page_pt
    return (
        width - style.MARGIN_LEFT_PT - style.MARGIN_RIGHT_PT,
        height - style.MARGIN_TOP_PT - style.MARGIN_BOTTOM_PT,
    )


def pages_of(rows: Sequence[Row], options: ReportOptions) -> list[Page]:
    """Return pages that hold the rows."""
    return [_page(part) for part in paginate(rows, text_box(options)[1])]


def _page(rows: Sequence[Row]) -> Page:
    def draw(sheet: Sheet) -> None:
        sheet.pile(rows, style.MARGIN_LEFT_PT, style.MARGIN_TOP_PT)

    return Page(draw, tuple(r.bookmark for r in rows if r.bookmark))


def provenance_footer(
    provenance: Provenance, data_through: pd.Timestamp | None, clock: Clock, below: str = ""
) -> Footer:
    """Return the footer: program, store, and how far the data reach."""
    store = f"store: {provenance.store}" if provenance.store else "no store"
    if provenance.commit is not None:
        store += f", commit {provenance.commit}"
    through = "no data"
    if data_through is not None and not pd.isna(data_through):
        through = f"data through {clock.moment(data_through)} ({clock.name})"
    return Footer(f"chamberdrift {provenance.version}  ·  {store}  ·  {through}", below)


def accepted_by(intake: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return the exports that were taken in and hold anything from before a moment."""
    return intake[(intake["outcome"] == "accepted") & ~(intake["first_time"] > as_of)]


def sources_words(intake: pd.DataFrame, as_of: pd.Timestamp) -> str:
    """Return which exports the numbers come from, newest named."""
    accepted = accepted_by(intake, as_of)
    if accepted.empty:
        return "no export on record for this view"
    newest = accepted.sort_values("last_time", kind="stable").iloc[-1]
    noun = "export" if len(accepted) == 1 else "exports"
    sha = str(newest["sha256"])[:12]
    return f"from {len(accepted)} {noun}, newest {newest['export']} (sha256 {sha}…)"


def figures(document: Document, font_type: int = TRUETYPE) -> Iterator[Figure]:
    """Yield each page as a figure; each is cleared when the next is asked for."""
    import matplotlib as mpl

    total = len(document.pages)
    for index, page in enumerate(document.pages):
        with mpl.rc_context(style.rc(font_type)):
            sheet = Sheet(*document.options.page_pt)
            page.draw(sheet)
            _foot(sheet, document.footer, index + 1, total)
            figure = sheet.finish()
            yield figure
        figure.clear()


def _foot(sheet: Sheet, footer: Footer, number: int, total: int) -> None:
    left = style.MARGIN_LEFT_PT
    right = sheet.width - style.MARGIN_RIGHT_PT
    top = sheet.height - style.MARGIN_BOTTOM_PT + 14.0
    size = style.TINY_PT + 0.2
    sheet.rule(Rule(left, right, top))
    page = f"page {number} of {total}"
    room = right - left - text_width_pt(page, size) - 16.0
    sheet.words(
        Words(left, top + 10.0, fit_end(printable(footer.left), size, room), size, style.MUTED)
    )
    sheet.words(Words(right, top + 10.0, page, size, style.MUTED, align="right"))
    if footer.below:
        below = fit_end(printable(footer.below), size, right - left)
        sheet.words(Words(left, top + 19.0, below, size, style.MUTED))


def render(document: Document) -> bytes:
    """Return the PDF's bytes: equal documents give equal bytes on one machine."""
    data = _render(document, TRUETYPE)
    if any(name in data for name in lent_curves()):
        # The library embeds such a font under a wrong label; as drawings it is right.
        data = _render(document, DRAWN)
    marks = [Bookmark(name, i) for i, p in enumerate(document.pages) for name in p.bookmarks]
    return add_bookmarks(data, marks)


def _render(document: Document, font_type: int) -> bytes:
    import matplotlib as mpl
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = io.BytesIO()
    when = _plain_utc(document.as_of)
    metadata = {
        "Title": printable(document.title),
        "Author": "chamberdrift",
        "Creator": "chamberdrift",
        "Producer": "chamberdrift with matplotlib",
        "CreationDate": when,
        "ModDate": when,
    }
    with mpl.rc_context(style.rc(font_type)), PdfPages(buffer, metadata=metadata) as pdf:
        for figure in figures(document, font_type):
            pdf.savefig(figure)
    return buffer.getvalue()


def preview(document: Document, page: int = 0, *, dpi: float = 72.0) -> bytes:
    """Return one page as a PNG, small enough for a README at 72 dots an inch.

    Parameters
    ----------
    document
        The report.
    page
        Which page, from 0.
    dpi
        Dots per inch.

    Raises
    ------
    IndexError
        If the document has no such page.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.image import imsave

    if not 0 <= page < len(document.pages):
        raise IndexError(f"page {page} is not among the {len(document.pages)} of this document")
    figure = next(islice(figures(document), page, None))
    figure.set_dpi(dpi * FINER)
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    dots = np.asarray(canvas.buffer_rgba(), np.float64)[..., :3]
    height, width = dots.shape[0] // FINER, dots.shape[1] // FINER
    dots = dots[: height * FINER, : width * FINER]
    small = dots.reshape(height, FINER, width, FINER, 3).mean(axis=(1, 3))
    buffer = io.BytesIO()
    said = {"Software": "chamberdrift", "Title": printable(document.title)}
    look = {"optimize": True}
    even = np.asarray(np.round(small / 8.0) * 8.0, np.float64).clip(0.0, 255.0)
    imsave(buffer, even.astype(np.uint8), format="png", metadata=said, pil_kwargs=look)
    return buffer.getvalue()


def write(document: Document, target: Target) -> None:
    """Write the PDF to a path, whole or not at all, or into an open binary file."""
    data = render(document)
    if not isinstance(target, (str, os.PathLike)):
        target.write(data)
        return
    path = Path(target)
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        part.write_bytes(data)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _plain_utc(moment: pd.Timestamp) -> datetime:
    at = moment.tz_convert("UTC") if moment.tzinfo is not None else moment.tz_localize("UTC")
    return at.to_pydatetime(warn=False).replace(microsecond=0, tzinfo=UTC)
