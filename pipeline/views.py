"""What reports are drawn from, filled from a store."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from datetime import datetime
from pathlib import PurePath
from typing import Any, Final

import pandas as pd

from ..reports.options import ReportOptions
from ..reports.views import FleetView, Provenance, UnitView, join_judgements, unit_view
from ..shared.config import Config
from ..shared.parts import SEVERITIES
from ..shared.schema import FLAGS, INTAKE, JUDGEMENTS, RESIDUALS, UNITS
from .corrections import corrected, corrections_of
from .deferrals import deferrals_table
from .judge_stage import Tables, judge_tables, seen_cycles, seen_service
from .judge_state import JUDGED
from .logger_pairs import STATE as PAIRS
from .logger_pairs import all_pairs, clocks_of, paired, reach
from .reach import data_through, last_samples
from .store import Snapshot

DRAWN: Final = pd.Timedelta(days=370)
"""Residuals and exports that a unit's report may draw or name."""
FLEET_WINDOW: Final = pd.Timedelta(days=92)
"""Cycles, residuals and exports that the fleet's report counts or draws."""
NOW_WINDOW: Final = pd.Timedelta(days=21)
"""Residuals that tell how units stand now, where a fleet is large."""
LARGE_FLEET: Final = 200
"""Units from which residuals of the whole window are read of flagged units alone (no
source: about a million numbers)."""
FLEET_CYCLES: Final = (
    "cycle_id",
    "unit_id",
    "logger_id",
    "program",
    "kind",
    "completion",
    "setpoint_c",
    "started_at",
    "exposure_start",
    "ended_at",
)
"""Columns of cycles that the fleet's report reads."""
FLEET_VERDICTS: Final = ("cycle_id", "unit_id", "verdict", "within_uncertainty")
MARGIN: Final = pd.Timedelta(minutes=30)
"""Samples shown before and after a cycle."""


def tables_at(snapshot: Snapshot, config: Config, as_of: pd.Timestamp) -> Tables:
    """Return judgements, flags and residuals as of a moment.

    The stored ones serve from the moment on at which they were made; for an earlier
    moment judging is replayed, so that nothing later is seen.
    """
    document = snapshot.state(JUDGED)
    if document is not None and as_of < pd.Timestamp(document["as_of"]):
        return judge_tables(snapshot, config, as_of)
    return Tables(
        JUDGEMENTS.conform(snapshot.table("judgements")),
        FLAGS.conform(snapshot.table("flags")),
        RESIDUALS.conform(snapshot.table("residuals", since=as_of - DRAWN)),
    )


def fleet_view(
    snapshot: Snapshot,
    config: Config,
    as_of: pd.Timestamp,
    *,
    since: pd.Timestamp | None = None,
    drawn: bool = True,
) -> FleetView:
    """Return all units as they are known at a moment: the last weeks of them.

    What is read does not grow with history, but where service intervals are configured:
    they count cycles since the last service, so a few columns of all cycles are read.

    Parameters
    ----------
    since
        The last report; what was learned later counts as changed.
    drawn
        Residuals are wanted too.
    """
    document = snapshot.state(JUDGED)
    if document is not None and as_of < pd.Timestamp(document["as_of"]):
        return _whole_view(snapshot, config, as_of, since)
    begin = None if config.service_intervals else as_of - FLEET_WINDOW
    cycles = seen_cycles(snapshot.table("cycles", since=begin, columns=FLEET_CYCLES), as_of)
    verdicts = snapshot.table("judgements", since=begin, columns=FLEET_VERDICTS)
    flags = FLAGS.conform(snapshot.table("flags"))
    residuals = _fleet_residuals(snapshot, flags, as_of) if drawn else RESIDUALS.empty()
    last = last_samples(snapshot, as_of)
    return FleetView(
        config=config,
        cycles=join_judgements(cycles, verdicts.reindex(columns=JUDGEMENTS.names)),
        as_of=as_of,
        flags=flags,
        residuals=residuals,
        service=seen_service(snapshot.table("service"), as_of),
        intake=_fleet_intake(snapshot, as_of),
        units=units_table(snapshot, config, None, flags, as_of, last),
        deferrals=deferrals_table(snapshot, flags),
        data_through=data_through(last),
        since=since,
        provenance=Provenance(store_name(snapshot), snapshot.commit),
    )


def _whole_view(
    snapshot: Snapshot, config: Config, as_of: pd.Timestamp, since: pd.Timestamp | None = None
) -> FleetView:
    """Return all units at a moment before the last judgement: judging is replayed."""
    tables = tables_at(snapshot, config, as_of)
    cycles = seen_cycles(snapshot.table("cycles"), as_of)
    last = last_samples(snapshot, as_of)
    return FleetView(
        config=config,
        cycles=join_judgements(cycles, tables.judgements),
        as_of=as_of,
        flags=tables.flags,
        residuals=tables.residuals[tables.residuals["started_at"] > as_of - DRAWN],
        service=seen_service(snapshot.table("service"), as_of),
        intake=snapshot.table("intake", since=as_of - DRAWN),
        units=units_table(snapshot, config, cycles, tables.flags, as_of, last),
        deferrals=deferrals_table(snapshot, tables.flags),
        data_through=data_through(last),
        since=since,
        provenance=Provenance(store_name(snapshot), snapshot.commit),
    )


def _fleet_residuals(snapshot: Snapshot, flags: pd.DataFrame, as_of: pd.Timestamp) -> pd.DataFrame:
    if len(snapshot.manifest.units) <= LARGE_FLEET:
        return RESIDUALS.conform(snapshot.table("residuals", since=as_of - FLEET_WINDOW))
    opened = sorted(set(flags.loc[flags["closed_at"].isna(), "unit_id"]))
    now = snapshot.table("residuals", since=as_of - NOW_WINDOW)
    parts = [now[~now["unit_id"].isin(opened)]]
    if opened:
        parts.append(snapshot.table("residuals", units=opened, since=as_of - FLEET_WINDOW))
    return RESIDUALS.conform(pd.concat(parts, ignore_index=True))


def _fleet_intake(snapshot: Snapshot, as_of: pd.Timestamp) -> pd.DataFrame:
    """Return the exports of the last weeks, and all that are in quarantine."""
    recent = snapshot.table("intake", since=as_of - FLEET_WINDOW)
    aside = set(snapshot.table("refused", columns=["sha256"])["sha256"]) - set(recent["sha256"])
    if not aside:
        return recent
    older = snapshot.table("intake", units=sorted(aside))
    return INTAKE.conform(pd.concat([recent, older], ignore_index=True))


def store_name(snapshot: Snapshot) -> str:
    """Return what a report calls the store: its address, or its folder's name alone."""
    text = snapshot.place.text
    return text if "://" in text else PurePath(text).name or text


def report_options(config: Config) -> ReportOptions:
    """Return how reports speak to their reader, as configured."""
    return ReportOptions(**asdict(config.reports))


def unit_view_at(
    snapshot: Snapshot, config: Config, unit_id: str, as_of: pd.Timestamp
) -> UnitView:
    """Return one unit as it is known at a moment, reading only its own rows."""
    document = snapshot.state(JUDGED)
    if document is not None and as_of < pd.Timestamp(document["as_of"]):
        whole = _whole_view(snapshot, config, as_of)
        return unit_view(whole, unit_id, traces(snapshot, config, unit_id))
    own = [unit_id]
    cycles = seen_cycles(snapshot.table("cycles", units=own), as_of)
    judgements = JUDGEMENTS.conform(snapshot.table("judgements", units=own))
    flags = FLAGS.conform(snapshot.table("flags", units=own))
    fleet = FleetView(
        config=config,
        cycles=join_judgements(cycles, judgements),
        as_of=as_of,
        flags=flags,
        residuals=RESIDUALS.conform(snapshot.table("residuals", units=own, since=as_of - DRAWN)),
        service=seen_service(snapshot.table("service", units=own), as_of),
        intake=snapshot.table("intake", since=as_of - DRAWN),
        deferrals=deferrals_table(snapshot, flags),
        data_through=data_through(last_samples(snapshot, as_of, own)),
        provenance=Provenance(store_name(snapshot), snapshot.commit),
    )
    return unit_view(fleet, unit_id, traces(snapshot, config, unit_id, cycles))


def traces(
    snapshot: Snapshot, config: Config, unit_id: str, cycles: pd.DataFrame | None = None
) -> Callable[[str], pd.DataFrame]:
    """Return a function from a cycle's id to its samples, with a margin at both ends.

    They are corrected as the cycle's numbers are, so that page and table agree.
    """
    if cycles is None:
        cycles = snapshot.table("cycles", units=[unit_id])
    times = {
        str(i): (start, end)
        for i, start, end in zip(
            cycles["cycle_id"], cycles["started_at"], cycles["ended_at"], strict=True
        )
    }

    pair = all_pairs(snapshot.state(PAIRS)).get(unit_id)
    clocks = clocks_of(config, unit_id)
    far = reach(clocks)

    def trace(cycle_id: str) -> pd.DataFrame:
        start, end = times[cycle_id]
        end = start if pd.isna(end) else end
        low, high = start - MARGIN, end + MARGIN
        if pair is None:
            samples = snapshot.trace(unit_id, low, high)
        else:
            wide = snapshot.trace(unit_id, low - far, high + far, provenance=True)
            samples = paired(wide, clocks, pair)[0]
            within = (samples["time"] >= low) & (samples["time"] <= high)
            samples = samples[within.to_numpy()].reset_index(drop=True)
        return corrected(samples, corrections_of(config, unit_id))

    return trace


def units_table(
    snapshot: Snapshot,
    config: Config,
    cycles: pd.DataFrame | None,
    flags: pd.DataFrame,
    as_of: pd.Timestamp,
    last: dict[str, pd.Timestamp] | None = None,
) -> pd.DataFrame:
    """Return the units table: every unit that has samples or that the configuration names.

    Parameters
    ----------
    cycles
        All cycles, to be counted; None leaves their number out.
    last
        What ``last_samples`` gives for the moment, where it is at hand.
    """
    spans = snapshot.unit_spans()
    last = last_samples(snapshot, as_of) if last is None else last
    counts = None if cycles is None else cycles["unit_id"].value_counts()
    worst: dict[str, str] = {}
    opened = flags[flags["closed_at"].isna()]
    for unit, severity in zip(opened["unit_id"], opened["severity"], strict=True):
        held = worst.get(str(unit), severity)
        worst[str(unit)] = max(str(severity), str(held), key=SEVERITIES.index)
    rows: list[dict[str, Any]] = []
    for unit_id in sorted({*spans, *(u.id for u in config.units)}):
        unit = config.unit(unit_id)
        span = spans.get(unit_id)
        retired = unit.retired_at
        rows.append(
            {
                "unit_id": unit_id,
                "site": unit.site,
                "type": unit.type or None,
                "air_removal": unit.air_removal,
                "first_data": _time(span.first) if span and unit_id in last else None,
                "last_data": last.get(unit_id),
                "cycles": None if counts is None else int(counts.get(unit_id, 0)),
                "open_severity": worst.get(unit_id),
                "retired_at": _past(retired, as_of),
            }
        )
    if not rows:
        return UNITS.empty()
    frame = pd.DataFrame(rows, columns=UNITS.names)
    for column in ("first_data", "last_data", "retired_at"):
        frame[column] = pd.to_datetime(frame[column], utc=True).astype("datetime64[ms, UTC]")
    return UNITS.conform(frame)


def _past(moment: datetime | None, as_of: pd.Timestamp) -> pd.Timestamp | None:
    """Return a moment that has come; None for one that lies ahead."""
    return pd.Timestamp(moment) if moment is not None and moment <= as_of else None


def _time(ms: int) -> pd.Timestamp:
    return pd.Timestamp(ms, unit="ms", tz="UTC").as_unit("ms")
