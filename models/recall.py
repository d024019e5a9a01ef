"""What the fits of coming months need of cycles that are past: a bounded window of rows.

A reference and its forests are fitted from the last months of a sample of units. A
night keeps the rows it adds to that window, so that the first night of a month fits
from them and not from a replay of all history.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.schema import Table
from ..shared.schema_types import Column
from .months import month_start, stamps, to_days
from .signs import CIRCUMSTANCES, NAMES

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

MONTHS: Final = 6
"""Months of cycles that references and forests are fitted on (bounds the work of a long
history)."""
UNITS_A_TYPE: Final = 200
"""Units of a type that they are fitted on (bounds the work of a large fleet)."""

RECALL: Final = Table(
    "recall",
    (
        Column("cycle_id", "string", "", "the cycle", required=True),
        Column("unit_id", "string", "", "the sterilizer", required=True),
        Column("ended_at", "time", "UTC", "event time of the cycle", required=True),
        Column("program", "string", "", "its program, or the kind of a test"),
        Column("complete", "bool", "", "complete and fit to be compared"),
        Column("ready", "bool", "", "the unit's charts could speak"),
        *(Column(f"sign_{n}", "float64", "", "sign, mains taken off") for n in NAMES),
        *(Column(f"at_{n}", "float64", "", "circumstance") for n in CIRCUMSTANCES),
        *(Column(f"z_{n}", "float64", "", "standardised residual") for n in NAMES),
    ),
    key=("cycle_id",),
)
"""Rows as the fits read them; kept for the sampled units of each type."""


@dataclass(frozen=True)
class UnitRows:
    """Rows of one unit in event order."""

    time: FloatArray
    """End of the cycle [days]."""
    program: NDArray[np.str_]
    complete: BoolArray
    ready: BoolArray
    signs: FloatArray
    circumstances: FloatArray
    z: FloatArray


Past = dict[str, UnitRows]
"""Rows before a month, by unit."""


def window_start(code: int) -> float:
    """Return the first moment that the fits of a month look at [days]."""
    return month_start(code - MONTHS)


def sampled_names(names: Iterable[str], kind_of: Callable[[str], str]) -> list[str]:
    """Return the units that fits may read: the first ones of each type, seen or about to be.

    Units are only ever added, so a unit that is left out once stays out.
    """
    counts: dict[str, int] = {}
    kept = []
    for name in sorted(names):
        kind = kind_of(name)
        counts[kind] = counts.get(kind, 0) + 1
        if counts[kind] <= UNITS_A_TYPE:
            kept.append(name)
    return kept


def levelled(names: Iterable[str]) -> list[str]:
    """Return the units of all types together whose levels give the wander."""
    return sorted(names)[: 5 * UNITS_A_TYPE]


def fitted_on(names: Collection[str], kind_of: Callable[[str], str]) -> set[str]:
    """Return the units that a month's references depend on, of those seen before it."""
    return {*sampled_names(names, kind_of), *levelled(names)}


def rows_between(pieces: list[UnitRows], begin: float, end: float) -> UnitRows | None:
    """Return a unit's rows from a time on and before another, of pieces in order; None: none."""
    cut = [_between(piece, begin, end) for piece in pieces]
    cut = [piece for piece in cut if piece.time.size]
    return None if not cut else cut[0] if len(cut) == 1 else _join(cut)


def recall_table(frame: pd.DataFrame, rows: UnitRows, at: NDArray[np.int64]) -> pd.DataFrame:
    """Return some rows of a run as the fits of later months read them.

    Parameters
    ----------
    frame, rows
        Cycles, and what is known of them.
    at
        Rows to keep.
    """
    if not at.size:
        return RECALL.empty()
    columns = {
        "cycle_id": frame["cycle_id"].to_numpy(dtype=object)[at],
        "unit_id": frame["unit_id"].to_numpy(dtype=object)[at],
        "ended_at": stamps(rows.time[at].tolist()),
        "program": rows.program[at],
        "complete": rows.complete[at],
        "ready": rows.ready[at],
        **{f"sign_{n}": rows.signs[at, i] for i, n in enumerate(NAMES)},
        **{f"at_{n}": rows.circumstances[at, i] for i, n in enumerate(CIRCUMSTANCES)},
        **{f"z_{n}": rows.z[at, i] for i, n in enumerate(NAMES)},
    }
    return RECALL.conform(pd.DataFrame(columns))


def recalled_rows(frame: pd.DataFrame) -> Past:
    """Read a table that ``recall_table`` returned parts of."""

    def block(prefix: str, names: tuple[str, ...]) -> FloatArray:
        return np.column_stack(
            [frame[prefix + n].to_numpy(dtype=np.float64, na_value=np.nan) for n in names]
        )

    if not len(frame):
        return {}
    time = to_days(frame["ended_at"])
    ids = frame["cycle_id"].to_numpy(dtype=str)
    unit = frame["unit_id"].to_numpy(dtype=str)
    order = np.lexsort((ids, time, unit))  # as the panel orders them
    unit, starts = np.unique(unit[order], return_index=True)
    whole = UnitRows(
        time[order],
        frame["program"].fillna("").to_numpy(dtype=str)[order],
        frame["complete"].to_numpy(dtype=bool)[order],
        frame["ready"].to_numpy(dtype=bool)[order],
        block("sign_", NAMES)[order],
        block("at_", CIRCUMSTANCES)[order],
        block("z_", NAMES)[order],
    )
    ends = [*starts[1:].tolist(), len(order)]
    return {
        str(name): part_of(whole, slice(int(a), int(b)))
        for name, a, b in zip(unit, starts, ends, strict=True)
    }


def _between(rows: UnitRows, begin: float, end: float) -> UnitRows:
    first, last = np.searchsorted(rows.time, [begin, end])
    return part_of(rows, slice(int(first), int(last)))


def part_of(rows: UnitRows, at: slice) -> UnitRows:
    """Return some of the rows."""
    return UnitRows(
        rows.time[at],
        rows.program[at],
        rows.complete[at],
        rows.ready[at],
        rows.signs[at],
        rows.circumstances[at],
        rows.z[at],
    )


def some_of(rows: UnitRows, at: NDArray[np.int64]) -> UnitRows:
    """Return copies of some of the rows, without their residuals."""
    return UnitRows(
        rows.time[at],
        rows.program[at],
        rows.complete[at],
        rows.ready[at],
        rows.signs[at],
        rows.circumstances[at],
        rows.z[:0],
    )


def _join(pieces: list[UnitRows]) -> UnitRows:
    return UnitRows(
        np.concatenate([p.time for p in pieces]),
        np.concatenate([p.program for p in pieces]),
        np.concatenate([p.complete for p in pieces]),
        np.concatenate([p.ready for p in pieces]),
        np.concatenate([p.signs for p in pieces]),
        np.concatenate([p.circumstances for p in pieces]),
        np.concatenate([p.z for p in pieces]),
    )
