"""Draw the reports of a night, or those that were asked for.

They stand below ``reports/<date>/`` in the store, beside a small file that says
what they were drawn from: a night without news draws nothing again.
"""

from __future__ import annotations

import difflib
import io
import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from ..shared.config import Config
from ..shared.errors import ChamberdriftError
from ..shared.version import VERSION
from .executor import run_chunked
from .settings import read_settings
from .store.keys import unit_key
from .work import Progress

if TYPE_CHECKING:
    from ..reports.views import FleetView
    from .store import Snapshot, Store

CONTENTS: Final = "contents.json"


@dataclass(frozen=True)
class UnitTask:
    """One unit's report: addresses and settings, no data."""

    location: str
    commit: int
    config: Config
    unit_id: str
    as_of: pd.Timestamp
    date: str


@dataclass(frozen=True)
class CycleTask:
    """One cycle's sheet."""

    location: str
    commit: int
    config: Config
    unit_id: str
    cycle_id: str
    as_of: pd.Timestamp
    date: str


@dataclass(frozen=True)
class Drawn:
    """A file that was written, or why there is none."""

    item: str
    path: str
    error: str = ""


@dataclass(frozen=True)
class ReportResult:
    """The reports of one run."""

    paths: tuple[str, ...] = ()
    """Fleet first; as addresses that a person can open."""
    drawn: int = 0
    failures: tuple[str, ...] = ()
    stop_open: bool = False
    explained: list[tuple[str, str, str]] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values."""
        return {"reports": list(self.paths), "drawn": self.drawn, "failures": list(self.failures)}


def attention(view: FleetView, changed: Collection[str]) -> dict[str, str]:
    """Return the units whose report a night draws, and why.

    Those with an open ``service`` or ``stop`` flag, and those whose flags changed.
    """
    opened = view.flags[view.flags["closed_at"].isna()]
    why: dict[str, str] = {}
    flagged = set(view.flags["unit_id"])
    for unit in changed:
        if unit in flagged:
            why[unit] = "its flags or the verdicts of a flagged unit changed"
    for unit, severity in zip(opened["unit_id"], opened["severity"], strict=True):
        if severity != "watch":
            why[str(unit)] = f"a {severity} flag is open"
    return dict(sorted(why.items()))


def draw_reports(
    store: Store,
    snapshot: Snapshot,
    view: FleetView,
    units: Mapping[str, str],
    *,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> ReportResult:
    """Draw the fleet's report and those of some units.

    Parameters
    ----------
    view
        The fleet at the snapshot.
    units
        Unit to why its report is drawn.
    """
    from ..reports import fleet_report
    from .views import report_options

    date = _date(view.as_of)
    source = {
        "commit": snapshot.commit,
        "settings": _settings_digest(view.config, view.deferrals),
        "version": VERSION,
        "units": sorted(units),
        "data_through": None if view.data_through is None else view.data_through.isoformat(),
    }
    held = _contents(store, date)
    if held is not None and held.get("source") == source:
        return ReportResult(
            tuple(_shown(store, p) for p in held["files"]),
            stop_open=_stop_open(view.flags),
            explained=[("report", "all", "drawn already from the same data and settings")],
        )
    files = {unit: unit_file(unit) for unit in sorted(units)}
    buffer = io.BytesIO()
    fleet_report(replace(view, files=files), buffer, options=report_options(view.config))
    paths = [store.write_report(date, "fleet.pdf", buffer.getvalue())]
    tasks = [
        UnitTask(store.location, snapshot.commit, view.config, u, view.as_of, date) for u in units
    ]
    explained = [("report", unit, why) for unit, why in units.items()]
    failures = []
    results = run_chunked(
        draw_unit, tasks, workers=workers, scheduler=scheduler, chunk=2, cut_over=6
    )
    for count, drawn in enumerate(results, start=1):
        if progress is not None:
            progress("reports", count, len(tasks))
        if drawn.error:
            failures.append(f"report of {drawn.item}: {drawn.error}")
        else:
            paths.append(drawn.path)
    if not failures:
        body = json.dumps({"source": source, "files": paths, "units": files}, indent=1).encode()
        store.place.write(f"reports/{date}/{CONTENTS}", body)
    shown = tuple(_shown(store, p) for p in paths)
    return ReportResult(shown, len(paths), tuple(failures), _stop_open(view.flags), explained)


def unit_file(unit_id: str) -> str:
    """Return the name of a unit's report: safe on every filesystem, whatever the id."""
    return f"unit-{unit_key(unit_id)}.pdf"


def draw_unit(task: UnitTask) -> Drawn:
    """Draw one unit's report; an error stays with the unit."""
    from ..reports import unit_report
    from .store import Store
    from .views import report_options, unit_view_at

    try:
        store = Store.open(task.location)
        snapshot = store.snapshot(task.commit)
        view = unit_view_at(snapshot, task.config, task.unit_id, task.as_of)
        buffer = io.BytesIO()
        unit_report(view, buffer, options=report_options(task.config))
        path = store.write_report(task.date, unit_file(task.unit_id), buffer.getvalue())
    except Exception as error:
        return Drawn(task.unit_id, "", f"{type(error).__name__}: {error}")
    return Drawn(task.unit_id, path)


def draw_cycle(task: CycleTask) -> Drawn:
    """Draw one cycle's sheet; an error stays with the cycle."""
    from ..reports import cycle_sheet
    from ..reports.views import cycle_view
    from .store import Store
    from .views import report_options, unit_view_at

    try:
        store = Store.open(task.location)
        snapshot = store.snapshot(task.commit)
        unit = unit_view_at(snapshot, task.config, task.unit_id, task.as_of)
        view = cycle_view(unit, task.cycle_id)
        buffer = io.BytesIO()
        cycle_sheet(view, buffer, options=report_options(task.config))
        moment = pd.Timestamp(view.cycle["started_at"]).strftime("%Y%m%dT%H%M%SZ")
        name = f"cycle-{unit_key(task.unit_id)}-{moment}.pdf"
        path = store.write_report(task.date, name, buffer.getvalue())
    except Exception as error:
        return Drawn(task.cycle_id, "", f"{type(error).__name__}: {error}")
    return Drawn(task.cycle_id, path)


def run_report(
    location: str,
    *,
    units: Sequence[str] = (),
    cycles: Sequence[str] = (),
    as_of: datetime | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> ReportResult:
    """Draw reports of a store: the fleet's and each flagged unit's, or those named.

    Raises
    ------
    ChamberdriftError
        If a unit or cycle is not in the store, or nothing could be drawn.
    """
    from .moment import moment_of
    from .store import Store
    from .views import fleet_view, tables_at

    store = Store.open(location)
    snapshot = store.snapshot()
    config = read_settings(store.place)
    moment = moment_of(as_of, snapshot)
    if not units and not cycles:
        view = fleet_view(snapshot, config, moment)
        result = draw_reports(
            store,
            snapshot,
            view,
            attention(view, ()),
            workers=workers,
            scheduler=scheduler,
            progress=progress,
        )
        if result.failures:
            raise ChamberdriftError("; ".join(result.failures))
        return result
    date = _date(moment)
    units = _known_units(units, snapshot)
    owners = [find_cycle(snapshot, cycle_id) for cycle_id in cycles]
    drawn = [
        draw_unit(UnitTask(location, snapshot.commit, config, u, moment, date)) for u in units
    ]
    drawn += [
        draw_cycle(CycleTask(location, snapshot.commit, config, unit, cycle_id, moment, date))
        for unit, cycle_id in zip(owners, cycles, strict=True)
    ]
    failures = [f"report of {d.item}: {d.error}" for d in drawn if d.error]
    if failures:
        raise ChamberdriftError("; ".join(failures))
    stop = _stop_open(tables_at(snapshot, config, moment).flags)
    return ReportResult(tuple(_shown(store, d.path) for d in drawn), len(drawn), stop_open=stop)


def find_cycle(snapshot: Snapshot, cycle_id: str) -> str:
    """Return the unit of a cycle, given by its id or an earlier id of it.

    Raises
    ------
    ChamberdriftError
        If the store has no such cycle.
    """
    unit = cycle_id.rpartition("@")[0]
    known = snapshot.unit_ids()
    if unit in known:
        own = snapshot.table("cycles", units=[unit], columns=["cycle_id", "aliases"])
        aliases = {a for text in own["aliases"].fillna("") for a in str(text).split(",")}
        if cycle_id in set(own["cycle_id"]) | aliases:
            return unit
        near = difflib.get_close_matches(cycle_id, own["cycle_id"].astype(str).tolist(), n=1)
        if near:
            raise ChamberdriftError(f"no cycle is called {cycle_id!r}; did you mean {near[0]!r}?")
    raise ChamberdriftError(
        f"no cycle is called {cycle_id!r}; an id is a unit, @ and a start, as in the column "
        "cycle_id of: chamberdrift table cycles."
    )


def _known_units(units: Sequence[str], snapshot: Snapshot) -> Sequence[str]:
    from .names import not_known

    known = snapshot.unit_ids()
    for unit in units:
        if unit not in known:
            place = snapshot.place.text
            raise not_known("unit with data", unit, known, table="units", location=place)
    return units


def _date(as_of: pd.Timestamp) -> str:
    return as_of.strftime("%Y-%m-%d")


def _shown(store: Store, path: str) -> str:
    return f"{store.location.rstrip('/')}/{path}"


def _contents(store: Store, date: str) -> dict[str, Any] | None:
    try:
        held = json.loads(store.place.read(f"reports/{date}/{CONTENTS}"))
    except (OSError, ValueError):
        return None
    if not isinstance(held, dict) or not isinstance(held.get("files"), list):
        return None
    return held if all(store.place.exists(p) for p in held["files"]) else None


def _settings_digest(config: Config, deferrals: pd.DataFrame) -> str:
    import hashlib

    text = repr(config) + deferrals.to_csv(index=False)
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _stop_open(flags: pd.DataFrame) -> bool:
    return bool(((flags["severity"] == "stop") & flags["closed_at"].isna()).any())
