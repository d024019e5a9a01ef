"""What a report is drawn from: plain tables, and traces on demand.

Whoever holds a store fills these; nothing here reads a file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import pandas as pd

from ..shared.config import Config, Unit
from ..shared.schema import FLAGS, INTAKE, JUDGEMENTS, RESIDUALS, SERVICE, TRACES, UNITS
from ..shared.version import VERSION


def _no_trace(cycle_id: str) -> pd.DataFrame:
    return TRACES.empty()


def _no_deferrals() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "flag_id": pd.Series(dtype="string"),
            "until": pd.Series(dtype="datetime64[ms, UTC]"),
            "reason": pd.Series(dtype="string"),
        }
    )


@dataclass(frozen=True)
class Provenance:
    """Where a report's numbers come from, printed at the foot of each page."""

    store: str = ""
    """The store's location as the user named it."""
    commit: int | None = None
    version: str = VERSION


@dataclass(frozen=True)
class FleetView:
    """All units at one moment.

    ``cycles`` holds the columns of CYCLES and JUDGEMENTS joined on ``cycle_id``;
    a window of recent cycles and residuals serves. ``since`` is the moment of the
    last report: what was learned later is "changed".
    """

    config: Config
    cycles: pd.DataFrame
    as_of: pd.Timestamp
    flags: pd.DataFrame = field(default_factory=FLAGS.empty)
    residuals: pd.DataFrame = field(default_factory=RESIDUALS.empty)
    service: pd.DataFrame = field(default_factory=SERVICE.empty)
    intake: pd.DataFrame = field(default_factory=INTAKE.empty)
    units: pd.DataFrame = field(default_factory=UNITS.empty)
    deferrals: pd.DataFrame = field(default_factory=_no_deferrals)
    data_through: pd.Timestamp | None = None
    since: pd.Timestamp | None = None
    files: Mapping[str, str] = field(default_factory=dict)
    """Unit to the name of its report, where one stands beside the fleet's."""
    provenance: Provenance = field(default_factory=Provenance)


@dataclass(frozen=True)
class UnitView:
    """One unit at one moment, with the samples of its cycles on demand."""

    config: Config
    unit: Unit
    cycles: pd.DataFrame
    as_of: pd.Timestamp
    flags: pd.DataFrame = field(default_factory=FLAGS.empty)
    residuals: pd.DataFrame = field(default_factory=RESIDUALS.empty)
    service: pd.DataFrame = field(default_factory=SERVICE.empty)
    intake: pd.DataFrame = field(default_factory=INTAKE.empty)
    deferrals: pd.DataFrame = field(default_factory=_no_deferrals)
    trace: Callable[[str], pd.DataFrame] = _no_trace
    """Samples of a cycle, by its id, in the columns of TRACES."""
    data_through: pd.Timestamp | None = None
    provenance: Provenance = field(default_factory=Provenance)


@dataclass(frozen=True)
class CycleView:
    """One cycle with its samples."""

    config: Config
    unit: Unit
    cycle: pd.Series
    """Row of CYCLES joined with JUDGEMENTS."""
    samples: pd.DataFrame
    as_of: pd.Timestamp
    intake: pd.DataFrame = field(default_factory=INTAKE.empty)
    data_through: pd.Timestamp | None = None
    provenance: Provenance = field(default_factory=Provenance)


def join_judgements(cycles: pd.DataFrame, judgements: pd.DataFrame) -> pd.DataFrame:
    """Return cycles with their verdicts, in order of unit and start."""
    extra = [c for c in JUDGEMENTS.names if c not in ("unit_id",)]
    kept = cycles.drop(columns=[c for c in extra if c in cycles.columns and c != "cycle_id"])
    joined = kept.merge(judgements[extra], on="cycle_id", how="left")
    return joined.sort_values(["unit_id", "started_at"], kind="stable", ignore_index=True)


def unit_view(
    fleet: FleetView, unit_id: str, trace: Callable[[str], pd.DataFrame] = _no_trace
) -> UnitView:
    """Return one unit's part of a fleet's view."""

    def own(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[frame["unit_id"] == unit_id].reset_index(drop=True)

    names = fleet.intake["unit_ids"].fillna("").astype("string")
    mine = names.str.split(",").map(lambda ids: unit_id in [i.strip() for i in ids])
    return UnitView(
        config=fleet.config,
        unit=fleet.config.unit(unit_id),
        cycles=own(fleet.cycles),
        as_of=fleet.as_of,
        flags=own(fleet.flags),
        residuals=own(fleet.residuals),
        service=own(fleet.service),
        intake=fleet.intake[mine.astype(bool)].reset_index(drop=True),
        deferrals=fleet.deferrals,
        trace=trace,
        data_through=_reach(fleet, unit_id),
        provenance=fleet.provenance,
    )


def _reach(fleet: FleetView, unit_id: str) -> pd.Timestamp | None:
    """Return the unit's own last sample where the view knows it, else the fleet's."""
    known = fleet.units.loc[fleet.units["unit_id"] == unit_id, "last_data"].dropna()
    return fleet.data_through if known.empty else known.iloc[0]


def cycle_view(view: UnitView, cycle_id: str) -> CycleView:
    """Return one cycle of a unit's view, found by its id or an earlier id of it.

    Raises
    ------
    KeyError
        If the unit has no such cycle.
    """
    own = view.cycles["cycle_id"] == cycle_id
    if not own.any() and "aliases" in view.cycles.columns:
        aliases = view.cycles["aliases"].fillna("").astype("string").str.split(",")
        own = aliases.map(lambda ids: cycle_id in [i.strip() for i in ids]).astype(bool)
    if not own.any():
        raise KeyError(cycle_id)
    row = view.cycles[own].iloc[0]
    return CycleView(
        config=view.config,
        unit=view.unit,
        cycle=row,
        samples=view.trace(str(row["cycle_id"])),
        as_of=view.as_of,
        intake=view.intake,
        data_through=view.data_through,
        provenance=view.provenance,
    )
