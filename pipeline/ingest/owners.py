"""Whose rows they are, and which clock and atmosphere hold for them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from ...shared.config import Assignment
from ...shared.errors import ExportRefusedError
from ...shared.steam import STANDARD_ATMOSPHERE_KPA, pressure_at_altitude_kpa
from ...shared.units import PRESSURE_TO_KPA
from . import clock as clocks
from . import header_words as vocabulary
from . import stated_zone as zones_said
from .cells import number_of
from .clock_text import ABBREVIATIONS, parse_offset
from .convert import Atmosphere, Owner
from .identity import Identity, identify, valid_id
from .long_layout import encode
from .refuse import layout_toml, quoted, refusal, toml_text
from .statements import Statement
from .units_found import read_mark
from .zones import find_zone, offset_name, pinnable_zone

if TYPE_CHECKING:
    from .decide import Decider
    from .side_by_side import Side

Int = NDArray[np.int64]
Float = NDArray[np.float64]


def find_units(d: Decider) -> list[tuple[str, str, Any]]:
    """Return (unit, logger, mask of rows or None) of each group of rows."""
    roles, parsed = d.roles, d.parsed
    side = d.a.side
    if side is not None and side.others:
        return [_of_side(d, side)]
    if roles.unit_column is not None:
        if not d.pin.unit_id:
            return _from_column(d, roles.unit_column)
        _refuse_several(d, roles.unit_column, d.pin.unit_id)
    logger_codes = None
    if roles.logger_column is not None:
        logger_codes, loggers = encode(parsed.texts[roles.logger_column])
        filled = [k for k, text in enumerate(loggers) if text and (logger_codes == k).any()]
        if len(filled) == 1:
            extra = Statement("logger id", loggers[filled[0]], d.table.data_line)
            own = _identify(d, [*d.statements, extra])
            d.a.note("unit", own.unit_id or own.logger_id, own.why)
            return [(own.unit_id, own.logger_id, None)]
        found: list[tuple[str, str, Any]] = []
        for k in filled:
            if not any(a.logger == loggers[k] for a in d.config.assignments):
                raise unassigned(d, loggers[k])
            found.append(("", loggers[k], logger_codes == k))
        if found:
            return found
    own = _identify(d, d.statements)
    d.a.note("unit", own.unit_id or own.logger_id, own.why)
    return [(own.unit_id, own.logger_id, None)]


def _identify(d: Decider, statements: list[Statement]) -> Identity:
    side = d.a.side
    column = None if side is None else (side.unit_id, side.header)
    return identify(d.a.name, statements, d.config, d.pin.unit_id, d.inside, column)


def _of_side(d: Decider, side: Side) -> tuple[str, str, Any]:
    """Return the unit that some of a table's columns are named for, others standing beside it.

    Raises
    ------
    ExportRefusedError
        With cause ``layout`` where one unit is pinned for them all, with cause ``unit_id`` where
        text above the table or the file's path names a unit that is none of theirs.
    """
    units = (side.unit_id, *side.others)
    listed = ", ".join(map(quoted, units))
    if d.pin.unit_id:
        raise refusal(
            "layout",
            d.a.name,
            f"a [[layout]] pins the unit {quoted(d.pin.unit_id)}, but its columns are named for "
            f"several units: {listed}",
            "let the match of that [[layout]] leave this export out, or pin the other units' "
            "columns as ignored",
            line=d.table.header_line,
        )
    own = None
    for unit in units:
        try:
            column = (unit, side.header)
            own = identify(d.a.name, d.statements, d.config, None, d.inside, column)
            break
        except ExportRefusedError as error:
            disagrees = error
    if own is None:
        raise disagrees
    d.a.note("unit", side.unit_id, f"column {quoted(side.header)} is named for it")
    return side.unit_id, own.logger_id, None


def unassigned(d: Decider, logger: str) -> Exception:
    """Return the refusal of rows whose logger no [[assignment]] names (cause ``unit_id``)."""
    return refusal(
        "unit_id",
        d.a.name,
        f"logger {quoted(logger)} is not assigned to a unit",
        "say at which unit it sits in an [[assignment]]",
        question=f"At which unit does logger {quoted(logger)} sit?",
        toml=f'[[assignment]]\nlogger = {toml_text(logger)}\nunit = "unit-1"',
    )


def _refuse_several(d: Decider, column: int, pinned: str) -> None:
    """Refuse rows of several units for which one unit is pinned: they would be mixed."""
    header = {h.strip().casefold() for h in d.table.headers}
    codes, texts = encode(d.parsed.texts[column])
    live = codes[~d.parsed.blank]
    named = [t for k, t in enumerate(texts) if t and t.casefold() not in header and k in live]
    if len(named) > 1:
        raise refusal(
            "layout",
            d.a.name,
            f"a [[layout]] pins the unit {quoted(pinned)}, but column "
            f"{quoted(d.table.headers[column])} names {len(named)} units, such as "
            f"{quoted(named[0])} and {quoted(named[1])}",
            "let the match of that [[layout]] leave this export out",
            line=d.table.data_line,
        )


def _from_column(d: Decider, column: int) -> list[tuple[str, str, Any]]:
    codes, texts = encode(d.parsed.texts[column])
    known = {u.id.casefold(): u.id for u in d.config.units}
    loggers = {a.logger for a in d.config.assignments}
    live = ~d.parsed.blank
    header = {h.strip().casefold() for h in d.table.headers}
    found: dict[tuple[str, str], Any] = {}
    logger_texts: Any = None
    if d.roles.logger_column is not None:
        logger_texts = encode(d.parsed.texts[d.roles.logger_column])
    if len(texts) > 5000:
        raise refusal(
            "unit_id",
            d.a.name,
            f"column {quoted(d.table.headers[column])} holds {len(texts)} different ids",
            "name the unit's column in a [[layout]]",
            line=d.table.header_line,
        )
    for k, text in enumerate(texts):
        mask = (codes == k) & live
        if not mask.any() or text.casefold() in header:
            continue
        if not valid_id(text):
            # Counted by the owner loop as rows that no one claims.
            continue
        unit, logger = known.get(text.casefold(), text), ""
        if text in loggers and text.casefold() not in known:
            unit, logger = "", text
        if logger_texts is not None and not logger:
            own = np.unique(logger_texts[0][mask])
            logger = logger_texts[1][own[0]] if len(own) == 1 and own[0] >= 0 else ""
            logger = logger if len(logger.encode("utf-8")) <= 64 and logger.isprintable() else ""
        old = found.get((unit, logger))
        found[unit, logger] = mask if old is None else old | mask
    if not found:
        raise refusal(
            "unit_id",
            d.a.name,
            f"column {quoted(d.table.headers[column])} holds no usable unit id",
            "check the export, or pin unit_id in a [[layout]]",
            line=d.table.data_line,
            question="Which unit do these exports belong to?",
            toml=layout_toml(d.a.name, 'unit_id = "unit-1"'),
        )
    stated = {
        s.value.strip().casefold()
        for s in d.statements
        if vocabulary.UNIT_ID.search(s.key_words)
        and not vocabulary.NOT_AN_ID.search(s.key_words)
        and s.key_words
        and not s.key_words.startswith("units")
        and s.line < d.table.data_line
        and read_mark(s.value) is None
        and s.value.strip().casefold() in known
    }
    ids = {unit.casefold() for unit, _ in found if unit}
    if stated and ids and not stated & ids:
        raise refusal(
            "unit_id",
            d.a.name,
            f"the text above the table names the unit {quoted(next(iter(stated)))}, "
            f"the column {quoted(d.table.headers[column])} names {quoted(next(iter(ids)))}",
            "pin unit_id in a [[layout]], or correct the export",
            question="Which unit do these exports belong to?",
            toml=layout_toml(d.a.name, f"unit_id = {toml_text(next(iter(ids)))}", alone=True),
        )
    d.a.note(
        "unit",
        ", ".join(u or g for u, g in found)[:200],
        f"column {quoted(d.table.headers[column])}",
    )
    return [(unit, logger, mask) for (unit, logger), mask in found.items()]


def zone_of(d: Decider, unit_id: str, begins: datetime | None = None) -> tuple[str, str]:
    """Return the zone that a unit's loggers' clocks keep, and why.

    A pin goes before the unit's site, and that before the store's defaults.

    Parameters
    ----------
    begins
        When the export begins [UTC], where it is known: the unit may have stood elsewhere then.

    Raises
    ------
    ExportRefusedError
        With cause ``zone`` where nothing gives one.
    """
    if d.pin.zone:
        return d.pin.zone, "pinned in the layout"
    site = site_of(d, unit_id, begins)
    if site is not None and site.zone:
        return site.zone, f"site {quoted(site.id)}"
    if d.config.defaults.zone:
        return d.config.defaults.zone, "the store's defaults"
    raise refusal(
        "zone",
        d.a.name,
        f"{_unzoned(d)} no zone, and neither does the configuration for unit {quoted(unit_id)}",
        "give the zone of the loggers' clocks in [defaults], in a [[site]] or in a [[layout]]",
        line=d.table.data_line,
        question="In which time zone (an IANA name such as Etc/UTC) do these loggers' clocks run?",
        toml='[defaults]\nzone = "Etc/UTC"',
    )


def _unzoned(d: Decider) -> str:
    """Say which times state no zone: the rows', or the start that they count from."""
    example = d.example_time()
    if example and d.roles.time.mode == "moments":
        return f"times such as {quoted(example)} state"
    return "the start that its rows count from states"


def find_owners(
    d: Decider, whose: list[tuple[str, str, Any]], times: clocks.RowTimes
) -> tuple[list[tuple[Owner, Int | None]], bool]:
    """Return who each group of rows belongs to, with zone and atmosphere settled.

    Parameters
    ----------
    whose
        Unit, logger and mask of rows, shape (n,) or None for all; a logger without a unit is
        looked up in the assignments.
    times
        Times of all rows [ms], shape (n,): on the local clock, or in UTC.

    Returns
    -------
    tuple
        Each owner with its rows' numbers (None: all rows, each with a time), and whether spans
        of assignments are among them: then rows may be several owners' or no one's.

    Raises
    ------
    ExportRefusedError
        With cause ``zone`` or ``unit_id`` where the export and the configuration leave it open
        or disagree.
    """
    stated = None
    if not times.utc and not d.pin.zone:
        stated = zones_said.stated_zone(d.roles.time, d.table.marks, d.statements, d.a.name)
        if stated is not None and stated.abbreviation:
            ms = times.ms[times.ok]
            if not zones_said.abbreviation_fits(stated.abbreviation, int(ms.min()), int(ms.max())):
                region = ABBREVIATIONS[stated.abbreviation][1]
                fixed = pinnable_zone(stated.name) or "Etc/UTC"
                raise refusal(
                    "zone",
                    d.a.name,
                    f"{stated.why}, but {stated.abbreviation} is not what clocks there show at "
                    "these dates",
                    "pin the zone in a [[layout]]",
                    question=f"Does the clock keep {stated.abbreviation} all year ({fixed}) or "
                    f"follow summer time ({region})?",
                    toml=layout_toml(d.a.name, f"zone = {toml_text(fixed)}"),
                )
    all_ok = bool(times.ok.all())
    known_ms = times.ms if all_ok else times.ms[times.ok]
    begins = _begins(known_ms)
    owners: list[tuple[Owner, Int | None]] = []
    claimed = np.zeros(d.parsed.n, bool) if len(whose) > 1 or whose[0][2] is not None else None
    spanned = False
    for unit, logger, mask in whose:
        if mask is None:
            rows = None if all_ok else np.flatnonzero(times.ok)
        else:
            rows = np.flatnonzero(mask & times.ok)
        if claimed is not None:
            claimed |= mask
        spans: list[_Span] = [_Span(unit, None, None)]
        if not unit:
            spans = _assigned(d, logger)
            spanned |= len(spans) > 1 or (spans[0].start_ms, spans[0].end_ms) != (None, None)
        for span in spans:
            own = span.unit
            if times.utc and d.parsed.moments is not None and begins is not None:
                for abbreviation in sorted(d.parsed.moments.abbreviations):
                    _check_abbreviation(d, abbreviation, own, begins, "its times state")
            elif stated is not None and stated.abbreviation and begins is not None:
                _check_abbreviation(d, stated.abbreviation, own, begins, stated.why)
            if times.utc:
                zone_name, zone = "in the export", None
                why = "the times state their offset from UTC"
                if d.roles.time.mode == "epoch":
                    zone_name, why = "UTC", "a count since 1970 is UTC by definition"
            elif stated is not None:
                zone_name, why = stated.name, stated.why
                if stated.places and len(known_ms):
                    zone_name, why = _of_places(d, stated, own, known_ms)
                zone = find_zone(zone_name)
            else:
                zone_name, why = zone_of(d, own, begins)
                zone = find_zone(zone_name)
                if zone is None:
                    raise refusal(
                        "zone",
                        d.a.name,
                        f"the zone {quoted(zone_name)} ({why}) is not known",
                        "give an IANA name such as Etc/UTC",
                        question="In which time zone do these loggers' clocks run?",
                        toml='[defaults]\nzone = "Etc/UTC"',
                    )
            d.a.note("zone", zone_name, why)
            _check_summer(d, zone, zone_name, times)
            owners.append(
                (
                    Owner(
                        own,
                        logger,
                        zone,
                        zone_name,
                        atmosphere_of(d, own, begins),
                        span.start_ms,
                        span.end_ms,
                        span.only,
                    ),
                    rows,
                )
            )
    if claimed is not None:
        loose = int((times.ok & ~claimed).sum())
        d.a.counts.drop("no_unit_id", loose)
    return owners, spanned


def _check_abbreviation(
    d: Decider, abbreviation: str, unit_id: str, begins: datetime, why: str
) -> None:
    """Refuse an abbreviation whose offset the configured zone never keeps.

    EST is a time of America and one of Australia, PST one of America and one of the
    Philippines.

    Raises
    ------
    ExportRefusedError
        With cause ``zone_not_followed``.
    """
    try:
        configured, where = zone_of(d, unit_id, begins)
    except ExportRefusedError:
        return
    minutes, region = ABBREVIATIONS[abbreviation]
    if zones_said.ever_keeps(configured, minutes, begins):
        return
    fixed = pinnable_zone(offset_name(minutes))
    raise refusal(
        "zone_not_followed",
        d.a.name,
        f"{why} {abbreviation}, which in {region} is UTC{offset_name(minutes)}, but clocks in "
        f"{configured} ({where}) never show that",
        "pin the zone in a [[layout]]",
        line=d.table.data_line,
        question=f"Do the clocks show the time of {configured}, or UTC{offset_name(minutes)} "
        f"({fixed})?",
        toml=layout_toml(d.a.name, f"zone = {toml_text(configured)}"),
    )


def _of_places(
    d: Decider, stated: zones_said.StatedZone, unit_id: str, known_ms: Int
) -> tuple[str, str]:
    """Return the zone of an export that names places beside an offset, and why.

    Their clocks may change in summer. A configured zone that keeps the offset out of summer
    is the one that is meant.

    Raises
    ------
    ExportRefusedError
        With cause ``zone`` where no such zone is configured.
    """
    minutes = parse_offset(stated.name) or 0
    site = site_of(d, unit_id, _begins(known_ms))
    settings = [(site.zone, f"site {quoted(site.id)}")] if site is not None else []
    for name, where in [*settings, (d.config.defaults.zone, "the store's defaults")]:
        zone = find_zone(name) if name else None
        if zone is None:
            continue
        moment = datetime.fromtimestamp(int(known_ms.min()) / 1000, UTC).astimezone(zone)
        usual = (moment.utcoffset() or timedelta()) - (moment.dst() or timedelta())
        if usual == timedelta(minutes=minutes):
            return str(name), f"{where}, and {stated.why}"
    fixed = pinnable_zone(stated.name) or "Etc/UTC"
    raise refusal(
        "zone",
        d.a.name,
        f"{stated.why}: whether the clock goes over to summer time there is not said",
        "give the zone of the loggers' clocks in [defaults], in a [[site]] or in a [[layout]]",
        line=d.table.data_line,
        question=f"Does the clock keep {fixed} all year, or the time of {quoted(stated.places)} "
        "(give its IANA name)?",
        toml=layout_toml(d.a.name, f"zone = {toml_text(fixed)}"),
    )


def begins_of(times: clocks.RowTimes) -> datetime | None:
    """Return about when an export begins: by its own clock, so to within half a day."""
    return _begins(times.ms[times.ok])


def _begins(known_ms: Int) -> datetime | None:
    """Return about when an export begins: by its own clock, so to within half a day."""
    if not len(known_ms):
        return None
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=int(known_ms.min()))


def _check_summer(d: Decider, zone: Any, zone_name: str, times: clocks.RowTimes) -> None:
    """Refuse a clock that is said to keep no summer time, read in a zone that has it."""
    off = zones_said.summer_time_off(d.statements)
    if off is None or zone is None or d.pin.zone:
        return
    for ms in (int(times.ms[times.ok].min()), int(times.ms[times.ok].max())):
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)
        summer = moment.astimezone(zone).dst()
        if summer:
            offset = moment.astimezone(zone).utcoffset() or summer
            minutes = int((offset - summer).total_seconds()) // 60
            kept = f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
            raise refusal(
                "zone",
                d.a.name,
                f"line {off.line} says {quoted(off.key + ' ' + off.value)}, but {zone_name} "
                "has summer "
                "time at these dates",
                "pin the offset that the clock keeps in a [[layout]]",
                line=off.line,
                question=f"Does this logger's clock keep UTC{kept} all year?",
                toml=layout_toml(d.a.name, f"zone = {toml_text(pinnable_zone(kept) or kept)}"),
            )


@dataclass(frozen=True)
class _Span:
    """Where a logger, or one of its channels, sat from when to when [ms]."""

    unit: str
    start_ms: int | None
    end_ms: int | None
    only: frozenset[str] = frozenset()

    def meets(self, other: _Span) -> bool:
        """Say whether both hold at one time."""
        after = self.end_ms is not None and (other.start_ms or 0) >= self.end_ms
        before = other.end_ms is not None and (self.start_ms or 0) >= other.end_ms
        return not (after or before)


def _assigned(d: Decider, logger: str) -> list[_Span]:
    from .pins import active

    own: list[Assignment] = [a for a in d.config.assignments if a.logger == logger]
    if not own:
        raise unassigned(d, logger)
    spans: list[_Span] = []
    for unit in dict.fromkeys(a.unit for a in own):
        spans += _disjoint(unit, [(*active(a), a.channel) for a in own if a.unit == unit])
    for k, one in enumerate(spans):
        for other in spans[:k]:
            if one.unit != other.unit and one.meets(other):
                raise refusal(
                    "unit_id",
                    d.a.name,
                    f"logger {quoted(logger)} is assigned to {quoted(other.unit)} and to "
                    f"{quoted(one.unit)} at one time, each with its channel, and one export of it "
                    "can't be parted so",
                    "export each channel in a file of its own and pin its unit_id in a [[layout]]",
                )
    if d.labels is not None and any(s.only for s in spans):
        raise refusal(
            "unit_id",
            d.a.name,
            f"an [[assignment]] of logger {quoted(logger)} names one channel, which is not "
            "followed where channels stand in rows",
            "name the logger without a channel, or export its channels in columns",
        )
    return spans


def _disjoint(unit: str, parts: list[tuple[int | None, int | None, str]]) -> list[_Span]:
    """Return one unit's spans [ms] parted so that no moment lies in two of them.

    Rows in the overlap of two would be stored, and counted, twice.

    Parameters
    ----------
    parts
        Start, end and channel (empty: all) of each assignment.
    """
    cuts = sorted({at for start, end, _ in parts for at in (start, end) if at is not None})
    spans: list[_Span] = []
    for begin, end in pairwise([None, *cuts, None]):
        channels = {
            channel
            for first, last, channel in parts
            if (first is None or (begin is not None and first <= begin))
            and (last is None or (end is not None and end <= last))
        }
        only = frozenset() if "" in channels else frozenset(channels)
        if channels and spans and (spans[-1].end_ms, spans[-1].only) == (begin, only):
            spans[-1] = _Span(unit, spans[-1].start_ms, end, only)
        elif channels:
            spans.append(_Span(unit, begin, end, only))
    return spans


def atmosphere_of(d: Decider, unit_id: str, begins: datetime | None = None) -> Atmosphere:
    """Return the air's pressure at a unit [kPa absolute], whether it is assumed, and why.

    A barometer that the export states (50 to 110 kPa) goes before the altitude of the site,
    that before the defaults' altitude, and one standard atmosphere is assumed where nothing is
    known.

    Parameters
    ----------
    begins
        When the export begins [UTC], where it is known.
    """
    stated: dict[float, Statement] = {}
    for s in d.statements:
        if not vocabulary.ATMOSPHERE.search(s.key_words):
            continue
        match = re.match(r"^\s*([\d.,]+)\s*(.*)$", s.value)
        mark = read_mark(match[2]) if match else None
        if match and mark is None:
            inner = re.search(r"[\[(]([^\])]+)[\])]", s.key)
            mark = read_mark(inner[1]) if inner else None
        if match is None or mark is None or mark.kind != "pressure":
            continue
        # 96,325 kPa has a decimal, 1,013 hPa a thousand: only one of the two is the air's.
        for decimal in ".,":
            value = number_of(match[1], decimal)
            kpa = float("nan") if value is None else value * PRESSURE_TO_KPA[mark.unit]
            if 50.0 <= kpa <= 110.0:
                stated.setdefault(round(kpa, 6), s)
    if len(stated) == 1:
        kpa, s = next(iter(stated.items()))
        return Atmosphere(kpa, False, f"line {s.line} states {quoted(s.value)}")
    site = site_of(d, unit_id, begins)
    if site is not None and site.altitude_m is not None:
        return Atmosphere(
            pressure_at_altitude_kpa(site.altitude_m),
            False,
            f"site {quoted(site.id)} at {site.altitude_m:g} m",
        )
    if d.config.defaults.altitude_m is not None:
        altitude = d.config.defaults.altitude_m
        return Atmosphere(
            pressure_at_altitude_kpa(altitude), False, f"the store's default of {altitude:g} m"
        )
    return Atmosphere(
        STANDARD_ATMOSPHERE_KPA, True, "no atmosphere is known: taken as 101.325 kPa"
    )


def created_at(d: Decider, base: Any, owners: list[tuple[Owner, Int | None]]) -> datetime | None:
    """Return when the export says it was made [UTC], or None where that can't be placed.

    Parameters
    ----------
    base
        The stated moment (``stated_starts.Base``) on the loggers' clock, or None.
    owners
        Whose zone holds: the first one's, else the site's or the defaults'.
    """
    if base is None or base.local_ms is None:
        return None
    if base.offset_min is not None:
        ms = base.local_ms - base.offset_min * 60_000
    else:
        zone = owners[0][0].zone if owners else None
        if zone is None:
            unit = owners[0][0].unit_id if owners else ""
            site = site_of(d, unit)
            name = (site.zone if site is not None else None) or d.config.defaults.zone
            zone = find_zone(name) if name else None
        if zone is None:
            return None
        from .zones import to_utc

        local = to_utc(np.array([base.local_ms]), zone)
        if local.missing[0] or local.ambiguous[0]:
            return None
        ms = int(local.utc_ms[0])
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)


def site_of(d: Decider, unit_id: str, begins: datetime | None = None) -> Any:
    """Return the site of a unit: its own, else the one its folder is named for.

    Parameters
    ----------
    begins
        When the export begins, where it is known: the unit may have stood elsewhere then.
    """
    if not d.config.sites:
        return None
    own = d.config.site_of(unit_id, begins)
    if own is not None:
        return own
    folders = d.a.name.replace("\\", "/").split("/")[:-1]
    named = [s for s in d.config.sites if s.id in folders]
    return named[0] if len(named) == 1 else None
