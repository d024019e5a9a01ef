"""Tables of a simulated fleet, made in memory and kept in a cache folder.

A cache entry is named by the fleet's arguments and a hash of the sources that
made it, so that a change of the simulator or of the features is never scored
with old tables.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
from chamberdrift.features import assign_programs, extract
from chamberdrift.fixtures.simulator import FleetPlan, plan_fleet, simulate_units
from chamberdrift.shared.config import Config
from chamberdrift.shared.schema import CYCLES, SERVICE

ROOT = Path(__file__).parents[2]
GROUP = 4
"""Units simulated side by side."""

NAMES = ("cycles", "service", "truth_cycles", "truth_faults", "truth_confounders")


@dataclass(frozen=True)
class FleetTables:
    """What the judge and the scoring need of one fleet."""

    seed: int
    config: Config
    cycles: pd.DataFrame
    service: pd.DataFrame
    truth_cycles: pd.DataFrame
    truth_faults: pd.DataFrame
    truth_confounders: pd.DataFrame


def source_hash() -> str:
    """Return a short hash of the sources that a fleet's tables depend on."""
    digest = hashlib.sha256()
    for layer in ("fixtures", "features", "shared"):
        for path in sorted((ROOT / layer).rglob("*.py")):
            digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def fleet_tables(
    seed: int, units: int, days: int, cache: Path | None = None, **plan_options: Any
) -> FleetTables:
    """Return the tables of a fleet, from the cache where it holds them.

    Parameters
    ----------
    seed, units, days
        Arguments of the plan.
    cache
        Folder of cached tables; None: nothing is kept.
    **plan_options
        Further arguments of ``plan_fleet``.
    """
    plan = plan_fleet(units, days, seed, **plan_options)
    options = "".join(f"-{k}={v}" for k, v in sorted(plan_options.items()))
    name = f"seed={seed}-units={units}-days={days}{options}-{source_hash()}"
    folder = None if cache is None else cache / name
    if folder is not None and (folder / "done").is_file():
        parts = {n: pd.read_parquet(folder / f"{n}.parquet") for n in NAMES}
    else:
        parts = _make(plan)
        if folder is not None:
            folder.mkdir(parents=True, exist_ok=True)
            for n, frame in parts.items():
                frame.to_parquet(folder / f"{n}.parquet")
            (folder / "done").touch()
    parts["cycles"] = CYCLES.conform(parts["cycles"])
    parts["service"] = SERVICE.conform(parts["service"])
    return FleetTables(seed, plan.config, *(parts[n] for n in NAMES))


def _make(plan: FleetPlan) -> dict[str, pd.DataFrame]:
    made: dict[str, list[pd.DataFrame]] = {n: [] for n in NAMES}
    for first in range(0, len(plan.units), GROUP):
        numbers = range(first, min(first + GROUP, len(plan.units)))
        for number, done in zip(numbers, simulate_units(plan, list(numbers)), strict=True):
            found = extract(done.trace, done.unit, plan.config.limits).cycles
            made["cycles"].append(assign_programs(found, done.unit))
            made["service"].append(done.service)
            made["truth_cycles"].append(done.truth_cycles)
            made["truth_faults"].append(done.truth_faults)
            made["truth_confounders"].append(_confounders(plan.units[number], plan))
    tables = {
        n: pd.concat([f for f in frames if len(f)] or frames[:1], ignore_index=True)
        for n, frames in made.items()
    }
    tables["service"] = _service(tables["service"])
    return tables


def _service(log: pd.DataFrame) -> pd.DataFrame:
    """Return a simulated service log in the columns of the ``service`` table."""
    text = pd.Series("", index=log.index, dtype=object)
    time = pd.to_datetime(log["time"], utc=True)
    return SERVICE.conform(
        log.assign(
            service_id=[f"service-{k}" for k in range(len(log))],
            time=time.astype("datetime64[ms, UTC]"),
            result=text,
            undone=False,
            recorded_at=time.astype("datetime64[ms, UTC]"),
        )
    )


def _confounders(unit: Any, plan: FleetPlan) -> pd.DataFrame:
    """Return the harmless changes of a planned unit with their span."""
    start = pd.Timestamp(plan.start)
    rows = []
    for kind in unit.confounders:
        began: float | None = None
        if kind in ("logger_swap", "sampling_change"):
            began = next((s.from_s for s in unit.loggers[1:]), None)
        elif kind == "low_mains":
            began = unit.site.low_mains_from_s
        elif kind != "season":
            began = unit.usage.change_s
        rows.append(
            {
                "unit_id": unit.unit.id,
                "kind": kind,
                "start": start if began is None else pd.Timestamp(began, unit="s", tz="UTC"),
                "end": start + pd.Timedelta(days=plan.days),
            }
        )
    return pd.DataFrame(rows, columns=["unit_id", "kind", "start", "end"])
