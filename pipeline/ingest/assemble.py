"""From the members of one export to its samples: sniff, decide, convert, join."""

from __future__ import annotations

import codecs
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import numpy as np

from ...shared.config import Config
from ...shared.errors import ExportRefusedError
from .account import count_rows
from .columns import find_roles
from .containers import Member
from .convert import STRUCTURAL, Counts, Part, convert_rows, named_channels
from .decide import Decided, Decider
from .dialect import Table, find_table
from .encoding import ALL_UTF8, detect, refuse_binary, to_utf8
from .hidden_pressure import refuse_hidden_pressure
from .lines import BLANKS, WIDE_BLANKS, bulk_lines, logical_lines
from .long_layout import convert_long, find_labels
from .order import arrange
from .other_signs import plain_signs, unwrap
from .output import trace_table
from .parse import check_cell_units, parse_rows, settle_decimals
from .pins import merged_pin
from .preamble_units import preamble_units, refuse_other_units
from .raw import Raw
from .reading import Evidence, Facts, Known, LineMapBuilder, Reading
from .recall import keep_roles, known_roles, recall, remember, roles_key
from .refuse import quoted, refusal
from .roles import Roles
from .second_header import refuse_other_header
from .side_by_side import Side, ask_for_units, find_sides, roles_of_side, share_rows
from .statements import Statement, read_statements
from .table_rows import inner_statements, read_evened

HEADS: Final = (1 << 12, 1 << 16, 1 << 20, 1 << 23)
"""Lengths of the head that is searched for the table, one after the other [B]."""
LONGEST_LINE: Final = 1 << 16


class Assembly:
    """One export on its way from members to a Reading."""

    def __init__(
        self,
        name: str,
        sha256: str,
        config: Config,
        facts: Facts,
        today_days: int | None = None,
    ) -> None:
        self.name = name
        self.sha256 = sha256
        self.config = config
        self.facts = facts
        self.today_days = today_days
        self.pin = merged_pin(config, name)
        self.counts = Counts()
        self.parts: list[Part] = []
        self.evidence: list[Evidence] = []
        self.learned: dict[str, Known] = {}
        self.created: list[datetime] = []
        self.layouts: list[str] = []
        self.keys: list[str] = []
        self.zones: set[str] = set()
        self.toml: list[Callable[[], str]] = []
        self.notices: list[str] = []
        self.to_the_minute = False
        self.stream: Any = None
        self.side: Side | None = None
        """Whom the columns that are being read are named for."""

    def note(self, decision: str, value: str, why: str) -> None:
        """Keep one decision with its evidence."""
        self.evidence.append(Evidence(decision, value, why))

    def told(self) -> tuple[Evidence, ...]:
        """Return all evidence once, with the single cells that are left out."""
        cells = ", ".join(f"{what} {n}" for what, n in sorted(self.counts.blanked.items()))
        left = [Evidence("cells left out", cells, "spoilt ones in rows that are kept")]
        return tuple(dict.fromkeys([*self.evidence, *(left if cells else [])]))

    def add(self, member: Member, *, many: bool) -> None:
        """Read one member."""
        if member.refused is not None:
            raise member.refused
        if member.data is None:
            from .stream import add_stream

            if many:
                raise refusal(
                    "archive_too_large",
                    member.name,
                    "an archive of several files holds one that is too large to be read "
                    "beside others",
                    "send it as an archive of its own",
                )
            add_stream(self, member)
            return
        head = member.data[: 1 << 20]
        encoding, mark, why = self.encoding(head, whole=len(head) == len(member.data))
        data = to_utf8(member.data, encoding, mark, valid=why == ALL_UTF8 and head == member.data)
        refuse_binary(data, member.name)
        self.note("encoding", encoding, why)
        bulk = bulk_lines(data)
        plain = unwrap(plain_signs(data, bulk), bulk)
        if plain is not data:
            data, bulk = plain, bulk_lines(plain)
        table = self.sniff(data, member.name, bulk)
        statements = read_statements(table.preamble, table.delimiter)
        sides = self.sides(table, member.name)
        if len(sides) < 2:
            roles = self.roles(table, statements, member.name)
            raw = read_evened(data[table.data_offset :], table, roles, member.name)
            self.convert(raw, data, table, roles, statements, member.name, encoding)
            return
        body = data[table.data_offset :]
        apart = [self.roles(table, statements, member.name, side) for side in sides]
        raws = [read_evened(body, table, roles, member.name) for roles in apart]
        for k, raw in enumerate(share_rows(raws, sides)):
            self.side = sides[k]
            self.convert(raw, data, table, apart[k], statements, member.name, encoding, odd=k == 0)

    def sides(self, table: Table, name: str) -> tuple[Side, ...]:
        """Return whose columns a table has, where their names tell; keep it where it is one's."""
        sides = find_sides(table, self.config, dict(self.pin.columns), name)
        self.side = sides[0] if len(sides) == 1 else None
        return sides

    def encoding(self, head: bytes, *, whole: bool) -> tuple[str, int, str]:
        """Return the pinned or the found encoding, length of its mark [B] and the evidence."""
        found, mark, why = detect(head, whole=whole)
        if not self.pin.encoding:
            return found, mark, why
        try:
            name = codecs.lookup(self.pin.encoding).name
            "x".encode(name)  # some codecs are of bytes
        except (LookupError, ValueError) as error:
            raise refusal(
                "layout",
                self.name,
                f"the pinned encoding {quoted(self.pin.encoding)} is not known",
                "correct encoding in its [[layout]]",
            ) from error
        # A mark at the beginning says which of the pinned family it is.
        if mark and found.startswith(name.removesuffix("-sig")):
            return found, mark, "pinned in the layout"
        return name, 0, "pinned in the layout"

    def sniff(self, data: bytes, name: str, bulk: list[str] | None = None) -> Table:
        """Find the table in a file's bytes; ``bulk`` holds lines from their middle."""
        if bulk is None:
            bulk = bulk_lines(data)
        delimiter = self.pin.delimiter
        if delimiter is not None:
            delimiter = {
                "tab": "\t",
                "\\t": "\t",
                " ": BLANKS,
                "space": BLANKS,
                "blanks": BLANKS,
            }.get(delimiter, delimiter)
            if len(delimiter) != 1 and delimiter not in {BLANKS, WIDE_BLANKS}:
                raise refusal(
                    "layout",
                    name,
                    f"the pinned delimiter {quoted(delimiter)} is not one character",
                    "correct delimiter in its [[layout]]",
                )
        pins = (delimiter, self.pin.header_row, self.pin.decimal)
        recalled = recall(data, bulk, pins)
        if recalled is not None:
            for decision, value, why in recalled.evidence:
                self.note(decision, value, why)
            return recalled
        error: Exception | None = None
        for size in HEADS:
            head = data[:size].decode("utf-8", "replace")
            if size < len(data):
                cut = max(head.rfind("\n"), head.rfind("\r"))
                if cut < 0 and size <= LONGEST_LINE:
                    continue
                head = head[: cut + 1] if cut >= 0 else head
            lines = logical_lines(head)
            longest = max((len(line.text) for line in lines), default=0)
            if longest > LONGEST_LINE:
                where = next(li.number for li in lines if len(li.text) > LONGEST_LINE)
                raise refusal(
                    "line_too_long",
                    name,
                    f"a line has more than {LONGEST_LINE} characters",
                    "check that this is a logger's export",
                    line=where,
                )
            try:
                table = find_table(lines, name, delimiter, self.pin.header_row, bulk)
            except Exception as failed:
                error = failed
                if size >= len(data) or getattr(failed, "cause", "") not in {
                    "no_table",
                    "not_an_export",
                }:
                    raise
                continue
            if self.pin.decimal in {".", ","}:
                table = replace(table, decimal=self.pin.decimal)
            for decision, value, why in table.evidence:
                self.note(decision, value, why)
            remember(data, table, bulk, pins)
            return table
        assert error is not None
        raise error

    def roles(
        self, table: Table, statements: list[Statement], name: str, side: Side | None = None
    ) -> Roles:
        """Give the table's columns their roles; of units side by side, to one unit's."""
        pinned = dict(self.pin.columns)
        if side is not None:
            pinned = side.pins(pinned)
        key = roles_key(table, statements, tuple(pinned.items()))
        roles = known_roles(key)
        if roles is None:
            try:
                roles = find_roles(table, statements, name, pinned)
            except ExportRefusedError as error:
                raise ask_for_units(error, table, self.config, name) from error
            if side is not None:
                roles = roles_of_side(roles, side, name, table.header_line)
            roles = replace(roles, channels=preamble_units(roles.channels, statements))
            keep_roles(key, roles, table)
        for decision, value, why in roles.evidence:
            self.note(decision, value, why)
        self.note(
            "time",
            roles.time.mode + (" elapsed" if roles.time.elapsed else ""),
            "column " + ", ".join(quoted(h) for h in roles.time.headers),
        )
        if roles.unknown:
            headers = ", ".join(quoted(table.headers[k], 40) for k in roles.unknown[:8])
            self.note("not understood", headers, "columns of numbers that are left out")
            self.notices.append(f"columns not understood and left out: {headers}")
        if roles.unused:
            self.note("unused columns", ", ".join(roles.unused)[:300], "no channel that is kept")
        return roles

    def convert(
        self,
        raw: Raw,
        data: bytes,
        table: Table,
        roles: Roles,
        statements: list[Statement],
        member: str,
        encoding: str,
        before: Decided | None = None,
        *,
        odd: bool = True,
    ) -> Decided:
        """Decide and convert one member's rows, or a piece of them.

        Lines that are no rows count only with ``odd``.
        """
        decimals = settle_decimals(raw, table, roles, self.pin.decimal, member)
        for k, mark in decimals.items():
            if mark != table.decimal:
                self.note("decimal mark", mark, f"column {quoted(table.headers[k])} as a whole")
        for channel in roles.channels:
            check_cell_units(raw, table, channel, member)
        parsed = parse_rows(raw, roles, decimals)
        refuse_other_header(parsed, table, roles, member)
        inner = inner_statements(parsed, table, data)
        refuse_other_units(roles.channels, inner, member)
        last = int(parsed.lines[-1]) if parsed.n else 0
        foot = [s for s in inner if s.line > last]
        if foot and data:
            # What stands below all rows of a whole export is said of all of them.
            roles = replace(roles, channels=preamble_units(roles.channels, foot))
        statements = statements + inner
        labels = None
        if roles.long_channel is not None:
            labels = find_labels(
                parsed.texts[roles.long_channel],
                parsed.texts.get(roles.long_unit) if roles.long_unit is not None else None,
                statements,
                member,
                table.header_line,
            )
            labels = replace(labels, channels=preamble_units(labels.channels, statements))
            if labels.unused:
                self.note(
                    "unused channels", ", ".join(labels.unused)[:300], "no channel that is kept"
                )
        shown = table.decimal or next(iter(decimals.values()), ".")
        if roles.unknown and labels is None and not self.pin.columns:
            refuse_hidden_pressure(raw, table, roles, parsed.values, member)
        shown_so = table if shown == table.decimal else replace(table, decimal=shown)
        decider = Decider(self, shown_so, roles, statements, parsed, labels, member, data)
        decided = decider.decide(before)
        if parsed.moments is not None and "S" not in parsed.moments.fields_seen:
            self.to_the_minute = True
        self.keys.append(decided.layout_key)
        self.layouts.append(decided.summary(encoding))
        self.toml.append(decided.toml)
        if decided.created is not None:
            self.created.append(decided.created)
        told = parsed if odd else replace(parsed, odd=[], odd_count=0)
        count_rows(self.counts, told, decided.times.ok, table)
        local = Counts()
        for owner, rows in decided.owners:
            self.zones.add(owner.zone_name)
            if labels is None:
                channels = decided.channels
                if owner.only:
                    air = {"atmosphere_kpa"} if "pressure_kpa" in owner.only else set()
                    channels = tuple(c for c in channels if c.name in owner.only | air)
                values, words = named_channels(channels, parsed)
                part = convert_rows(
                    owner,
                    decided.times,
                    rows,
                    parsed.lines,
                    channels,
                    values,
                    words,
                    local,
                    member,
                    self.name,
                )
            else:
                assert roles.long_value is not None
                use = np.arange(parsed.n) if rows is None else rows
                part = convert_long(
                    owner,
                    decided.times,
                    use,
                    parsed.lines,
                    labels,
                    decided.channels,
                    parsed.values[roles.long_value],
                    parsed.words[roles.long_value],
                    local,
                    member,
                    self.name,
                )
            if part is not None:
                self.parts.append(part)
            if owner.unit_id not in self.learned:
                self.learned[owner.unit_id] = decided.learned
        counted = sum(local.dropped.values()) + local.kept
        # Owners of the same rows have them as the same array.
        own = {id(r): parsed.n if r is None else len(r) for _, r in decided.owners}
        offered = sum(own.values())
        if decided.spanned:
            # Rows that several assignments looked at are counted once, by what became of them.
            local.drop("unassigned_time", max(offered - counted, 0))
        elif counted != offered:
            raise AssertionError(f"{offered} rows offered, {counted} accounted for")
        self.counts.kept += local.kept
        for reason, count in local.dropped.items():
            self.counts.drop(reason, count)
        for key, count in local.blanked.items():
            self.counts.blanked[key] = self.counts.blanked.get(key, 0) + count
        self.counts.main_cells += local.main_cells
        self.counts.main_spoilt += local.main_spoilt
        self.counts.pressure_spoilt += local.pressure_spoilt
        self._notes(local)
        return decided

    def _notes(self, counts: Counts) -> None:
        if counts.folds:
            self.note(
                "repeated hour",
                f"{counts.folds} rows",
                "autumn's hour told apart by the rows' order",
            )
        if counts.steps_back:
            self.note(
                "clock",
                f"set back {counts.steps_back} times",
                "runs of rows whose clock goes back into a span already covered were dropped",
            )
        elif counts.out_of_order:
            self.note(
                "row order", f"{counts.out_of_order} backward steps", "rows were sorted by time"
            )

    def check_share(self) -> None:
        """Refuse an export of which too much is spoilt."""
        spoilt_rows = sum(
            c for r, c in self.counts.dropped.items() if r not in STRUCTURAL | {"other_channel"}
        )
        share = spoilt_rows / max(self.counts.read, 1)
        cells = max(self.counts.main_spoilt, self.counts.pressure_spoilt) / max(
            self.counts.main_cells, 1
        )
        limit = self.config.defaults.max_dropped_share
        worst = max(share, cells)
        doubles = self.counts.dropped.get("duplicate_time", 0)
        if worst > limit and self.to_the_minute and doubles * 2 > spoilt_rows:
            # Spreading them evenly would make up seconds that no one recorded.
            raise refusal(
                "minute_times",
                self.name,
                f"times are written to the minute, but {doubles} of {self.counts.read} rows share "
                "their minute with another: at which second each was taken is not said",
                "export times with seconds, or elapsed seconds with a start",
            )
        if worst > limit:
            reasons = ", ".join(
                f"{reason}: {count}"
                for reason, count in sorted(self.counts.dropped.items(), key=lambda i: -i[1])
                if reason not in STRUCTURAL
            ) or ", ".join(f"{k}: {v}" for k, v in self.counts.blanked.items())
            raise refusal(
                "spoilt",
                self.name,
                f"{100 * worst:.0f} % of the rows are spoilt ({reasons})",
                f"check the logger; up to {100 * limit:.0f} % are left out (max_dropped_share "
                "in [defaults])",
            )

    def finish(self) -> Reading:
        """Join all parts into a Reading."""
        if self.stream is not None:
            return self.stream()  # type: ignore[no-any-return]
        self.check_share()
        if not self.parts:
            reasons = ", ".join(f"{r}: {c}" for r, c in self.counts.dropped.items())
            raise refusal(
                "no_samples",
                self.name,
                f"none of {self.counts.read} rows is a sample ({reasons or 'the table is empty'})",
                "check the export",
            )
        tables = []
        lines = LineMapBuilder()
        groups: dict[tuple[str, str], list[Part]] = {}
        for part in self.parts:
            groups.setdefault((part.unit_id, part.logger_id), []).append(part)
        first = last = None
        samples = 0
        for key in sorted(groups):
            part = self._join(groups[key])
            table = trace_table(
                part.unit_id,
                part.logger_id,
                part.utc_ms,
                part.values,
                part.atmosphere_kpa,
                part.assumed,
                self.sha256[:16],
            )
            tables.append(table)
            if part.member_of is None:
                lines.add(part.member, part.first_line, part.last_line)
            else:
                lines.add_several(
                    part.member, part.members, part.member_of, part.first_line, part.last_line
                )
            samples += len(part.utc_ms)
            low, high = int(part.utc_ms[0]), int(part.utc_ms[-1])
            first = low if first is None else min(first, low)
            last = high if last is None else max(last, high)
        assert first is not None
        assert last is not None
        return self.reading(
            tables,
            samples,
            moment(first),
            moment(last),
            lines,
            tuple(sorted({k[0] for k in groups})),
        )

    def reading(
        self,
        tables: Any,
        samples: int,
        first: datetime | None,
        last: datetime | None,
        lines: LineMapBuilder,
        unit_ids: tuple[str, ...],
    ) -> Reading:
        """Build the Reading of what has been gathered."""
        return Reading(
            name=self.name,
            sha256=self.sha256,
            layout="; ".join(dict.fromkeys(self.layouts)),
            layout_key=self.keys[0] if self.keys else "",
            evidence=self.told(),
            created_at=max(self.created) if self.created else None,
            learned=self.learned,
            unit_ids=unit_ids,
            rows_read=self.counts.read,
            rows_kept=self.counts.kept,
            dropped_by_reason=dict(sorted(self.counts.dropped.items())),
            cells_blanked=dict(sorted(self.counts.blanked.items())),
            samples=samples,
            first_time=first,
            last_time=last,
            line_map=lines.build(),
            zone=", ".join(sorted(self.zones)),
            pins=tuple(self.toml),
            notices=tuple(dict.fromkeys(self.notices)),
            _tables=tables,
        )

    def _join(self, parts: list[Part]) -> Part:
        """Join one unit's parts from several members."""
        if len(parts) == 1:
            return parts[0]
        names = list(dict.fromkeys(n for p in parts for n in p.values))
        utc = np.concatenate([p.utc_ms for p in parts])
        values = {
            n: np.concatenate([p.values.get(n, np.full(len(p.utc_ms), np.nan)) for p in parts])
            for n in names
        }
        air = None
        if any(p.atmosphere_kpa is not None for p in parts):
            air = np.concatenate(
                [
                    np.broadcast_to(
                        np.asarray(
                            np.nan if p.atmosphere_kpa is None else p.atmosphere_kpa, np.float64
                        ),
                        len(p.utc_ms),
                    )
                    for p in parts
                ]
            )
        first = np.concatenate([p.first_line for p in parts])
        last = np.concatenate([p.last_line for p in parts])
        ordered = arrange(utc, list(values.values()))
        for reason, count in ordered.dropped.items():
            self.counts.drop(reason, count)
            self.counts.kept -= count
        rows = ordered.rows
        return Part(
            parts[0].unit_id,
            parts[0].logger_id,
            utc[rows],
            {n: v[rows] for n, v in values.items()},
            None if air is None else air[rows],
            any(p.assumed for p in parts),
            self.name,
            first[rows],
            last[rows],
            tuple(p.member for p in parts),
            np.repeat(np.arange(len(parts)), [len(p.utc_ms) for p in parts])[rows],
        )


def moment(ms: int) -> datetime:
    """Return a UTC datetime of ms since 1970."""
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=ms)
