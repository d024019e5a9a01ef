"""Units and pressure references: stated, configured, or settled by steam."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from ...shared.steam import STANDARD_ATMOSPHERE_KPA
from ...shared.units import PRESSURE_TO_KPA, TEMPERATURE_TO_C
from . import clock as clocks
from . import physics_check as physics
from . import steam_settles as steam
from .convert import Atmosphere, Owner
from .owners import atmosphere_of, begins_of
from .plausibility import stuck
from .reading import Known
from .refuse import layout_toml, quoted, refusal, toml_text
from .roles import Channel
from .units_found import read_mark

if TYPE_CHECKING:
    from .decide import Decider

Int = NDArray[np.int64]
Float = NDArray[np.float64]

REFERENCES: Final = ("absolute", "vented_gauge", "sealed_gauge")


def normal_unit(text: str, known: dict[str, Any]) -> str | None:
    """Return a unit's own name for what a user wrote, or None."""
    mark = read_mark(text)
    return mark.unit if mark is not None and mark.unit in known else None


def _values(d: Decider, channel: Channel) -> Float:
    if d.labels is None:
        return d.parsed.values[channel.column]
    assert d.roles.long_value is not None
    values: Float = d.parsed.values[d.roles.long_value]
    return np.asarray(values[d.labels.codes == channel.column])


STATED: Final = ("the header says", "the column beside", "line", "pinned")
"""How the evidence of a unit or a reference begins that the export itself or the user states."""
LEAST_MAINS_V: Final = 60.0
"""No public mains is below it (from memory: 100 V is the lowest)."""


def _is_mains(values: Float) -> bool:
    live = values[np.isfinite(values) & (np.abs(values) > 1.0)]
    return len(live) > 0 and float(np.median(live)) >= LEAST_MAINS_V


def _known(d: Decider, unit_ids: list[str], field: str) -> str | None:
    found = {getattr(d.a.facts.of(unit, d.layout_key), field) for unit in unit_ids} - {None}
    return found.pop() if len(found) == 1 else None


def settle_units(
    d: Decider, channels: tuple[Channel, ...], unit_ids: list[str]
) -> tuple[Channel, ...]:
    """Return the channels with their units settled; a voltage that is no mains is left out.

    Raises
    ------
    ExportRefusedError
        With cause ``temperature_unit``, ``pressure_unit`` or ``layout`` where headers, pins, the
        unit's other exports, the defaults and the values themselves leave a unit open.
    """
    done = []
    for channel in channels:
        if channel.kind == "temperature":
            channel = _temperature_unit(d, channel, channels, unit_ids)
        elif channel.kind == "pressure":
            channel = _pressure_unit(d, channel, channels, unit_ids)
        elif not channel.unit:
            channel = replace(channel, unit="A" if channel.kind == "current" else "V")
        if channel.name == "mains_v" and not _is_mains(_values(d, channel)):
            d.a.note("unused columns", channel.header, "no mains has so low a voltage")
            continue
        d.a.note(
            channel.name,
            channel.unit,
            f"column {quoted(channel.header)}: {channel.unit_why or 'usual unit'}",
        )
        done.append(channel)
    return tuple(done)


def _temperature_unit(
    d: Decider, channel: Channel, channels: tuple[Channel, ...], unit_ids: list[str]
) -> Channel:
    pinned = d.pin.temperature_unit
    if pinned:
        unit = normal_unit(pinned, TEMPERATURE_TO_C)
        if unit is None:
            raise refusal(
                "layout",
                d.a.name,
                f"the pinned temperature unit {quoted(pinned)} is not known",
                "use °C, °F or K",
            )
        return replace(channel, unit=unit, unit_why="pinned in the layout")
    if channel.unit:
        return channel
    beside = {c.unit for c in channels if c.kind == "temperature" and c.unit}
    known = _known(d, unit_ids, "temperature_unit")
    if known:
        return replace(channel, unit=known, unit_why="the unit's other exports say so")
    first = next(c for c in channels if c.kind == "temperature")
    unit, why = steam.settle_temperature_unit(_values(d, first))
    pressure = next((c for c in channels if c.name == "pressure_kpa" and c.unit), None)
    if unit and len(beside - {unit}) == 0:
        if pressure is not None and d.labels is None:
            agreed = [
                r
                for absolute in (True, False)
                if (
                    r := physics.read_as(
                        _values(d, first),
                        _values(d, pressure),
                        unit,
                        pressure.unit,
                        absolute,
                    )
                ).agrees
            ]
            why += "; temperature and pressure agree with saturation" if agreed else ""
        return replace(channel, unit=unit, unit_why=why)
    default = d.config.defaults.temperature_unit
    unit_default = normal_unit(default, TEMPERATURE_TO_C) if default else None
    if unit_default:
        return replace(channel, unit=unit_default, unit_why="the store's defaults")
    raise refusal(
        "temperature_unit",
        d.a.name,
        f"column {quoted(channel.header)} states no unit, and its values settle none",
        "state the unit in [defaults] or in a [[layout]]",
        line=d.table.header_line,
        question=f"Is column {quoted(channel.header)} in °C, °F or K?",
        toml='[defaults]\ntemperature_unit = "°C"',
    )


def _pressure_unit(
    d: Decider, channel: Channel, channels: tuple[Channel, ...], unit_ids: list[str]
) -> Channel:
    pinned = d.pin.pressure_unit
    if pinned and channel.name == "pressure_kpa":
        mark = read_mark(pinned)
        if mark is None or mark.kind != "pressure":
            raise refusal(
                "layout",
                d.a.name,
                f"the pinned pressure unit {quoted(pinned)} is not known",
                "use one of " + ", ".join(PRESSURE_TO_KPA),
            )
        return replace(
            channel,
            unit=mark.unit,
            unit_why="pinned in the layout",
            reference=channel.reference or mark.reference,
            reference_why=channel.reference_why or "pinned in the layout",
        )
    if channel.unit:
        return channel
    known = _known(d, unit_ids, "pressure_unit")
    if known:
        return replace(channel, unit=known, unit_why="the unit's other exports say so")
    default = d.config.defaults.pressure_unit
    mark = read_mark(default) if default else None
    if mark is not None and mark.kind == "pressure":
        return replace(
            channel,
            unit=mark.unit,
            unit_why="the store's defaults",
            reference=channel.reference or mark.reference,
            reference_why=channel.reference_why or "the store's defaults",
        )
    likely = ""
    temperature = next((c for c in channels if c.name == "temperature_c"), None)
    if temperature is not None and d.labels is None:
        unit = temperature.unit or steam.settle_temperature_unit(_values(d, temperature))[0]
        if unit:
            likely = steam.likely_pressure(
                _values(d, temperature), _values(d, channel), unit, STANDARD_ATMOSPHERE_KPA
            )
    likely_unit = likely.partition(" ")[0]
    toml = f'pressure_unit = "{likely_unit or "kPa"}"'
    raise refusal(
        "pressure_unit",
        d.a.name,
        f"column {quoted(channel.header)} states no unit"
        + (f"; with the temperature it would be steam in {likely}" if likely else ""),
        "state the unit in [defaults] or in a [[layout]]",
        line=d.table.header_line,
        question=f"In which unit is column {quoted(channel.header)}"
        + (f" ({likely}?)" if likely else "")
        + "?",
        toml=f"[defaults]\n{toml}",
    )


def _pair(
    d: Decider, channels: tuple[Channel, ...], rows: Int | None, times: clocks.RowTimes
) -> Any:
    """Return temperatures and pressures as written, at the same moments, or None."""
    t = next((c for c in channels if c.name == "temperature_c"), None)
    t = t or next((c for c in channels if c.name == "temperature2_c"), None)
    p = next((c for c in channels if c.name == "pressure_kpa"), None)
    if t is None:
        return None
    if d.labels is None:
        a = d.parsed.values[t.column]
        b = d.parsed.values[p.column] if p is not None else None
        if rows is not None:
            a, b = a[rows], (b[rows] if b is not None else None)
        return t, p, a, b
    assert d.roles.long_value is not None
    values = d.parsed.values[d.roles.long_value]
    use = np.arange(d.parsed.n) if rows is None else rows
    here = use[d.labels.codes[use] == t.column]
    if p is None:
        return t, p, values[here], None
    there = use[d.labels.codes[use] == p.column]
    if len(here) == 0 or len(there) == 0:
        return t, p, values[here], None
    ordered = there[np.argsort(times.ms[there], kind="stable")]
    place = np.searchsorted(times.ms[ordered], times.ms[here])
    place = np.minimum(place, len(ordered) - 1)
    near = np.abs(times.ms[ordered[place]] - times.ms[here]) <= 5000
    return t, p, values[here[near]], values[ordered[place[near]]]


def settle_references(
    d: Decider,
    channels: tuple[Channel, ...],
    unit_ids: list[str],
    owners: list[tuple[Owner, Int | None]],
    times: clocks.RowTimes,
) -> tuple[Channel, ...]:
    """Return the channels with the pressure's reference settled.

    ``owners`` is changed in place where the gauge is a sealed one, which counts from one
    standard atmosphere [kPa] wherever it stands.

    Parameters
    ----------
    owners
        Units and their rows' numbers (None: all).
    times
        Times of all rows [ms], shape (n,).

    Raises
    ------
    ExportRefusedError
        With cause ``pressure_reference`` or ``layout`` where neither the export nor the
        configuration, other exports or steam settle it.
    """
    done = []
    for channel in channels:
        if channel.name == "pressure_kpa":
            channel = _settle_reference(d, channel, channels, unit_ids, owners, times)
            d.a.note("pressure reference", channel.reference, channel.reference_why)
            if channel.reference == "vented_gauge":
                for owner, _ in owners:
                    if not any(c.name == "atmosphere_kpa" for c in channels):
                        d.a.note(
                            "atmosphere",
                            f"{owner.atmosphere.kpa:.3f} kPa",
                            owner.atmosphere.why,
                        )
        done.append(channel)
    if any(c.name == "pressure_kpa" and c.reference == "sealed_gauge" for c in done):
        owners[:] = [
            (
                replace(
                    o,
                    atmosphere=Atmosphere(
                        STANDARD_ATMOSPHERE_KPA,
                        False,
                        "a sealed gauge is sealed at one standard atmosphere",
                    ),
                ),
                rows,
            )
            for o, rows in owners
        ]
    return tuple(done)


def _settle_reference(
    d: Decider,
    channel: Channel,
    channels: tuple[Channel, ...],
    unit_ids: list[str],
    owners: list[tuple[Owner, Int | None]],
    times: clocks.RowTimes,
) -> Channel:
    pinned = d.pin.pressure_reference
    if pinned:
        if pinned not in REFERENCES:
            raise refusal(
                "layout",
                d.a.name,
                f"the pinned pressure_reference {quoted(pinned)} is not known",
                "use one of " + ", ".join(REFERENCES),
            )
        return replace(channel, reference=pinned, reference_why="pinned in the layout")
    if channel.reference:
        return channel
    known = _known(d, unit_ids, "pressure_reference")
    if known:
        return replace(channel, reference=known, reference_why="the unit's other exports say so")
    default = d.config.defaults.pressure_reference
    if default in REFERENCES:
        return replace(channel, reference=str(default), reference_why="the store's defaults")
    settled: set[tuple[str, str]] = set()
    for owner, rows in owners:
        pair = _pair(d, channels, rows, times)
        if pair is None or pair[3] is None:
            continue
        reference, why = steam.settle_reference(
            pair[2],
            pair[3],
            pair[0].unit,
            channel.unit,
            owner.atmosphere.kpa or STANDARD_ATMOSPHERE_KPA,
        )
        settled.add((reference, why))
    names = {reference for reference, _ in settled}
    if len(names) == 1 and "" not in names:
        reference, why = settled.pop()
        return replace(channel, reference=reference, reference_why=why)
    raise refusal(
        "pressure_reference",
        d.a.name,
        f"column {quoted(channel.header)} does not say whether it is absolute or gauge, and "
        "its values don't settle it",
        "state pressure_reference in [defaults] or in a [[layout]]",
        line=d.table.header_line,
        question=f"Is column {quoted(channel.header)} absolute pressure, or gauge (reads zero "
        "with the door open)?",
        toml='[defaults]\npressure_reference = "absolute"',
    )


def refuse_contradictions(
    d: Decider,
    channels: tuple[Channel, ...],
    owners: list[tuple[Owner, Int | None]],
    times: clocks.RowTimes,
) -> bool:
    """Refuse units or a reference that the samples of steam and of the open chamber rule out.

    Parameters
    ----------
    channels
        With unit and reference settled; values as written are compared with saturation.
    owners
        Units and their rows' numbers (None: all).
    times
        Times of all rows [ms], shape (n,).

    Returns
    -------
    bool
        Whether hot steam was seen, and agreed with saturation for all units.

    Raises
    ------
    ExportRefusedError
        With cause ``unit_contradiction``, naming the likely units.
    """
    agreed = bool(owners)
    for owner, rows in owners:
        pair = _pair(d, channels, rows, times)
        if pair is None:
            agreed = False
            continue
        t, p, temperature, pressure = pair
        steam_seen = False
        found: physics.Contradiction | None = None
        highest = math.nan
        if p is not None and pressure is not None:
            open_kpa = owner.atmosphere.kpa or STANDARD_ATMOSPHERE_KPA
            top = float(np.fmax.reduce(pressure, initial=-np.inf)) * PRESSURE_TO_KPA[p.unit]
            highest = top + (0.0 if p.reference == "absolute" else open_kpa)
            read = (t.unit, p.unit, p.reference == "absolute", open_kpa)
            steam_seen, found = physics.ask_steam(temperature, pressure, *read)
            # A unit whose other exports read so has a sensor that drifts, not another gauge.
            settled_before = _known(d, [owner.unit_id], "pressure_reference") == p.reference
            if found is None and not owner.atmosphere.assumed and not settled_before:
                found = physics.gauge_contradiction(
                    temperature,
                    pressure * PRESSURE_TO_KPA[p.unit],
                    t.unit,
                    p.reference,
                    atmosphere_of(d, owner.unit_id, begins_of(times)).kpa
                    or STANDARD_ATMOSPHERE_KPA,
                )
        found = found or physics.temperature_contradiction(temperature, t.unit, highest)
        for channel, values in ((t, temperature), (p, pressure)):
            if channel is not None and values is not None and stuck(values):
                d.a.note("stuck channel", channel.name, f"one value in all {len(values)} rows")
        agreed = agreed and steam_seen
        if found is not None and _proven(d, owner, t, p, pair[2:], found):
            d.a.note(
                "agreement with steam",
                "none in this export",
                "its columns state their units, and the unit's other exports agree with steam: "
                "a fault of the sterilizer or of a sensor",
            )
            found = None
        if found is None:
            continue
        lines = []
        if found.temperature_unit:
            lines.append(f"temperature_unit = {toml_text(found.temperature_unit)}")
        if found.pressure_unit:
            lines.append(f"pressure_unit = {toml_text(found.pressure_unit)}")
        if found.reference:
            lines.append(f"pressure_reference = {toml_text(found.reference)}")
        # Where others of this layout were read, their units are no other: one file is meant.
        alone = d.a.facts.of(owner.unit_id, d.layout_key) != Known()
        columns = quoted(t.header) + (f" and {quoted(p.header)}" if p is not None else "")
        raise refusal(
            "unit_contradiction",
            d.a.name,
            f"{found.words} (columns {columns})",
            "correct the logger's settings, or pin unit and reference in a [[layout]]",
            line=d.table.header_line,
            question="Which units and which pressure reference do these columns really have?",
            toml=layout_toml(d.a.name, *lines, alone=alone) if lines else "",
        )
    return agreed


def _proven(
    d: Decider,
    owner: Owner,
    t: Channel,
    p: Channel | None,
    values: tuple[Float, Float],
    found: physics.Contradiction,
) -> bool:
    """Return whether units that the header states were proven by the unit's other exports.

    Air left in the chamber, or water that ran out, then moved the samples off saturation: what
    is the most dangerous must not be taken for a question about the file. A logger that is set
    otherwise writes another header, and columns that were swapped agree when swapped back.
    """
    known = d.a.facts.of(owner.unit_id, d.layout_key)
    if p is None or not known.steam or not (found.pressure_unit or found.reference):
        return False
    stated = all(why.startswith(STATED) for why in (t.unit_why, p.unit_why, p.reference_why))
    same = (known.temperature_unit, known.pressure_unit, known.pressure_reference)
    if not stated or same != (t.unit, p.unit, p.reference):
        return False
    open_kpa = owner.atmosphere.kpa or STANDARD_ATMOSPHERE_KPA
    read = physics.read_as(*values, t.unit, p.unit, p.reference == "absolute", open_kpa)
    return not physics.never_open(*read.in_celsius_and_kpa(*values))
