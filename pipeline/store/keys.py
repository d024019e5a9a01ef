"""Paths inside a store: safe on every filesystem, readable without the log."""

from __future__ import annotations

import zlib

from ...shared.errors import StoreError

TRACE_BUCKETS = 16
"""Parts that a month's list of trace files is split into, so that one unit's
list is short to read in a large fleet (a trade of file count, no source)."""


def unit_key(unit_id: str) -> str:
    """Return the folder-safe key of a unit id: ``u-`` and the hex of its UTF-8 bytes.

    Raises
    ------
    StoreError
        If the id is not 1 to 64 bytes long.
    """
    try:
        raw = unit_id.encode("utf-8")
    except UnicodeEncodeError as error:
        raise StoreError("a unit id can't be written as UTF-8: rename the unit") from error
    if not 1 <= len(raw) <= 64:
        raise StoreError(f"a unit id must be 1 to 64 bytes long, this one has {len(raw)}")
    return "u-" + raw.hex()


def unit_of_key(key: str) -> str:
    """Return the unit id that a key stands for."""
    return bytes.fromhex(key.removeprefix("u-")).decode("utf-8")


def trace_folder(unit_id: str, month: str) -> str:
    """Return the folder of a unit's samples of one UTC month ``YYYY-MM``."""
    return f"traces/unit={unit_key(unit_id)}/month={month}"


def trace_parts(path: str) -> tuple[str, str]:
    """Return the unit id and the month that a trace file's path names."""
    _, unit, month, _ = path.split("/")
    return unit_of_key(unit.removeprefix("unit=")), month.removeprefix("month=")


def trace_shard(unit_id: str, month: str) -> str:
    """Return the name of the part of the file list that holds a unit's month."""
    return f"traces-{month}-{zlib.crc32(unit_id.encode('utf-8')) % TRACE_BUCKETS:02d}"


def commit_path(number: int) -> str:
    """Return the path of a commit."""
    return f"commits/{number:010d}.json"


def checkpoint_path(number: int) -> str:
    """Return the path of the checkpoint of a commit."""
    return f"commits/checkpoints/{number:010d}.json"
