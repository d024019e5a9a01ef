"""Digits and signs of other scripts as their ASCII kin, spreadsheets' guards taken off.

Lines stay lines, so that their numbers hold.
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

_STRANGE: Final = re.compile(r"(?![0-9])\d|[\uff01-\uff5e\u3000\u066b\u066c\u2212]")
_WESTERN: Final = bytes(range(0xC4))
"""Bytes of ASCII and of Western European letters and signs in UTF-8."""
_TABLE: Final[dict[int, int | str]] = {
    **{code: code - 0xFEE0 for code in range(0xFF01, 0xFF5F)},
    0x3000: " ",
    0x066B: ".",
    0x066C: "'",
    0x2212: "-",
}
"""Full-width signs, the ideographic blank, Arabic decimal and group marks, the minus sign."""


def plain_signs(data: bytes, bulk: list[str]) -> bytes:
    """Return UTF-8 text with digits and signs of other scripts as ASCII ones.

    They are looked for at the file's beginning and in lines of its middle, ``bulk``.
    """
    if data.isascii():
        return data
    head = data[:4096]
    middle = "\n".join(bulk)
    if not head.translate(None, _WESTERN) and middle.isascii():
        return data
    shown = head.decode("utf-8", "replace") + middle
    if _STRANGE.search(shown) is None:
        return data
    text = data.decode("utf-8", "replace")
    table: dict[int, int | str] = dict(_TABLE)
    for character in set(text):
        value = unicodedata.decimal(character, None)
        if value is not None and not character.isascii():
            table[ord(character)] = str(value)
    return text.translate(table).encode("utf-8")


def unwrap(data: bytes, bulk: list[str]) -> bytes:
    """Return lines without quotes around whole lines, single quotes, or formulas around cells.

    Spreadsheets leave these behind.
    """
    lines = bulk or [
        t for t in re.split(r"\r\n|\n|\r", data[:4000].decode("utf-8", "replace"))[1:-1] if t
    ]
    if not lines or not any('"' in t or "'" in t for t in lines):
        return data
    if any('="' in t for t in lines):
        data = re.sub(rb'(?m)(^|[,;\t|])="([^"\r\n]*)"', rb'\1"\2"', data)
        lines = [re.sub(r'(^|[,;\t|])="([^"]*)"', r'\1"\2"', t) for t in lines]
    if all(re.fullmatch(r'"[^"]*[,;\t|][^"]*"', t) for t in lines):
        return re.sub(rb'(?m)^"([^"\r\n]*)"(?=\r?$)', rb"\1", data)
    if all(re.match(r"^'[^']*'[,;\t|]'", t) for t in lines):
        return data.replace(b"'", b'"')
    if all(re.match(r"^'[^'\",;\t|]*[,;\t|]", t) for t in lines):
        # One quote before a cell says "text" to a spreadsheet.
        return re.sub(rb"(?m)(^|[,;\t|])'(?=[^',;\t|\r\n])", rb"\1", data)
    return data
