"""A TrueType font cut down to the characters that pages need.

Embedding a font reads all of it first, so a page's time goes with the number of
glyphs in the file. Tables are as in ISO/IEC 14496-22 ("glyf", "loca", "hmtx",
"cmap" format 4, "post" version 3); outlines, widths and hints stay as they are.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from itertools import pairwise
from typing import Final

import numpy as np

_WORDS, _SCALE, _MORE, _TWO_SCALES, _MATRIX = 0x1, 0x8, 0x20, 0x40, 0x80
"""Flags of a part of a composite glyph."""
_POST_HEAD: Final = 32
_BMP: Final = 0xFFFF


def tables_of(data: bytes) -> dict[bytes, bytes]:
    """Return a font file's tables by tag.

    Raises
    ------
    ValueError
        If it is another kind of file than one TrueType font.
    """
    if data[:4] not in (b"\x00\x01\x00\x00", b"true"):
        raise ValueError("not a TrueType font")
    (count,) = struct.unpack(">H", data[4:6])
    entries = [struct.unpack(">4sLLL", data[12 + 16 * i : 28 + 16 * i]) for i in range(count)]
    return {tag: data[start : start + length] for tag, _, start, length in entries}


def font_file(tables: Mapping[bytes, bytes]) -> bytes:
    """Return a TrueType font made of tables."""
    count = len(tables)
    largest = 1 << (count.bit_length() - 1)
    fields = (count, largest * 16, largest.bit_length() - 1, (count - largest) * 16)
    header = b"\x00\x01\x00\x00" + struct.pack(">HHHH", *fields)
    place = 12 + 16 * count
    directory, body = bytearray(), bytearray()
    for tag in sorted(tables):
        table = tables[tag]
        if tag == b"head":  # the whole file's checksum is not ours to state
            table = table[:8] + b"\0" * 4 + table[12:]
        padded = table + b"\0" * (-len(table) % 4)
        checksum = int(np.frombuffer(padded, ">u4").sum(dtype=np.uint64)) & 0xFFFFFFFF
        directory += struct.pack(">4sLLL", tag, checksum, place, len(table))
        body += padded
        place += len(padded)
    return bytes(header + directory + body)


def cut_down(tables: Mapping[bytes, bytes], glyph_of: Mapping[int, int]) -> dict[bytes, bytes]:
    """Return a font's tables with the glyphs of some characters only.

    Parameters
    ----------
    tables
        The whole font's tables.
    glyph_of
        Code point to glyph number in the whole font, for the characters to keep;
        those beyond the basic plane are left out.
    """
    codes = sorted(c for c in glyph_of if c < _BMP)
    outlines = _outlines(tables)
    order = list(dict.fromkeys([0, *(glyph_of[c] for c in codes)]))
    new = {old: index for index, old in enumerate(order)}
    for old in order:  # grows while parts of composites are found
        for part in _parts(outlines[old]):
            if part not in new:
                new[part] = len(order)
                order.append(part)
    glyf, loca = bytearray(), [0]
    for old in order:
        outline = _renumbered(outlines[old], new)
        glyf += outline + b"\0" * (-len(outline) % 4)
        loca.append(len(glyf))
    post = tables[b"post"]
    head, hhea, maxp = (bytearray(tables[t]) for t in (b"head", b"hhea", b"maxp"))
    head[50:52] = struct.pack(">h", 1)
    hhea[34:36] = maxp[4:6] = struct.pack(">H", len(order))
    return {
        **tables,
        b"glyf": bytes(glyf),
        b"loca": struct.pack(f">{len(loca)}L", *loca),
        b"hmtx": _metrics(tables, order),
        b"cmap": _characters([(c, new[glyph_of[c]]) for c in codes]),
        b"post": struct.pack(">L", 0x00030000) + post[4:_POST_HEAD],
        b"head": bytes(head),
        b"hhea": bytes(hhea),
        b"maxp": bytes(maxp),
    }


def _outlines(tables: Mapping[bytes, bytes]) -> list[bytes]:
    loca, glyf = tables[b"loca"], tables[b"glyf"]
    if struct.unpack(">h", tables[b"head"][50:52])[0]:
        places = struct.unpack(f">{len(loca) // 4}L", loca)
    else:
        places = tuple(2 * p for p in struct.unpack(f">{len(loca) // 2}H", loca))
    return [glyf[a:b] for a, b in pairwise(places)]


def _references(outline: bytes) -> list[int]:
    """Return where a composite glyph names its parts; none for a plain glyph."""
    places: list[int] = []
    if len(outline) < 10 or struct.unpack(">h", outline[:2])[0] >= 0:
        return places
    at, flags = 10, _MORE
    while flags & _MORE:
        (flags,) = struct.unpack(">H", outline[at : at + 2])
        places.append(at + 2)
        at += 4 + (4 if flags & _WORDS else 2)
        at += 8 if flags & _MATRIX else 4 if flags & _TWO_SCALES else 2 if flags & _SCALE else 0
    return places


def _parts(outline: bytes) -> list[int]:
    return [struct.unpack(">H", outline[p : p + 2])[0] for p in _references(outline)]


def _renumbered(outline: bytes, new: Mapping[int, int]) -> bytes:
    out = bytearray(outline)
    for place in _references(outline):
        (old,) = struct.unpack(">H", out[place : place + 2])
        out[place : place + 2] = struct.pack(">H", new[old])
    return bytes(out)


def _metrics(tables: Mapping[bytes, bytes], order: list[int]) -> bytes:
    """Return advance and left side bearing of each glyph kept."""
    hmtx = tables[b"hmtx"]
    (count,) = struct.unpack(">H", tables[b"hhea"][34:36])
    out = bytearray()
    for old in order:
        if old < count:
            out += hmtx[4 * old : 4 * old + 4]
        else:  # the last advance serves for all that follow
            bearing = 4 * count + 2 * (old - count)
            out += hmtx[4 * count - 4 : 4 * count - 2] + hmtx[bearing : bearing + 2]
    return bytes(out)


def _characters(pairs: list[tuple[int, int]]) -> bytes:
    """Return a character map of format 4: runs in which code and glyph rise together."""
    runs: list[list[int]] = []
    for code, glyph in pairs:
        if runs and code == runs[-1][1] + 1 and glyph == runs[-1][2] + code - runs[-1][0]:
            runs[-1][1] = code
        else:
            runs.append([code, code, glyph])
    runs.append([_BMP, _BMP, 0])
    count = len(runs)
    largest = 1 << (count.bit_length() - 1)
    deltas = [(glyph - start) & 0xFFFF for start, _, glyph in runs[:-1]] + [1]
    body = struct.pack(f">{count}H", *(end for _, end, _ in runs)) + b"\0\0"
    body += struct.pack(f">{count}H", *(start for start, _, _ in runs))
    body += struct.pack(f">{count}H", *deltas) + b"\0\0" * count
    search = (2 * count, 2 * largest, largest.bit_length() - 1, 2 * (count - largest))
    table = struct.pack(">HHHHHHH", 4, 14 + len(body), 0, *search) + body
    return struct.pack(">HHHHL", 0, 1, 3, 1, 12) + table
