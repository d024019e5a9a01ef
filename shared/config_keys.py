"""What a key of ``chamberdrift.toml`` is, and the words that some of them may hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Key:
    """One key: what it may hold and what it means."""

    name: str
    kind: str
    """``text``, ``number``, ``integer``, ``flag``, ``time``, ``texts`` or ``pairs``."""
    meaning: str
    field: str = ""
    """Name of the dataclass field, where it is another."""
    choices: tuple[str, ...] = ()
    low: float | None = None
    high: float | None = None
    required: bool = False
    check: str = ""
    """A further check by name: ``zone``, ``program``, ``encoding``, ``unit_id``, ``channel``."""
    example: str = ""
    source: str = ""
    """Where a limit comes from, and whether it was checked against the standard itself."""

    @property
    def target(self) -> str:
        """Name of the dataclass field that takes the value."""
        return self.field or self.name


@dataclass(frozen=True)
class Section:
    """One table (``[name]``) or list of tables (``[[name]]``)."""

    name: str
    type: type
    repeated: bool
    meaning: str
    keys: tuple[Key, ...]


PRESSURE_REFERENCES: Final = ("absolute", "vented_gauge", "sealed_gauge")
AIR_REMOVALS: Final = ("gravity", "prevacuum")
TEMPERATURE_UNITS: Final = ("°C", "°F", "K")
PRESSURE_UNITS: Final = (
    "Pa",
    "hPa",
    "kPa",
    "MPa",
    "mbar",
    "bar",
    "psi",
    "atm",
    "mmHg",
    "inHg",
    "kgf/cm2",
)
"""The units of ``shared.units`` (a test compares them), without loading numpy."""
CHANNELS: Final = (
    "temperature_c",
    "pressure_kpa",
    "temperature2_c",
    "current_a",
    "mains_v",
    "ambient_c",
)

COLUMN_ROLES: Final = (
    *CHANNELS,
    "atmosphere_kpa",
    "time",
    "date",
    "elapsed",
    "unit_id",
    "logger_id",
    "channel",
    "value",
    "unit",
    "ignore",
)
"""What a column of a pinned layout may be."""

# keys that several tables have

ZONE: Final = Key(
    "zone", "text", "IANA zone of the clocks there", check="zone", example='"Europe/Oslo"'
)
DAY_FIRST: Final = Key("day_first", "flag", "03/04 means 3 April", example="true")
CLOCK_24H: Final = Key(
    "clock_24h", "flag", "02:00 without AM or PM means the night", example="true"
)
REFERENCE: Final = Key(
    "pressure_reference",
    "text",
    "what a pressure channel counts from",
    choices=PRESSURE_REFERENCES,
    example='"absolute"',
)
ALTITUDE: Final = Key(
    "altitude_m",
    "number",
    "height above sea level [m], for the atmosphere of gauge channels",
    low=-430.0,
    high=6000.0,
    example="120",
)
T_UNIT: Final = Key(
    "temperature_unit",
    "text",
    "unit of temperatures, where exports do not say",
    choices=TEMPERATURE_UNITS,
    example='"°C"',
)
P_UNIT: Final = Key(
    "pressure_unit",
    "text",
    "unit of pressures, where exports do not say",
    choices=PRESSURE_UNITS,
    example='"kPa"',
)
