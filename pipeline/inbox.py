"""Looking through an inbox: which files are exports, which have changed since last time."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from ..shared.errors import ChamberdriftError, reason_of
from .service_log import FILE_NAME as SERVICE_LOG

if TYPE_CHECKING:
    import pandas as pd

    from .store.location import Location
    from .store.snapshot import Snapshot

TEXT_SUFFIXES: Final = (".csv", ".txt", ".tsv")
PACKED_SUFFIXES: Final = (".gz", ".zip")
UNSURE_NS: Final = 2_000_000_000
"""A file changed so shortly before a look may change again within the clock's step."""


@dataclass(frozen=True)
class InboxFile:
    """One file that may be an export."""

    path: str
    """Below the inbox, as the filesystem knows it."""
    name: str
    """The same, safe to print and to store."""
    bytes: int
    mtime_ns: int
    inode: int

    @property
    def stamp(self) -> tuple[int, int, int]:
        """What tells a changed file from an unchanged one."""
        return (self.bytes, self.mtime_ns, self.inode)


@dataclass(frozen=True)
class Scan:
    """What a look through an inbox found."""

    files: tuple[InboxFile, ...]
    service_logs: tuple[str, ...]
    """Paths of files named ``service-log.csv``."""
    ignored: dict[str, int]
    """Why files were left alone, with counts."""
    looked_at_ns: int


def scan(inbox: str | os.PathLike[str]) -> Scan:
    """Look through an inbox, a folder or an address.

    Hidden and temporary files, links that lead out of the inbox, and names without
    one of the suffixes of exports (``.csv .txt .tsv``, also packed as ``.gz .zip``)
    are left alone and counted.

    Raises
    ------
    ChamberdriftError
        If the inbox can't be read.
    """
    from .store.location import LocalLocation, open_location

    place = open_location(inbox)
    now = time.time_ns()
    ignored: dict[str, int] = {}
    try:
        if isinstance(place, LocalLocation):
            found = list(_walk_folder(place.text, ignored))
        else:
            found = [
                InboxFile(f.path, safe_name(f.path), f.bytes, f.mtime_ns, f.inode)
                for f in place.walk()
            ]
    except OSError as error:
        raise ChamberdriftError(
            f"the inbox {place.text} can't be read: {reason_of(error)}. Name the folder into "
            "which the loggers' exports are put, and see that this user may read it."
        ) from error
    files = []
    logs = []
    for file in sorted(found, key=lambda f: f.name):
        base = file.path.rpartition("/")[2]
        if base == SERVICE_LOG:
            logs.append(file.path)
        elif (why := _not_an_export(base)) is not None:
            ignored[why] = ignored.get(why, 0) + 1
        else:
            files.append(file)
    return Scan(tuple(files), tuple(logs), ignored, now)


def _walk_folder(root: str, ignored: dict[str, int]) -> Iterator[InboxFile]:
    real_root = os.path.realpath(root)
    pending = [""]
    first = True
    while pending:
        here = pending.pop()
        try:
            entries = list(os.scandir(os.path.join(root, here)))
        except OSError:
            if first:
                raise
            _note(ignored, "folder that can't be read")
            continue
        first = False
        for entry in entries:
            path = f"{here}/{entry.name}" if here else entry.name
            try:
                if entry.is_symlink():
                    target = os.path.realpath(entry.path)
                    inside = target.startswith(real_root + os.sep)
                    if not inside or not os.path.isfile(target):
                        _note(ignored, "link out of the inbox or to a folder")
                        continue
                elif entry.is_dir():
                    if entry.name.startswith("."):
                        _note(ignored, "hidden or temporary")
                    else:
                        pending.append(path)
                    continue
                if not entry.is_file():
                    _note(ignored, "not a plain file")
                    continue
                stat = entry.stat()
            except OSError:
                _note(ignored, "vanished while looking")
                continue
            yield InboxFile(
                path, safe_name(path), stat.st_size, stat.st_mtime_ns, stat.st_ino % 2**63
            )


def _note(ignored: dict[str, int], why: str) -> None:
    ignored[why] = ignored.get(why, 0) + 1


def _not_an_export(base: str) -> str | None:
    """Return why a name is not an export's, or None."""
    lower = base.lower()
    if lower.startswith((".", "~")) or lower.endswith(("~", ".tmp", ".part", ".partial", ".swp")):
        return "hidden or temporary"
    for suffix in PACKED_SUFFIXES:
        if lower.endswith(suffix):
            return None
    if lower.endswith(TEXT_SUFFIXES):
        return None
    return "other kind of file"


def safe_name(path: str) -> str:
    """Return a path that can be printed and stored: control characters and bytes that are
    no UTF-8 are written as escapes."""
    if path.isprintable():
        return path
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode("ascii")
        for c in path
    )


def inbox_key(place: Location) -> str:
    """Return a short name for an inbox, so that two inboxes of one store stay apart."""
    return hashlib.sha256(place.text.encode("utf-8", "surrogateescape")).hexdigest()[:8]


@dataclass(frozen=True)
class News:
    """Which files of a scan have to be read, and why."""

    files: tuple[InboxFile, ...]
    why: dict[str, str]
    """By name."""
    unchanged: int
    vanished: tuple[str, ...]
    """Keys of remembered files that are no longer there."""
    hashes: dict[str, str] = field(default_factory=dict)
    """Of files that look as they did, the hash of the bytes that were read then, by name."""


def find_news(looked: Scan, key: str, snapshot: Snapshot, *, rehash: bool = False) -> News:
    """Compare a scan with what was read before.

    A file is known by path, size, modification time and file number. One that was
    modified less than 2 s before this look, or before the look that read it, is
    read again.
    """
    import numpy as np
    import pandas as pd

    seen: pd.DataFrame = snapshot.table("seen")
    seen = seen[seen["path"].astype(object).str.startswith(f"{key}:")]
    names = [f"{key}:{f.name}" for f in looked.files]
    position = pd.Index(seen["path"].astype(object)).get_indexer(pd.Index(names, dtype=object))
    known = position >= 0
    at = np.where(known, position, 0)
    sizes = np.array([f.bytes for f in looked.files], dtype=np.int64)
    mtimes = np.array([f.mtime_ns for f in looked.files], dtype=np.int64)
    inodes = np.array([f.inode for f in looked.files], dtype=np.int64)
    if len(seen):
        same = known.copy()
        for column, now in (("bytes", sizes), ("mtime_ns", mtimes), ("inode", inodes)):
            same &= seen[column].to_numpy(dtype=np.int64)[at] == now
        sure = seen["sure"].to_numpy(dtype=bool)[at]
    else:
        same = np.zeros(len(names), dtype=bool)
        sure = same
    fresh = looked.looked_at_ns - mtimes < UNSURE_NS
    read = ~same | ~sure | fresh | rehash
    why = {}
    for i in np.flatnonzero(read):
        file = looked.files[int(i)]
        why[file.name] = (
            "new"
            if not known[i]
            else "changed"
            if not same[i]
            else "asked to read everything"
            if rehash
            else "changed shortly before a look"
        )
    hashes = seen["sha256"].astype(object).to_numpy()
    then = {looked.files[int(i)].name: str(hashes[at[i]]) for i in np.flatnonzero(read & same)}
    still = set(names)
    gone = tuple(p for p in seen["path"] if p not in still) if names else ()
    files = tuple(looked.files[int(i)] for i in np.flatnonzero(read))
    return News(files, why, int((~read).sum()), gone, then)


def seen_rows(files: Sequence[tuple[InboxFile, str]], key: str, looked_at_ns: int) -> pd.DataFrame:
    """Return what to remember of files that were read, each with the hash of its bytes."""
    import pandas as pd

    return pd.DataFrame(
        {
            "path": [f"{key}:{f.name}" for f, _ in files],
            "bytes": [f.bytes for f, _ in files],
            "mtime_ns": [f.mtime_ns for f, _ in files],
            "inode": [f.inode for f, _ in files],
            "sure": [looked_at_ns - f.mtime_ns >= UNSURE_NS for f, _ in files],
            "sha256": [sha for _, sha in files],
        }
    )
