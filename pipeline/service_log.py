"""Service entries: from ``service-log.csv`` in the inbox and from the command line.

An entry is known by unit, time, part and action, so a file that is read every
night adds each line once.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from ..shared.config import Config
from ..shared.config_file import nearest
from ..shared.parts import PARTS, SERVICE_ACTIONS
from .names import likely_ids, not_known, offer
from .plain_csv import csv_rows

if TYPE_CHECKING:
    import pandas as pd

EARLIEST_YEAR, LATEST_YEAR = 1980, 2200
FILE_NAME: Final = "service-log.csv"
COLUMNS: Final = ("unit_id", "time", "part", "action", "note")
SERVICE_PARTS: Final = tuple(p for p in PARTS if p != "unknown")


@dataclass(frozen=True)
class ServiceEntry:
    """One piece of work on a unit."""

    unit_id: str
    time: datetime
    part: str
    action: str
    note: str = ""
    result: str = ""

    @property
    def service_id(self) -> str:
        """The entry's id: the same unit, time, part and action have the same one."""
        moment = self.time.astimezone(UTC).isoformat(timespec="seconds")
        key = "\x1f".join((self.unit_id, moment, self.part, self.action))
        return "s-" + hashlib.sha256(key.encode()).hexdigest()[:10]


@dataclass(frozen=True)
class ServiceLog:
    """What a service log held."""

    entries: tuple[ServiceEntry, ...] = ()
    refused: tuple[str, ...] = ()
    """One sentence for each line that was left out."""


def read_service_log(
    data: bytes, config: Config, known_units: Collection[str], name: str = FILE_NAME
) -> ServiceLog:
    """Read a service log; a line with a mistake is refused alone.

    Parameters
    ----------
    data
        The file: ``unit_id,time,part,action,note``; comma, semicolon or tab.
    config
        Gives the zone of times without an offset, by the unit's site.
    known_units
        Units with data; those that the configuration lists are known, too.
    """
    rows = csv_rows(data)
    if not rows:
        return ServiceLog()
    header = [h.strip().lower() for h in rows[0][1]]
    lacking = [c for c in COLUMNS[:4] if c not in header]
    if lacking:
        return ServiceLog(
            refused=(
                f"{name}, line 1: column {', '.join(lacking)} is missing; "
                f"the header is {','.join(COLUMNS)}.",
            )
        )
    known = {*known_units, *(u.id for u in config.units)}
    entries: dict[str, ServiceEntry] = {}
    refused: list[str] = []
    for number, cells in rows[1:]:
        row = dict(zip(header, (c.strip() for c in cells), strict=False))
        if not any(row.values()):
            continue
        try:
            entry = make_entry(row, config, known)
        except ValueError as error:
            refused.append(f"{name}, line {number}: {error}")
        else:
            entries.setdefault(entry.service_id, entry)
    return ServiceLog(tuple(entries.values()), tuple(refused))


def make_entry(row: dict[str, str], config: Config, known_units: Collection[str]) -> ServiceEntry:
    """Check one entry given as text.

    Raises
    ------
    ValueError
        With a sentence that says what is wrong and what to write.
    """
    unit = row.get("unit_id", "")
    if unit not in known_units:
        near = likely_ids(unit, known_units)
        hint = f"did you mean {offer(near)}?" if near else "no export named it yet."
        raise ValueError(f"no unit is called {_short(unit)}; {hint}")
    part = _choice("part", row.get("part", ""), SERVICE_PARTS)
    action = _choice("action", row.get("action", ""), SERVICE_ACTIONS)
    moment = local_time(row.get("time", ""), unit, config)
    return ServiceEntry(unit, moment, part, action, row.get("note", ""), row.get("result", ""))


def local_time(text: str, unit: str, config: Config) -> datetime:
    """Read a time; without an offset it stands in the zone of the unit's site.

    Raises
    ------
    ValueError
        If it is no time, or its zone is not known.
    """
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"{_short(text)} is no time; "
            "write it as 2026-05-01 14:30 or 2026-05-01T14:30:00+02:00."
        ) from None
    if not EARLIEST_YEAR <= moment.year <= LATEST_YEAR:
        raise ValueError(
            f"{_short(text)} is not between {EARLIEST_YEAR} and {LATEST_YEAR}; see to the year."
        )
    if moment.tzinfo is None:
        site = config.site(config.unit(unit).site)
        zone = (site.zone if site else None) or config.defaults.zone
        if zone is None:
            raise ValueError(
                f"the zone of {_short(text)} is not known; "
                f"write an offset (such as {text}+00:00) or set one with: "
                "chamberdrift init --zone Europe/Oslo --store STORE"
            )
        moment = moment.replace(tzinfo=ZoneInfo(zone))
    return moment.astimezone(UTC).replace(microsecond=0)


def merge_entries(
    stored: pd.DataFrame,
    entries: Collection[ServiceEntry],
    recorded_at: datetime,
    *,
    by_hand: bool = False,
) -> pd.DataFrame:
    """Return the service table with the entries that it does not hold yet.

    An entry that is there stays as it is, undone ones too; a result that is
    given is set on it.

    Parameters
    ----------
    by_hand
        Someone enters them now: one that was taken back counts again. A file that is read
        every night must not bring it back.
    """
    import pandas as pd

    from ..shared.schema import SERVICE

    ids = list(stored["service_id"])
    frame = stored.copy()
    for entry in entries:
        if entry.service_id not in ids:
            continue
        own = frame["service_id"] == entry.service_id
        if entry.result:
            frame.loc[own, "result"] = entry.result
        if entry.result or by_hand:
            frame.loc[own, "undone"] = False
    new = [
        {
            "service_id": e.service_id,
            "unit_id": e.unit_id,
            "time": pd.Timestamp(e.time),
            "part": e.part,
            "action": e.action,
            "note": e.note,
            "result": e.result,
            "undone": False,
            "recorded_at": pd.Timestamp(recorded_at),
        }
        for e in entries
        if e.service_id not in ids
    ]
    if new:
        added = SERVICE.conform(pd.DataFrame(new))
        frame = pd.concat([frame, added]) if len(frame) else added
    ordered = frame.sort_values(["unit_id", "time", "service_id"], ignore_index=True)
    return SERVICE.conform(ordered)


def undo_entry(stored: pd.DataFrame, service_id: str, location: str = "STORE") -> pd.DataFrame:
    """Return the service table with one entry taken back.

    Raises
    ------
    ChamberdriftError
        If no entry has this id.
    """
    ids = [str(i) for i in stored["service_id"]]
    if service_id not in ids:
        raise not_known("service entry", service_id, ids, table="service", location=location)
    frame = stored.copy()
    frame.loc[frame["service_id"] == service_id, "undone"] = True
    return frame


def _choice(label: str, value: str, choices: Collection[str]) -> str:
    word = "_".join(value.lower().split())
    if word in choices:
        return word
    near = nearest(word, choices)
    hint = f"did you mean {near!r}?" if near else f"write one of {', '.join(choices)}."
    raise ValueError(f"{label} {_short(value)} is not known; {hint}")


def _short(text: str, most: int = 80) -> str:
    return repr(text if len(text) <= most else text[: most - 1] + "…")
