"""What an export leaves open: settled by its own evidence, by configuration, or asked."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import cached_property, lru_cache, partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from . import clock as clocks
from . import header_words as vocabulary
from . import stated_starts as stated_at
from .base_time import find_base_ms
from .clock_text import ABBREVIATIONS, understand
from .convert import Owner, row_times
from .dates import ALL_CERTAIN, DAY_MS, EPOCH, StatedOrder, one_day, settle, words
from .dialect import Table
from .half_day import check_half_day
from .lines import BLANKS, WIDE_BLANKS
from .long_layout import Labels
from .owners import begins_of, created_at, find_owners, find_units, site_of
from .parse import Parsed
from .reading import Known
from .refuse import layout_toml, quoted, refusal, toml_text
from .roles import Channel, Roles
from .settle_units import refuse_contradictions, settle_references, settle_units
from .stated_zone import ever_keeps
from .statements import Statement
from .times import CERTAIN, DAY_MONTH, NO_OFFSET, parse_moments, throughout
from .zones import pinnable_zone

if TYPE_CHECKING:
    from .assemble import Assembly
    from .side_by_side import Side

Int = NDArray[np.int64]
Float = NDArray[np.float64]


DAYS_1904: Final = 1462
"""Days by which spreadsheets' two ways to count dates differ."""
FAR_DAYS: Final = 366
"""Counted days further than that from every date that an export states count from another day."""


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
    toml: Callable[[], str]
    """Makes the layout entry that pins this reading: few ask for it."""
    spanned: bool = False
    """That owners hold for spans of time, so that rows may be several owners' or no one's."""

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
        from .pins import layout_hash

        self.a = assembly
        self.config = assembly.config
        self.pin = assembly.pin
        self.table = table
        self.roles = roles
        self.statements = statements
        self.parsed = parsed
        self.labels = labels
        self.member = member
        self.inside = member.removeprefix(assembly.name).lstrip("/")
        self.data = data
        self.full_clock = False
        """That a setting says so, and nothing else."""
        self.layout_key = layout_hash(
            *table.headers, *table.marks, table.delimiter, roles.time.mode, str(table.columns)
        )

    def decide(self, before: Decided | None = None) -> Decided:
        """Settle everything, or refuse with the question that would.

        ``before`` holds what an earlier piece of the same table settled.
        """
        whose = find_units(self)
        unit_ids = [unit for unit, _, _ in whose]
        stated: str | None
        if before is not None:
            order, stated, proves = before.order, before.order, True
        else:
            order, stated, proves = self._order(unit_ids)
        base: Any = 0
        base_utc: bool | None = None
        if self.roles.time.mode in {"clock", "elapsed", "index"}:
            base, base_utc, order = find_base_ms(self, stated)
        times = row_times(self.parsed, self.roles, order, base)
        if self._pinned_otherwise(times):
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
        full_clock = check_half_day(self, times, unit_ids, first=before is None)
        self._check_anchors(times)
        channels = self.labels.channels if self.labels else self.roles.channels
        if before is None:
            channels = settle_units(self, channels, unit_ids)
        settled = order if proves and order != "ymd" else stated
        created = stated_at.find_created(self.statements, settled)
        owners, spanned = find_owners(self, whose, times)
        if before is not None:
            self._check_same(owners, before)
        if before is None:
            channels = settle_references(self, channels, unit_ids, owners, times)
        else:
            channels = self._as_before(channels, before.channels)
        agreed = refuse_contradictions(self, channels, owners, times)
        created_moment = created_at(self, created, owners)
        learned = Known(
            day_first=order == "dmy" if proves and order != "ymd" else None,
            pressure_reference=next(
                (c.reference for c in channels if c.name == "pressure_kpa"), None
            ),
            temperature_unit=next((c.unit for c in channels if c.name == "temperature_c"), None),
            pressure_unit=next((c.unit for c in channels if c.name == "pressure_kpa"), None),
            full_clock=full_clock or None,
            steam=agreed or None,
        )
        return Decided(
            times,
            owners,
            channels,
            created_moment,
            learned,
            self.layout_key,
            order,
            self.table,
            self.roles,
            partial(
                layout_pins,
                self.a.name,
                self.table,
                order,
                self.full_clock,
                channels,
                tuple(o for o, _ in owners),
                self.a.side,
            ),
            spanned,
        )

    def _pinned_otherwise(self, times: clocks.RowTimes) -> bool:
        """Leave abbreviations in cells out where the pinned zone never keeps their offset.

        Its own clocks are meant then (EST in Sydney). Returns whether they were left out.
        """
        moments = self.parsed.moments
        if moments is None or not moments.abbreviations or not self.pin.zone:
            return False
        begins = begins_of(times)
        if begins is None:
            return False
        said = {ABBREVIATIONS[a][0] for a in moments.abbreviations}
        if any(ever_keeps(self.pin.zone, minutes, begins) for minutes in said):
            return False
        if not set(np.unique(moments.offset_min[moments.ok]).tolist()) <= said:
            return False
        none = throughout(NO_OFFSET, moments.size)
        self.parsed.moments = replace(moments, offset_min=none, abbreviations=set())
        return True

    def _check_same(self, owners: list[tuple[Owner, Int | None]], before: Decided) -> None:
        """Refuse a large export that says something else further down about unit or zone."""
        zones = {o.unit_id: o.zone_name for o, _ in before.owners}
        by_column = self.roles.unit_column is not None
        for owner, _ in owners:
            said = zones.get(owner.unit_id)
            if (said is None and not by_column) or said not in {None, owner.zone_name}:
                raise refusal(
                    "too_large",
                    self.a.name,
                    "lines among or below the rows name another unit or zone than the beginning",
                    "export it in smaller pieces, or pin unit_id and zone in a [[layout]]",
                    line=int(self.parsed.lines[0]),
                )

    def _as_before(
        self, channels: tuple[Channel, ...], before: tuple[Channel, ...]
    ) -> tuple[Channel, ...]:
        """Return this piece's channels with what an earlier piece settled about them."""
        settled = {c.name: c for c in before}
        # A voltage that the beginning showed to be no mains is left out further down too.
        channels = tuple(c for c in channels if c.name in settled or c.name != "mains_v")
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

    def _order(self, unit_ids: list[str]) -> tuple[str, str | None, bool]:
        """Return the order of dates, the one stated if any, and if other exports learn by it."""
        moments = self.parsed.moments
        certain = (
            moments is not None
            and moments.size > 0
            and moments.kind.strides == (0,)
            and int(moments.kind[0]) == CERTAIN
        )
        if certain and self.roles.time.mode == "moments" and not self._says_when_made():
            # Nothing is left to settle, and nothing asks in which order dates would stand.
            self.a.note("dates", words("ymd"), ALL_CERTAIN)
            return "ymd", None, True
        stated = self.stated_order(unit_ids)
        said = stated.order if stated is not None else None
        if moments is None or self.roles.time.mode != "moments":
            return said or "ymd", said, True
        created = stated_at.find_created(self.statements, None)
        order = settle(
            moments,
            stated=stated,
            anchors=self.anchors,
            created_days=created.days if created is not None else None,
            today_days=self.a.today_days,
        )
        if order.order is None:
            raise clocks.date_question(
                order, self.member, self.example_time(), self.table.data_line
            )
        self.a.note("dates", words(order.order), order.why)
        # 04/04 says nothing of how 04/01 is meant.
        known = order.order if order.order != "ymd" and not order.either_way else said
        return order.order, known, not order.either_way

    def _says_when_made(self) -> bool:
        return any(vocabulary.CREATED.search(s.key_words) for s in self.statements)

    def stated_order(self, unit_ids: list[str]) -> StatedOrder | None:
        """Return the order that a pin, the export, a site or another export states."""
        if self.pin.day_first is not None:
            return StatedOrder("dmy" if self.pin.day_first else "mdy", "the pinned layout")
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
                return StatedOrder(order, f"the export, {quoted(text)},")
        beside = self._order_beside()
        if beside is not None:
            return beside
        sites = {
            site.day_first
            for unit in unit_ids
            if (site := site_of(self, unit)) is not None and site.day_first is not None
        }
        if len(sites) == 1:
            return StatedOrder("dmy" if sites.pop() else "mdy", "the site's configuration", True)
        facts = {
            known.day_first
            for unit in unit_ids
            if (known := self.a.facts.of(unit, self.layout_key)).day_first is not None
        }
        if len(facts) == 1:
            return StatedOrder("dmy" if facts.pop() else "mdy", "the unit's other exports", True)
        default = self.config.defaults.day_first
        if default is not None:
            return StatedOrder("dmy" if default else "mdy", "the store's defaults", True)
        return None

    def _order_beside(self) -> StatedOrder | None:
        """Return the order in which other dates of the export are written, where certain."""
        moments = self.parsed.moments
        marks = moments.separators - {""} if moments is not None else set()
        found: dict[str, Statement] = {}
        for s in self.statements:
            read = understand(s.value.strip().strip('"'))
            if read is None or not read.has_date or (marks and read.separator not in marks):
                continue
            if not any(f == "a" for f, _, _ in read.spans):
                continue  # its order is certain, or its year's place is not
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
        return StatedOrder(order, f"line {s.line}, {quoted(s.value)},")

    @cached_property
    def anchors(self) -> tuple[tuple[int, int], ...]:
        """Return spans of days that the name or the preamble states in a certain form."""
        found = [(d.toordinal() - EPOCH, d.toordinal() - EPOCH) for d in name_dates(self.a.name)]
        found += name_months(self.a.name)
        weeks = _YEAR_WEEK.findall(self.a.name)
        weeks += [(y, w) for w, y in _WEEK_YEAR.findall(self.a.name)]
        for year, week in weeks:
            try:
                monday = date.fromisocalendar(int(year), int(week), 1).toordinal() - EPOCH
            except ValueError:
                continue
            found.append((monday, monday + 6))
        for s in self.statements:
            if vocabulary.START.search(s.key_words) or vocabulary.END.search(s.key_words):
                base, _ = stated_at.read_base(s.value, s.line, None)
                if base is not None and base.days is not None:
                    found.append((base.days, base.days))
        return tuple(found)

    def example_time(self) -> str:
        """Return a time as it is written, or an empty text."""
        if self.parsed.raw.stamp is not None:
            return self.parsed.raw.stamp.example
        texts = []
        for k in self.roles.time.columns:
            column = self.parsed.raw.columns[k]
            if pa.types.is_string(column.type):
                texts.append(
                    next((t for t in column[:200].to_pylist() if t and re.search(r"\d", t)), "")
                )
        return " ".join(texts)

    def _check_anchors(self, times: clocks.RowTimes) -> None:
        """Refuse counted days, and two-digit years, that only fit the stated date otherwise."""
        anchors = self.anchors
        moments = self.parsed.moments
        if not anchors or not times.ok.any():
            return
        days = times.ms[times.ok] // DAY_MS
        low, high = int(days.min()), int(days.max())

        def fits(low: int, high: int, slack: int = 1) -> bool:
            return any(a - slack <= high and low <= b + slack for a, b in anchors)

        found = ""
        if self.roles.time.mode in {"epoch", "serial"} and not fits(low, high, FAR_DAYS):
            from_1904 = self.roles.time.mode == "serial" and fits(
                low + DAYS_1904, high + DAYS_1904
            )
            found = "the times that are counted lie years from the date that the export states" + (
                ": they seem to count from 1904" if from_1904 else ""
            )
        elif moments is not None and "Y2" in moments.fields_seen and not fits(low, high):
            row = int(np.flatnonzero(moments.ok)[0])
            year, month, day = (
                int(column[row]) for column in (moments.first, moments.second, moments.third)
            )
            turned = one_day(CERTAIN, day + 2000, month, year - 2000, "ymd")
            if turned >= 0 and fits(turned, turned):
                found = "the year seems to stand first, by the date that the export states"
        if found:
            raise refusal(
                "dates",
                self.member,
                f"{found} (such as {quoted(self.example_time())})",
                "export dates with a year of four digits",
                line=self.table.data_line,
            )


def layout_pins(
    name: str,
    table: Table,
    order: str,
    full_clock: bool,
    channels: tuple[Channel, ...],
    owners: tuple[Owner, ...],
    side: Side | None,
) -> str:
    """Return the layout entry that pins what was settled about an export."""
    shown = {"\t": "tab", BLANKS: "blanks", WIDE_BLANKS: "wide blanks"}
    lines = [
        f"delimiter = {toml_text(shown.get(table.delimiter, table.delimiter))}",
        f"decimal = {toml_text(table.decimal or '.')}",
    ]
    if order in {"dmy", "mdy"}:
        lines.append(f"day_first = {'true' if order == 'dmy' else 'false'}")
    if full_clock:
        lines.append("clock_24h = true")
    zones = {pinnable_zone(o.zone_name) for o in owners if o.zone is not None} - {""}
    if len(zones) == 1:
        lines.append(f"zone = {toml_text(zones.pop())}")
    beside = side is not None and side.others
    for channel in () if beside else channels:  # what one unit has the others need not
        if channel.name == "temperature_c":
            lines.append(f"temperature_unit = {toml_text(channel.unit)}")
        if channel.name == "pressure_kpa":
            lines.append(f"pressure_unit = {toml_text(channel.unit)}")
            lines.append(f"pressure_reference = {toml_text(channel.reference)}")
    return layout_toml(name, *lines)


def name_dates(name: str) -> list[date]:
    """Return dates that stand in a name year first."""
    found = []
    for year, month, day in re.findall(
        r"(?<!\d)(20\d{2})[-_]?(0[1-9]|1[0-2])[-_]?(0[1-9]|[12]\d|3[01])(?!\d{3})", name
    ):
        try:
            found.append(date(int(year), int(month), int(day)))
        except ValueError:
            continue
    return found


_YEAR_WEEK: Final = re.compile(r"(?<!\d)(20\d{2})[-_ ]?(?:W|KW|wk)[-_ ]?(\d{2})(?!\d)")
_WEEK_YEAR: Final = re.compile(r"(?:KW|W|wk|week|Woche)[-_ ]?(\d{2})[-_. ](20\d{2})(?!\d)")
_MONTH: Final = re.compile(
    r"(?<![\d])(?<!\d[-_.])(?:(0[1-9]|1[0-2])[-_.](20\d{2})|(20\d{2})[-_.](0[1-9]|1[0-2]))"
    r"(?![-_.]?\d)"
)


def name_months(name: str) -> list[tuple[int, int]]:
    """Return first and last day of months that stand in a name, such as 09-2025."""
    found = []
    for month, year, year2, month2 in _MONTH.findall(name):
        y, m = int(year or year2), int(month or month2)
        last = date(y + m // 12, m % 12 + 1, 1).toordinal() - 1
        found.append((date(y, m, 1).toordinal() - EPOCH, last - EPOCH))
    return found


@lru_cache(maxsize=1024)
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
