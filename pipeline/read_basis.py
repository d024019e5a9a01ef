"""What the configuration told about an export when it was read, and what it tells now.

An accepted export keeps the answers that it took from the configuration: the zone of
its clock, the atmosphere, the order of day and month, units, which unit its logger sat
at. When the configuration tells something else later, the stored samples no longer are
what a new reading would give.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Final

from ..shared.config import Config, Site
from ..shared.steam import STANDARD_ATMOSPHERE_KPA, pressure_at_altitude_kpa

if TYPE_CHECKING:
    from collections.abc import Mapping

    from .ingest.reading import Evidence, Known

Basis = dict[str, list[str]]
"""By question, the answers taken from the configuration."""

TOLD: Final = (
    "pinned in the layout",
    "the pinned layout",
    "the store's default",
    "the site's configuration",
    "site ",
    "no atmosphere is known",
)
"""How evidence begins that comes from the configuration."""
SETTINGS: Final = ("the store's default", "the site's configuration", "site ")
"""Of these, what holds for exports in general."""
FACTS: Final = {
    "dates": "day_first",
    "pressure reference": "pressure_reference",
    "temperature_c": "temperature_unit",
    "pressure_kpa": "pressure_unit",
}
"""Questions that exports of a unit settle for each other, and how a fact is called."""
QUESTIONS: Final = {
    "zone": "the zone of the clock",
    "atmosphere": "the altitude",
    "dates": "the order of day and month",
    "pressure reference": "the pressure's reference",
    "temperature_c": "the unit of temperatures",
    "pressure_kpa": "the unit of pressures",
    "unit": "the unit's id",
    "logger": "the unit that its logger sits at",
    "columns": "what its columns are",
    "layout": "its layout",
}
"""Questions and how to call them."""
LOGGER: Final = "logger "


def basis_of(evidence: Iterable[Evidence], config: Config, name: str) -> Basis:
    """Return what a reading took from the configuration.

    Parameters
    ----------
    evidence
        Of the reading.
    config
        What it was read with.
    name
        The export's path below the inbox.
    """
    found: dict[str, set[str]] = {}
    for item in evidence:
        why = _why(item)
        if item.decision in QUESTIONS and why.startswith(TOLD):
            found.setdefault(item.decision, set()).add(item.value)
        elif item.decision == "unit" and why.startswith(LOGGER) and "is assigned" in why:
            found.setdefault("logger", set()).add(_assignments(config, item.value))
            found.setdefault("logger id", set()).add(item.value)
    pinned = pins_digest(config, name)
    if pinned:
        found["layout"] = {pinned}
        found["columns"] = {columns_digest(config, name)}
    return {question: sorted(answers) for question, answers in sorted(found.items())}


def own_facts(learned: Mapping[str, Known], evidence: Iterable[Evidence]) -> dict[str, Known]:
    """Return what an export settles for others by itself, without what settings told of it.

    Else an answer that is taken back would live on in what exports are said to have told.
    """
    lent = {
        FACTS[item.decision]: None
        for item in evidence
        if item.decision in FACTS and _why(item).startswith(SETTINGS)
    }
    return {unit: replace(known, **lent) for unit, known in learned.items()}


def _why(item: Evidence) -> str:
    return item.why.partition(": ")[2] if item.why.startswith("column ") else item.why


def basis_text(basis: Basis) -> str:
    """Return a basis as the intake table holds it."""
    return json.dumps(basis, ensure_ascii=False, separators=(",", ":"))


def told_now(
    config: Config, basis: Basis, name: str, units: Sequence[str], begins: datetime | None = None
) -> Basis:
    """Return what the configuration answers now to the questions of a basis.

    A question that it answers no longer keeps its old answer.

    Parameters
    ----------
    name
        The export's path below the inbox.
    units
        The units in it.
    begins
        Its first sample; a unit may have stood at another site then.
    """
    from .ingest.dates import words
    from .ingest.pins import merged_pin

    pin = merged_pin(config, name)
    defaults = config.defaults
    places = [_site_of(config, unit, name, begins) for unit in units]
    answers: dict[str, list[str | None]] = {
        "zone": [pin.zone or (s.zone if s else None) or defaults.zone for s in places],
        "atmosphere": [_atmosphere(s, defaults.altitude_m) for s in places],
        "dates": [
            None if first is None else words("dmy" if first else "mdy")
            for s in places
            for first in [_first(pin.day_first, s.day_first if s else None, defaults.day_first)]
        ],
        "pressure reference": [pin.pressure_reference or defaults.pressure_reference],
        "temperature_c": [pin.temperature_unit or defaults.temperature_unit],
        "pressure_kpa": [pin.pressure_unit or defaults.pressure_unit],
        "unit": [pin.unit_id],
        "logger": [_assignments(config, logger) for logger in basis.get("logger id", ())],
        "columns": [columns_digest(config, name)],
        "layout": [pins_digest(config, name) or None],
    }
    now: Basis = {}
    for question, before in basis.items():
        known = {a for a in answers.get(question, ()) if a is not None}
        now[question] = sorted(known) if known else list(before)
    return now


def changed_questions(before: Mapping[str, list[str]], now: Mapping[str, list[str]]) -> list[str]:
    """Return the questions that have another answer now."""
    return [q for q in before if q in QUESTIONS and before[q] != now.get(q)]


def pins_digest(config: Config, name: str) -> str:
    """Return a digest of what layouts pin for an export; empty where none does."""
    from ..shared.config import LayoutPin
    from .ingest.pins import merged_pin

    pin = merged_pin(config, name)
    return "" if pin == LayoutPin(match="") else _digest(repr(pin))


def columns_digest(config: Config, name: str) -> str:
    """Return a digest of the columns that layouts name for an export; empty where none does."""
    from .ingest.pins import merged_pin

    columns = merged_pin(config, name).columns
    return _digest(repr(columns)) if columns else ""


def configuration_digest(config: Config) -> str:
    """Return a digest of everything in the configuration that a basis may rest on."""
    parts = (
        config.sites,
        config.earlier_sites,
        config.units,
        config.assignments,
        config.layouts,
        config.defaults,
    )
    return _digest(repr(parts))


def _assignments(config: Config, logger: str) -> str:
    own = sorted(repr(a) for a in config.assignments if a.logger == logger)
    return _digest("\n".join(own)) if own else ""


def _site_of(config: Config, unit: str, name: str, begins: datetime | None) -> Site | None:
    """Return a unit's site, else the one that a folder is named for, as reading does."""
    own = config.site_of(unit, begins)
    if own is not None:
        return own
    folders = name.replace("\\", "/").split("/")[:-1]
    named = [s for s in config.sites if s.id in folders]
    return named[0] if len(named) == 1 else None


def _atmosphere(site: Site | None, default_m: float | None) -> str:
    altitude = site.altitude_m if site is not None and site.altitude_m is not None else default_m
    kpa = STANDARD_ATMOSPHERE_KPA if altitude is None else pressure_at_altitude_kpa(altitude)
    return f"{kpa:.3f} kPa"


def _first(*values: bool | None) -> bool | None:
    return next((v for v in values if v is not None), None)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()[:16]
