"""The tables and keys of ``chamberdrift.toml``: kind, range, meaning, and source.

The loader, the commented file that ``init`` writes and the messages about
mistakes are all made from this table.
"""

from __future__ import annotations

from typing import Final

from . import programs as published
from .config import (
    Assignment,
    Budgets,
    Clock,
    Correction,
    Defaults,
    EarlierSite,
    LayoutPin,
    Limits,
    Reports,
    ServiceInterval,
    Site,
    Unit,
)
from .config_keys import (
    AIR_REMOVALS,
    ALTITUDE,
    CHANNELS,
    CLOCK_24H,
    DAY_FIRST,
    P_UNIT,
    REFERENCE,
    T_UNIT,
    ZONE,
    Key,
    Section,
)
from .parts import PARTS

SECTIONS: Final = (
    Section(
        "defaults",
        Defaults,
        False,
        "Answers for exports that leave a question open and whose site does not answer it.",
        (
            ZONE,
            DAY_FIRST,
            CLOCK_24H,
            REFERENCE,
            ALTITUDE,
            T_UNIT,
            P_UNIT,
            Key(
                "max_dropped_share",
                "number",
                "share of spoilt rows above which an export is set aside whole",
                low=0.0,
                high=1.0,
                source="no source",
            ),
        ),
    ),
    Section(
        "limits",
        Limits,
        False,
        "Limits of verdicts and flags.",
        (
            Key(
                "band_width_k",
                "number",
                "upper limit of exposure above the set point [K]",
                low=0.1,
                high=20.0,
                source=published.BAND_SOURCE,
            ),
            Key(
                "leak_kpa_per_min",
                "number",
                "air leakage in a leak test [kPa/min]",
                low=0.001,
                high=50.0,
                source=published.LEAK_SOURCE,
            ),
            Key(
                "saturation_k",
                "number",
                "difference of measured and saturation temperature [K]",
                low=0.1,
                high=20.0,
                source=published.SATURATION_SOURCE,
            ),
            Key(
                "temperature_uncertainty_k",
                "number",
                "uncertainty of the temperature channel, applied once [K]",
                low=0.0,
                high=10.0,
                source="taken until you declare your logger's own; no source",
            ),
            Key(
                "pressure_uncertainty_kpa",
                "number",
                "uncertainty of the pressure channel, applied once [kPa]",
                low=0.0,
                high=50.0,
                source="taken until you declare your logger's own; no source",
            ),
            Key(
                "leak_start_kpa",
                "number",
                "a leak test that starts above this pressure is not judged [kPa absolute]",
                low=0.1,
                high=100.0,
                source="common practice for small pumps, no source",
            ),
            Key(
                "relief_kpa",
                "number",
                "pressure at which a flag is stop at once [kPa absolute]; set your unit's own "
                "relief pressure from its plate",
                low=150.0,
                high=1000.0,
                source="common practice for a 134 °C chamber, no source",
            ),
            Key(
                "overband_stop_k",
                "number",
                "temperature above the upper limit at which a flag is stop at once [K]",
                low=0.1,
                high=50.0,
                source="no source",
            ),
        ),
    ),
    Section(
        "budgets",
        Budgets,
        False,
        "False flags that a healthy unit may raise in a year, all parts together. They move the "
        "limits of the drift charts; hard limits, from which stop comes, they do not move.",
        (
            *(
                Key(
                    name,
                    "number",
                    f"{name} flags in a healthy unit-year",
                    low=0.001,
                    high=100.0,
                    source="design of this program, no outside source",
                )
                for name in ("watch", "service", "stop")
            ),
            Key(
                "fleet_factor",
                "number",
                "false flags that this fleet's own weeks raise for each one of the simulation: "
                "chamberdrift evaluate --own-weeks measures it",
                low=0.1,
                high=10.0,
                source="design of this program, no outside source",
            ),
        ),
    ),
    Section(
        "reports",
        Reports,
        False,
        "How reports and terminal texts speak to their reader.",
        (
            Key("temperature_unit", "text", "unit of temperatures", choices=("°C", "°F")),
            Key(
                "pressure_unit",
                "text",
                "unit of pressures, absolute in each",
                choices=("kPa", "bar", "psi"),
            ),
            Key(
                "date_style",
                "text",
                "5 Nov 2026, 2026-11-05, 05/11/2026 or 11/05/2026",
                choices=("words", "iso", "day_first", "month_first"),
            ),
            Key(
                "zone",
                "text",
                "zone of all times; each site's own if left out",
                check="zone",
                example='"Europe/Oslo"',
            ),
            Key("paper", "text", "size of the pages", choices=("A4", "letter")),
        ),
    ),
    Section(
        "schedule",
        object,
        False,
        "When a logger counts as silent, and what is due when.",
        (
            Key(
                "silent_after_days",
                "number",
                "days without samples until a logger counts as silent",
                low=0.1,
                high=365.0,
                source="no source",
            ),
            Key(
                "leak_test_days",
                "number",
                "days between leak tests of units with vacuum air removal",
                low=0.1,
                high=3650.0,
                source="weekly: common practice; your site's procedure decides",
            ),
            Key(
                "calibration_days",
                "number",
                "days between calibrations of a logger",
                low=1.0,
                high=3650.0,
                source="yearly: common practice; your site's procedure decides",
            ),
        ),
    ),
    Section(
        "site",
        Site,
        True,
        "A place with its clock and its altitude.",
        (
            Key("id", "text", "short name, as in folder names", required=True, example='"north"'),
            Key("name", "text", "name in full", example='"North clinic"'),
            ZONE,
            ALTITUDE,
            DAY_FIRST,
        ),
    ),
    Section(
        "unit",
        Unit,
        True,
        "One sterilizer. A unit that is not listed is taken up by the id in its exports.",
        (
            Key(
                "id",
                "text",
                "its id, 1 to 64 bytes",
                required=True,
                check="unit_id",
                example='"ST-01"',
            ),
            Key("site", "text", "id of its site", example='"north"'),
            Key("type", "text", "same text for like units: they are compared", example='"18 l"'),
            Key("volume_l", "number", "chamber volume [l]", low=0.1, high=2000.0, example="18"),
            Key("power_w", "number", "heater power [W]", low=50.0, high=100000.0, example="1500"),
            Key(
                "mains_v",
                "number",
                "nominal mains voltage [V]",
                low=90.0,
                high=500.0,
                example="230",
            ),
            Key(
                "air_removal", "text", "how air leaves", choices=AIR_REMOVALS, example='"gravity"'
            ),
            Key(
                "programs",
                "texts",
                "programs it runs",
                check="program",
                example='["gravity-121x30"]',
            ),
            Key("retired_at", "time", "when it left the fleet", example="2026-05-01T00:00:00Z"),
        ),
    ),
    Section(
        "assignment",
        Assignment,
        True,
        "Which logger sat at which unit, where exports name only the logger.",
        (
            Key("logger", "text", "the logger's serial", required=True, example='"A1904"'),
            Key(
                "unit", "text", "id of the unit", required=True, check="unit_id", example='"ST-01"'
            ),
            Key(
                "channel", "text", "only this channel", choices=CHANNELS, example='"pressure_kpa"'
            ),
            Key("from", "time", "first moment", field="start", example="2026-01-01T00:00:00Z"),
            Key(
                "to", "time", "first moment after it", field="end", example="2026-07-01T00:00:00Z"
            ),
        ),
    ),
    Section(
        "earlier_site",
        EarlierSite,
        True,
        "Where a unit stood before it was moved; the command move writes it.",
        (
            Key(
                "unit", "text", "id of the unit", required=True, check="unit_id", example='"ST-01"'
            ),
            Key("site", "text", "id of its site then", required=True, example='"north"'),
            Key(
                "until",
                "time",
                "exports that begin before it are read with that site's clock and altitude",
                required=True,
                example="2026-05-01T00:00:00Z",
            ),
        ),
    ),
    Section(
        "correction",
        Correction,
        True,
        "What a calibration found must be added to a logger's values. Stored samples stay as "
        "recorded; cycles are found anew in the corrected ones, and say so.",
        (
            Key("logger", "text", "the logger's serial", example='"A1904"'),
            Key("unit", "text", "or the unit it sits at", check="unit_id", example='"ST-01"'),
            Key("add_k", "number", "added to temperatures [K]", low=-10, high=10, example="-0.3"),
            Key("add_kpa", "number", "added to pressures [kPa]", low=-50, high=50, example="1.2"),
            Key(
                "channel",
                "text",
                "the temperature that add_k is for",
                choices=("temperature_c", "temperature2_c"),
                example='"temperature_c"',
            ),
            Key("from", "time", "first moment", field="start", example="2026-01-01T00:00:00Z"),
            Key(
                "to", "time", "first moment after it", field="end", example="2027-01-01T00:00:00Z"
            ),
            Key("note", "text", "certificate, by whom", example='"certificate 2026-118"'),
        ),
    ),
    Section(
        "clock",
        Clock,
        True,
        "Where temperature and pressure of a unit come from two loggers: what is added to the "
        "times of the pressure logger so that both tell the same time. Stored samples stay as "
        "recorded; cycles are found anew.",
        (
            Key(
                "add_s",
                "number",
                "added to the times of pressure that comes in exports of its own [s]",
                required=True,
                low=-86400,
                high=86400,
                example="-42",
            ),
            Key("unit", "text", "id of the unit; none: all", check="unit_id", example='"ST-01"'),
            Key("from", "time", "first moment", field="start", example="2026-01-01T00:00:00Z"),
            Key(
                "to", "time", "first moment after it", field="end", example="2027-01-01T00:00:00Z"
            ),
            Key("note", "text", "how it was found", example='"both clocks read at the bench"'),
        ),
    ),
    Section(
        "layout",
        LayoutPin,
        True,
        "How to read the exports that a pattern names; probe FILE prints one of these.",
        (
            Key("match", "text", "pattern on the path below the inbox", example='"north/*.csv"'),
            Key("encoding", "text", "text encoding", check="encoding", example='"utf-16"'),
            Key("delimiter", "text", "between columns", example='";"'),
            Key("decimal", "text", "decimal mark", choices=(".", ","), example='","'),
            Key(
                "header_row",
                "integer",
                "line of the header, from 1",
                low=1,
                high=100000,
                example="12",
            ),
            DAY_FIRST,
            CLOCK_24H,
            ZONE,
            REFERENCE,
            T_UNIT,
            P_UNIT,
            Key("unit_id", "text", "unit, where no file says", check="unit_id", example='"ST-01"'),
            Key(
                "columns",
                "pairs",
                "header text = channel",
                check="channel",
                example='{ "Probe 1" = "temperature_c" }',
            ),
            Key(
                "start_time",
                "text",
                "start, where rows count seconds",
                example='"2026-03-01 07:00:00"',
            ),
        ),
    ),
    Section(
        "service_interval",
        ServiceInterval,
        True,
        "Your own interval for the care of a part, in days, in cycles or both.",
        (
            Key(
                "part",
                "text",
                "the part",
                required=True,
                choices=tuple(p for p in PARTS if p != "unknown"),
                example='"door_seal"',
            ),
            Key("days", "number", "days", low=1.0, high=7300.0, example="365"),
            Key("cycles", "integer", "cycles", low=1, high=1000000, example="1000"),
        ),
    ),
)
"""Every table that the file may hold."""

SECTION_BY_NAME: Final = {s.name: s for s in SECTIONS}
