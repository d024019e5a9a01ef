"""What the fits of coming months need of cycles that are past: a bounded window of rows.

A reference and its forests are fitted from the last months of a sample of units. A
night keeps the rows it adds to that window, so that the first night of a month fits
from them and not from a replay of all history.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.schema import Table
from ..shared.schema_types import Column
from .months import month_start, stamps, to_days
from .signs import CIRCUMSTANCES, NAMES
from .tracker import Track

if TYPE_CHECKING:
    from .panel import Panel
    from .unit import UnitState

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

Tracks = dict[str, list[tuple[int, Track]]]

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


def sampled(states: Mapping[str, UnitState], kinds: Mapping[str, str]) -> list[str]:
    """Return the units that fits may read: the first ones of each type, seen or about to be.

    Units are only ever added, so a unit that is left out once stays out.
    """
    return sampled_names(states, kinds.__getitem__)


def sampled_names(names: Iterable[str], kind_of: Callable[[str], str]) -> list[str]:
    """Return the names among which fits look, by a unit's type; see ``sampled``."""
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


def seen_before(states: Mapping[str, UnitState]) -> dict[str, UnitState]:
    """Return the states of units that have stepped over a cycle."""
    return {u: s for u, s in states.items() if not np.isnan(s.tracker.time)}


def past_rows(
    code: int, units: list[str], panel: Panel, tracks: Tracks, recalled: Past
) -> dict[str, UnitRows]:
    """Gather units' rows in a month's window: recalled ones, then those of this run."""
    begin, end = window_start(code), month_start(code)
    out: Past = {}
    for name in units:
        pieces = [_between(recalled[name], begin, end)] if name in recalled else []
        pieces += [
            _between(_of_track(panel, first, moved), begin, end)
            for first, moved in tracks.get(name, [])
        ]
        pieces = [p for p in pieces if p.time.size]
        if pieces:
            out[name] = pieces[0] if len(pieces) == 1 else _join(pieces)
    return out


def recall_table(panel: Panel, tracks: Tracks, units: list[str], code: int) -> pd.DataFrame:
    """Return the rows of this run that the fits of months after ``code`` may read."""
    places: list[NDArray[np.int64]] = []
    pieces: list[UnitRows] = []
    for name in units:
        for first, moved in tracks.get(name, []):
            rows = _of_track(panel, first, moved)
            skipped = int(np.searchsorted(rows.time, window_start(code + 1)))
            places.append(np.arange(first + skipped, first + len(rows.time)))
            pieces.append(_part(rows, slice(skipped, None)))
    if not pieces:
        return RECALL.empty()
    rows, at = _join(pieces), np.concatenate(places)
    columns = {
        "cycle_id": panel.frame["cycle_id"].to_numpy(dtype=object)[at],
        "unit_id": panel.frame["unit_id"].to_numpy(dtype=object)[at],
        "ended_at": stamps(rows.time.tolist()),
        "program": rows.program,
        "complete": rows.complete,
        "ready": rows.ready,
        **{f"sign_{n}": rows.signs[:, i] for i, n in enumerate(NAMES)},
        **{f"at_{n}": rows.circumstances[:, i] for i, n in enumerate(CIRCUMSTANCES)},
        **{f"z_{n}": rows.z[:, i] for i, n in enumerate(NAMES)},
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
        str(name): _part(whole, slice(int(a), int(b)))
        for name, a, b in zip(unit, starts, ends, strict=True)
    }


def _of_track(panel: Panel, first: int, moved: Track) -> UnitRows:
    at = slice(first, first + len(moved.epoch))
    rows = panel.rows
    return UnitRows(
        rows.time[at],
        panel.program[at],
        rows.complete[at],
        moved.ready,
        rows.signs[at],
        rows.circumstances[at],
        moved.z,
    )


def _between(rows: UnitRows, begin: float, end: float) -> UnitRows:
    first, last = np.searchsorted(rows.time, [begin, end])
    return _part(rows, slice(int(first), int(last)))


def _part(rows: UnitRows, at: slice) -> UnitRows:
    return UnitRows(
        rows.time[at],
        rows.program[at],
        rows.complete[at],
        rows.ready[at],
        rows.signs[at],
        rows.circumstances[at],
        rows.z[at],
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
