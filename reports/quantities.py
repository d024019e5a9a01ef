"""Names and units of features as people read them, and numbers in those units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..shared.schema_cycles import CYCLE_COLUMNS
from ..shared.units import PRESSURE_TO_KPA
from .options import ReportOptions

FEATURE_WORDS: Final[dict[str, str]] = {
    "heater_duty": "Heater duty in exposure",
    "power_over_capacity_k_per_min": "Heater power over heat capacity",
    "loss_over_capacity_k_per_min": "Heat loss over heat capacity",
    "rise_k_per_min": "Rise while the heater is on",
    "fall_k_per_min": "Fall while the heater is off",
    "sawtooth_period_s": "Heater switching period",
    "heat_rate_k_per_min": "Heating rate, 60 to 100 °C",
    "heat_rate_pressurised_k_per_min": "Heating rate under pressure",
    "heat_up_s": "Heat-up time",
    "seat_s": "Time from 102 to 110 °C (seal seating)",
    "exposure_s": "Exposure time",
    "exposure_min_c": "Lowest temperature in exposure",
    "exposure_max_c": "Highest temperature in exposure",
    "exposure_mean_c": "Mean temperature in exposure",
    "exposure_sd_c": "Spread of temperature in exposure",
    "exposure_slope_k_per_min": "Slope of temperature in exposure",
    "overshoot_k": "Overshoot above the set point",
    "equilibration_s": "Equilibration time",
    "saturation_deviation_k": "Temperature less saturation in exposure",
    "superheat_k": "Superheat in exposure",
    "boil_plateau_c": "Boiling plateau in heat-up",
    "open_pressure_kpa": "Pressure with the chamber open",
    "open_temperature_c": "Temperature with the chamber open",
    "exhaust_s": "Exhaust time, 80 to 20 % of gauge pressure",
    "exhaust_tau_s": "Exhaust time constant",
    "f0_min": "Lethality F0",
    "leak_kpa_per_min": "Air leakage in the leak test",
    "vacuum_min_kpa": "Deepest vacuum",
    "air_removal_vacuum_kpa": "Deepest vacuum of air removal",
    "pulse_evacuation_s": "Evacuation time, 100 to 30 kPa",
    "pulse_count": "Air removal pulses",
    "air_inlet_s": "Air inlet time",
    "drying_s": "Drying time",
    "closing_s": "Time from exposure to the end of the cycle",
    "drying_vacuum_kpa": "Pressure while drying",
    "pressure_max_kpa": "Highest pressure",
    "current_duty": "Share of exposure with heater current",
    "noise_k": "Noise of the temperature channel",
    "stuck_s": "Longest run of one unchanged value",
    "sample_interval_s": "Sample interval",
    "gap_s": "Longest gap inside a cycle",
    "below_band_s": "Time below the band",
    "above_band_s": "Time above the band",
    "overband_k": "Excess over the band",
    "ambient_c": "Room temperature",
    "idle_before_s": "Idle time before the cycle",
    "mains_v": "Mains voltage in heat-up",
}
"""Feature to the words above its trend."""

FEATURE_PART: Final[dict[str, str]] = {
    "heater_duty": "heater",
    "power_over_capacity_k_per_min": "heater",
    "rise_k_per_min": "heater",
    "heat_rate_k_per_min": "heater",
    "heat_rate_pressurised_k_per_min": "heater",
    "heat_up_s": "heater",
    "current_duty": "heater",
    "loss_over_capacity_k_per_min": "door_seal",
    "fall_k_per_min": "door_seal",
    "seat_s": "door_seal",
    "leak_kpa_per_min": "door_seal",
    "exhaust_s": "vent_path",
    "exhaust_tau_s": "vent_path",
    "air_inlet_s": "vent_path",
    "exposure_mean_c": "temperature_sensor",
    "exposure_min_c": "temperature_sensor",
    "exposure_max_c": "temperature_sensor",
    "boil_plateau_c": "temperature_sensor",
    "open_pressure_kpa": "pressure_sensor",
    "saturation_deviation_k": "air_removal",
    "equilibration_s": "air_removal",
    "vacuum_min_kpa": "air_removal",
    "air_removal_vacuum_kpa": "air_removal",
    "pulse_evacuation_s": "air_removal",
    "pulse_count": "air_removal",
    "drying_vacuum_kpa": "air_removal",
    "superheat_k": "water_fill",
    "exposure_slope_k_per_min": "water_fill",
    "exposure_sd_c": "controller",
    "overshoot_k": "controller",
    "sawtooth_period_s": "controller",
    "exposure_s": "controller",
    "noise_k": "logger",
    "stuck_s": "logger",
    "sample_interval_s": "logger",
    "gap_s": "logger",
}
"""Feature to the part under which the fleet's map shows it (a reading aid, not a
diagnosis: that takes several features together)."""

RESIDUAL_FORMS: Final[dict[str, tuple[str, str]]] = {
    "heat_up_s": ("Heat-up time per kelvin", "s/K"),
    "boil_plateau_c": ("Boiling plateau against site pressure", "K"),
    "exposure_s": ("Exposure time, of the program's", "1"),
    "superheat_k": ("Superheat over the mean in exposure", "K"),
    "exposure_mean_c": ("Mean temperature in exposure, above set point", "K"),
    "exposure_min_c": ("Lowest temperature in exposure, above set point", "K"),
}
"""Features whose residuals are judged against something of the same cycle, so that
programs mix: words and unit of what ``residuals`` then holds."""

_SCHEMA_UNITS: Final = {c.name: c.unit for c in CYCLE_COLUMNS}


@dataclass(frozen=True)
class Unit:
    """A unit as shown: ``shown = stored * factor + offset``."""

    label: str
    factor: float = 1.0
    offset: float = 0.0

    def show(self, values: ArrayLike) -> NDArray[np.float64]:
        """Convert stored values to shown ones, same shape."""
        return np.asarray(values, dtype=np.float64) * self.factor + self.offset

    def show_change(self, values: ArrayLike) -> NDArray[np.float64]:
        """Convert differences of stored values to shown ones, same shape."""
        return np.asarray(values, dtype=np.float64) * self.factor


def feature_words(feature: str) -> str:
    """Return what people call a feature."""
    known = FEATURE_WORDS.get(feature)
    if known:
        return known
    for ending in ("_k_per_min", "_kpa_per_min", "_kpa", "_min", "_s", "_c", "_k", "_v"):
        if feature.endswith(ending):
            feature = feature[: -len(ending)]
            break
    words = feature.replace("_", " ").strip()
    return words[:1].upper() + words[1:] if words else "Unnamed feature"


def residual_words(feature: str) -> str:
    """Return what people call a feature in the form that residuals hold it."""
    return RESIDUAL_FORMS[feature][0] if feature in RESIDUAL_FORMS else feature_words(feature)


def residual_unit(feature: str, options: ReportOptions) -> Unit:
    """Return how a feature's residual form is shown."""
    if feature in RESIDUAL_FORMS:
        return shown_unit(RESIDUAL_FORMS[feature][1], options)
    return feature_unit(feature, options)


def shown_unit(stored: str, options: ReportOptions) -> Unit:
    """Return how a stored unit is shown under the reader's options."""
    fahrenheit = options.temperature_unit == "°F"
    pressure = Unit(options.pressure_unit, 1.0 / PRESSURE_TO_KPA[options.pressure_unit])
    table = {
        "°C": Unit("°F", 1.8, 32.0) if fahrenheit else Unit("°C"),
        "K": Unit("°F", 1.8) if fahrenheit else Unit("K"),
        "K/min": Unit("°F/min", 1.8) if fahrenheit else Unit("K/min"),
        "s/K": Unit("s/°F", 1.0 / 1.8) if fahrenheit else Unit("s/K"),
        "kPa": pressure,
        "kPa absolute": pressure,
        "kPa/min": Unit(f"{pressure.label}/min", pressure.factor),
        "1": Unit("%", 100.0),
    }
    return table.get(stored, Unit(stored))


def feature_unit(feature: str, options: ReportOptions) -> Unit:
    """Return how a feature's values are shown."""
    return shown_unit(_SCHEMA_UNITS.get(feature, ""), options)


def number(value: float | None, digits: int = 3) -> str:
    """Write a number with about ``digits`` significant digits; a dash for null."""
    if value is None or not math.isfinite(value):
        return "–"
    if value == 0:
        return "0"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{value:,.{min(decimals, 4)}f}".replace(",", " ")
    return text.replace("-", "−")


def fixed(value: float | None, decimals: int) -> str:
    """Write a number with fixed decimals, so that a column aligns; a dash for null."""
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:,.{decimals}f}".replace(",", " ").replace("-", "−")
    return text[1:] if text.strip("−0.") == "" and text.startswith("−") else text


def with_unit(text: str, label: str) -> str:
    """Join a number and its unit; a dash stays alone."""
    if text == "–" or not label:
        return text
    return f"{text} %" if label == "%" else f"{text} {label}"


def duration(seconds: float | None) -> str:
    """Write a span of time: ``45 s``, ``3 min 30 s``, ``1 h 05 min``."""
    if seconds is None or not math.isfinite(seconds):
        return "–"
    if seconds < 0:
        return f"−{duration(-seconds)}"
    total = round(seconds)
    if total < 100:
        return f"{total} s"
    minutes, rest = divmod(total, 60)
    if minutes < 100:
        return f"{minutes} min {rest:02d} s" if rest else f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes:02d} min"
    return f"{hours / 24:.1f} d"


FAILING: Final = "failing now"
"""What stands in place of days where cycles fall outside their limits already."""


def days_left(
    median: float | None, low: float | None, high: float | None, *, word: str = "d"
) -> str:
    """Write a forecast with its interval: ``12 d (8–20)``; a dash without one."""
    values = [math.nan if v is None else float(v) for v in (median, low, high)]
    if not math.isfinite(values[0]):
        if not math.isfinite(values[1]):
            return "–"
        return f"over {values[1]:.0f} {word}"
    if values[0] == 0.0 and values[2] == 0.0:
        return FAILING
    middle = f"{values[0]:.0f} {word}"
    if middle == "1 days":
        middle = "1 day"
    if values[0] < 1.0:
        middle = f"under 1 {word.removesuffix('s')}"
    if not math.isfinite(values[1]):
        return middle
    top = f"{values[2]:.0f}" if math.isfinite(values[2]) else "over 365"
    return f"{middle} ({values[1]:.0f}–{top})"
