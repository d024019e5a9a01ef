"""What an export leaves open: settled by its own evidence, by configuration, or asked."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from ...shared.config import Assignment
from ...shared.steam import STANDARD_ATMOSPHERE_KPA, pressure_at_altitude_kpa
from ...shared.units import PRESSURE_TO_KPA, TEMPERATURE_TO_C
from . import clock as clocks
from . import header_words as vocabulary
from . import physics_check as physics
from .base_time import find_base_ms
from .cells import number_of
from .clock_text import understand
from .columns import Channel, Roles
from .convert import Atmosphere, Owner, Parsed, row_times
from .dates import DAY_MS, Order, settle, words
from .dialect import BLANKS, WIDE_BLANKS, Table
from .identity import identify, valid_id
from .long_layout import Labels, encode
from .plausibility import stuck
from .reading import Known
from .refuse import layout_toml, quoted, refusal, toml_text
from .statements import Statement
from .times import DAY_MONTH, parse_moments
from .units_found import read_mark
from .zones import find_zone

if TYPE_CHECKING:
    from .assemble import Assembly

Int = NDArray[np.int64]
Float = NDArray[np.float64]

REFERENCES: Final = ("absolute", "vented_gauge", "sealed_gauge")


@dataclass
class Decided:
    """Everything settled about one table."""

    times: clocks.RowTimes
    owners: list[tuple[Owner, Int | None]]
    channels: tuple[Channel, ...]
    created: datetime | None
    learned: Known
    layout_key: str
    order: str
    table: Table
    roles: Roles
    toml: str
    shared_rows: int = 0

    def summary(self, encoding: str) -> str:
        """Return the layout in short."""
        names = {
            "\t": "tab",
            ",": "comma",
            ";": "semicolon",
            "|": "bar",
            BLANKS: "aligned",
            WIDE_BLANKS: "aligned",
        }
        shape = "long" if self.roles.long_channel is not None else "wide"
        delimiter = names.get(self.table.delimiter, self.table.delimiter)
        decimal = "decimal comma" if self.table.decimal == "," else "decimal point"
        units = " ".join(dict.fromkeys(c.unit for c in self.channels if c.unit))
        return f"{shape} {delimiter}, {decimal}, {encoding}, {self.roles.time.mode}, {units}"


class Decider:
    """Settles one table's open questions, and keeps the evidence in the assembly."""

    def __init__(
        self,
        assembly: Assembly,
        table: Table,
        roles: Roles,
        statements: list[Statement],
        parsed: Parsed,
        labels: Labels | None,
        member: str,
        data: bytes,
    ) -> None:
        from .assemble import layout_hash

        self.a = assembly
        self.config = assembly.config
        self.pin = assembly.pin
        self.table = table
        self.roles = roles
        self.statements = statements
        self.parsed = parsed
        self.labels = labels
        self.member = member
        self.data = data
        self.layout_key = layout_hash(
            *table.headers, *table.marks, table.delimiter, roles.time.mode, str(table.columns)
        )

    def decide(self, before: Decided | None = None) -> Decided:
        """Settle everything, or refuse with the question that would.

        ``before`` holds what an earlier piece of the same table settled.
        """
        whose = self._whose()
        unit_ids = [unit for unit, _, _ in whose]
        if before is not None:
            order, stated = before.order, before.order
        else:
            order, stated = self._order(unit_ids)
        base: Any = 0
        base_utc: bool | None = None
        if self.roles.time.mode in {"clock", "elapsed", "index"}:
            base, base_utc, order = find_base_ms(self, stated)
        times = row_times(self.parsed, self.roles, order, base)
        if base_utc:
            times = clocks.RowTimes(times.ms, times.ok, True)
        times.ok &= ~self.parsed.blank
        if not times.ok.any() and before is None:
            raise refusal(
                "no_samples",
                self.member,
                f"no row's time can be read (such as {quoted(self.example_time())})",
                "check the export, or pin its layout",
                line=self.table.data_line,
            )
        self._check_half_day(times)
        channels = self.labels.channels if self.labels else self.roles.channels
        if before is None:
            channels = self._units(channels, unit_ids)
        created = clocks.find_created(self.statements, order if order != "ymd" else stated)
        owners, shared = self._owners(whose, times)
        if before is None:
            channels = self._reference(channels, unit_ids, owners, times)
        else:
            channels = self._as_before(channels, before.channels)
        self._contradictions(channels, owners, times)
        created_at = self._created(created, owners)
        learned = Known(
            day_first=None if order == "ymd" else order == "dmy",
            pressure_reference=next(
                (c.reference for c in channels if c.name == "pressure_kpa"), None
            ),
            temperature_unit=next((c.unit for c in channels if c.name == "temperature_c"), None),
            pressure_unit=next((c.unit for c in channels if c.name == "pressure_kpa"), None),
        )
        return Decided(
            times,
            owners,
            channels,
            created_at,
            learned,
            self.layout_key,
            order,
            self.table,
            self.roles,
            self._toml(order, channels, owners),
            shared,
        )

    def _as_before(
        self, channels: tuple[Channel, ...], before: tuple[Channel, ...]
    ) -> tuple[Channel, ...]:
        """Return this piece's channels with what an earlier piece settled about them."""
        settled = {c.name: c for c in before}
        new = [c.header for c in channels if c.name not in settled]
        if new:
            raise refusal(
                "channels",
                self.a.name,
                f"channels that the beginning does not have come up later: {', '.join(new[:4])}",
                "export it in smaller pieces",
                line=int(self.parsed.lines[0]),
            )
        if any(c.unit and c.unit != settled[c.name].unit for c in channels):
            raise refusal(
                "units_differ",
                self.a.name,
                "a channel's unit changes within the export",
                "export it in smaller pieces",
                line=int(self.parsed.lines[0]),
            )
        return tuple(replace(settled[c.name], column=c.column) for c in channels)

    # Whose ----------------------------------------------------------------------------------

    def _whose(self) -> list[tuple[str, str, Any]]:
        """Return (unit, logger, mask of rows or None) of each group of rows."""
        roles, parsed = self.roles, self.parsed
        if roles.unit_column is not None and not self.pin.unit_id:
            return self._from_column(roles.unit_column)
        logger_codes = None
        if roles.logger_column is not None:
            logger_codes, loggers = encode(parsed.texts[roles.logger_column])
            filled = [k for k, text in enumerate(loggers) if text and (logger_codes == k).any()]
            if len(filled) == 1:
                extra = Statement("logger id", loggers[filled[0]], self.table.data_line)
                own = identify(
                    self.a.name, [*self.statements, extra], self.config, self.pin.unit_id
                )
                self.a.note("unit", own.unit_id or own.logger_id, own.why)
                return [(own.unit_id, own.logger_id, None)]
            found: list[tuple[str, str, Any]] = []
            for k in filled:
                if not any(a.logger == loggers[k] for a in self.config.assignments):
                    raise self._unassigned(loggers[k])
                found.append(("", loggers[k], logger_codes == k))
            if found:
                return found
        own = identify(self.a.name, self.statements, self.config, self.pin.unit_id)
        self.a.note("unit", own.unit_id or own.logger_id, own.why)
        return [(own.unit_id, own.logger_id, None)]

    def _unassigned(self, logger: str) -> Exception:
        return refusal(
            "unit_id",
            self.a.name,
            f"logger {quoted(logger)} is not assigned to a unit",
            "say at which unit it sits in an [[assignment]]",
            question=f"At which unit does logger {quoted(logger)} sit?",
            toml=f'[[assignment]]\nlogger = {toml_text(logger)}\nunit = "unit-1"',
        )

    def _from_column(self, column: int) -> list[tuple[str, str, Any]]:
        codes, texts = encode(self.parsed.texts[column])
        known = {u.id.casefold(): u.id for u in self.config.units}
        loggers = {a.logger for a in self.config.assignments}
        live = ~self.parsed.blank
        header = {h.strip().casefold() for h in self.table.headers}
        found: dict[tuple[str, str], Any] = {}
        logger_texts: Any = None
        if self.roles.logger_column is not None:
            logger_texts = encode(self.parsed.texts[self.roles.logger_column])
        if len(texts) > 5000:
            raise refusal(
                "unit_id",
                self.a.name,
                f"column {quoted(self.table.headers[column])} holds {len(texts)} different ids",
                "name the unit's column in a [[layout]]",
                line=self.table.header_line,
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
                logger = (
                    logger if len(logger.encode("utf-8")) <= 64 and logger.isprintable() else ""
                )
            old = found.get((unit, logger))
            found[unit, logger] = mask if old is None else old | mask
        if not found:
            raise refusal(
                "unit_id",
                self.a.name,
                f"column {quoted(self.table.headers[column])} holds no usable unit id",
                "check the export, or pin unit_id in a [[layout]]",
                line=self.table.data_line,
                question="Which unit do these exports belong to?",
                toml=layout_toml(self.a.name, 'unit_id = "unit-1"'),
            )
        stated = {
            s.value.strip().casefold()
            for s in self.statements
            if vocabulary.UNIT_ID.search(s.key_words)
            and not vocabulary.NOT_AN_ID.search(s.key_words)
            and s.key_words
            and not s.key_words.startswith("units")
            and s.line < self.table.data_line
            and read_mark(s.value) is None
            and s.value.strip().casefold() in known
        }
        ids = {unit.casefold() for unit, _ in found if unit}
        if stated and ids and not stated & ids:
            raise refusal(
                "unit_id",
                self.a.name,
                f"the text above the table names the unit {quoted(next(iter(stated)))}, "
                f"the column {quoted(self.table.headers[column])} names {quoted(next(iter(ids)))}",
                "pin unit_id in a [[layout]], or correct the export",
                question="Which unit do these exports belong to?",
                toml=layout_toml(self.a.name, f"unit_id = {toml_text(next(iter(ids)))}"),
            )
        self.a.note(
            "unit",
            ", ".join(u or g for u, g in found)[:200],
            f"column {quoted(self.table.headers[column])}",
        )
        return [(unit, logger, mask) for (unit, logger), mask in found.items()]

    # Dates ----------------------------------------------------------------------------------

    def _order(self, unit_ids: list[str]) -> tuple[str, str | None]:
        """Return the order of dates, and the order that is stated where one is."""
        stated, why = self.stated_order(unit_ids)
        moments = self.parsed.moments
        if moments is None or self.roles.time.mode != "moments":
            return stated or "ymd", stated
        created = clocks.find_created(self.statements, None)
        order = settle(
            moments,
            stated=stated,
            stated_why=why,
            anchors=self.anchors(),
            created_days=created.days if created is not None else None,
        )
        if order.order is None:
            raise clocks.date_question(
                order, self.member, self.example_time(), self.table.data_line
            )
        self.a.note("dates", words(order.order), order.why)
        return order.order, stated or (order.order if order.order != "ymd" else None)

    def stated_order(self, unit_ids: list[str]) -> tuple[str | None, str]:
        """Return the order that the header, a pin, a site or another export states."""
        if self.pin.day_first is not None:
            return ("dmy" if self.pin.day_first else "mdy"), "the pinned layout"
        texts = list(self.roles.time.headers) + [
            self.table.marks[k] for k in self.roles.time.columns if k < len(self.table.marks)
        ]
        texts += [
            s.value
            for s in self.statements
            if re.search(
                r"date ?format|datumsformat|format de date|formato|time format", s.key_words
            )
        ]
        for text in texts:
            order = format_order(text)
            if order:
                return order, f"the export says {quoted(text)}"
        beside = self._order_beside()
        if beside is not None:
            return beside
        sites = {
            site.day_first
            for unit in unit_ids
            if (site := self.site_of(unit)) is not None and site.day_first is not None
        }
        if len(sites) == 1:
            return ("dmy" if sites.pop() else "mdy"), "the site's configuration"
        facts = {
            known.day_first
            for unit in unit_ids
            if (known := self.a.facts.of(unit, self.layout_key)).day_first is not None
        }
        if len(facts) == 1:
            return ("dmy" if facts.pop() else "mdy"), "the unit's other exports"
        if self.config.defaults.day_first is not None:
            return ("dmy" if self.config.defaults.day_first else "mdy"), "the store's defaults"
        return None, ""

    def _order_beside(self) -> tuple[str, str] | None:
        """Return the order in which other dates of the export are written, where certain."""
        moments = self.parsed.moments
        marks = moments.separators - {""} if moments is not None else set()
        found: dict[str, Statement] = {}
        for s in self.statements:
            read = understand(s.value.strip().strip('"'))
            if read is None or not read.has_date or (marks and read.separator not in marks):
                continue
            one = parse_moments(pa.array([s.value.strip().strip('"')]))
            if not one.ok[0] or int(one.kind[0]) != DAY_MONTH:
                continue
            if int(one.first[0]) > 12:
                found.setdefault("dmy", s)
            elif int(one.second[0]) > 12:
                found.setdefault("mdy", s)
        if len(found) != 1:
            return None
        order, s = next(iter(found.items()))
        return order, f"line {s.line} writes {quoted(s.value)}"

    def anchors(self) -> tuple[int, ...]:
        """Return days that the name or the preamble states in a certain form."""
        found = []
        for year, month, day in re.findall(
            r"(?<!\d)(20\d{2})[-_]?(0[1-9]|1[0-2])[-_]?(0[1-9]|[12]\d|3[01])(?!\d{3})", self.a.name
        ):
            try:
                found.append(
                    (datetime(int(year), int(month), int(day)) - datetime(1970, 1, 1)).days
                )
            except ValueError:
                continue
        for s in self.statements:
            if vocabulary.START.search(s.key_words) or vocabulary.END.search(s.key_words):
                base, _ = clocks.read_base(s.value, s.line, None)
                if base is not None and base.days is not None:
                    found.append(base.days)
        return tuple(found)

    def example_time(self) -> str:
        texts = []
        for k in self.roles.time.columns:
            column = self.parsed.raw.columns[k]
            if pa.types.is_string(column.type):
                texts.append(
                    next((t for t in column[:200].to_pylist() if t and re.search(r"\d", t)), "")
                )
        return " ".join(texts)

    def _check_half_day(self, times: clocks.RowTimes) -> None:
        """Refuse a 12-hour clock that doesn't say which half of the day it is."""
        moments = self.parsed.moments
        if moments is None or moments.has_halves or self.roles.time.elapsed:
            return
        clock = moments.clock_ms[times.ok]
        if len(clock) < 2 or int(clock.max()) >= 13 * 3_600_000:
            return
        falls = np.diff(clock)
        if (
            bool((np.abs(falls + 12 * 3_600_000) <= 600_000).any())
            and int(clock.min()) >= 3_600_000
        ):
            raise refusal(
                "twelve_hour_clock",
                self.member,
                "the clock goes from 12:59 to 1:00 and never past 12: a 12-hour clock without AM or PM",
                "export with a 24-hour clock or with AM and PM",
                line=self.table.data_line,
            )

    # Zones, atmosphere, owners --------------------------------------------------------------

    def site_of(self, unit_id: str) -> Any:
        """Return the site of a unit: its own, else the one its folder is named for."""
        own = self.config.site(self.config.unit(unit_id).site)
        if own is not None:
            return own
        folders = self.a.name.replace("\\", "/").split("/")[:-1]
        named = [s for s in self.config.sites if s.id in folders]
        return named[0] if len(named) == 1 else None

    def _zone(self, unit_id: str) -> tuple[str, str]:
        if self.pin.zone:
            return self.pin.zone, "pinned in the layout"
        site = self.site_of(unit_id)
        if site is not None and site.zone:
            return site.zone, f"site {quoted(site.id)}"
        if self.config.defaults.zone:
            return self.config.defaults.zone, "the store's defaults"
        raise refusal(
            "zone",
            self.a.name,
            f"times such as {quoted(self.example_time() or self.a.name)} state no zone, and neither does the "
            f"configuration for unit {quoted(unit_id)}",
            "give the zone of the loggers' clocks in [defaults], in a [[site]] or in a [[layout]]",
            line=self.table.data_line,
            question="In which time zone (an IANA name such as Etc/UTC) do these loggers' clocks run?",
            toml='[defaults]\nzone = "Etc/UTC"',
        )

    def _owners(
        self, whose: list[tuple[str, str, Any]], times: clocks.RowTimes
    ) -> tuple[list[tuple[Owner, Int | None]], int]:
        stated = None
        if not times.utc and not self.pin.zone:
            stated = clocks.stated_zone(
                self.roles.time, self.table.marks, self.statements, self.a.name
            )
            if stated is not None and stated.abbreviation:
                ms = times.ms[times.ok]
                if not clocks.abbreviation_fits(stated.abbreviation, int(ms.min()), int(ms.max())):
                    raise refusal(
                        "zone",
                        self.a.name,
                        f"{stated.why}, but {stated.abbreviation} is not what clocks there show at these dates",
                        "pin the zone in a [[layout]]",
                        question="In which zone (an IANA name, or an offset) are the times written?",
                        toml=layout_toml(self.a.name, 'zone = "Etc/UTC"'),
                    )
        owners: list[tuple[Owner, Int | None]] = []
        claimed = (
            np.zeros(self.parsed.n, bool) if len(whose) > 1 or whose[0][2] is not None else None
        )
        shared = 0
        all_ok = bool(times.ok.all())
        for unit, logger, mask in whose:
            if mask is None:
                rows = None if all_ok else np.flatnonzero(times.ok)
            else:
                rows = np.flatnonzero(mask & times.ok)
            if claimed is not None:
                claimed |= mask
            spans: list[tuple[str, int | None, int | None]] = [(unit, None, None)]
            if not unit:
                spans = self._assigned(logger)
                if spans[0][1] is not None or spans[0][2] is not None or len(spans) > 1:
                    shared += len(rows) if rows is not None else self.parsed.n
            for own, start, end in spans:
                if times.utc:
                    zone_name, zone = "in the export", None
                    why = "the times state their offset from UTC"
                    if self.roles.time.mode == "epoch":
                        zone_name, why = "UTC", "a count since 1970 is UTC by definition"
                elif stated is not None:
                    zone_name, why = stated.name, stated.why
                    zone = find_zone(zone_name)
                else:
                    zone_name, why = self._zone(own)
                    zone = find_zone(zone_name)
                    if zone is None:
                        raise refusal(
                            "zone",
                            self.a.name,
                            f"the zone {quoted(zone_name)} ({why}) is not known",
                            "give an IANA name such as Etc/UTC",
                            question="In which time zone do these loggers' clocks run?",
                            toml='[defaults]\nzone = "Etc/UTC"',
                        )
                self.a.note("zone", zone_name, why)
                self._check_summer(zone, zone_name, times)
                owners.append(
                    (Owner(own, logger, zone, zone_name, self._atmosphere(own), start, end), rows)
                )
        if claimed is not None:
            loose = int((times.ok & ~claimed).sum())
            self.a.counts.drop("no_unit_id", loose)
        return owners, shared

    def _check_summer(self, zone: Any, zone_name: str, times: clocks.RowTimes) -> None:
        """Refuse a clock that is said to keep no summer time, read in a zone that has it."""
        off = clocks.summer_time_off(self.statements)
        if off is None or zone is None or self.pin.zone:
            return
        for ms in (int(times.ms[times.ok].min()), int(times.ms[times.ok].max())):
            moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)
            if moment.astimezone(zone).dst():
                raise refusal(
                    "zone",
                    self.a.name,
                    f"line {off.line} says {quoted(off.key + ' ' + off.value)}, but {zone_name} has summer "
                    "time at these dates",
                    "pin the offset that the clock keeps in a [[layout]]",
                    line=off.line,
                    question="Which offset from UTC does this logger's clock keep?",
                    toml=layout_toml(self.a.name, 'zone = "Etc/UTC"'),
                )

    def _assigned(self, logger: str) -> list[tuple[str, int | None, int | None]]:
        from .assemble import active

        own: list[Assignment] = [a for a in self.config.assignments if a.logger == logger]
        if not own:
            raise self._unassigned(logger)
        found = [(a.unit, *active(a)) for a in own]
        return list(dict.fromkeys(found))

    def _atmosphere(self, unit_id: str) -> Atmosphere:
        stated: dict[float, Statement] = {}
        for s in self.statements:
            if not vocabulary.ATMOSPHERE.search(s.key_words):
                continue
            match = re.match(r"^\s*([\d.,]+)\s*(.*)$", s.value)
            mark = read_mark(match[2]) if match else None
            if match and mark is None:
                inner = re.search(r"[\[(]([^\])]+)[\])]", s.key)
                mark = read_mark(inner[1]) if inner else None
            value = number_of(match[1]) if match else None
            if value is not None and mark is not None and mark.kind == "pressure":
                kpa = value * PRESSURE_TO_KPA[mark.unit]
                if 50.0 <= kpa <= 110.0:
                    stated.setdefault(round(kpa, 6), s)
        if len(stated) == 1:
            kpa, s = next(iter(stated.items()))
            return Atmosphere(kpa, False, f"line {s.line} states {quoted(s.value)}")
        site = self.site_of(unit_id)
        if site is not None and site.altitude_m is not None:
            return Atmosphere(
                pressure_at_altitude_kpa(site.altitude_m),
                False,
                f"site {quoted(site.id)} at {site.altitude_m:g} m",
            )
        if self.config.defaults.altitude_m is not None:
            altitude = self.config.defaults.altitude_m
            return Atmosphere(
                pressure_at_altitude_kpa(altitude), False, f"the store's default of {altitude:g} m"
            )
        return Atmosphere(
            STANDARD_ATMOSPHERE_KPA, True, "no atmosphere is known: taken as 101.325 kPa"
        )

    def _created(self, base: Any, owners: list[tuple[Owner, Int | None]]) -> datetime | None:
        if base is None or base.local_ms is None:
            return None
        if base.offset_min is not None:
            ms = base.local_ms - base.offset_min * 60_000
        else:
            zone = owners[0][0].zone if owners else None
            if zone is None:
                unit = owners[0][0].unit_id if owners else ""
                site = self.site_of(unit)
                name = (site.zone if site is not None else None) or self.config.defaults.zone
                zone = find_zone(name) if name else None
            if zone is None:
                return None
            from .zones import to_utc

            local = to_utc(np.array([base.local_ms]), zone)
            if local.missing[0] or local.ambiguous[0]:
                return None
            ms = int(local.utc_ms[0])
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)

    # Units and reference --------------------------------------------------------------------

    def _values(self, channel: Channel) -> Float:
        if self.labels is None:
            return self.parsed.values[channel.column]
        assert self.roles.long_value is not None
        return self.parsed.values[self.roles.long_value][self.labels.codes == channel.column]

    def _known(self, unit_ids: list[str], field: str) -> str | None:
        found = {getattr(self.a.facts.of(unit, self.layout_key), field) for unit in unit_ids} - {
            None
        }
        return found.pop() if len(found) == 1 else None

    def _units(self, channels: tuple[Channel, ...], unit_ids: list[str]) -> tuple[Channel, ...]:
        done = []
        for channel in channels:
            if channel.kind == "temperature":
                channel = self._temperature_unit(channel, channels, unit_ids)
            elif channel.kind == "pressure":
                channel = self._pressure_unit(channel, channels, unit_ids)
            elif not channel.unit:
                channel = replace(channel, unit="A" if channel.kind == "current" else "V")
            self.a.note(
                channel.name,
                channel.unit,
                f"column {quoted(channel.header)}: {channel.unit_why or 'usual unit'}",
            )
            done.append(channel)
        return tuple(done)

    def _temperature_unit(
        self, channel: Channel, channels: tuple[Channel, ...], unit_ids: list[str]
    ) -> Channel:
        pinned = self.pin.temperature_unit
        if pinned:
            unit = normal_unit(pinned, TEMPERATURE_TO_C)
            if unit is None:
                raise refusal(
                    "layout",
                    self.a.name,
                    f"the pinned temperature unit {quoted(pinned)} is not known",
                    "use °C, °F or K",
                )
            return replace(channel, unit=unit, unit_why="pinned in the layout")
        if channel.unit:
            return channel
        beside = {c.unit for c in channels if c.kind == "temperature" and c.unit}
        known = self._known(unit_ids, "temperature_unit")
        if known:
            return replace(channel, unit=known, unit_why="the unit's other exports say so")
        hottest = next(c for c in channels if c.kind == "temperature")
        unit, why = physics.settle_temperature_unit(
            self._values(hottest if not channel.unit else channel)
        )
        pressure = next((c for c in channels if c.name == "pressure_kpa" and c.unit), None)
        if unit and len(beside - {unit}) == 0:
            if pressure is not None and self.labels is None:
                agreed = [
                    r
                    for absolute in (True, False)
                    if (
                        r := physics.read_as(
                            self._values(hottest),
                            self._values(pressure),
                            unit,
                            pressure.unit,
                            absolute,
                        )
                    ).agrees
                ]
                why += "; temperature and pressure agree with saturation" if agreed else ""
            return replace(channel, unit=unit, unit_why=why)
        default = self.config.defaults.temperature_unit
        unit_default = normal_unit(default, TEMPERATURE_TO_C) if default else None
        if unit_default:
            return replace(channel, unit=unit_default, unit_why="the store's defaults")
        raise refusal(
            "temperature_unit",
            self.a.name,
            f"column {quoted(channel.header)} states no unit, and its values settle none",
            "state the unit in [defaults] or in a [[layout]]",
            line=self.table.header_line,
            question=f"Is column {quoted(channel.header)} in °C, °F or K?",
            toml='[defaults]\ntemperature_unit = "°C"',
        )

    def _pressure_unit(
        self, channel: Channel, channels: tuple[Channel, ...], unit_ids: list[str]
    ) -> Channel:
        pinned = self.pin.pressure_unit
        if pinned and channel.name == "pressure_kpa":
            mark = read_mark(pinned)
            if mark is None or mark.kind != "pressure":
                raise refusal(
                    "layout",
                    self.a.name,
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
        known = self._known(unit_ids, "pressure_unit")
        if known:
            return replace(channel, unit=known, unit_why="the unit's other exports say so")
        default = self.config.defaults.pressure_unit
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
        if temperature is not None and self.labels is None:
            unit = (
                temperature.unit or physics.settle_temperature_unit(self._values(temperature))[0]
            )
            if unit:
                likely = physics.likely_pressure(
                    self._values(temperature), self._values(channel), unit, STANDARD_ATMOSPHERE_KPA
                )
        likely_unit, _, likely_reference = likely.partition(" ")
        toml = f'pressure_unit = "{likely_unit or "kPa"}"'
        raise refusal(
            "pressure_unit",
            self.a.name,
            f"column {quoted(channel.header)} states no unit"
            + (f"; with the temperature it would be steam in {likely}" if likely else ""),
            "state the unit in [defaults] or in a [[layout]]",
            line=self.table.header_line,
            question=f"In which unit is column {quoted(channel.header)}"
            + (f" ({likely}?)" if likely else "")
            + "?",
            toml=f"[defaults]\n{toml}",
        )

    def _pair(
        self, channels: tuple[Channel, ...], rows: Int | None, times: clocks.RowTimes
    ) -> Any:
        """Return temperatures and pressures as written, at the same moments, or None."""
        t = next((c for c in channels if c.name == "temperature_c"), None)
        t = t or next((c for c in channels if c.name == "temperature2_c"), None)
        p = next((c for c in channels if c.name == "pressure_kpa"), None)
        if t is None:
            return None
        if self.labels is None:
            a = self.parsed.values[t.column]
            b = self.parsed.values[p.column] if p is not None else None
            if rows is not None:
                a, b = a[rows], (b[rows] if b is not None else None)
            return t, p, a, b
        assert self.roles.long_value is not None
        values = self.parsed.values[self.roles.long_value]
        use = np.arange(self.parsed.n) if rows is None else rows
        here = use[self.labels.codes[use] == t.column]
        if p is None:
            return t, p, values[here], None
        there = use[self.labels.codes[use] == p.column]
        if len(here) == 0 or len(there) == 0:
            return t, p, values[here], None
        ordered = there[np.argsort(times.ms[there], kind="stable")]
        place = np.searchsorted(times.ms[ordered], times.ms[here])
        place = np.minimum(place, len(ordered) - 1)
        near = np.abs(times.ms[ordered[place]] - times.ms[here]) <= 5000
        return t, p, values[here[near]], values[ordered[place[near]]]

    def _reference(
        self,
        channels: tuple[Channel, ...],
        unit_ids: list[str],
        owners: list[tuple[Owner, Int | None]],
        times: clocks.RowTimes,
    ) -> tuple[Channel, ...]:
        done = []
        for channel in channels:
            if channel.name == "pressure_kpa":
                channel = self._settle_reference(channel, channels, unit_ids, owners, times)
                self.a.note("pressure reference", channel.reference, channel.reference_why)
                if channel.reference == "vented_gauge":
                    for owner, _ in owners:
                        if not any(c.name == "atmosphere_kpa" for c in channels):
                            self.a.note(
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
        self,
        channel: Channel,
        channels: tuple[Channel, ...],
        unit_ids: list[str],
        owners: list[tuple[Owner, Int | None]],
        times: clocks.RowTimes,
    ) -> Channel:
        pinned = self.pin.pressure_reference
        if pinned:
            if pinned not in REFERENCES:
                raise refusal(
                    "layout",
                    self.a.name,
                    f"the pinned pressure_reference {quoted(pinned)} is not known",
                    "use one of " + ", ".join(REFERENCES),
                )
            return replace(channel, reference=pinned, reference_why="pinned in the layout")
        if channel.reference:
            return channel
        known = self._known(unit_ids, "pressure_reference")
        if known:
            return replace(
                channel, reference=known, reference_why="the unit's other exports say so"
            )
        default = self.config.defaults.pressure_reference
        if default in REFERENCES:
            return replace(channel, reference=str(default), reference_why="the store's defaults")
        settled: set[tuple[str, str]] = set()
        for owner, rows in owners:
            pair = self._pair(channels, rows, times)
            if pair is None or pair[3] is None:
                continue
            reference, why = physics.settle_reference(
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
            self.a.name,
            f"column {quoted(channel.header)} does not say whether it is absolute or gauge, and its values don't settle it",
            "state pressure_reference in [defaults] or in a [[layout]]",
            line=self.table.header_line,
            question=f"Is column {quoted(channel.header)} absolute pressure, or gauge (reads zero with the door open)?",
            toml='[defaults]\npressure_reference = "absolute"',
        )

    def _contradictions(
        self,
        channels: tuple[Channel, ...],
        owners: list[tuple[Owner, Int | None]],
        times: clocks.RowTimes,
    ) -> None:
        for owner, rows in owners:
            pair = self._pair(channels, rows, times)
            if pair is None:
                continue
            t, p, temperature, pressure = pair
            found = ""
            if p is not None and pressure is not None:
                found = physics.contradiction(
                    temperature,
                    pressure,
                    t.unit,
                    p.unit,
                    p.reference == "absolute",
                    owner.atmosphere.kpa or STANDARD_ATMOSPHERE_KPA,
                )
                if not found and not owner.atmosphere.assumed:
                    found = physics.gauge_contradiction(
                        temperature,
                        pressure * PRESSURE_TO_KPA[p.unit],
                        t.unit,
                        p.reference,
                        self._atmosphere(owner.unit_id).kpa or STANDARD_ATMOSPHERE_KPA,
                    )
            found = found or physics.temperature_contradiction(temperature, t.unit)
            for channel, values in ((t, temperature), (p, pressure)):
                if channel is not None and values is not None and stuck(values):
                    self.a.note(
                        "stuck channel", channel.name, f"one value in all {len(values)} rows"
                    )
            if found:
                raise refusal(
                    "unit_contradiction",
                    self.a.name,
                    f"{found} (columns {quoted(t.header)}"
                    + (f" and {quoted(p.header)}" if p is not None else "")
                    + ")",
                    "correct the logger's settings, or pin unit and reference in a [[layout]]",
                    line=self.table.header_line,
                    question="Which units and which pressure reference do these columns really have?",
                    toml=layout_toml(
                        self.a.name,
                        f'temperature_unit = "{t.unit}"',
                        f'pressure_unit = "{p.unit if p is not None else "kPa"}"',
                        f'pressure_reference = "{"vented_gauge" if p is not None and p.reference == "absolute" else "absolute"}"',
                    ),
                )

    # The pin --------------------------------------------------------------------------------

    def _toml(
        self, order: str, channels: tuple[Channel, ...], owners: list[tuple[Owner, Int | None]]
    ) -> str:
        lines = []
        shown = {"\t": "tab", BLANKS: "blanks", WIDE_BLANKS: "wide blanks"}
        lines.append(
            f"delimiter = {toml_text(shown.get(self.table.delimiter, self.table.delimiter))}"
        )
        lines.append(f"decimal = {toml_text(self.table.decimal or '.')}")
        if order in {"dmy", "mdy"}:
            lines.append(f"day_first = {'true' if order == 'dmy' else 'false'}")
        zones = {o.zone_name for o, _ in owners if o.zone is not None}
        if len(zones) == 1:
            lines.append(f"zone = {toml_text(zones.pop())}")
        for channel in channels:
            if channel.name == "temperature_c":
                lines.append(f"temperature_unit = {toml_text(channel.unit)}")
            if channel.name == "pressure_kpa":
                lines.append(f"pressure_unit = {toml_text(channel.unit)}")
                lines.append(f"pressure_reference = {toml_text(channel.reference)}")
        return layout_toml(self.a.name, *lines)


def normal_unit(text: str, known: dict[str, Any]) -> str | None:
    """Return a unit's own name for what a user wrote, or None."""
    mark = read_mark(text)
    return mark.unit if mark is not None and mark.unit in known else None


def format_order(text: str) -> str | None:
    """Return the order that a format such as ``dd/mm/yyyy`` states, or None."""
    low = text.lower()
    for pattern, order in (
        (
            r"\b(?:d{1,2}|t{1,2}|j{1,2}|g{1,2})[-/. ](?:m{1,3})[-/. ](?:y{2,4}|j{2,4}|a{2,4})",
            "dmy",
        ),
        (r"\bm{1,2}[-/. ](?:d{1,2}|t{1,2}|j{1,2}|g{1,2})[-/. ](?:y{2,4}|j{2,4}|a{2,4})", "mdy"),
        (r"\b(?:y{2,4}|j{4}|a{4})[-/. ]m{1,2}[-/. ](?:d{1,2}|t{1,2}|j{1,2}|g{1,2})", "ymd"),
    ):
        if re.search(pattern, low):
            return order
    return None


__all__ = ["DAY_MS", "Decided", "Decider", "Order"]
