"""The header above a table: its texts, its units row, its place."""

from __future__ import annotations

import re
from typing import Final

from .cells import kind_of
from .clock_text import word_set
from .header_words import DATE, PRESSURE, TEMPERATURE, TIME, tokens, words
from .lines import BLANKS, RULE, WIDE_BLANKS, Line, split
from .refuse import quoted, refusal
from .units_found import read_mark, split_header

_NUMBER_TYPES: Final = word_set("float float32 float64 double real decimal numeric single")
_TYPES: Final = _NUMBER_TYPES | word_set(
    "str string text char varchar int integer int32 int64 long bool boolean date time datetime "
    "timestamp"
)


def find_header(
    lines: list[Line],
    start: int,
    delimiter: str,
    columns: int,
    kinds: tuple[str, ...],
    name: str,
    pinned_header: int | None,
) -> tuple[tuple[str, ...], tuple[str, ...], int | None, tuple[str, ...]]:
    """Return header texts, units row, index of the header's first line, and the other names.

    Where two rows name the columns, the one with more words of the trade is the header.
    """
    no_marks = ("",) * columns
    above = [i for i in range(start) if lines[i].text.strip() and not RULE.match(lines[i].text)]
    if pinned_header is not None:
        above = [i for i in above if lines[i].number <= pinned_header]
        if not above or lines[above[-1]].number != pinned_header:
            raise refusal(
                "layout",
                name,
                f"the pinned header row {pinned_header} is not a line above the table",
                "correct header_row in its [[layout]]",
            )
    if not above:
        return _nameless(columns), no_marks, None, ()
    if pinned_header is None and len(above) > 1 and _is_types_row(lines[above[-1]], delimiter):
        above = above[:-1]
    at = above[-1]
    below = lines[start : start + 30]
    cells = header_cells(lines[at].text, below, delimiter, columns, kinds)
    marks = no_marks
    first = at
    if cells is not None and _is_marks_row(cells):
        marks = tuple(cells)
        above = above[:-1]
    for back, at in enumerate(reversed(above[-6:])):
        cells = header_cells(lines[at].text, below, delimiter, columns, kinds)
        if cells is not None and (_looks_like_header(cells) or (any(marks) and back == 0)):
            first = min(first, at)
            above = above[: len(above) - back]
            break
        found = [c for c in split(lines[at].text, delimiter) if c.strip()]
        if (
            cells is None
            and len(found) >= 2
            and len(found) > columns // 2
            and _looks_like_header(found)
        ):
            raise refusal(
                "columns_mismatch",
                name,
                f"the header {quoted(lines[at].text, 80)} "
                + (
                    f"names {len(found)} columns, the rows below hold {columns}"
                    if len(found) != columns
                    else "has the name of a reading over dates or clocks"
                )
                + f" ({quoted(lines[start].text, 80)})",
                "check delimiter and decimal mark, or pin the layout"
                if delimiter not in {BLANKS, WIDE_BLANKS}
                else "export it with tabs or commas between its columns: single blanks within "
                "names hide where one ends",
                line=lines[at].number,
            )
        if back and pinned_header is not None:
            return _nameless(columns), marks, None, ()
    else:
        return _nameless(columns), marks, first if any(marks) else None, ()
    texts = [
        re.sub(r"^[#*/%]+\s*", "", c.strip()) if k == 0 else c.strip() for k, c in enumerate(cells)
    ]
    named = [t for t in texts if t]
    above = [i for i in above if i < at]
    if above and above[-1] >= at - 1 and columns >= 3:
        upper = header_cells(lines[above[-1]].text, lines[start : start + 30], delimiter, columns)
        lacks = len(set(named)) < len(named) or len(named) < columns - kinds.count("empty")
        if upper is not None and lacks and _is_group_row(upper):
            filled = _spread(upper)
            texts = [f"{u} {t}".strip() for u, t in zip(filled, texts, strict=True)]
            first = above[-1]
        elif upper is not None and len(named) == columns and _names_all(upper):
            other = [c.strip() for c in upper]
            if _known(other) > _known(texts):
                texts, other = other, texts
            return tuple(texts), marks, above[-1], tuple(other)
    return tuple(texts), marks, first, ()


def _is_types_row(line: Line, delimiter: str) -> bool:
    """Say whether a line names the kinds of its columns' values and nothing else."""
    cells = [c.strip().lower() for c in split(line.text, delimiter)]
    return len(cells) > 1 and set(cells) <= _TYPES and bool(set(cells) & _NUMBER_TYPES)


def _names_all(cells: list[str]) -> bool:
    """Say whether a row names every column: no empty cell, no value, no key and value."""
    return (
        all(c.strip() and kind_of(c) in {"text", "mark"} for c in cells)
        and not any(c.strip().endswith(":") for c in cells)
        and len({c.strip() for c in cells}) == len(cells)
    )


def _known(texts: list[str]) -> int:
    """Return how many names a header's words or unit marks explain."""
    count = 0
    for text in texts:
        rest, mark = split_header(text)
        low = words(rest)
        count += (
            mark is not None
            or TEMPERATURE.search(low) is not None
            or PRESSURE.search(low) is not None
            or bool(tokens(text) & (TIME | DATE))
        )
    return count


def is_head_line(line: Line, delimiter: str, columns: int) -> bool:
    """Say whether a line right above the rows belongs to the header."""
    cells = split(line.text, delimiter)
    wordy = [c for c in cells if c.strip() and kind_of(c) in {"text", "mark"}]
    return (
        len(cells) in {columns, columns + 1}
        and len(wordy) * 2 > len([c for c in cells if c.strip()])
        and not any(kind_of(c) == "moment" for c in cells)
    )


def _nameless(columns: int) -> tuple[str, ...]:
    return tuple(f"column {k + 1}" for k in range(columns))


def _spread(cells: list[str]) -> list[str]:
    """Repeat a group's name over the empty cells to its right."""
    out: list[str] = []
    last = ""
    for cell in cells:
        last = cell.strip() or last
        out.append(last)
    return out


def _is_group_row(cells: list[str]) -> bool:
    filled = [c for c in cells if c.strip()]
    return (
        len(filled) >= 1
        and all(kind_of(c) in {"text", "mark"} for c in filled)
        and not any(c.strip().endswith(":") for c in filled)
    )


def _is_marks_row(cells: list[str]) -> bool:
    filled = [c.strip() for c in cells if c.strip(" -")]
    marks = [c for c in filled if read_mark(c) is not None or _format_hint(c)]
    return bool(filled) and len(marks) * 2 > len(filled) and any(read_mark(c) for c in filled)


def _format_hint(text: str) -> bool:
    return re.fullmatch(r"[\[(]?[dmyhsaptz:./\-\s]{2,22}[\])]?", text.lower()) is not None


def _looks_like_header(cells: list[str]) -> bool:
    """Say whether cells are names: mostly words, and something of the trade among them."""
    filled = [c.strip().strip("#").strip() for c in cells if c.strip()]
    if not filled:
        return False
    wordy = [c for c in filled if kind_of(c) in {"text", "mark", "null"} or len(c) == 1]
    if len(wordy) < 0.7 * len(filled):
        return False
    return not (len(filled) == 2 and filled[0].endswith(":"))


def header_cells(
    text: str, rows: list[Line], delimiter: str, columns: int, kinds: tuple[str, ...] = ()
) -> list[str] | None:
    """Return the header's cells, one a column, or None where they don't match."""
    if delimiter in {BLANKS, WIDE_BLANKS}:
        bare = re.sub(r"^\s*(?:#+|%+|//+|;+)\s+", "", text)
        if bare != text and len(bare.split()) == columns:
            text = bare  # a mark of comment before the names is none of them
        return _aligned_header(text, rows, delimiter, columns, kinds)
    cells = split(text, delimiter)
    while len(cells) > columns and not cells[-1].strip():
        cells.pop()
    if len(cells) < columns:
        missing = columns - len(cells)
        tails = [split(row.text, delimiter) for row in rows if row.text.strip()]
        tails = [c for c in tails if len(c) == columns]
        if tails and all(not c.strip() for t in tails for c in t[-missing:]):
            cells += [""] * missing
    return cells if len(cells) == columns else None


def _by_units(text: str, kinds: tuple[str, ...]) -> list[str] | None:
    """Return names that single blanks hold apart no more than their words, where units do.

    Each name but those of dates and clocks, which stand first, must end in its unit in
    brackets: ``Drain temp. (°C) Load temp. (°C)``.
    """
    timed = [kind.startswith("moment") for kind in kinds]
    moments = sum(timed)
    if any(timed[moments:]) or not moments or moments == len(kinds):
        return None
    names = [n.strip() for n in re.findall(r"[^()\[\]]*[(\[][^()\[\]]+[)\]]", text)]
    if len(names) != len(kinds) - moments or " ".join(names).split() != text.split():
        return None
    timed_names = list(_nameless(moments))
    first = names[0].split()
    for k in range(moments):
        if len(first) > 1 and tokens(first[0]) & (DATE | TIME):
            timed_names[k] = first.pop(0)
    names[0] = " ".join(first)
    marks = [split_header(n) for n in names]
    if any(mark is None or not words(rest) for rest, mark in marks):
        return None
    return timed_names + names


def _over_times(names: list[str], kinds: tuple[str, ...]) -> bool:
    """Say whether the name of a reading would stand over dates or clocks."""
    return any(
        kind.startswith("moment")
        and not tokens(name) & (DATE | TIME)
        and (TEMPERATURE.search(words(name)) or PRESSURE.search(words(name))) is not None
        for name, kind in zip(names, kinds, strict=False)
    )


def _aligned_header(
    text: str, rows: list[Line], delimiter: str, columns: int, kinds: tuple[str, ...]
) -> list[str] | None:
    wide = [c for c in re.split(r"[ \t]{2,}|\t", text.strip()) if c]
    if len(wide) == columns and not _over_times(wide, kinds):
        return wide
    narrow = text.split()
    short = all(len(n) > 1 or n in "TPtp#" for n in narrow)
    if len(narrow) == columns and short and not _over_times(narrow, kinds):
        return narrow
    if len(kinds) == columns and (named := _by_units(text, kinds)) is not None:
        return named
    pattern = r"\S+" if delimiter == BLANKS else r"\S+(?: \S+)*"
    spans: list[list[int]] = []
    for row in rows:
        found = [m.span() for m in re.finditer(pattern, row.text)]
        if len(found) != columns:
            continue
        if not spans:
            spans = [list(s) for s in found]
        for span, (a, b) in zip(spans, found, strict=True):
            span[0], span[1] = min(span[0], a), max(span[1], b)
    if not spans:
        return None
    names = [""] * columns
    groups = [(m.start(), m.end(), m[0]) for m in re.finditer(r"\S+(?: \S+)*", text)]
    if len(groups) < 2:
        groups = [(m.start(), m.end(), m[0]) for m in re.finditer(r"\S+", text)]
    for a, b, word in groups:
        over = [k for k, (c, d) in enumerate(spans) if a < d and c < b]
        if not over:
            over = [min(range(columns), key=lambda k: abs(sum(spans[k]) - a - b))]
        for k in over:
            if names[k] and len(over) == 1:
                return None
            names[k] = names[k] or word
    if _over_times(names, kinds):
        return None
    return names if sum(bool(n) for n in names) >= 2 else None
