"""Bookmarks for a finished PDF, appended as an incremental update.

The drawing library writes no outline. The format allows a file to be extended
at its end by new objects, a new cross-reference section and a trailer that
points back (ISO 32000-1, 7.5.6), so the bytes already written stay as they are.
A file of another shape than expected is returned unchanged.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

_START = re.compile(rb"startxref\s+(\d+)\s+%%EOF\s*$")
_ROOT = re.compile(rb"/Root (\d+) 0 R")
_INFO = re.compile(rb"/Info (\d+) 0 R")
_SIZE = re.compile(rb"/Size (\d+)")


@dataclass(frozen=True)
class Bookmark:
    """A line of the outline: its words and the page it opens, from 0."""

    title: str
    page: int


def add_bookmarks(pdf: bytes, bookmarks: Sequence[Bookmark]) -> bytes:
    """Return the PDF with a flat outline, opened when the file is.

    Parameters
    ----------
    pdf
        A file with a classic cross-reference table and a flat page tree.
    bookmarks
        Lines in order; those for pages that don't exist are left out.
    """
    start = _START.search(pdf[-64:])
    if start is None or not bookmarks:
        return pdf
    previous = int(start[1])
    tail = pdf[previous:]
    root, size, info = _ROOT.search(tail), _SIZE.search(tail), _INFO.search(tail)
    if not tail.startswith(b"xref") or root is None or size is None:
        return pdf
    catalog = _dictionary(pdf, int(root[1]))
    if catalog is None or b"/Outlines" in catalog:
        return pdf
    pages_ref = re.search(rb"/Pages (\d+) 0 R", catalog)
    tree = _dictionary(pdf, int(pages_ref[1])) if pages_ref else None
    kids = re.search(rb"/Kids \[([^\]]*)\]", tree) if tree else None
    if kids is None:
        return pdf
    pages = [int(n) for n in re.findall(rb"(\d+) 0 R", kids[1])]
    lines = [b for b in bookmarks if 0 <= b.page < len(pages)]
    if not lines:
        return pdf
    first = int(size[1])
    return _append(pdf, previous, int(root[1]), catalog, info, first, lines, pages)


def _append(
    pdf: bytes,
    previous: int,
    root: int,
    catalog: bytes,
    info: re.Match[bytes] | None,
    first: int,
    lines: Sequence[Bookmark],
    pages: Sequence[int],
) -> bytes:
    outline = first
    items = [first + 1 + i for i in range(len(lines))]
    opened = b"/Outlines %d 0 R /PageMode /UseOutlines" % outline
    objects = {
        root: b"<< " + catalog.strip() + b" " + opened + b" >>",
        outline: b"<< /Type /Outlines /First %d 0 R /Last %d 0 R /Count %d >>"
        % (items[0], items[-1], len(items)),
    }
    for index, line in enumerate(lines):
        links = b"/Parent %d 0 R" % outline
        if index:
            links += b" /Prev %d 0 R" % items[index - 1]
        if index + 1 < len(items):
            links += b" /Next %d 0 R" % items[index + 1]
        title = b"\xfe\xff" + line.title.encode("utf-16-be", "replace")
        objects[items[index]] = b"<< /Title <%s> %s /Dest [%d 0 R /Fit] >>" % (
            title.hex().encode(),
            links,
            pages[line.page],
        )
    out = bytearray(pdf if pdf.endswith(b"\n") else pdf + b"\n")
    table = bytearray(b"xref\n")
    for number in sorted(objects):
        table += b"%d 1\n%010d 00000 n \n" % (number, len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, objects[number])
    position = len(out)
    out += table
    out += b"trailer\n<< /Size %d /Root %d 0 R" % (items[-1] + 1, root)
    if info is not None:
        out += b" /Info %d 0 R" % int(info[1])
    out += b" /Prev %d >>\nstartxref\n%d\n%%%%EOF\n" % (previous, position)
    return bytes(out)


def _dictionary(pdf: bytes, number: int) -> bytes | None:
    """Return what stands between ``<<`` and ``>>`` of a plain dictionary object."""
    pattern = re.compile(rb"(?:^|\n)%d 0 obj\s*<<(.*?)>>\s*endobj" % number, re.DOTALL)
    newest = None
    for found in pattern.finditer(pdf):
        newest = found[1]
    return newest
