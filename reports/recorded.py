"""Recorded values of one cycle, each against its limit, with source and uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from ..shared.config import Limits
from ..shared.programs import (
    BAND_SOURCE,
    LEAK_SOURCE,
    SATURATION_SOURCE,
    Program,
    shortest_published_hold,
)
from ..shared.steam import F0_REFERENCE_C, F0_Z_K, p_sat_kpa, t_sat_c
from .options import ReportOptions
from .quantities import Unit, duration, fixed, shown_unit, with_unit
from .states import is_true, text_of

RELIEF_SOURCE = "configured relief pressure; the default is common practice"


@dataclass(frozen=True)
class Line:
    """One recorded value against its limit, as text."""

    what: str
    recorded: str
    uncertainty: str
    limit: str
    stands: str
    """``inside``, ``outside``, ``outside, within uncertainty``, ``not recorded`` or empty."""
    source: str


@dataclass(frozen=True)
class _Shown:
    """How one quantity is written."""

    unit: Unit
    decimals: int

    def value(self, stored: float) -> str:
        return with_unit(fixed(float(self.unit.show(stored)), self.decimals), self.unit.label)

    def change(self, stored: float) -> str:
        text = fixed(float(self.unit.show_change(stored)), self.decimals)
        return with_unit(text, self.unit.label)


def program_of(cycle: pd.Series) -> Program | None:
    """Return the cycle's program, or None where none is known."""
    return Program.known(text_of(cycle.get("program")))


def program_words(name: str, options: ReportOptions) -> str:
    """Return a program's name, with its set point in brackets where the reader's unit is another.

    A name stays as it is, so that it is found again in tables and configuration.
    """
    program, unit = Program.known(name), shown_unit("°C", options)
    if program is None or unit.label == "°C":
        return name
    return f"{name} ({with_unit(fixed(float(unit.show(program.setpoint_c)), 1), unit.label)})"


def programs_note(names: pd.Series, options: ReportOptions) -> str:
    """Return what the °C in programs' names are in the reader's unit, as a remark; else empty."""
    unit = shown_unit("°C", options)
    found = {p.setpoint_c for p in map(Program.known, names.dropna().unique()) if p is not None}
    if unit.label == "°C" or not found:
        return ""
    said = [
        f"{c:g} is {with_unit(fixed(float(unit.show(c)), 1), unit.label)}" for c in sorted(found)
    ]
    return "; in names of programs " + ", ".join(said)


def value_of(cycle: pd.Series, name: str) -> float:
    """Return a value of the cycle; NaN for null."""
    value = cycle.get(name)
    return math.nan if value is None or pd.isna(value) else float(value)


def recorded_lines(cycle: pd.Series, limits: Limits, options: ReportOptions) -> list[Line]:
    """Return the recorded values against their limits.

    Parameters
    ----------
    cycle
        Row of CYCLES.
    limits
        The configured limits and uncertainties.
    options
        The units to write in.
    """
    lines = [*_exposure(cycle, limits, options)]
    if text_of(cycle.get("kind")) == "leak_test" or not math.isnan(
        value_of(cycle, "leak_kpa_per_min")
    ):
        lines.append(_leak(cycle, limits, options))
    else:
        lines.append(_saturation(cycle, limits, options))
    return [*lines, *_pressure(cycle, limits, options), *_information(cycle, options)]


def _exposure(cycle: pd.Series, limits: Limits, options: ReportOptions) -> list[Line]:
    program = program_of(cycle)
    if program is None:
        return []
    shown = _Shown(shown_unit("°C", options), 2)
    rough = _Shown(shown_unit("K", options), 1)
    low, high = program.setpoint_c, program.setpoint_c + limits.band_width_k
    published = shortest_published_hold(program.air_removal, program.setpoint_c)
    hold_s = program.hold_min * 60.0
    if published is not None and abs(published.hold_min - program.hold_min) < 0.01:
        source = published.source
    else:
        source = "the program's own time (configured or usual)"
    interval = value_of(cycle, "sample_interval_s")
    exposure, least, most = (
        value_of(cycle, n) for n in ("exposure_s", "exposure_min_c", "exposure_max_c")
    )
    spread = limits.temperature_uncertainty_k
    return [
        Line(
            "exposure time",
            duration(exposure),
            duration(interval),
            f"at least {duration(hold_s)}",
            stands(exposure, interval, low=hold_s),
            source,
        ),
        Line(
            "lowest temperature",
            shown.value(least),
            rough.change(spread),
            f"at least {shown.value(low)}",
            stands(least, spread, low=low),
            BAND_SOURCE,
        ),
        Line(
            "highest temperature",
            shown.value(most),
            rough.change(spread),
            f"at most {shown.value(high)}",
            stands(most, spread, high=high),
            BAND_SOURCE,
        ),
    ]


def _leak(cycle: pd.Series, limits: Limits, options: ReportOptions) -> Line:
    decimals = {"kPa": 3, "psi": 4, "bar": 5}[options.pressure_unit]
    shown = _Shown(shown_unit("kPa/min", options), decimals)
    value, spread = value_of(cycle, "leak_kpa_per_min"), 2.0 * value_of(cycle, "leak_se")
    return Line(
        "air leakage",
        shown.value(value),
        shown.change(spread),
        f"at most {shown.value(limits.leak_kpa_per_min)}",
        stands(value, spread, high=limits.leak_kpa_per_min),
        LEAK_SOURCE,
    )


def _saturation(cycle: pd.Series, limits: Limits, options: ReportOptions) -> Line:
    shown = _Shown(shown_unit("K", options), 2)
    rough = _Shown(shown_unit("K", options), 1)
    value = value_of(cycle, "saturation_deviation_k")
    setpoint = value_of(cycle, "setpoint_c")
    spread = saturation_uncertainty_k(121.0 if math.isnan(setpoint) else setpoint, limits)
    if is_true(cycle.get("atmosphere_assumed")):
        verdict = "" if math.isnan(value) else "atmosphere assumed: not held against the limit"
    else:
        verdict = stands(value, spread, low=-limits.saturation_k, high=limits.saturation_k)
    return Line(
        "temperature less saturation",
        shown.change(value),
        rough.change(spread),
        f"within ±{rough.change(limits.saturation_k)}",
        verdict or "not recorded",
        SATURATION_SOURCE,
    )


def saturation_uncertainty_k(setpoint_c: float, limits: Limits) -> float:
    """Return the uncertainty [K] of T - Tsat(p) near a set point [°C]: both channels."""
    p = float(p_sat_kpa(setpoint_c))
    slope_k_per_kpa = float(t_sat_c(p + 0.5) - t_sat_c(p - 0.5))
    return math.hypot(
        limits.temperature_uncertainty_k, limits.pressure_uncertainty_kpa * slope_k_per_kpa
    )


def _pressure(cycle: pd.Series, limits: Limits, options: ReportOptions) -> list[Line]:
    value = value_of(cycle, "pressure_max_kpa")
    if math.isnan(value):
        return []
    unit = shown_unit("kPa", options)
    shown = _Shown(unit, 2 if unit.factor < 0.05 else 1)
    return [
        Line(
            "highest pressure, absolute",
            shown.value(value),
            shown.change(limits.pressure_uncertainty_kpa),
            f"at most {shown.value(limits.relief_kpa)}",
            stands(value, limits.pressure_uncertainty_kpa, high=limits.relief_kpa),
            RELIEF_SOURCE,
        )
    ]


def _information(cycle: pd.Series, options: ReportOptions) -> list[Line]:
    lines = []
    value = value_of(cycle, "equilibration_s")
    if not math.isnan(value):
        about = "for information"
        if value < 0:
            about = f"temperature reached the band {duration(-value)} before saturation did"
        shown = duration(value) if value > 0 else "none"
        lines.append(Line("equilibration time", shown, "", "–", "", about))
    value = value_of(cycle, "f0_min")
    if not math.isnan(value) and text_of(cycle.get("kind")) != "leak_test":
        reference = _Shown(shown_unit("°C", options), 1).value(F0_REFERENCE_C)
        z = _Shown(shown_unit("K", options), 0).change(F0_Z_K)
        about = f"whole cycle, reference {reference}, z {z}"
        lines.append(Line("lethality F0", f"{fixed(value, 1)} min", "", "–", "", about))
    return lines


def stands(
    value: float, uncertainty: float, *, low: float = -math.inf, high: float = math.inf
) -> str:
    """Return where a value stands; NaN is not recorded, NaN uncertainty counts as none."""
    if math.isnan(value):
        return "not recorded"
    if low <= value <= high:
        return "inside"
    room = 0.0 if math.isnan(uncertainty) else uncertainty
    if low - room <= value <= high + room:
        return "outside, within uncertainty"
    return "outside"
