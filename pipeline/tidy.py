"""Joining the small files of months, a few each night, as a part of the night's commit.

A night adds a file a unit; without this a month of a unit would be thirty. Only
units with news are looked at, and only so many of them a night, so that its cost
stays in proportion to its news. ``compact`` does the rest by hand.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from .compact import MonthFiles, adjacent, join_month
from .executor import run_chunked
from .store import Snapshot
from .store.entries import TraceFile
from .store.keys import trace_parts
from .store.traces import JOIN_ROWS
from .work import Work

MOST_FILES: Final = 8
"""Small files of a unit's month that are left as they are: a sample is then written about
2.5 times a month (the fan of layers, no source)."""
SHARE: Final = 4
"""One in so many units with news is tidied a night at most, so that months which all
began on one day are not all joined in one night."""


def tidy(work: Work, touched: Iterable[str]) -> int:
    """Join small files of months with too many; return how many files were joined."""
    units = sorted(touched)
    view = work.txn.preview()
    due = sorted(
        _crowded(view, units, work),
        key=lambda d: (-len(d[3]), d[0], d[1]),
    )
    tasks = []
    for unit, month, files, small in due[: max(1, -(-len(units) // SHARE))]:
        for part in adjacent(files, small, JOIN_ROWS):
            tasks.append(MonthFiles(view.place.text, unit, month, tuple(part)))
    joined = run_chunked(
        join_month, tasks, workers=work.workers, scheduler=work.scheduler, chunk=8
    )
    for task, added in zip(tasks, joined, strict=True):
        work.txn.replace_traces(added, task.files)
    return sum(len(t.files) for t in tasks)


def _crowded(
    view: Snapshot, units: list[str], work: Work
) -> Iterable[tuple[str, str, list[TraceFile], set[str]]]:
    """Yield the files of each unit's last months of news, and the paths of the small ones.

    Months with few small files are left out. Files of this run are left alone: they may be
    joined another night.
    """
    for unit in units:
        last = view.manifest.units[unit].last
        months: dict[str, list[TraceFile]] = {}
        for file in view.trace_files(unit, *_month(last)):
            months.setdefault(trace_parts(file.path)[1], []).append(file)
        for month, files in months.items():
            small = {
                f.path for f in files if f.rows < JOIN_ROWS // 2 and not work.txn.wrote(f.path)
            }
            if len(small) >= MOST_FILES:
                yield unit, month, files, small


def _month(last: int) -> tuple[int, int]:
    """Return the start of the month before a time, and the time [ms]."""
    import numpy as np

    month = np.datetime64(last, "ms").astype("datetime64[M]") - 1
    return int(month.astype("datetime64[ms]").astype(np.int64)), last
