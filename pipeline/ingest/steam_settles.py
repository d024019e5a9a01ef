"""Units and references that steam settles where the export leaves them open."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .physics_check import LEAST_SAMPLES, Reading, read_as, shares, telling_rows

Float = NDArray[np.float64]


def settle_temperature_unit(temperature: Float) -> tuple[str, str]:
    """Return the unit that the values settle and why, or empty texts."""
    values = temperature[np.isfinite(temperature)]
    if len(values) < 2 * LEAST_SAMPLES:
        return "", ""
    low, high = shares(values, 0.01, 0.99)
    if len(values) > 100 * LEAST_SAMPLES:
        # In a month's record steam is rare: twenty samples of it are enough.
        high = float(np.partition(values, -LEAST_SAMPLES)[-LEAST_SAMPLES])
    if 112.0 <= high <= 142.0 and 2.0 <= low <= 60.0:
        return "°C", (
            f"values run from {low:.0f} to {high:.0f}: steam in °C, in °F it would freeze "
            "and never boil"
        )
    if 235.0 <= high <= 288.0 and 40.0 <= low <= 140.0:
        return (
            "°F",
            f"values run from {low:.0f} to {high:.0f}: steam in °F, in °C no steam gets so hot",
        )
    if 385.0 <= high <= 415.0 and 275.0 <= low <= 333.0:
        return "K", f"values run from {low:.0f} to {high:.0f}: steam in K"
    return "", ""


def settle_reference(
    temperature: Float,
    pressure: Float,
    temperature_unit: str,
    pressure_unit: str,
    atmosphere_kpa: float,
) -> tuple[str, str]:
    """Return ``absolute`` or ``vented_gauge`` where steam settles it, with the reason."""
    t, p = telling_rows(temperature, pressure)
    absolute = read_as(t, p, temperature_unit, pressure_unit, True)
    gauge = read_as(t, p, temperature_unit, pressure_unit, False, atmosphere_kpa)
    if absolute.agrees and gauge.ruled_out_by(absolute):
        return "absolute", _why(absolute, gauge)
    if gauge.agrees and absolute.ruled_out_by(gauge):
        return "vented_gauge", _why(gauge, absolute)
    return "", ""


def _why(chosen: Reading, other: Reading) -> str:
    where = f", and {chosen.cold_kpa:.0f} kPa absolute while cold" if chosen.open_fits else ""
    off = "no steam at all" if abs(other.deviation_k) > 900 else f"{other.deviation_k:.1f} K off"
    return (
        f"{chosen.hot_samples} hot samples lie {chosen.deviation_k:.1f} K off saturation read so, "
        f"{off} read the other way{where}"
    )


def likely_pressure(
    temperature: Float, pressure: Float, temperature_unit: str, atmosphere_kpa: float
) -> str:
    """Return in words which unit and reference would agree with steam, or an empty text."""
    t, p = telling_rows(temperature, pressure)
    found = []
    for unit in ("kPa", "bar", "mbar", "psi", "MPa"):
        for absolute in (True, False):
            reading = read_as(t, p, temperature_unit, unit, absolute, atmosphere_kpa)
            if reading.agrees and reading.open_fits is not False:
                found.append(
                    (abs(reading.deviation_k), f"{unit} {'absolute' if absolute else 'gauge'}")
                )
    return min(found)[1] if found else ""
