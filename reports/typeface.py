"""The pages' typeface: the drawing library's own sans, without its layout tables.

Each PDF embeds a subset of its fonts, and most of that work goes into tables for
scripts and ligatures that a report does not use (a third of a page's time). A
copy without them is kept in the drawing library's cache folder; glyphs, widths
and hints stay as they are. Where it can't be written, the original serves.
"""

from __future__ import annotations

import hashlib
import os
import struct
from functools import lru_cache
from pathlib import Path
from typing import Final

ORIGINAL: Final = "DejaVu Sans"
SLIM: Final = "DejaVu Page"
"""Family name of the copy; as long as the original's, so that it fits in its place."""

_KEPT: Final = frozenset(
    (
        b"cmap", b"cvt ", b"fpgm", b"gasp", b"glyf", b"head", b"hhea", b"hmtx",
        b"loca", b"maxp", b"name", b"OS/2", b"post", b"prep",
    )
)  # fmt: skip


@lru_cache(maxsize=1)
def family() -> str:
    """Return the family name to draw with, after making it known to the library."""
    import matplotlib as mpl
    from matplotlib.font_manager import FontProperties, findfont, fontManager

    try:
        folder = Path(mpl.get_cachedir())
        paths = []
        for weight in ("normal", "bold"):
            found = findfont(FontProperties(family=ORIGINAL, weight=weight))
            paths.append(_copy(Path(found).read_bytes(), folder, weight))
        for path in paths:
            fontManager.addfont(path)
    except (OSError, ValueError, struct.error):
        return ORIGINAL
    return SLIM


def _copy(data: bytes, folder: Path, weight: str) -> Path:
    """Write the slim copy if it isn't there; return its path."""
    mark = hashlib.sha256(data).hexdigest()[:12]
    path = folder / f"chamberdrift-page-{weight}-{mark}.ttf"
    wanted = slim(data)
    if not path.exists() or path.read_bytes() != wanted:
        part = path.with_suffix(f".{os.getpid()}.part")
        part.write_bytes(wanted)
        part.replace(path)
    return path


def slim(data: bytes) -> bytes:
    """Return a TrueType font with the tables that drawing needs, under the slim name.

    Parameters
    ----------
    data
        A font file with one table directory (ISO/IEC 14496-22, "Organization of
        an OpenType font").

    Raises
    ------
    ValueError
        If it is another kind of font file.
    """
    if data[:4] not in (b"\x00\x01\x00\x00", b"true"):
        raise ValueError("not a TrueType font")
    (count,) = struct.unpack(">H", data[4:6])
    entries = [struct.unpack(">4sLLL", data[12 + 16 * i : 28 + 16 * i]) for i in range(count)]
    entries = [e for e in entries if e[0] in _KEPT]
    largest = 1
    while largest * 2 <= len(entries):
        largest *= 2
    fields = (len(entries), largest * 16, largest.bit_length() - 1, (len(entries) - largest) * 16)
    header = data[:4] + struct.pack(">HHHH", *fields)
    place = 12 + 16 * len(entries)
    directory, body = bytearray(), bytearray()
    for tag, checksum, start, length in entries:
        table = data[start : start + length]
        if tag == b"name":
            for coding in ("utf-16-be", "latin-1"):
                table = table.replace(ORIGINAL.encode(coding), SLIM.encode(coding))
        directory += struct.pack(">4sLLL", tag, checksum, place, length)
        table += b"\0" * (-length % 4)
        body += table
        place += len(table)
    return bytes(header + directory + body)
