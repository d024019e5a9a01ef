"""What the user pinned, and keys of layouts."""

from __future__ import annotations

import fnmatch
import hashlib
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache

from ...shared.config import Assignment, Config, LayoutPin

_NONE = LayoutPin(match="")


def merged_pin(config: Config, name: str) -> LayoutPin:
    """Return what all layouts that match a name pin; the first that says a thing counts."""
    result = _NONE
    if not config.layouts:
        return result
    plain_name = name.replace("\\", "/")
    for layout in config.layouts:
        if fnmatch.fnmatchcase(plain_name, layout.match) or fnmatch.fnmatchcase(
            plain_name.rsplit("/", 1)[-1], layout.match
        ):
            changes = {
                field: getattr(layout, field)
                for field in LayoutPin.__dataclass_fields__
                if field != "match"
                and getattr(result, field) in (None, ())
                and getattr(layout, field) not in (None, ())
            }
            result = replace(result, **changes)
    return result


@lru_cache(maxsize=256)
def layout_hash(*parts: str) -> str:
    """Return a short key of a layout's features."""
    return hashlib.sha1(
        "\x1f".join(parts).encode("utf-8", "replace"), usedforsecurity=False
    ).hexdigest()[:12]


def active(assignment: Assignment) -> tuple[int | None, int | None]:
    """Return an assignment's span [ms], None for an open end; naive times are UTC."""

    def ms(value: datetime | None) -> int | None:
        if value is None:
            return None
        value = value if value.tzinfo else value.replace(tzinfo=UTC)
        return int(value.timestamp() * 1000)

    return ms(assignment.start), ms(assignment.end)
