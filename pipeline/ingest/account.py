"""What becomes of each row that is read: a sample, or left out by a reason."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pyarrow as pa

from .cells import NUMBERS, kind_of
from .convert import Counts
from .dialect import Table
from .header_words import LONG_SUMMARY
from .lines import is_rule
from .parse import Parsed


def count_rows(counts: Counts, parsed: Parsed, ok: Any, table: Table) -> None:
    """Count rows read, and those that are no samples by reason."""
    blank = int(np.count_nonzero(parsed.blank))
    counts.read += parsed.n - blank + parsed.odd_count
    if not parsed.odd_count and ok.all():
        return
    header = {h.strip().casefold() for h in table.headers if h.strip()}
    for _, text in parsed.odd:
        if is_rule(text):
            counts.read -= 1
            continue
        cells = {c.strip().strip('"').casefold() for c in re.split(r"[,;\t|]", text)}
        counts.drop(_odd_reason(text, cells, header), 1)
    if parsed.odd_count > len(parsed.odd):
        counts.drop("wrong_column_count", parsed.odd_count - len(parsed.odd))
    unread = ~ok & ~parsed.blank
    if unread.any():
        rows = np.flatnonzero(unread)
        first = _first_texts(parsed, rows)
        ruled = [k for k, text in enumerate(first) if re.fullmatch(r"[-=_]{2,}", text.strip())]
        if ruled:
            # A line that only draws a rule is no row.
            counts.read -= len(ruled)
            rows = np.delete(rows, ruled)
            first = _first_texts(parsed, rows)
        structural = [
            k
            for k, text in enumerate(first)
            if (re.match(r"^\D*$", text) and not re.fullmatch(r"[\W_]*", text)) or not text.strip()
        ]
        repeated = [
            k for k in structural if first[k].strip().casefold() in header and first[k].strip()
        ]
        counts.drop("repeated_header", len(repeated))
        counts.drop("not_a_sample", len(structural) - len(repeated))
        counts.drop("unreadable_time", len(rows) - len(structural))


def _odd_reason(text: str, cells: set[str], header: set[str]) -> str:
    if header and len(cells & header) * 2 > len(header):
        return "repeated_header"
    if not re.search(r"\d", text) or LONG_SUMMARY.search(text.lower()):
        return "not_a_sample"
    parts = [c.strip() for c in re.split(r"[,;\t|]", text)]
    if not any(kind_of(c) in NUMBERS for c in parts) and any(
        re.search(r"[^\W\d_]{4}", c) and kind_of(c) == "text" for c in parts
    ):
        # A time with words and no number: an alarm, a door, a note.
        return "not_a_sample"
    letters = sum(c.isalpha() for c in text)
    return (
        "not_a_sample"
        if letters > 0.4 * len(text.strip()) or re.match(r"^\W*[^\W\d]{3,}", text)
        else "wrong_column_count"
    )


def _first_texts(parsed: Parsed, rows: Any) -> list[str]:
    """Return the texts of the first text column of some rows."""
    for k in sorted(parsed.raw.columns):
        column = parsed.raw.columns[k]
        if pa.types.is_string(column.type):
            return [t or "" for t in column.take(pa.array(rows)).to_pylist()]
    return ["?"] * len(rows)
