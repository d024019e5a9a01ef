"""The encoding of a text export, and its bytes as UTF-8."""

from __future__ import annotations

import codecs
import io
import re
from functools import lru_cache
from typing import IO, Any, Final

from .channel_words import ABSOLUTE, CHAMBER, GAUGE, PRESSURE, TEMPERATURE
from .clock_text import MONTHS
from .header_words import DATE, TIME
from .phrases import words
from .refuse import refusal

_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
OLDER: Final = (
    "cp1250",
    "cp1251",
    "cp1253",
    "cp1254",
    "shift_jis",
    "gb18030",
    "euc_kr",
    "big5",
    "koi8_r",
    "cp866",
    "iso8859_2",
    "iso8859_5",
)
"""Encodings besides the Western European one, the commonest first."""
ALL_UTF8: Final = "all bytes read are valid UTF-8"
_KNOWN: Final = (TEMPERATURE, PRESSURE, ABSOLUTE, GAUGE, CHAMBER)
_CONTROL: Final = bytes(c for c in range(32) if c not in b"\t\n\r\x0c\x1a\x00\x1b\x1c\x1d\x1e\x1f")


def detect(head: bytes, *, whole: bool) -> tuple[str, int, str]:
    """Return encoding, length of its mark [B] and the evidence for it.

    Parameters
    ----------
    head
        The first bytes of the file.
    whole
        Whether ``head`` is all of it.
    """
    for mark, name in _BOMS:
        if head.startswith(mark):
            return name, len(mark), f"the file begins with the mark of {name}"
    if head.isascii() and b"\x00" not in head:
        return "utf-8", 0, "all bytes read are ASCII"
    sample = head[: 1 << 14]
    zeros = sample.count(b"\x00")
    if zeros * 4 > len(sample):
        even = sample[0::2].count(b"\x00")
        odd = sample[1::2].count(b"\x00")
        if odd > 6 * max(even, 1) and odd * 2 > 0.7 * len(sample) / 1.0 * 0.8:
            return "utf-16-le", 0, "every second byte is zero, the first is not"
        if even > 6 * max(odd, 1) and even * 2 > 0.7 * len(sample) / 1.0 * 0.8:
            return "utf-16-be", 0, "every second byte is zero, beginning with the first"
    try:
        if whole:
            head.decode("utf-8")
        else:
            codecs.getincrementaldecoder("utf-8")("strict").decode(head, final=False)
    except UnicodeDecodeError:
        found = by_words(head)
        if found:
            return found, 0, "some bytes are no UTF-8; its words are known so, and only so"
        return "cp1252", 0, "some bytes are no UTF-8"
    return "utf-8", 0, ALL_UTF8


def by_words(head: bytes) -> str:
    """Return the older encoding in which the header's words are known, or an empty text.

    Western European text needs no proof: another encoding must know more words.
    """
    lines = re.split(rb"\r\n|\n|\r", head[:8192])[:-1] or [head[:8192]]
    return _by_words(b"\n".join(line for line in lines if not line.isascii())[:2048])


@lru_cache(maxsize=64)
def _by_words(sample: bytes) -> str:
    """Return the same for the lines that are not ASCII: a folder's exports share them."""

    def known(name: str) -> int:
        try:
            text = words(sample.decode(name))
        except UnicodeDecodeError:
            return -1
        return sum(len(set(pattern.findall(text))) for pattern in _KNOWN) + sum(
            word in MONTHS or word in TIME or word in DATE for word in set(text.split())
        )

    least = known("cp1252")
    scores = {name: known(name) for name in OLDER}
    best = max(scores.values())
    if best <= max(least, 0):
        return ""
    return next(name for name, score in scores.items() if score == best)


def refuse_binary(text: bytes, name: str) -> None:
    """Refuse content that is no text.

    Raises
    ------
    ExportRefusedError
        With cause ``not_a_table``.
    """
    sample = text[: 1 << 14]
    if not sample:
        return
    strange = len(sample) - len(sample.translate(None, _CONTROL))
    zeros = sample.count(b"\x00")
    if strange > 0.02 * len(sample) or zeros > 0.3 * len(sample):
        raise refusal(
            "not_a_table",
            name,
            f"{strange + zeros} of "
            + (f"its {len(text)}" if len(sample) == len(text) else f"the first {len(sample)}")
            + " bytes are no text",
            "export a text table instead",
        )


def to_utf8(data: bytes, encoding: str, mark: int, *, valid: bool = False) -> bytes:
    """Return a whole file as UTF-8; ``valid`` says that all of it was found to be."""
    if encoding == "utf-8":
        body = data[mark:] if mark else data
        if body.isascii():
            return body
        if codecs.BOM_UTF8[:1] in body and codecs.BOM_UTF8 in body:
            # Files glued together keep their marks in the middle.
            body = body.replace(codecs.BOM_UTF8, b"")
        if valid:
            return body
        try:
            body.decode("utf-8")
        except UnicodeDecodeError:
            # A few spoilt bytes: keep every row, lose only what can't be read.
            return body.decode("utf-8", "replace").encode("utf-8")
        return body
    body = data[mark:]
    if encoding == "cp1252":
        return body if body.isascii() else body.decode("cp1252", "replace").encode("utf-8")
    if encoding in {"utf-16-le", "utf-16-be"} and len(body) % 2 == 0:
        low, high = (
            (body[0::2], body[1::2]) if encoding == "utf-16-le" else (body[1::2], body[0::2])
        )
        if not high.strip(b"\x00") and low.isascii():
            return low
    return body.decode(encoding, "replace").encode("utf-8", "replace")


class RecodingStream(io.RawIOBase):
    """Reads a stream in any encoding as UTF-8."""

    def __init__(self, stream: IO[bytes], encoding: str, mark: int) -> None:
        super().__init__()
        self._stream = stream
        self._decoder = codecs.getincrementaldecoder(encoding)("replace")
        self._rest = b""
        self._ended = False
        if mark:
            stream.read(mark)

    def readable(self) -> bool:
        """Say that the stream can be read."""
        return True

    def read(self, size: int = -1) -> bytes:
        """Read up to ``size`` bytes of UTF-8."""
        want = 1 << 20 if size is None or size < 0 else size
        while len(self._rest) < want and not self._ended:
            block = self._stream.read(max(want, 1 << 16))
            self._ended = not block
            text = self._decoder.decode(block, self._ended).replace("\ufeff", "")
            self._rest += text.encode("utf-8", "replace")
        out, self._rest = self._rest[:want], self._rest[want:]
        return out

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer."""
        block = self.read(len(buffer))
        buffer[: len(block)] = block
        return len(block)

    def close(self) -> None:
        """Close the stream below too."""
        self._stream.close()
        super().close()
