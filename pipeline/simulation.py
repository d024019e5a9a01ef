"""The simulator's exports, and the score of a store against their truth."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from ..shared.config_file import FILE_NAME
from ..shared.errors import ChamberdriftError
from .shown import shell_word
from .work import Progress

if TYPE_CHECKING:
    from ..fixtures.plan import FleetPlan
    from .evaluation import Evaluation

INBOX: Final = "inbox"
STORE: Final = "store"
TRUTH_CYCLES: Final = "truth-cycles.csv"
TRUTH_FAULTS: Final = "truth-faults.csv"
TRUTH_CONFOUNDERS: Final = "truth-confounders.csv"
TIME_COLUMNS: Final = (
    "exposure_start",
    "exposure_end",
    "started_at",
    "ended_at",
    "onset",
    "first_failed_cycle_start",
    "failed_if_not_repaired",
    "repaired_at",
    "start",
    "end",
)
COLUMNS_NEEDED: Final = {
    TRUTH_CYCLES: (
        "unit_id",
        "exposure_start",
        "exposure_end",
        "kind",
        "program",
        "verdict",
    ),
    TRUTH_FAULTS: (
        "unit_id",
        "part",
        "mode",
        "onset",
        "first_failed_cycle_start",
        "failed_if_not_repaired",
        "repaired_at",
    ),
    TRUTH_CONFOUNDERS: ("unit_id", "kind", "start", "end"),
}
"""Columns that scoring reads."""


@dataclass(frozen=True)
class Simulated:
    """What was written."""

    folder: str
    units: int
    days: int
    seed: int
    files: int
    bytes: int

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values."""
        return {
            "folder": self.folder,
            "units": self.units,
            "days": self.days,
            "seed": self.seed,
            "exports": self.files,
            "bytes": self.bytes,
        }

    def text(self) -> str:
        """Return the result in words, with the commands that follow."""
        inbox = shell_word(f"{self.folder}/{INBOX}")
        store = shell_word(f"{self.folder}/{STORE}")
        return "\n".join(
            [
                f"{self.files} exports of {self.units} units over {self.days} days "
                f"({self.bytes / 1e6:.0f} MB) in {self.folder}/{INBOX}, "
                f"simulated with seed {self.seed}.",
                f"Next (a new store takes over {self.folder}/{FILE_NAME}):",
                f"  chamberdrift nightly {inbox} --store {store}",
                f"  chamberdrift evaluate {shell_word(self.folder)} --store {store}",
            ]
        )


def run_simulation(
    folder: str,
    *,
    units: int,
    days: int,
    seed: int,
    workers: int = 1,
    progress: Progress | None = None,
) -> Simulated:
    """Write the exports of a simulated fleet, its settings and its truth.

    Raises
    ------
    ChamberdriftError
        If the folder holds something already.
    """
    from ..fixtures.plan import plan_fleet

    check_empty(folder)
    plan = plan_fleet(units, days, seed)
    return write_plan(plan, folder, workers=workers, progress=progress)


def write_plan(
    plan: FleetPlan, folder: str, *, workers: int = 1, progress: Progress | None = None
) -> Simulated:
    """Write a planned fleet's exports, settings and truth."""
    from ..fixtures.fleet_files import write_fleet

    if progress is not None:
        progress("simulate", 0, len(plan.units))
    write_fleet(plan, folder, workers=workers)
    if progress is not None:
        progress("simulate", len(plan.units), len(plan.units))
    files = [p for p in Path(folder, INBOX).rglob("*") if p.is_file()]
    exports = [p for p in files if p.name != "service-log.csv"]
    size = sum(p.stat().st_size for p in exports)
    return Simulated(folder, len(plan.units), plan.days, plan.seed, len(exports), size)


def check_empty(folder: str) -> None:
    """Refuse to write where something is already.

    Raises
    ------
    ChamberdriftError
        If the folder is not empty, or can't be made since a file is in its way.
    """
    path = Path(folder)
    file = next((p for p in path.absolute().parents if p.is_file()), None)
    if file is not None:
        raise ChamberdriftError(
            f"{file} is a file, so {folder} can't be made; name another folder."
        )
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise ChamberdriftError(f"{folder} is not empty; name another folder, or remove it first.")


def read_truth(folder: str, name: str) -> pd.DataFrame:
    """Read a truth file of a simulation, times as UTC.

    Raises
    ------
    ChamberdriftError
        If the folder has no such file, or it can't be read or lacks a column.
    """
    path = Path(folder, name)
    if not path.is_file():
        raise ChamberdriftError(
            f"no {name} in {folder}; name the folder that simulate or demo wrote."
        )
    try:
        frame = pd.read_csv(path, dtype={"unit_id": "string", "part": "string", "mode": "string"})
        for column in frame.columns:
            if column in TIME_COLUMNS:
                parsed = pd.to_datetime(frame[column], utc=True, format="ISO8601")
                frame[column] = parsed.astype("datetime64[ms, UTC]")
    except ValueError as error:
        why = " ".join(str(error).split())
        raise ChamberdriftError(
            f"{path} can't be read as a simulation's truth: {why}; write it anew with simulate."
        ) from None
    lacking = [c for c in COLUMNS_NEEDED.get(name, ()) if c not in frame]
    if lacking:
        raise ChamberdriftError(
            f"{path}, line 1: column {', '.join(lacking)} is missing; write it anew with simulate."
        )
    return frame


def run_evaluation(folder: str, location: str, *, as_of: datetime | None = None) -> Evaluation:
    """Score a store against the truth of a simulation.

    Parameters
    ----------
    folder
        Where the truth files stand, or one of them.
    as_of
        Score what was known then.
    """
    from .evaluation import score
    from .evaluation_options import EvaluationOptions
    from .judge_stage import judge_tables, seen_cycles
    from .moment import moment_of
    from .settings import read_settings
    from .store import Store
    from .views import tables_at

    folder = str(Path(folder).parent) if Path(folder).is_file() else folder
    truth_cycles = read_truth(folder, TRUTH_CYCLES)
    truth_faults = read_truth(folder, TRUTH_FAULTS)
    confounders = (
        read_truth(folder, TRUTH_CONFOUNDERS)
        if Path(folder, TRUTH_CONFOUNDERS).is_file()
        else None
    )
    store = Store.open(location)
    snapshot = store.snapshot()
    config = read_settings(store.place)
    moment = moment_of(as_of, snapshot)
    if as_of is not None:
        truth_cycles = truth_cycles[truth_cycles["exposure_end"] <= moment]
    tables = tables_at(snapshot, config, moment)
    replayed = judge_tables(snapshot, config, moment)
    return score(
        tables.flags,
        seen_cycles(snapshot.table("cycles"), moment),
        tables.judgements,
        truth_cycles.reset_index(drop=True),
        truth_faults,
        truth_confounders=confounders,
        forecasts=replayed.forecasts,
        name=f"{location} against {folder}",
        options=EvaluationOptions(budgets=config.budgets),
    )
