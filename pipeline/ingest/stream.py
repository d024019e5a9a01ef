"""Exports too large for memory: decided on their beginning, converted piece by piece."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from typing import IO, TYPE_CHECKING, Any, Final

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from ...shared.errors import ExportRefusedError
from . import clock as clocks
from .containers import Member
from .dates import settle
from .decide import Decided
from .dialect import Table
from .encoding import RecodingStream, detect, refuse_binary
from .numbers import decimal_in, to_numbers
from .output import trace_table
from .raw import read_rows
from .reading import LineMapBuilder, Reading
from .refuse import refusal, unforeseen
from .statements import Statement, read_statements

if TYPE_CHECKING:
    from .assemble import Assembly
    from .roles import Roles

PIECE: Final = 12 << 20
"""Bytes of UTF-8 that are converted at once [B]."""
LONGEST_LINE: Final = 1 << 20


def add_stream(assembly: Assembly, member: Member) -> None:
    """Prepare one large member; its tables are made while they are consumed."""
    with member.open() as stream:
        head = stream.read(1 << 16)
    encoding, mark, why = assembly.encoding(head, whole=False)
    if encoding == "utf-8" and not assembly.pin.encoding:
        # A sign that is no ASCII may come late: look further before it is called UTF-8.
        encoding, mark, why = _detect_further(member, encoding, mark, why)
    assembly.note("encoding", encoding, why)
    with _text(member, encoding, mark) as text:
        first = _read(text, PIECE)
    refuse_binary(first, member.name)
    table = assembly.sniff(first, member.name)
    statements = read_statements(table.preamble, table.delimiter)
    if len(assembly.sides(table, member.name)) > 1:
        raise refusal(
            "too_large",
            member.name,
            "a table this large holds several units side by side",
            "export each unit in a file of its own, or in smaller pieces",
            line=table.header_line,
        )
    roles = assembly.roles(table, statements, member.name)
    if roles.time.mode in {"clock", "index"}:
        raise refusal(
            "too_large",
            member.name,
            "a table this large gives no date with each row",
            "export it in smaller pieces, or with dates",
        )
    pieces = _pieces(member, encoding, mark, table)
    decided = _decide(assembly, member, encoding, roles, statements, pieces)
    builder = LineMapBuilder()

    def finish() -> Reading:
        reading = assembly.reading(None, 0, None, None, builder, ())
        reading.complete = False
        reading._tables = _guarded(
            assembly, member, encoding, mark, table, roles, statements, decided, builder, reading
        )
        return reading

    assembly.counts = type(assembly.counts)()
    assembly.parts = []
    assembly.stream = finish


def _detect_further(member: Member, encoding: str, mark: int, why: str) -> tuple[str, int, str]:
    with member.open() as stream:
        rest = b""
        for _ in range(64):
            block = stream.read(1 << 20)
            if not block:
                break
            block = rest + block
            if not block.isascii():
                found = detect(block[: max(len(block) - 8, 1)], whole=False)
                if found[0] == "cp1252":
                    return found
            rest = block[-8:]
    return encoding, mark, why


def _text(member: Member, encoding: str, mark: int) -> IO[bytes]:
    stream: Any = RecodingStream(member.open(), encoding, mark)
    return stream  # type: ignore[no-any-return]


def _read(stream: IO[bytes], size: int) -> bytes:
    out = io.BytesIO()
    while out.tell() < size:
        block = stream.read(min(1 << 20, size - out.tell()))
        if not block:
            break
        out.write(block)
    return out.getvalue()


def _pieces(
    member: Member, encoding: str, mark: int, table: Table
) -> Iterator[tuple[bytes, Table]]:
    """Yield pieces of whole lines with the table placed at their first line."""
    line = table.data_line
    rest = b""
    with _text(member, encoding, mark) as stream:
        skip = table.data_offset
        while skip > 0:
            block = stream.read(min(skip, 1 << 20))
            if not block:
                return
            skip -= len(block)
        while True:
            block = _read(stream, PIECE)
            data = rest + block
            if not data:
                return
            if block:
                cut = max(data.rfind(b"\n"), data.rfind(b"\r", 0, max(len(data) - 1, 0)))
                if cut < 0:
                    if len(data) > LONGEST_LINE:
                        raise refusal(
                            "line_too_long",
                            member.name,
                            f"a line has more than {LONGEST_LINE} characters",
                            "check that this is a logger's export",
                            line=line,
                        )
                    rest = data
                    continue
                # A carriage return may be half of a line end that goes on in the next piece.
                if data[cut : cut + 1] == b"\r" and b"\n" in data:
                    cut = data.rfind(b"\n")
                data, rest = data[: cut + 1], data[cut + 1 :]
                if len(rest) > LONGEST_LINE:
                    raise refusal(
                        "line_too_long",
                        member.name,
                        f"a line has more than {LONGEST_LINE} characters",
                        "check that this is a logger's export",
                        line=line,
                    )
            else:
                rest = b""
            ends = data.count(b"\n") or data.count(b"\r")
            yield data, replace(table, data_line=line, data_offset=0)
            line += ends
            if not block:
                return


def _rows(data: bytes, table: Table, roles: Roles, name: str) -> Any:
    from .table_rows import read_evened

    return read_evened(data, table, roles, name)


def _decide(
    assembly: Assembly,
    member: Member,
    encoding: str,
    roles: Roles,
    statements: list[Statement],
    pieces: Iterator[tuple[bytes, Table]],
) -> Decided:
    """Settle everything on the first piece; for the order of dates look through all."""
    data, own = next(pieces)
    raw = _rows(data, own, roles, member.name)
    try:
        return assembly.convert(raw, b"", own, roles, statements, member.name, encoding)
    except ExportRefusedError as error:
        if error.cause != "day_month":
            raise
        order = _order_further(pieces, roles, member.name)
        if order is None:
            raise
        assembly.note("dates", order, "settled by rows further down")
        assembly.pin = replace(assembly.pin, day_first=order == "dmy")
        assembly.counts = type(assembly.counts)()
        raw = _rows(data, own, roles, member.name)
        return assembly.convert(raw, b"", own, roles, statements, member.name, encoding)


def _order_further(pieces: Iterator[tuple[bytes, Table]], roles: Roles, name: str) -> str | None:
    from .times import parse_moments

    for data, table in pieces:
        columns = list(roles.time.columns)
        raw = read_rows(data, table, columns, set(), name)
        moments = parse_moments(raw.columns[columns[0]], dotted_dates=len(columns) == 2)
        if len(columns) == 2:
            moments = clocks.combine_columns(moments, parse_moments(raw.columns[columns[1]]))
        order = settle(moments).order
        if order in {"dmy", "mdy"}:
            return order
    return None


def _goes_on(raw: Any, roles: Roles, before: float, name: str, line: int) -> float:
    """Return the last count of a piece; refuse where a count starts again between pieces."""
    column = raw.columns[roles.time.columns[0]]
    if not pa.types.is_floating(column.type):
        column = pa.array(to_numbers(column, decimal_in(column) or ".")[0])
    values = column.filter(pc.is_finite(column))
    if len(values) == 0:
        return before
    counts = np.asarray(values.to_numpy(zero_copy_only=False))
    if counts[0] < before or bool((np.diff(counts) < 0).any()):
        raise refusal(
            "start_time",
            name,
            "the count of elapsed time starts again within a large export",
            "export one record a file",
            line=line,
        )
    return float(counts[-1])


def _guarded(assembly: Assembly, *more: Any) -> Iterator[Any]:
    """Yield tables; turn anything unforeseen into a refusal, as for small exports."""
    try:
        yield from _tables(assembly, *more)
    except (ExportRefusedError, MemoryError):
        raise
    except Exception as error:
        raise unforeseen(assembly.name, error) from error


def _tables(
    assembly: Assembly,
    member: Member,
    encoding: str,
    mark: int,
    table: Table,
    roles: Roles,
    statements: list[Statement],
    decided: Decided,
    builder: LineMapBuilder,
    reading: Reading,
) -> Iterator[Any]:
    from .assemble import moment

    units: set[str] = set()
    first: int | None = None
    last: int | None = None
    samples = 0
    counted = float("-inf")
    for number, (data, own) in enumerate(_pieces(member, encoding, mark, table)):
        raw = _rows(data, own, roles, member.name)
        if len(raw.lines) == 0 and raw.odd_count == 0:
            continue
        assembly.parts = []
        if roles.time.mode == "elapsed":
            counted = _goes_on(raw, roles, counted, member.name, own.data_line)
        assembly.convert(
            raw,
            b"",
            own,
            roles,
            statements,
            member.name,
            encoding,
            before=decided if number else None,
        )
        for part in assembly.parts:
            units.add(part.unit_id)
            low, high = int(part.utc_ms.min()), int(part.utc_ms.max())
            first = low if first is None else min(first, low)
            last = high if last is None else max(last, high)
            samples += len(part.utc_ms)
            builder.add(part.member, part.first_line, part.last_line)
            yield trace_table(
                part.unit_id,
                part.logger_id,
                part.utc_ms,
                part.values,
                part.atmosphere_kpa,
                part.assumed,
                assembly.sha256[:16],
            )
        assembly.parts = []
    assembly.check_share()
    if samples == 0:
        raise refusal("no_samples", assembly.name, "no row is a sample", "check the export")
    reading.unit_ids = tuple(sorted(units))
    reading.rows_read = assembly.counts.read
    reading.rows_kept = assembly.counts.kept
    reading.dropped_by_reason = dict(sorted(assembly.counts.dropped.items()))
    reading.cells_blanked = dict(sorted(assembly.counts.blanked.items()))
    reading.samples = samples
    reading.first_time = None if first is None else moment(first)
    reading.last_time = None if last is None else moment(last)
    reading.line_map = builder.build()
    reading.evidence = assembly.told()
    reading.complete = True
