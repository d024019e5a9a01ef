"""Take over the service logs of an inbox."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from ..shared.errors import reason_of
from .inbox import safe_name
from .intake import IngestResult
from .service_log import merge_entries, read_service_log
from .work import Work

if TYPE_CHECKING:
    from .store.location import Location

LARGEST: Final = 16_000_000
"""Bytes of a service log that are read; about a hundred thousand lines."""


def import_service(work: Work, inbox: str, taken: IngestResult) -> tuple[tuple[str, ...], int]:
    """Take over the inbox's service logs; return refused lines and the count of new entries."""
    from .store.location import open_location

    refused: list[str] = []
    new = 0
    place = open_location(inbox)
    known = sorted({*work.snapshot.unit_ids(), *taken.units})
    for path in taken.service_logs:
        name = safe_name(path)
        trouble = _trouble(place, path)
        if trouble:
            refused.append(f"{name}: {trouble}")
            continue
        log = read_service_log(place.read(path), work.config, known, name)
        refused += log.refused
        units = sorted({e.unit_id for e in log.entries})
        stored = work.txn.preview().table("service", units=units) if units else None
        for unit in units:
            assert stored is not None
            before = stored[stored["unit_id"] == unit].reset_index(drop=True)
            entries = [e for e in log.entries if e.unit_id == unit]
            after = merge_entries(before, entries, work.recorded_at.to_pydatetime())
            if len(after) > len(before):
                new += len(after) - len(before)
                work.txn.replace("service", unit, after)
                work.changed = True
    return tuple(refused), new


def _trouble(place: Location, path: str) -> str:
    """Return why a log can't be taken over, else nothing; the night goes on without it."""
    try:
        size = place.size(path)
        with place.open_file(path):
            pass
    except OSError as error:
        return f"it can't be read ({reason_of(error)}); see to its rights."
    if size > LARGEST:
        return f"{size / 1e6:.0f} MB is no service log; at most {LARGEST / 1e6:.0f} MB is read."
    return ""
