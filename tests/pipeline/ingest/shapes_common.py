"""Pieces that the shapes share: the cycles, a plain table."""

from __future__ import annotations

import numpy as np

from .truth import Cycle, cycle, num, rows_of

BERLIN = "Europe/Berlin"
C = cycle()
"""10:00 to 11:00 on 21 May 2024 in Berlin."""
EARLY = cycle("2024-05-04T08:00:00")
"""On 4 May: a date that can be read day first or month first."""

MONTHS_DE = ("Jan", "Feb", "Mär", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez")


def iso(c: Cycle = C, zone: str = BERLIN) -> list[str]:
    """Plain rows: ISO time, °C, kPa."""
    return rows_of(c, zone, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{num(t)},{num(p)}")


HEAD = "Time,Temperature (°C),Pressure (kPa abs)"


def idle() -> Cycle:
    """An hour at room temperature."""
    c = cycle()
    t = np.round(21.0 + 0.2 * np.sin(np.arange(len(c.t)) / 9.0), 1)
    return Cycle(c.ms, t, np.full(len(t), 101.3), t)
