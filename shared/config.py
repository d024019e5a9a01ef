"""What ``chamberdrift.toml`` says, as frozen dataclasses.

Reading and validating the file is in ``config_file``; here is only the meaning.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

from . import programs as published


@dataclass(frozen=True)
class Site:
    """A place with its clock and its atmosphere."""

    id: str
    zone: str | None = None
    """IANA zone name of clocks there."""
    altitude_m: float | None = None
    name: str = ""
    day_first: bool | None = None
    """How numeric dates are written there; None when not stated."""


@dataclass(frozen=True)
class Unit:
    """One sterilizer."""

    id: str
    site: str | None = None
    type: str = ""
    """Free text that groups like units; pooled slopes are per type."""
    volume_l: float | None = None
    power_w: float | None = None
    mains_v: float | None = None
    air_removal: str | None = None
    """``gravity`` or ``prevacuum``."""
    programs: tuple[str, ...] = ()
    """Programs that the unit runs, such as ``gravity-121x30``."""
    retired_at: datetime | None = None


@dataclass(frozen=True)
class Assignment:
    """Which logger sat at which unit, from when to when."""

    logger: str
    unit: str
    channel: str = ""
    start: datetime | None = None
    end: datetime | None = None


@dataclass(frozen=True)
class EarlierSite:
    """Where a unit stood before: exports that begin before ``until`` are read so."""

    unit: str
    site: str
    until: datetime


@dataclass(frozen=True)
class Correction:
    """What a calibration found must be added to a logger's values, from when to when.

    Stored samples stay as they were recorded; cycles are found in the corrected ones.
    """

    logger: str = ""
    unit: str = ""
    add_k: float | None = None
    """Added to temperatures [K]."""
    add_kpa: float | None = None
    """Added to pressures [kPa]."""
    channel: str = "temperature_c"
    """The temperature channel that ``add_k`` is for."""
    start: datetime | None = None
    end: datetime | None = None
    note: str = ""


@dataclass(frozen=True)
class Clock:
    """What a pressure logger's clock lacks against the temperature logger's at one unit.

    Stored samples stay as they were recorded; cycles are found in the moved ones.
    """

    add_s: float
    """Added to the times of pressure that comes in exports of its own [s]."""
    unit: str = ""
    """Empty: every unit that no other entry names."""
    start: datetime | None = None
    end: datetime | None = None
    note: str = ""


@dataclass(frozen=True)
class LayoutPin:
    """What the user settled about exports that a pattern names. None: by evidence."""

    match: str = "*"
    """Shell pattern on the export's path below the inbox."""
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    header_row: int | None = None
    """One-based line of the header."""
    day_first: bool | None = None
    clock_24h: bool | None = None
    zone: str | None = None
    pressure_reference: str | None = None
    """``absolute``, ``vented_gauge`` or ``sealed_gauge``."""
    temperature_unit: str | None = None
    pressure_unit: str | None = None
    unit_id: str | None = None
    columns: tuple[tuple[str, str], ...] = ()
    """Pairs of header text and channel name."""
    start_time: str | None = None


@dataclass(frozen=True)
class Limits:
    """Limits that verdicts and flags use, with shipped defaults from ``programs``."""

    band_width_k: float = published.BAND_WIDTH_K
    leak_kpa_per_min: float = published.LEAK_LIMIT_KPA_PER_MIN
    saturation_k: float = published.SATURATION_LIMIT_K
    temperature_uncertainty_k: float = 0.5
    pressure_uncertainty_kpa: float = 2.0
    leak_start_kpa: float = 30.0
    """A leak test that starts above this pressure is not judged."""
    relief_kpa: float = 380.0
    """Absolute pressure at which a flag is ``stop`` at once; set it to the unit's relief
    pressure (default: common practice for a 134 °C chamber, no source)."""
    overband_stop_k: float = 2.0
    """Temperature above the upper limit at which a flag is ``stop`` at once. The channel may be
    off by half a kelvin; of 147,000 exposures without a fault (seeds 952 to 959, five outside
    fleets) one went above its band by more than 0.5 K and none by 2 K."""


@dataclass(frozen=True)
class Budgets:
    """Designed false flags per healthy unit-year, all features and parts together."""

    watch: float = 2.0
    service: float = 0.15
    stop: float = 0.02
    fleet_factor: float = 1.0
    """False flags that this fleet's own weeks raise for each one of the simulation."""


@dataclass(frozen=True)
class Reports:
    """How reports and terminal texts speak to their reader."""

    temperature_unit: str = "°C"
    pressure_unit: str = "kPa"
    date_style: str = "words"
    zone: str | None = None
    """IANA zone of all times; None: each site's own."""
    paper: str = "A4"


@dataclass(frozen=True)
class ServiceInterval:
    """The site's own interval for a part: in days, in cycles, or both."""

    part: str
    days: float | None = None
    cycles: int | None = None


@dataclass(frozen=True)
class Defaults:
    """The store's answers where a file and its site are silent."""

    zone: str | None = None
    day_first: bool | None = None
    clock_24h: bool | None = None
    pressure_reference: str | None = None
    altitude_m: float | None = None
    temperature_unit: str | None = None
    pressure_unit: str | None = None
    max_dropped_share: float = 0.2
    """Share of spoilt rows above which an export is set aside whole."""


@dataclass(frozen=True)
class Config:
    """The whole configuration."""

    sites: tuple[Site, ...] = ()
    units: tuple[Unit, ...] = ()
    assignments: tuple[Assignment, ...] = ()
    layouts: tuple[LayoutPin, ...] = ()
    earlier_sites: tuple[EarlierSite, ...] = ()
    corrections: tuple[Correction, ...] = ()
    clocks: tuple[Clock, ...] = ()
    defaults: Defaults = field(default_factory=Defaults)
    limits: Limits = field(default_factory=Limits)
    budgets: Budgets = field(default_factory=Budgets)
    reports: Reports = field(default_factory=Reports)
    service_intervals: tuple[ServiceInterval, ...] = ()
    silent_after_days: float = 3.0
    leak_test_days: float = 7.0
    calibration_days: float = 365.0

    def site(self, site_id: str | None) -> Site | None:
        """Return the site with this id, or None."""
        return self._sites.get(site_id) if site_id is not None else None

    def site_of(self, unit_id: str, when: datetime | None = None) -> Site | None:
        """Return where a unit stands, or stood at a moment; None where nothing says it."""
        if when is not None:
            past = [e for e in self.earlier_sites if e.unit == unit_id and when < e.until]
            if past:
                return self.site(min(past, key=lambda e: e.until).site)
        return self.site(self.unit(unit_id).site)

    def unit(self, unit_id: str) -> Unit:
        """Return the unit with this id, or a bare one that the file does not name."""
        return self._units.get(unit_id) or Unit(unit_id)

    # Asked for each unit of a fleet, so a search each time would cost its square.
    @cached_property
    def _sites(self) -> dict[str, Site]:
        return {s.id: s for s in reversed(self.sites)}

    @cached_property
    def _units(self) -> dict[str, Unit]:
        return {u.id: u for u in reversed(self.units)}
