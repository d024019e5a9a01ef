"""Text cells to numbers, whole columns at once: marks, groups, units, words for nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from .cells import COMMA, DOT, GROUP_COMMA, GROUP_DOT, GROUPED, NULL_WORDS, kind_of, unit_of
from .units_found import Mark, read_mark

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]


def decimal_in(column: Any) -> str | None:
    """Return the decimal mark that a whole text column shows, or None."""
    pure = pc.replace_substring_regex(column, r"\s*[^\d\s.,]+\s*$", "")
    plain_groups = pc.match_substring_regex(pure, _joined(GROUPED))
    clear = pure.filter(pc.invert(pc.fill_null(plain_groups, False)))
    dots = bool(pc.any(pc.match_substring_regex(clear, _joined(DOT, GROUP_DOT))).as_py() or False)
    commas = bool(
        pc.any(pc.match_substring_regex(clear, _joined(COMMA, GROUP_COMMA))).as_py() or False
    )
    if dots and not commas:
        return "."
    if commas and not dots:
        return ","
    return None


def _joined(*patterns: Any) -> str:
    """Join patterns in the dialect of Arrow's expressions."""
    text = "|".join(p.pattern for p in patterns)
    for code in ("00a0", "202f"):
        text = text.replace(f"\\u{code}", f"\\x{{{code}}}")
    return text.replace("(?P=g)", "[.,]")


def kinds_in(column: Any, most: int = 5000) -> set[str]:
    """Return the kinds of a column's distinct cells."""
    return {kind_of(c or "") for c in pc.unique(column).to_pylist()[:most]}


def to_numbers(column: Any, decimal: str) -> tuple[Float, Bool]:
    """Turn text cells into numbers.

    Parameters
    ----------
    column
        Arrow text array, shape (n,).
    decimal
        ``.`` or ``,``; the other one and blanks and apostrophes part groups of three.

    Returns
    -------
    tuple
        Values, NaN where there is none; and a mask of cells that hold words
        where a number belongs (a sensor's error), shape (n,).
    """
    text = pc.utf8_trim_whitespace(column)
    text = pc.replace_substring(text, "−", "-")
    # Unit marks behind a number go (that they agree was checked); other signs stay, and
    # make it no number: nobody knows what an asterisk says about a reading.
    tails = pc.replace_substring_regex(text, r"^[+-]?[\d.,]*\d\s*", "")
    marks = [t for t in pc.unique(tails).to_pylist()[:200] if t and read_mark(t) is not None]
    if marks:
        bare = pc.replace_substring_regex(text, r"^([+-]?[\d.,]*\d)\s*\D.*$", r"\1")
        text = pc.if_else(pc.is_in(tails, value_set=pa.array(marks)), bare, text)
    # Groups must be of three digits throughout, else the cell is no number.
    group = "," if decimal == "." else r"\."
    mark = r"\." if decimal == "." else ","
    grouped = pc.match_substring_regex(
        text, rf"^[+-]?\d{{1,3}}(?:(?:{group}|'|’|\x{{00a0}}|\x{{202f}}| )\d{{3}})+(?:{mark}\d*)?$"
    )
    if pc.any(grouped).as_py():
        bare = pc.replace_substring_regex(text, rf"{group}|'|’|\x{{00a0}}|\x{{202f}}| ", "")
        text = pc.if_else(grouped, bare, text)
    if decimal == ",":
        text = pc.if_else(
            pc.match_substring_regex(text, r"^[+-]?\d*,\d*(?:[eE][+-]?\d+)?$"),
            pc.replace_substring(text, ",", "."),
            text,
        )
        good = pc.match_substring_regex(text, r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?$")
        # A dot in a comma's file is a group mark or a mistake, never a decimal mark.
        strange = pc.and_(
            pc.match_substring(column, "."),
            pc.invert(pc.or_(grouped, pc.match_substring(column, ","))),
        )
        good = pc.and_(good, pc.invert(strange))
    else:
        good = pc.match_substring_regex(text, r"^[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?$")
    good = pc.fill_null(good, False)
    values = pc.cast(pc.if_else(good, text, pa.scalar(None, pa.string())), pa.float64())
    array = np.asarray(values.fill_null(float("nan")).to_numpy(zero_copy_only=False), np.float64)
    bad = ~np.asarray(good.to_numpy(zero_copy_only=False), bool)
    words = np.zeros(len(array), bool)
    if bad.any():
        where = np.flatnonzero(bad)
        low = pc.utf8_lower(text.take(pa.array(where)))
        nothing = pc.is_in(
            low, value_set=pa.array(["", *sorted(NULL_WORDS - {"nan", "inf", "-inf", "+inf"})])
        )
        words[where] = ~np.asarray(nothing.to_numpy(zero_copy_only=False), bool)
    return array, words


def marks_of(column: Any) -> set[Mark | None]:
    """Return the unit marks that stand behind numbers in a text column."""
    tails = pc.unique(
        pc.replace_substring_regex(pc.utf8_trim_whitespace(column), r"^[+-]?[\d.,'\s]*\d", "1")
    ).to_pylist()
    return {unit_of(t) for t in tails[:200] if t and len(t) > 1 and t[0] == "1"}
