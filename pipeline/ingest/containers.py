"""Files, gzip and zip members as bounded streams of bytes.

A file's content decides what it is, not its name. Nothing is ever unpacked to
disk, an archive in an archive is refused, and both the unpacked size and the
ratio are bounded.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from typing import IO, Any, Final

from ...shared.errors import ExportRefusedError
from .refuse import printable, refusal

IN_MEMORY: Final = 48 * 2**20
"""Exports up to this many bytes are read whole [B]; larger ones are streamed."""
MAX_UNPACKED: Final = 16 * 2**30
"""Greatest unpacked size [B]."""
MAX_RATIO: Final = 250
"""Greatest ratio of unpacked to packed size once more than 8 MiB are unpacked: text that a
logger writes packs to 1/5 to 1/60 (measured on made exports), a bomb to 1/1000."""
MAX_MEMBERS: Final = 2000

_KNOWN: Final = (
    (b"%PDF", "a PDF document"),
    (b"\x89PNG", "an image"),
    (b"\xff\xd8\xff", "an image"),
    (b"GIF8", "an image"),
    (b"PAR1", "a Parquet file"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet or document"),
    (b"SQLite format 3", "a database"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (b"Rar!", "a RAR archive"),
    (b"BZh", "a bzip2 archive"),
    (b"\xfd7zXZ", "an xz archive"),
    (b"\x28\xb5\x2f\xfd", "a zstd archive"),
    (b"\x7fELF", "a program"),
    (b"MZ\x90", "a program"),
)


@dataclass(frozen=True)
class Member:
    """One table file: its bytes where it is small, else a way to open it again."""

    name: str
    data: bytes | None
    open: Callable[[], IO[bytes]]
    refused: ExportRefusedError | None = None
    """Why it can't be unpacked, where others of its archive can."""


def hash_of(source: Any) -> str:
    """Return the sha256 of a path or of bytes, in hex."""
    if isinstance(source, bytes | bytearray | memoryview):
        return hashlib.sha256(source).hexdigest()
    digest = hashlib.sha256()
    with open(source, "rb") as stream:
        while block := stream.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def members(source: Any, name: str) -> list[Member]:
    """Return the table files in an export.

    Parameters
    ----------
    source
        A path or bytes.
    name
        The export's name, for messages.

    Raises
    ------
    ExportRefusedError
        With cause ``empty``, ``not_a_table``, ``spreadsheet``, ``damaged_archive``,
        ``nested_archive`` or ``archive_too_large``.
    """
    if isinstance(source, bytes | bytearray | memoryview):
        data = bytes(source)
        return _of(name, len(data), data[:16], lambda: io.BytesIO(data), data)
    size = os.stat(source).st_size
    with open(source, "rb") as stream:
        if size <= IN_MEMORY:
            content = stream.read(IN_MEMORY + 1)
            if len(content) <= IN_MEMORY:
                return _of(name, len(content), content[:16], lambda: io.BytesIO(content), content)
            head = content[:16]
        else:
            head = stream.read(16)
    return _of(name, size, head, lambda: open(source, "rb"), None)


def _of(
    name: str, size: int, head: bytes, opener: Callable[[], IO[bytes]], data: bytes | None
) -> list[Member]:
    if size == 0:
        raise refusal("empty", name, "the file holds no bytes", "export it again")
    if head.startswith(b"\x1f\x8b"):
        return [_unpacked(name, size, lambda: _gzip(opener))]
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06", b"PK\x07\x08")):
        return _zip(name, opener)
    _refuse_known(name, head)
    return [Member(name, data, opener)]


class _Layered(io.RawIOBase):
    """An unpacking stream that closes what it reads from, too."""

    def __init__(self, stream: IO[bytes], *below: Any) -> None:
        super().__init__()
        self._stream = stream
        self._below = below

    def read(self, size: int = -1) -> bytes:
        """Read from the unpacking stream."""
        return self._stream.read(size)

    def close(self) -> None:
        """Close all layers."""
        for layer in (self._stream, *self._below):
            layer.close()
        super().close()


def _gzip(opener: Callable[[], IO[bytes]]) -> IO[bytes]:
    raw = opener()
    stream: Any = gzip.GzipFile(fileobj=raw, mode="rb")
    return _Layered(stream, raw)  # type: ignore[return-value]


def _zip_member(opener: Callable[[], IO[bytes]], info: zipfile.ZipInfo) -> IO[bytes]:
    raw = opener()
    archive = zipfile.ZipFile(raw)
    return _Layered(archive.open(info), archive, raw)  # type: ignore[return-value]


def _refuse_known(name: str, head: bytes) -> None:
    for magic, what in _KNOWN:
        if head.startswith(magic):
            raise refusal(
                "not_a_table", name, f"the content is {what}", "export a text table instead"
            )


class BoundedStream(io.RawIOBase):
    """Reads an unpacking stream and stops when it grows past its bounds."""

    def __init__(self, stream: IO[bytes], name: str, packed: int) -> None:
        super().__init__()
        self._stream = stream
        self._name = name
        self._packed = max(packed, 1)
        self._total = 0

    def readable(self) -> bool:
        """Say that the stream can be read."""
        return True

    def read(self, size: int = -1) -> bytes:
        """Read up to ``size`` bytes; refuse where the archive is damaged or a bomb."""
        try:
            block = self._stream.read(1 << 20 if size is None or size < 0 else size)
        except ExportRefusedError:
            raise
        except Exception as error:  # an archive can be spoilt in ways that nobody lists
            raise refusal(
                "damaged_archive",
                self._name,
                f"unpacking stopped after {self._total} bytes ({printable(str(error), 80)})",
                "copy or export the file again",
            ) from error
        self._total += len(block)
        if self._total > MAX_UNPACKED or (
            self._total > 8 * 2**20 and self._total / self._packed > MAX_RATIO
        ):
            raise refusal(
                "archive_too_large",
                self._name,
                f"{self._packed} packed bytes hold more than {self._total} bytes",
                "send the table itself, or in smaller pieces",
            )
        return block

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer."""
        block = self.read(len(buffer))
        buffer[: len(block)] = block
        return len(block)

    def close(self) -> None:
        """Close the stream below too."""
        self._stream.close()
        super().close()


def _unpacked(name: str, packed: int, opener: Callable[[], IO[bytes]]) -> Member:
    def bounded() -> IO[bytes]:
        try:
            stream: Any = BoundedStream(opener(), name, packed)
        except Exception as error:
            raise refusal(
                "damaged_archive",
                name,
                f"the archive can't be opened ({printable(str(error), 80)})",
                "copy or export the file again, without a password",
            ) from error
        return stream  # type: ignore[no-any-return]

    blocks: list[bytes] = []
    total = 0
    whole = True
    with bounded() as stream:
        while block := stream.read(1 << 20):
            blocks.append(block)
            total += len(block)
            if total > IN_MEMORY:
                whole = False
                break
    head = blocks[0][:16] if blocks else b""
    if total == 0:
        raise refusal("empty", name, "the archive holds no bytes", "export it again")
    if head.startswith((b"\x1f\x8b", b"PK\x03\x04")):
        raise refusal(
            "nested_archive",
            name,
            "an archive lies in the archive",
            "unpack it once and send that",
        )
    _refuse_known(name, head)
    return Member(name, b"".join(blocks) if whole else None, bounded)


def _zip(name: str, opener: Callable[[], IO[bytes]]) -> list[Member]:
    try:
        with opener() as raw, zipfile.ZipFile(raw) as archive:
            infos = archive.infolist()
    except Exception as error:
        raise refusal(
            "damaged_archive",
            name,
            f"the zip archive can't be read ({printable(str(error), 80)})",
            "copy or export the file again",
        ) from error
    names = {info.filename for info in infos}
    if "[Content_Types].xml" in names or "mimetype" in names:
        raise refusal(
            "spreadsheet",
            name,
            "the content is a spreadsheet or document, not a text table",
            "save it as CSV and send that",
        )
    tables = [
        info
        for info in infos
        if not info.is_dir()
        and not info.filename.startswith("__MACOSX/")
        and not info.filename.rsplit("/", 1)[-1].startswith(".")
    ]
    if not tables:
        raise refusal("empty", name, "the zip archive holds no file", "export it again")
    if len(tables) > MAX_MEMBERS:
        raise refusal(
            "archive_too_large",
            name,
            f"the zip archive holds {len(tables)} files",
            f"send at most {MAX_MEMBERS} in one archive",
        )
    found = []
    for info in sorted(tables, key=lambda i: i.filename):
        if info.flag_bits & 1:
            raise refusal(
                "damaged_archive", name, "the zip archive has a password", "send it without one"
            )
        label = f"{name}/{printable(info.filename, 120)}"
        try:
            member = _unpacked(
                label,
                info.compress_size,
                lambda info=info: _zip_member(opener, info),  # type: ignore[misc]
            )
        except ExportRefusedError as error:
            if len(tables) == 1 or error.cause not in {"empty", "not_a_table", "damaged_archive"}:
                raise
            member = Member(label, None, _nothing, error)
        found.append(member)
    return found


def _nothing() -> IO[bytes]:
    return io.BytesIO()
