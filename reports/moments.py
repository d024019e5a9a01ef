"""Times as the reader's clock and calendar show them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, tzinfo
from typing import Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import pandas as pd

from ..shared.config import Config, Site
from .options import ReportOptions

MONTHS: Final = (
    "Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec",
)  # fmt: skip


@dataclass(frozen=True)
class Clock:
    """A zone and a way to write dates."""

    zone: tzinfo
    name: str
    style: str = "words"

    def local(self, when: pd.Timestamp) -> pd.Timestamp:
        """Return the moment in this zone; a moment without zone is taken as UTC."""
        moment = when if when.tzinfo is not None else when.tz_localize("UTC")
        return moment.tz_convert(self.zone)

    def date(self, when: pd.Timestamp | None) -> str:
        """Write the date; a dash for null."""
        if when is None or pd.isna(when):
            return "–"
        at = self.local(when)
        return {
            "iso": f"{at.year:04d}-{at.month:02d}-{at.day:02d}",
            "day_first": f"{at.day:02d}/{at.month:02d}/{at.year:04d}",
            "month_first": f"{at.month:02d}/{at.day:02d}/{at.year:04d}",
        }.get(self.style, f"{at.day} {MONTHS[at.month - 1]} {at.year}")

    def short_date(self, when: pd.Timestamp | None) -> str:
        """Write the date without its year; a dash for null."""
        if when is None or pd.isna(when):
            return "–"
        at = self.local(when)
        return {
            "iso": f"{at.month:02d}-{at.day:02d}",
            "day_first": f"{at.day:02d}/{at.month:02d}",
            "month_first": f"{at.month:02d}/{at.day:02d}",
        }.get(self.style, f"{at.day} {MONTHS[at.month - 1]}")

    def time(self, when: pd.Timestamp | None, *, seconds: bool = False) -> str:
        """Write the time of day; a dash for null."""
        if when is None or pd.isna(when):
            return "–"
        return self.local(when).strftime("%H:%M:%S" if seconds else "%H:%M")

    def moment(self, when: pd.Timestamp | None, *, seconds: bool = False) -> str:
        """Write date and time of day; a dash for null."""
        if when is None or pd.isna(when):
            return "–"
        return f"{self.date(when)} {self.time(when, seconds=seconds)}"


def clock(config: Config, site: Site | None, options: ReportOptions) -> Clock:
    """Return the clock for a site: the reader's choice, the site's, the store's, or UTC."""
    for name in (options.zone, site.zone if site else None, config.defaults.zone):
        if not name:
            continue
        try:
            return Clock(ZoneInfo(name), name, options.date_style)
        except (ZoneInfoNotFoundError, ValueError):
            continue
    return Clock(UTC, "UTC", options.date_style)


def days_between(start: pd.Timestamp | None, end: pd.Timestamp | None) -> float:
    """Return the days from start to end; NaN where either is null."""
    if start is None or end is None or pd.isna(start) or pd.isna(end):
        return float("nan")
    return float((end - start) / pd.Timedelta(days=1))
