"""The demo: a simulated fleet, a night over it, and flags beside the truth."""

from __future__ import annotations

import os
import textwrap
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any, Final

import pandas as pd

from ..shared.config_file import FILE_NAME
from ..shared.errors import ChamberdriftError
from .night_summary import NightSummary
from .settings import settings_text, write_settings
from .shown import shell_word
from .simulation import (
    INBOX,
    STORE,
    TRUTH_CONFOUNDERS,
    TRUTH_CYCLES,
    TRUTH_FAULTS,
    Simulated,
    check_empty,
    read_truth,
    write_plan,
)
from .store import Store
from .store.location import open_location
from .work import Progress

RAISED: Final = ("service", "stop")


@dataclass(frozen=True)
class DemoResult:
    """The demo's night and how its flags compare with what was simulated."""

    simulated: Simulated
    night: NightSummary
    rows: tuple[dict[str, str], ...]
    """A row a unit: what was simulated, what was flagged."""
    reports: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values."""
        return {
            "simulated": self.simulated.as_dict(),
            "night": self.night.as_dict(),
            "truth": list(self.rows),
            "reports": list(self.reports),
        }

    def text(self, program: str = "chamberdrift") -> str:
        """Return the demo's screen; the commands at its end call the program by this name."""
        store = shell_word(self.night.store)
        lines = [
            f"A simulated fleet: {self.simulated.units} units of a fictional group of animal "
            f"clinics, {self.simulated.days} days, "
            f"{self.simulated.files} exports in {self.simulated.folder}/{INBOX}.",
            "",
            self.night.text(),
            "",
            *self.table(),
            "",
            "Reports:",
            *(f"  {path}" for path in self.reports),
            "",
            "Look further:",
            f"  {program} show {self._worst()} --store {store}",
            f"  {program} table flags --store {store}",
            f"  {program} evaluate {shell_word(self.simulated.folder)} --store {store}",
        ]
        return "\n".join(lines)

    def table(self) -> list[str]:
        """Return what was simulated beside what was flagged, as aligned lines."""
        names = {
            "unit": "unit",
            "simulated": "simulated",
            "failed": "failed",
            "shown": "flagged",
            "outcome": "outcome",
        }
        widths = {
            k: max(len(title), *(len(r[k]) for r in self.rows)) for k, title in names.items()
        }
        head = "  ".join(f"{title:<{widths[k]}}" for k, title in names.items()).rstrip()
        body = ["  ".join(f"{row[k]:<{widths[k]}}" for k in names).rstrip() for row in self.rows]
        said = textwrap.wrap(
            "What was simulated, and the first flag of severity service or stop. Scenario "
            f"seed {self.simulated.seed}: the detectors were tuned on seeds 1 to 99, so this "
            "shows how it works and proves nothing.",
            79,
        )
        return [*said, "", head, *body]

    def _worst(self) -> str:
        flagged = [r for r in self.rows if r["flagged"]]
        return (flagged or list(self.rows))[0]["unit"]


def run_demo(
    folder: str,
    *,
    store: str | None = None,
    workers: int = 1,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> DemoResult:
    """Simulate the demo's fleet, run the night over it, and compare with the truth.

    Raises
    ------
    ChamberdriftError
        If the folder or the store holds something else than an earlier demo.
    """
    from ..fixtures.demo import demo_plan
    from ..fixtures.fleet_files import config_toml
    from .night import run_night

    plan = demo_plan()
    settings = config_toml(plan.config)
    location = store or os.path.join(folder, STORE)
    _check_demo_store(location, settings)
    check_demo_folder(folder, settings)
    simulated = write_plan(plan, folder, workers=workers, progress=progress)
    made = Store.open(location, create=True)
    write_settings(made.place, settings)
    end = plan.start + timedelta(days=plan.days)
    night = run_night(
        os.path.join(folder, INBOX),
        location,
        as_of=end,
        workers=workers,
        scheduler=scheduler,
        progress=progress,
    )
    snapshot = made.snapshot()
    rows = compare(
        snapshot.table("flags"),
        read_truth(folder, TRUTH_FAULTS),
        [u.unit.id for u in plan.units],
    )
    return DemoResult(simulated, night, tuple(rows), night.reports)


def _check_demo_store(location: str, settings: str) -> None:
    """Refuse a store that is not an earlier demo's: its configuration would be lost."""
    if Store.present(location) and settings_text(open_location(location)) != settings:
        raise ChamberdriftError(
            f"{location} is another store than an earlier demo's; name another with --store."
        )


def check_demo_folder(folder: str, settings: str) -> None:
    """Clear an earlier demo away; refuse any other folder that is not empty.

    Parameters
    ----------
    settings
        The demo's configuration, by which a simulation of one's own is told from it.
    """
    import shutil

    path = Path(folder)
    if not path.is_dir() or not any(path.iterdir()):
        check_empty(folder)
        return
    ours = {INBOX, STORE, FILE_NAME, TRUTH_CYCLES, TRUTH_FAULTS, TRUTH_CONFOUNDERS}
    found = {p.name for p in path.iterdir()}
    told = path / FILE_NAME
    other = told.is_file() and told.read_text(encoding="utf-8", errors="replace") != settings
    if not {INBOX, TRUTH_FAULTS} <= found or not found <= ours or other:
        raise ChamberdriftError(
            f"{folder} holds something else than an earlier demo; name another folder."
        )
    for name in sorted(found):
        target = path / name
        shutil.rmtree(target) if target.is_dir() else target.unlink()


def compare(flags: pd.DataFrame, truth: pd.DataFrame, units: list[str]) -> list[dict[str, str]]:
    """Return a row a unit: the simulated fault, the first raised flag, and how they compare."""
    raised = flags[flags["severity"].isin(RAISED)].sort_values("first_seen", kind="stable")
    rows = []
    for unit in units:
        own = raised[raised["unit_id"] == unit].drop_duplicates("flag_id")
        faults = truth[truth["unit_id"] == unit]
        shown = set()
        mine = []
        known: list[pd.Series | None] = [f for _, f in faults.iterrows()]
        for fault in known or [None]:
            chosen = own
            if fault is not None:
                inside = own[own["first_seen"] >= fault["onset"] - pd.Timedelta(days=1)]
                same = inside[inside["part"] == fault["part"]]
                chosen = same if len(same) else inside
            flag = chosen.iloc[0] if len(chosen) else None
            shown |= set() if flag is None else {str(flag["flag_id"])}
            mine.append(_row(unit, fault, flag))
        rest = own[~own["flag_id"].isin(list(shown))]
        mine[-1]["also"] = ", ".join(
            f"{_plain(part)} {seen:%d %b}"
            for part, seen in zip(rest["part"], rest["first_seen"], strict=True)
        )
        if mine[-1]["also"]:
            mine[-1]["outcome"] += f"; also {mine[-1]['also']}"
        rows += mine
    return rows


def _plain(part: str) -> str:
    """Return a part's name as it is read."""
    return part.replace("_", " ")


def _row(unit: str, fault: pd.Series | None, flag: pd.Series | None) -> dict[str, str]:
    if fault is None:
        outcome = "quiet, as it should be" if flag is None else "flagged without a fault"
        simulated, failed = "healthy", ""
    else:
        mode = "" if pd.isna(fault["mode"]) else str(fault["mode"])
        simulated = f"{_plain(fault['part'])} {mode}".strip() + f" from {fault['onset']:%d %b}"
        first = fault["first_failed_cycle_start"]
        failed = "" if pd.isna(first) else f"{first:%d %b}"
        if flag is None:
            outcome = "not flagged"
        elif failed and flag["first_seen"] >= first:
            outcome = "flagged after the first failed cycle"
        else:
            outcome = (
                f"{(first.normalize() - flag['first_seen'].normalize()).days} days ahead"
                if failed
                else "before it failed"
            )
        if flag is not None:
            same = flag["part"] == fault["part"]
            outcome += ", right part" if same else ", another part"
    part = "" if flag is None else f"{_plain(flag['part'])} {flag['mode'] or ''}".strip()
    return {
        "unit": unit,
        "simulated": simulated,
        "failed": failed,
        "flagged": "" if flag is None else f"{flag['first_seen']:%d %b}",
        "part": part,
        "shown": "" if flag is None else f"{flag['first_seen']:%d %b} {part}",
        "outcome": outcome,
        "also": "",
    }
