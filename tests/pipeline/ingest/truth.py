"""A made cycle with known values, and the pieces from which exports of it are written.

The values are invented: room, heat-up, a hold of saturated steam, exhaust. What
is tested is that they come back, so they need to be known, not to be real.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from chamberdrift.pipeline.ingest import Reading, read_export
from chamberdrift.shared.config import Config, Defaults, Site, Unit
from chamberdrift.shared.errors import ExportRefusedError
from chamberdrift.shared.steam import p_sat_kpa

ROWS = 360
STEP_S = 10


@dataclass(frozen=True)
class Cycle:
    """Samples of one cycle: UTC times [ms], chamber and load temperature [°C], pressure [kPa]."""

    ms: Any
    t: Any
    p: Any
    load: Any

    def local(self, zone: str) -> list[datetime]:
        """Return the samples' local clock times."""
        where = fixed(zone)
        return [
            datetime.fromtimestamp(int(m) / 1000, tz=UTC).astimezone(where).replace(tzinfo=None)
            for m in self.ms
        ]


def fixed(zone: str) -> Any:
    """Return a zone object of an IANA name or of hours east, such as ``+2``."""
    if zone[0] in "+-":
        return timezone(timedelta(hours=float(zone)))
    return ZoneInfo(zone)


def cycle(
    start: str = "2024-05-21T08:00:00",
    rows: int = ROWS,
    step_s: float = STEP_S,
    setpoint: float = 121.0,
    room: float = 22.0,
) -> Cycle:
    """Make one cycle from a UTC start."""
    begin = datetime.fromisoformat(start).replace(tzinfo=UTC)
    x = np.linspace(0.0, 1.0, rows)
    t = np.interp(
        x,
        [0, 0.1, 0.35, 0.4, 0.75, 0.85, 1.0],
        [room, room, 100.5, setpoint + 0.6, setpoint + 0.4, 96, 70],
    )
    t = np.round(t + 0.15 * np.sin(np.arange(rows) / 4.0), 1)
    p = np.round(np.where(t > 100.1, p_sat_kpa(t), 101.3), 1)
    load = np.round(t - np.interp(x, [0, 0.1, 0.4, 0.5, 1], [0, 0, 6, 0.5, -3]), 1)
    ms = int(begin.timestamp() * 1000) + np.arange(rows) * int(step_s * 1000)
    return Cycle(ms, t, p, load)


@dataclass(frozen=True)
class Shape:
    """An export in one shape and what must come of it.

    ``cause`` is empty where the values must come back, else the refusal's cause.
    """

    name: str
    data: bytes
    truth: Cycle | None = None
    unit: str = "S-12"
    file: str = "north/S-12_20240521.csv"
    config: Config = field(default_factory=Config)
    cause: str = ""
    dropped: dict[str, int] = field(default_factory=dict)
    pressure: bool = True
    load: bool = False
    assumed: bool = False
    tolerance_k: float = 0.051
    tolerance_kpa: float = 0.4
    says: str = ""
    """A word that the refusal must contain."""


def zoned(zone: str = "Europe/Berlin", **defaults: Any) -> Config:
    """Return a configuration with a default zone."""
    return Config(defaults=Defaults(zone=zone, **defaults))


def sited(zone: str = "Europe/Berlin", unit: str = "S-12", **site: Any) -> Config:
    """Return a configuration with one site and one unit."""
    return Config(sites=(Site("north", zone=zone, **site),), units=(Unit(unit, site="north"),))


def attempt(
    data: Any, name: str, config: Config, **more: Any
) -> tuple[Reading | None, ExportRefusedError | None]:
    """Read an export; return the reading or the refusal."""
    try:
        return read_export(data, name=name, config=config, **more), None
    except ExportRefusedError as error:
        return None, error


def lines(rows: list[str], *head: str, end: str = "\n", foot: tuple[str, ...] = ()) -> str:
    """Join a head, rows and a foot."""
    return end.join([*head, *rows, *foot]) + end


def num(value: float, places: int = 1, mark: str = ".", group: str = "") -> str:
    """Write a number."""
    text = f"{value:,.{places}f}" if group else f"{value:.{places}f}"
    return text.replace(",", "\x00").replace(".", mark).replace("\x00", group)


def rows_of(
    c: Cycle, zone: str, make: Callable[[datetime, float, float, float], str]
) -> list[str]:
    """Write a row a sample."""
    return [
        make(when, float(t), float(p), float(q))
        for when, t, p, q in zip(c.local(zone), c.t, c.p, c.load, strict=True)
    ]
