"""The sign that nights still end well."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from .moment import now

if TYPE_CHECKING:
    from .store import Store

LAST_NIGHT: Final = "reports/last-night.json"
"""Says on which day the last night ended well."""


def note_good_night(store: Store, commit: int) -> None:
    """Keep the day of the last night that ended well; a second run that day changes nothing."""
    body: dict[str, Any] = {
        "last_good_night": now().strftime("%Y-%m-%d"),
        "commit": commit,
    }
    text = json.dumps(body).encode() + b"\n"
    try:
        if store.place.read(LAST_NIGHT) == text:
            return
    except OSError:
        pass
    store.place.write(LAST_NIGHT, text)


def last_good_night(store: Store) -> str | None:
    """Return the UTC date of the last night that ended well, or None."""
    try:
        document = json.loads(store.place.read(LAST_NIGHT))
        return str(pd.Timestamp(document["last_good_night"]).date())
    except (OSError, ValueError, KeyError, TypeError):
        return None
