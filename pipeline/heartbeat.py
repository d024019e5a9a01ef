"""The sign that nights still end well."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from .moment import now

if TYPE_CHECKING:
    from .store import Store

LAST_NIGHT: Final = "reports/last-night.json"
"""Says on which days nights ended well."""
DAYS_KEPT: Final = 1100
"""Three years of nights: some 15 kB, read and written once a night."""


def note_good_night(store: Store, commit: int, moment: pd.Timestamp) -> None:
    """Keep the day of a night that ended well; a second run that day changes nothing.

    Parameters
    ----------
    moment
        What the night counted from [UTC]; earlier than the present where a past was asked for.
    """
    today = now().strftime("%Y-%m-%d")
    days = sorted({*_good_nights(store), moment.strftime("%Y-%m-%d")})[-DAYS_KEPT:]
    body: dict[str, Any] = {"last_good_night": today, "commit": commit, "good_nights": days}
    text = json.dumps(body).encode() + b"\n"
    try:
        if store.place.read(LAST_NIGHT) == text:
            return
    except OSError:
        pass
    store.place.write(LAST_NIGHT, text)


def last_good_night(store: Store, before: pd.Timestamp | None = None) -> str | None:
    """Return the UTC date of the last night that ended well, or None.

    Parameters
    ----------
    before
        A moment [UTC]: the last night that counted from its day or an earlier one. None: the
        day on which a night last ran.
    """
    if before is None:
        return _read(store).get("last_good_night")
    day = before.strftime("%Y-%m-%d")
    return max((d for d in _good_nights(store) if d <= day), default=None)


def _good_nights(store: Store) -> list[str]:
    """Return the days of good nights; a file of an earlier version names only the last."""
    document = _read(store)
    return list(document.get("good_nights") or filter(None, [document.get("last_good_night")]))


def _read(store: Store) -> dict[str, Any]:
    """Return what was noted, dates checked; nothing where it is missing or spoilt."""
    try:
        document = json.loads(store.place.read(LAST_NIGHT))
        days = [document["last_good_night"], *document.get("good_nights", [])]
        last, *nights = [str(pd.Timestamp(d).date()) for d in days]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
    return {"last_good_night": last, "good_nights": nights}
