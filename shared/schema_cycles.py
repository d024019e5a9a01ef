"""The columns of the ``cycles`` table: the data dictionary of the features.

Each column says what it means, how it is measured, where the definition comes
from and when it is null. ``null_reasons`` names the reason of each null.
"""

from __future__ import annotations

from typing import Final

from .schema_steam import STEAM_COLUMNS
from .schema_temperature import TEMPERATURE_COLUMNS
from .schema_types import Column
from .schema_words import COMMON, EXPOSURE, LAG, OWN, PRESSURE, number

CYCLE_COLUMNS: Final[tuple[Column, ...]] = (
    Column(
        "cycle_id",
        "string",
        "",
        "unit id + @ + started_at to the second",
        "text, UTC, with Z",
        OWN,
        "never null",
        required=True,
    ),
    Column(
        "aliases",
        "string",
        "",
        "earlier ids of the same cycle, by comma",
        "kept when a later export moves the start",
        OWN,
        "null where there are none",
    ),
    Column("unit_id", "string", "", "the sterilizer", "", "", "never null", required=True),
    Column("logger_id", "string", "", "the data logger at the start", "", "", "empty if unsaid"),
    Column(
        "program",
        "string",
        "",
        "<gravity|prevacuum|unknown>-<°C>x<min>",
        "set point from the plateau; exposure time from configuration, else the mode of the "
        "unit's earlier cycles (10 or more) at that temperature, else the shortest published; "
        "never from the cycle being judged, except to choose between configured times",
        "shared.programs",
        "null for leak tests and where no set point was reached",
    ),
    Column(
        "program_source",
        "string",
        "",
        "configuration, history, published or none",
        "where the program's exposure time comes from",
        OWN,
        "null for leak tests",
    ),
    Column(
        "kind",
        "string",
        "",
        "sterilization, leak_test, penetration_test, unknown",
        "leak_test: vacuum held for 10 min without heating; penetration_test: the day's first, "
        "short at 134 °C and not dried, on a prevacuum unit whose cycles are dried as a rule; "
        "unknown: broken off before anything shows what it was",
        COMMON,
        "never null; without pressure neither test can be told",
        required=True,
    ),
    Column(
        "completion",
        "string",
        "",
        "complete, aborted, power_cut, cut_off",
        "aborted: no set point, or a hold under 95 % of the program's; power_cut: mains gone, or "
        "one single slow fall under pressure; cut_off: the samples begin or end within it, or the "
        "end of a climb and the time for a hold are lost",
        OWN,
        "never null; a short power cut that moves no temperature is not seen",
    ),
    Column(
        "setpoint_c",
        "float64",
        "°C",
        "nominal set point of the plateau",
        "nearest configured set point to the plateau, else one that the unit ran before, else a "
        "published one 2 K above to 3.2 K below the plateau, else the plateau less 1.3 K",
        "shared.programs; common practice for the 1.3 K",
        "null (no_plateau_at_a_set_point) where it was not reached or only passed",
    ),
    Column(
        "started_at",
        "time",
        "UTC",
        "start of heating or evacuation",
        "last sample before the sustained rise of temperature, or before the fall of pressure",
        OWN,
        "never null; a chamber that is heating already where samples begin starts there",
        required=True,
    ),
    Column(
        "ended_at",
        "time",
        "UTC",
        "end of the cycle",
        "pressure within 3 kPa of atmosphere (without pressure: below 100 °C) from then on for "
        "60 s after exhaust, or the end of vacuum or heated drying",
        OWN,
        "the last sample where samples end before it",
    ),
    Column(
        "exposure_start",
        "time",
        "UTC",
        "first sample at or above the program's lower limit",
        "raw samples; by a moving mean where noise would cross the limit several times",
        OWN,
        f"{EXPOSURE}; {LAG}",
    ),
    Column(
        "exposure_end",
        "time",
        "UTC",
        "last sample at or above the lower limit before the sustained fall of the exhaust",
        "dips inside stay in",
        OWN,
        f"{EXPOSURE}; a lagging sensor without pressure shows it late",
    ),
    Column(
        "exhaust_start",
        "time",
        "UTC",
        "last sample before the sustained fall",
        "the fall's logarithm drawn back to the plateau, then the bend; from pressure, or from "
        "temperature without it or where the chamber dried out and stayed hot",
        OWN,
        "null for cycles without steam",
    ),
    Column(
        "drying_start",
        "time",
        "UTC",
        "start of vacuum or heated drying",
        "pressure below atmosphere, or back at it with walls kept hot",
        OWN,
        "null without either",
    ),
    *TEMPERATURE_COLUMNS,
    *STEAM_COLUMNS,
    number(
        "idle_before_s",
        "s",
        "from the end of the cycle before to started_at",
        "difference of times",
        OWN,
        "null for a unit's first cycle (first_cycle_of_the_trace)",
    ),
    number(
        "ambient_c",
        "°C",
        "room temperature",
        "channel, else the chamber's reading after 3 h of idle and under 45 °C",
        OWN,
        "null (no_long_idle)",
    ),
    number(
        "mains_v",
        "V",
        "mains voltage in heat-up",
        "median",
        OWN,
        "null (no_mains_channel)",
    ),
    number(
        "current_duty",
        "1",
        "share of exposure with heater current on",
        "samples above half the greatest current",
        OWN,
        "null (no_current_channel)",
    ),
    number(
        "sensor_lag_s",
        "s",
        "time constant by which temperature follows Tsat(p) in exposure",
        "least squares of the steps of T on the mean of Tsat - T over each step",
        "first-order sensor",
        f"{PRESSURE}; null where swings do not stand out of the noise",
    ),
    number(
        "noise_k",
        "K",
        "noise of the temperature channel (1 SD)",
        "median absolute second difference over the cycle",
        "normal distribution",
        "null (too_coarse) under 5 samples",
    ),
    number(
        "resolution_k",
        "K",
        "smallest step of the temperature channel",
        "fifth percentile of steps that are not zero",
        OWN,
        "null (never_moved)",
    ),
    number(
        "stuck_s",
        "s",
        "longest run of one unchanged temperature where a change was due",
        "run of equal samples while saturation moved by 1 K and three steps of the channel; "
        "without pressure, on the way up outside boiling",
        OWN,
        "0 where every run was due to a steady chamber",
    ),
    number("sample_interval_s", "s", "median interval", "median of steps of time", OWN, ""),
    number(
        "gap_s",
        "s",
        "longest gap from heating to exhaust",
        "greatest step of time after the first; of a logger that records on change, steps on "
        "which nothing changed count as usual ones",
        OWN,
        "",
    ),
    number(
        "exposure_gap_s",
        "s",
        "longest gap inside the exposure, or beside it",
        "greatest step of time, as for gap_s; lost samples up to the first below the lower limit "
        "count",
        OWN,
        "null without an exposure",
    ),
    Column(
        "null_reasons",
        "string",
        "",
        "JSON object: column to reason",
        "every null that the trace explains",
        OWN,
        "never null",
    ),
)
