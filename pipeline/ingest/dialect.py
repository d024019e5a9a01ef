"""Delimiter, decimal mark and where the table starts, by consistency over lines."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

from .cells import NUMBERS, kind_of
from .clock_text import understand
from .header_words import DATE, ELAPSED, INDEX, TIME, tokens
from .lines import BLANKS, RULE, WIDE_BLANKS, Line, split
from .refuse import quoted, refusal
from .table_header import find_header, is_head_line

DELIMITERS: Final = (",", ";", "\t", "|", "~", "^", BLANKS, WIDE_BLANKS)
SAMPLE: Final = 14
MAX_COLUMNS: Final = 400
LEAST_RUN: Final = 8
"""Rows in a row that make a table of samples, unlike a small table in a preamble."""


@dataclass(frozen=True)
class Table:
    """Where the table is and how its cells are parted."""

    delimiter: str
    columns: int
    headers: tuple[str, ...]
    header_line: int | None
    marks: tuple[str, ...]
    """The units row, or empty texts."""
    data_line: int
    data_offset: int
    sample: tuple[tuple[str, ...], ...]
    kinds: tuple[str, ...]
    decimal: str | None
    """The decimal mark, None where the sample leaves it open."""
    quoted: bool
    preamble: tuple[Line, ...]
    others: tuple[str, ...] = ()
    """The columns' names in another header row, where there are two; else nothing."""
    evidence: tuple[tuple[str, str, str], ...] = field(default=())
    alike: bool = False
    """That the sample's rows were seen to have one form, digit for digit in dates and clocks."""


def find_table(
    lines: list[Line],
    name: str,
    pinned: str | None,
    pinned_header: int | None,
    bulk: list[str] | None = None,
) -> Table:
    """Find the table in the head of an export.

    Parameters
    ----------
    lines
        The head.
    pinned, pinned_header
        Delimiter and header line that the user pinned.
    bulk
        Lines from the middle of the file, which show what its rows are; without
        them the second half of the head does.

    Raises
    ------
    ExportRefusedError
        With cause ``no_table``, ``delimiter`` or ``columns_mismatch``.
    """
    body = [line for line in lines if line.text.strip() and not RULE.match(line.text)]
    choices = (pinned,) if pinned else DELIMITERS
    picked = bulk if bulk else _pick(body)
    best = _best(picked, choices)
    if best is None and len(body) <= 12:
        # A handful of lines: any one of them may be the only row.
        for line in reversed(body):
            picked = [line.text]
            best = _best(picked, choices)
            if best is not None:
                break
    if best is None and _tells_no_numbers(body):
        raise refusal(
            "not_an_export",
            name,
            ("its one line holds" if len(lines) == 1 else f"its {len(lines)} lines hold")
            + " no rows of numbers",
            "nothing need be done if it is a note or an empty record",
        )
    if best is None:
        raise refusal(
            "no_table",
            name,
            "no lines with a time and numbers in like columns were found in "
            + ("its one line" if len(lines) == 1 else f"its first {len(lines)} lines"),
            "check that this is a logger's export, or pin its layout",
        )
    return _locate(lines, best[1], best[0], name, pinned_header, picked)


def _tells_no_numbers(body: list[Line]) -> bool:
    """Say whether a text is prose or a bare header: hardly a line holds a number."""
    counted = sum(
        re.search(r"\d[.,]\d", line.text) is not None or len(re.findall(r"\d+", line.text)) >= 2
        for line in body
    )
    dated = sum(
        any(kind_of(cell) == "moment" for cell in re.split(r"[,;\t|]", line.text)) for line in body
    )
    return max(counted, dated) <= max(2, len(body) // 20)


def _best(picked: list[str], choices: tuple[str, ...]) -> tuple[int, str] | None:
    """Return number of columns and delimiter of the most table-like reading, or None."""
    best: tuple[float, int, str] | None = None
    for delimiter in choices:
        if delimiter == WIDE_BLANKS and not any("  " in text for text in picked):
            continue
        if len(delimiter) == 1 and not any(delimiter in text for text in picked):
            continue
        parted = _evened([split(text, delimiter) for text in picked], delimiter)
        common = [(c, k) for k, c in Counter(len(cells) for cells in parted).items() if k >= 2]
        if not common:
            continue
        count, columns = max(common)
        if count < 0.5 * len(picked) or columns > MAX_COLUMNS:
            continue
        score = _score(parted, columns) * count / len(picked)
        if score <= 0:
            continue
        # Blanks part every text that holds a date and a time: a real delimiter goes first.
        if (
            best is not None
            and len(delimiter) > 1
            and len(best[2]) == 1
            and best[0] >= 0.9 * score
        ):
            continue
        if best is None or (score, columns) > best[:2]:
            best = (score, columns, delimiter)
    return None if best is None else best[1:]


def _evened(parted: list[list[str]], delimiter: str) -> list[list[str]]:
    """Return rows without the empty cells at their ends that not all of them have.

    Rows that only differ in those have as many cells as the shortest of them.
    """
    lengths = set(map(len, parted))
    if len(delimiter) > 1 or len(lengths) < 2:
        return parted
    filled = [len(cells) - _empty_end(cells) for cells in parted]
    counts = Counter(filled).most_common()
    usual = max(n for n, count in counts if count == counts[0][1])
    columns = min(len(cells) for n, cells in zip(filled, parted, strict=True) if n == usual)
    return [
        cells[:columns] if n <= columns <= len(cells) else cells
        for n, cells in zip(filled, parted, strict=True)
    ]


def _empty_end(cells: list[str]) -> int:
    """Return how many cells at the end are empty."""
    count = 0
    for cell in reversed(cells):
        if cell.strip():
            break
        count += 1
    return count


_SEVERAL_NUMBERS: Final = re.compile(r"\d\D+\d+\D+\d")


def _pick(body: list[Line]) -> list[str]:
    """Take lines of the table's bulk: the second half of the head, spread evenly."""
    texts = [line.text for line in body]
    if len(texts) > 3 and not any(map(_SEVERAL_NUMBERS.search, texts[-6:-1])):
        return texts[-1:]  # one row below its header
    if len(texts) <= SAMPLE:
        return (
            texts[len(texts) // 3 :]
            if len(texts) > 5
            else texts[-1:]
            if len(texts) < 4
            else texts[-2:]
        )
    later = texts[len(texts) // 2 :]
    step = max(len(later) // SAMPLE, 1)
    return later[::step][:SAMPLE]


def _score(rows: list[list[str]], columns: int) -> float:
    """Return how table-like rows are: 0 where there is no time or no number."""
    full = [row for row in rows if len(row) == columns]
    good = 0.0
    moments = numbers = 0
    used = 0
    for k in range(columns):
        kinds = Counter(kind_of(row[k]) for row in full)
        filled = sum(c for kind, c in kinds.items() if kind not in {"empty", "null", "error"})
        if filled == 0:
            continue
        used += 1
        moment = kinds["moment"]
        number = sum(kinds[kind] for kind in NUMBERS)
        if moment >= 0.7 * filled:
            moments += 1
            good += 1
        elif number >= 0.5 * filled:
            numbers += 1
            good += 1
        elif kinds["mark"] >= 0.7 * filled:
            good += 0.9
        else:
            texts = [row[k].strip() for row in full]
            if all(len(t) < 40 and not re.search(r"\d[,;\t|]\s*\d|\d\s{1,}\d", t) for t in texts):
                good += 0.6
    if used < 2 or numbers == 0 or moments + numbers < 2:
        return 0.0
    return good / used


def _is_row(cells: list[str], kinds: tuple[str, ...]) -> bool:
    """Say whether cells look like a row whose columns are of the given kinds."""
    if len(cells) != len(kinds):
        return False
    hits = wanted = 0
    for cell, kind in zip(cells, kinds, strict=True):
        own = kind_of(cell)
        if kind.startswith("moment"):
            if own != "moment" or _parts(cell) != kind[7:]:
                return False
        elif kind == "number":
            wanted += 1
            if own in NUMBERS or own in {"empty", "null", "error"}:
                hits += 1
    return wanted == 0 or hits * 2 > wanted


def _parts(text: str) -> str:
    """Return which parts a moment has: ``date``, ``clock`` or ``both``."""
    found = understand(text.strip())
    if found is None:
        return ""
    return "both" if found.has_date and found.has_clock else "date" if found.has_date else "clock"


def _column_kinds(rows: list[list[str]], columns: int) -> tuple[str, ...]:
    kinds = []
    for k in range(columns):
        seen = Counter(kind_of(row[k]) for row in rows)
        filled = sum(c for kind, c in seen.items() if kind not in {"empty", "null", "error"})
        number = sum(seen[kind] for kind in NUMBERS)
        if filled == 0:
            kinds.append("empty")
        elif seen["moment"] >= 0.7 * filled:
            parts = Counter(_parts(row[k]) for row in rows if kind_of(row[k]) == "moment")
            kinds.append("moment " + parts.most_common(1)[0][0])
        elif number >= 0.5 * filled:
            kinds.append("number")
        elif seen["mark"] >= 0.7 * filled:
            kinds.append("mark")
        else:
            kinds.append("text")
    return tuple(kinds)


def _locate(
    lines: list[Line],
    delimiter: str,
    columns: int,
    name: str,
    pinned_header: int | None,
    picked: list[str],
) -> Table:
    parted = _evened([split(text, delimiter) for text in picked], delimiter)
    kinds = _column_kinds([row for row in parted if len(row) == columns], columns)
    start = None
    earliest = 0 if pinned_header is None else pinned_header

    def row_at(i: int) -> list[str] | None:
        cells = split(lines[i].text, delimiter)
        while len(cells) > columns and not cells[-1].strip():
            cells.pop()
        return cells if len(cells) == columns and _is_row(cells, kinds) else None

    first_run = 0
    for i, line in enumerate(lines):
        if line.number <= earliest or not line.text.strip() or row_at(i) is None:
            continue
        following = [j for j in range(i + 1, min(i + 8, len(lines))) if lines[j].text.strip()][:3]
        hits = sum(row_at(j) is not None for j in following)
        if following and hits < min(2, len(following)):
            continue
        run = _run_length(lines, i, row_at)
        if start is None:
            start, first_run = i, run
            if run >= LEAST_RUN:
                break
        elif run > first_run and _other_header(lines, start, i):
            # What came before was a small table of its own, above the samples.
            start, first_run = i, run
            if run >= LEAST_RUN:
                break
    if start is None:
        raise refusal(
            "no_table",
            name,
            "no line was found at which a table of samples starts",
            "check that this is a logger's export, or pin its layout",
        )
    near = [row_at(i) for i in range(start, min(start + 12, len(lines)))]
    far = [row for row in parted if len(row) == columns and _is_row(row, kinds)]
    sample = tuple(tuple(c.strip() for c in cells) for cells in near if cells is not None)
    wider = sample + tuple(tuple(c.strip() for c in row) for row in far)
    headers, marks, header_at, others = find_header(
        lines, start, delimiter, columns, kinds, name, pinned_header
    )
    _refuse_split_decimals(delimiter, headers, wider, kinds, name, lines[start])
    preamble = tuple(lines[: start if header_at is None else header_at])
    # All that stands below the header is read, so that no spoilt first row goes uncounted.
    first = start
    while (
        header_at is not None
        and first - 1 > header_at
        and not is_head_line(lines[first - 1], delimiter, columns)
    ):
        first -= 1
    decimal, why = decimal_of([c for row in wider for c in row])
    shown = {
        "\t": "tab",
        BLANKS: "aligned by blanks",
        WIDE_BLANKS: "aligned by two blanks or more",
    }
    evidence = [
        (
            "delimiter",
            shown.get(delimiter, delimiter),
            f"{columns} columns in line after line from line {lines[start].number}",
        )
    ]
    if decimal:
        evidence.append(("decimal mark", decimal, why))
    if header_at is not None:
        evidence.append(("header", f"line {lines[header_at].number}", "; ".join(headers)[:200]))
    return Table(
        delimiter=delimiter,
        columns=columns,
        headers=headers,
        header_line=None if header_at is None else lines[header_at].number,
        marks=marks,
        others=others,
        data_line=lines[first].number,
        data_offset=lines[first].offset,
        sample=sample,
        kinds=tuple(kind.split(" ")[0] for kind in kinds),
        decimal=decimal,
        quoted=any('"' in line.text for line in lines[start : start + 40]),
        preamble=preamble,
        evidence=tuple(evidence),
    )


def _refuse_split_decimals(
    delimiter: str,
    headers: tuple[str, ...],
    rows: tuple[tuple[str, ...], ...],
    kinds: tuple[str, ...],
    name: str,
    first: Line,
) -> None:
    """Refuse decimal commas between commas where the header has room for the fractions."""
    if delimiter != "," or len(rows) < 4:
        return
    pairs = 0
    for k in range(len(headers) - 1):
        if not headers[k] or headers[k + 1] or kinds[k] != "number" or kinds[k + 1] != "number":
            continue
        whole = all(re.fullmatch(r"[+-]?\d+", row[k]) for row in rows)
        part = {len(row[k + 1]) for row in rows if row[k + 1].isdigit()}
        if whole and len(part) == 1 and all(row[k + 1].isdigit() for row in rows):
            pairs += 1
    named = sum(bool(h) for h in headers) - 1
    if pairs and pairs == named:
        raise refusal(
            "columns_mismatch",
            name,
            "every number is followed by digits in a column without a name, as if decimal commas "
            f"stood between commas ({quoted(first.text, 80)})",
            "export it with another delimiter or with decimal points",
            line=first.number,
        )


def _run_length(lines: list[Line], start: int, row_at: Callable[[int], list[str] | None]) -> int:
    """Return how many rows follow each other from a line on, LEAST_RUN at most."""
    count = 0
    for i in range(start, len(lines)):
        if not lines[i].text.strip():
            continue
        if row_at(i) is None:
            break
        count += 1
        if count >= LEAST_RUN:
            break
    return count


def _other_header(lines: list[Line], first: int, later: int) -> bool:
    """Say whether a later run of rows has a header of its own, not a repeated one."""

    def above(at: int) -> str:
        return next(
            (lines[i].text.strip() for i in range(at - 1, -1, -1) if lines[i].text.strip()), ""
        )

    own = above(later)
    return (
        own != above(first)
        and re.search(r"[^\W\d]{2,}", own) is not None
        and kind_of(re.split(r"[,;\t|]", own)[0]) not in {"moment", "integer", "dot", "comma"}
    )


def decimal_of(cells: list[str]) -> tuple[str | None, str]:
    """Return the decimal mark that cells show, or None where they leave it open."""
    seen = Counter(kind_of(re.sub(r"\s*[^\d\s.,]+$", "", c)) for c in cells)
    if seen["dot"] and seen["comma"]:
        return None, ""
    if seen["dot"]:
        return ".", f"{seen['dot']} cells can be read only so"
    if seen["comma"]:
        return ",", f"{seen['comma']} cells can be read only so"
    return (
        (None, "") if seen["grouped"] else (".", "no cell has a fraction in the lines looked at")
    )


def has_time_word(text: str) -> bool:
    """Say whether header text names a time or a date."""
    found = tokens(text)
    return bool(found & (TIME | DATE)) or ELAPSED.search(text.lower()) is not None


def is_index_word(text: str) -> bool:
    """Say whether header text names a running number."""
    found = tokens(text)
    return text.strip() in {"#", "No.", "Nr."} or bool(found & INDEX)


def moment_parts(samples: list[str]) -> tuple[bool, bool]:
    """Return whether a column's cells hold dates and clock times."""
    found = [m for m in (understand(c) for c in samples if c) if m is not None]
    if not found:
        return False, False
    return (
        sum(m.has_date for m in found) * 2 > len(found),
        sum(m.has_clock for m in found) * 2 > len(found),
    )
