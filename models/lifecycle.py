"""The life of flags on one unit: open, rise, close, re-open.

An episode is one finding about one part. Each severity that it reaches is a row;
a rise closes the lower row with ``risen``. What a row says about the moment it
was reached stays as it was; only ``last_seen``, the closing and the forecast
move on.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

from ..shared.parts import SEVERITIES

REOPEN_DAYS: Final = 14.0
"""An episode that returns within this time keeps its id (the contract)."""

RECOVERED_DAYS: Final = 14.0
RECOVERED_CYCLES: Final = 20
"""A flag without support for so long is closed as ``recovered`` (design choice)."""


@dataclass
class Episode:
    """One finding about one part."""

    flag_id: str
    part: str
    rows: list[dict[str, Any]]
    """One a severity reached, in order."""
    severity: str
    last_support: float
    quiet_cycles: int = 0
    closed_at: float | None = None

    @property
    def open(self) -> bool:
        """Whether it still stands."""
        return self.closed_at is None


@dataclass
class Ledger:
    """All episodes of one unit."""

    unit_id: str
    episodes: list[Episode] = field(default_factory=list)

    def standing(self, part: str) -> Episode | None:
        """Return the open episode of a part, or None."""
        return next((e for e in self.episodes if e.part == part and e.open), None)

    def standing_all(self) -> list[Episode]:
        """Return all open episodes."""
        return [e for e in self.episodes if e.open]

    def raise_flag(self, part: str, severity: str, now: float, row: dict[str, Any]) -> bool:
        """Open an episode or let it rise; True when a row came into being.

        Parameters
        ----------
        part, severity
            What is raised.
        now
            Event time [days].
        row
            The other columns of the flag.
        """
        episode = self.standing(part)
        if episode is None:
            episode = self._returning(part, now)
            if episode is not None:
                return self._reopen(episode, severity, now, row)
            episode = Episode(self._new_id(part, now), part, [], severity, now)
            self.episodes.append(episode)
            episode.rows.append(_row(episode.flag_id, severity, now, row))
            return True
        if SEVERITIES.index(severity) <= SEVERITIES.index(episode.severity):
            self.support(part, now)
            return False
        episode.last_support = now
        episode.quiet_cycles = 0
        _close_rows(episode, now, "risen")
        return _reach(episode, severity, now, row)

    def support(self, part: str, now: float) -> None:
        """Say that a cycle still supports an open flag."""
        episode = self.standing(part)
        if episode is not None:
            episode.last_support = now
            episode.quiet_cycles = 0
            episode.rows[-1]["last_seen"] = now

    def quiet(self, part: str, now: float) -> bool:
        """Say that a cycle does not support an open flag; True when that closed it."""
        episode = self.standing(part)
        if episode is None:
            return False
        episode.quiet_cycles += 1
        if (
            now - episode.last_support >= RECOVERED_DAYS
            and episode.quiet_cycles >= RECOVERED_CYCLES
        ):
            self.close(part, now, "recovered")
            return True
        return False

    def close(self, part: str, now: float, reason: str) -> None:
        """Close a part's open episode."""
        episode = self.standing(part)
        if episode is not None:
            _close_rows(episode, now, reason)
            episode.closed_at = now

    def _returning(self, part: str, now: float) -> Episode | None:
        for episode in reversed(self.episodes):
            if episode.part == part and episode.closed_at is not None:
                return episode if now - episode.closed_at <= REOPEN_DAYS else None
        return None

    def _reopen(self, episode: Episode, severity: str, now: float, row: dict[str, Any]) -> bool:
        episode.closed_at = None
        episode.last_support = now
        episode.quiet_cycles = 0
        return _reach(episode, severity, now, row)

    def _new_id(self, part: str, now: float) -> str:
        day = (datetime(1970, 1, 1) + timedelta(days=now)).strftime("%Y%m%d")
        name = f"{self.unit_id}@{part}@{day}"
        taken = {e.flag_id for e in self.episodes}
        extra = 2
        chosen = name
        while chosen in taken:
            chosen = f"{name}-{extra}"
            extra += 1
        return chosen

    def rows(self) -> list[dict[str, Any]]:
        """Return all rows in order of first_seen."""
        out = [r for e in self.episodes for r in e.rows]
        return sorted(out, key=lambda r: (r["first_seen"], r["flag_id"], r["severity"]))

    def to_json(self) -> dict[str, Any]:
        """Return plain lists and numbers."""
        return {
            "unit_id": self.unit_id,
            "episodes": [
                {
                    "flag_id": e.flag_id,
                    "part": e.part,
                    "rows": [dict(r) for r in e.rows],
                    "severity": e.severity,
                    "last_support": e.last_support,
                    "quiet_cycles": e.quiet_cycles,
                    "closed_at": e.closed_at,
                }
                for e in self.episodes
            ],
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Ledger:
        """Read what ``to_json`` returned."""
        return cls(data["unit_id"], [_episode(e) for e in data["episodes"]])


def _episode(data: dict[str, Any]) -> Episode:
    """Read an episode; its rows are copied, since they move on and the state read must not."""
    return Episode(**{**data, "rows": [dict(row) for row in data["rows"]]})


def _reach(episode: Episode, severity: str, now: float, row: dict[str, Any]) -> bool:
    """Let an episode stand at a severity; a row that it has from before stands again."""
    episode.severity = severity
    same = next((r for r in episode.rows if r["severity"] == severity), None)
    if same is None:
        episode.rows.append(_row(episode.flag_id, severity, now, row))
        return True
    same["last_seen"], same["closed_at"], same["close_reason"] = now, None, None
    episode.rows.remove(same)
    episode.rows.append(same)
    return False


def _row(flag_id: str, severity: str, now: float, row: dict[str, Any]) -> dict[str, Any]:
    empty = {
        "days_to_limit": math.nan,
        "days_to_limit_low": math.nan,
        "days_to_limit_high": math.nan,
        "slope_per_day": math.nan,
    }
    return {
        **empty,
        **row,
        "flag_id": flag_id,
        "severity": severity,
        "first_seen": now,
        "last_seen": now,
        "closed_at": None,
        "close_reason": None,
    }


def _close_rows(episode: Episode, now: float, reason: str) -> None:
    for row in episode.rows:
        if row["closed_at"] is None:
            row["closed_at"], row["close_reason"] = now, reason
