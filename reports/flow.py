"""A page as a stack of rows: text, tables and panels that break cleanly over pages.

All lengths are points; a row's own coordinates start at its top left and run
right and down. Rows are laid out from font metrics before any figure exists.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from . import style
from .metrics import fit, fit_end, printable, text_width_pt, wrap

if TYPE_CHECKING:
    from .sheet import Sheet

Align = Literal["left", "center", "right"]


@dataclass(frozen=True)
class Words:
    """One line of text at a baseline."""

    x: float
    y: float
    text: str
    size: float = style.BODY_PT
    colour: str = style.INK
    bold: bool = False
    align: Align = "left"
    link: str = ""
    """A file beside this one, or an address, that the words open."""


@dataclass(frozen=True)
class Rule:
    """A horizontal hairline."""

    x0: float
    x1: float
    y: float
    colour: str = style.HAIRLINE
    width: float = 0.5


@dataclass(frozen=True)
class Row:
    """Something of a fixed height that is never split."""

    height: float
    words: tuple[Words, ...] = ()
    rules: tuple[Rule, ...] = ()
    panel: Callable[[Sheet, float, float], None] | None = None
    """Draws at (left, top) of the row."""
    keep: bool = False
    """Stay on the page of the next row."""
    repeat: tuple[Row, ...] = ()
    """Rows set again when a page begins with this one (a table's header)."""
    break_before: bool = False
    bookmark: str = ""
    """A line of the document's outline that leads to this row's page."""


@dataclass(frozen=True)
class Cell:
    """What stands in one cell of a table."""

    text: str
    colour: str = style.INK
    bold: bool = False
    link: str = ""


@dataclass(frozen=True)
class TableColumn:
    """A column of a table."""

    title: str
    width: float
    align: Align = "left"
    cut: str = "middle"
    """How too long text is handled: ``middle`` or ``end`` (ellipsis), or ``wrap``."""
    inset: float = 0.0
    """Extra room at the left [pt]."""
    most_lines: int = 99
    """Lines of a wrapped cell; what is more ends in an ellipsis."""


RUN_IN_PT = 9.0
"""Indent of the lines after a head that runs in."""


def space(height: float) -> Row:
    """Return an empty row."""
    return Row(height)


def heading(text: str, width: float, *, note: str = "", bookmark: str = "") -> list[Row]:
    """Return a section's heading with a rule below, and an optional note at its right."""
    size = style.HEAD_PT
    shown = fit_end(printable(text), size, width, bold=True)
    words = [Words(0.0, 19.0, shown, size, bold=True)]
    taken = text_width_pt(shown, size, bold=True)
    rows = [Row(25.0, tuple(words), (Rule(0.0, width, 24.0),), keep=True, bookmark=bookmark)]
    if note:
        clean = printable(note)
        room = width - taken - 14.0
        if text_width_pt(clean, style.SMALL_PT) <= room:
            right = Words(width, 19.0, clean, style.SMALL_PT, style.MUTED, align="right")
            rows[0] = replace(rows[0], words=(*words, right))
        else:
            rows += [
                replace(r, keep=True)
                for r in paragraph(clean, width, size=style.SMALL_PT, colour=style.MUTED)
            ]
    rows.append(Row(4.0, keep=True))
    return rows


def paragraph(
    text: str,
    width: float,
    *,
    size: float = style.BODY_PT,
    colour: str = style.INK,
    bold: bool = False,
    indent: float = 0.0,
    lead: str = "",
    hang: float = 0.0,
) -> list[Row]:
    """Return wrapped lines; ``lead`` stands before the first one and ``hang`` indents all."""
    lines = wrap(printable(text), size, width - indent - hang, bold=bold)
    step = size * style.LEAD
    rows = []
    for index, line in enumerate(lines):
        words = [Words(indent + hang, size * 1.08, line, size, colour, bold)]
        if lead and index == 0:
            words.insert(0, Words(indent, size * 1.08, lead, size, colour, bold))
        rows.append(Row(step, tuple(words), keep=index == 0 and len(lines) > 1))
    return rows


def run_in(
    head: str,
    text: str,
    width: float,
    *,
    size: float = style.BODY_PT,
    head_colour: str = style.INK,
    bold: bool = True,
    indent: float = 0.0,
) -> list[Row]:
    """Return wrapped lines that begin with a head of its own look, further ones indented."""
    head = fit_end(printable(head), size, width - indent, bold=bold)
    taken = text_width_pt(head + " ", size, bold=bold)
    room = width - indent
    words = printable(text).split()
    first = ""
    while words and text_width_pt(f"{first} {words[0]}".strip(), size) <= room - taken:
        first = f"{first} {words.pop(0)}".strip()
    step, base = size * style.LEAD, size * 1.08
    line = [Words(indent, base, head, size, head_colour, bold)]
    line += [Words(indent + taken, base, first, size)] if first else []
    hang = indent + RUN_IN_PT
    rest = paragraph(" ".join(words), width, size=size, indent=hang) if words else []
    return [Row(step, tuple(line), keep=bool(rest)), *rest]


def table(
    columns: Sequence[TableColumn],
    rows: Iterable[tuple[Sequence[Cell | str], str]],
    *,
    size: float = style.BODY_PT,
    rule_every: int = 1,
) -> list[Row]:
    """Return a table with a header that repeats on each page.

    ``rows`` yields the cells and a line of text below them, empty for none.
    """
    width = sum(c.width for c in columns)
    header = _header(columns, width)
    out = [header]
    for index, (cells, under) in enumerate(rows):
        ruled = rule_every > 0 and (index + 1) % rule_every == 0
        out.append(_table_row(columns, cells, under, width, size, ruled, header))
    return out


def _header(columns: Sequence[TableColumn], width: float) -> Row:
    size = style.SMALL_PT
    words = []
    for x, column in _places(columns):
        text = fit(column.title, size, column.width - column.inset - 5.0)
        words.append(_placed(x, size * 1.25, Cell(text, style.MUTED), column, size))
    return Row(size * 1.9, tuple(words), (Rule(0, width, size * 1.9, style.FAINT),), keep=True)


def _table_row(
    columns: Sequence[TableColumn],
    cells: Sequence[Cell | str],
    under: str,
    width: float,
    size: float,
    ruled: bool,
    header: Row,
) -> Row:
    step = size * style.LEAD
    pad = size * 0.22
    words: list[Words] = []
    lines_max = 1
    for (x, column), raw in zip(_places(columns), cells, strict=True):
        cell = Cell(raw) if isinstance(raw, str) else raw
        lines = _cell_lines(cell, column, size)
        lines_max = max(lines_max, len(lines))
        for number, line in enumerate(lines):
            at = pad + size * 1.05 + number * step
            words.append(_placed(x, at, replace(cell, text=line), column, size))
    height = pad * 2 + step * lines_max
    if under:
        indent = columns[0].width if len(columns) > 1 else 0.0
        small = style.SMALL_PT
        text = fit_end(printable(under), small, width - indent)
        words.append(Words(indent, height - pad + small * 0.95, text, small, style.MUTED))
        height += small * style.LEAD
    rules = (Rule(0, width, height, style.GRID),) if ruled else ()
    return Row(height, tuple(words), rules, repeat=(header,))


def _cell_lines(cell: Cell, column: TableColumn, size: float) -> list[str]:
    text = printable(cell.text)
    room = column.width - column.inset - 6.0
    if column.cut == "wrap":
        lines = wrap(text, size, room, bold=cell.bold)
        if len(lines) > column.most_lines:
            kept = lines[: column.most_lines]
            kept[-1] = fit_end(f"{kept[-1]} {lines[column.most_lines]}", size, room)
            return kept
        return lines
    cutter = fit_end if column.cut == "end" else fit
    return [cutter(text, size, room, bold=cell.bold)]


def _places(columns: Sequence[TableColumn]) -> list[tuple[float, TableColumn]]:
    x = 0.0
    places = []
    for column in columns:
        places.append((x, column))
        x += column.width
    return places


def _placed(x: float, y: float, cell: Cell, column: TableColumn, size: float) -> Words:
    at = x + column.width - 6.0 if column.align == "right" else x + column.inset
    return Words(at, y, cell.text, size, cell.colour, cell.bold, column.align, cell.link)


def paginate(rows: Sequence[Row], height: float) -> list[list[Row]]:
    """Split rows into pages of at most ``height``, keeping what belongs together."""
    pages: list[list[Row]] = [[]]
    used = 0.0
    index = 0
    while index < len(rows):
        group = _group(rows, index)
        tall = sum(r.height for r in group)
        first = group[0]
        if pages[-1] and (first.break_before or used + tall > height + 0.01):
            pages.append([])
            used = 0.0
            for again in first.repeat:
                pages[-1].append(again)
                used += again.height
        if not pages[-1] and not first.words and not first.rules and first.panel is None:
            index += 1  # no white space at the head of a page
            continue
        pages[-1].extend(group)
        used += tall
        index += len(group)
    return [p for p in pages if p] or [[]]


def _group(rows: Sequence[Row], start: int) -> list[Row]:
    end = start
    while end < len(rows) - 1 and rows[end].keep:
        end += 1
    return list(rows[start : end + 1])
