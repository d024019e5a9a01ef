"""Words that several columns of the ``cycles`` table share, and the short form of a number."""

from __future__ import annotations

from typing import Final

from .schema_types import Column

COMMON: Final = "common practice, no source"
OWN: Final = "this project's definition"
SAWTOOTH: Final = (
    "null (no_sawtooth): under 4 samples a period, swing under 3 times noise or resolution, "
    "fewer than two settled teeth, proportioned heat (swings without rhythm, or that differ in "
    "height by more than 30 % in the median), or a height that slopes and period "
    "contradict (swings too fast for the sampling)"
)
SLOPES: Final = (
    "settled part of the exposure (first third of the teeth left out); one and a half sensor "
    "time constants skipped after each switch; from 7 samples a period on, regressions of each "
    "run and their median; below, medians of the greatest and least steps between samples; "
    "read off Tsat(p) where the sensor lags by more than 6 % of the period"
)
PRESSURE: Final = "null (no_pressure) without a pressure channel"
EXPOSURE: Final = "null (set_point_not_reached, plateau_below_lower_limit) without an exposure"
RAW: Final = "raw samples, single-sample spikes left out"
LAG: Final = "a lagging sensor shows it late by its time constant"
BAND: Final = "EN 13060, band 0 to +4 K, value not checked against it"


def number(
    name: str, unit: str, meaning: str, method: str = "", source: str = "", validity: str = ""
) -> Column:
    """Return a column of numbers."""
    return Column(name, "float64", unit, meaning, method, source, validity)
