"""Programs of one unit's cycles, in time order and causally."""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np
import pandas as pd

from ..shared.config import Unit
from ..shared.programs import Program, shortest_published_hold

HISTORY_CYCLES: Final = 10
"""Earlier cycles at a set point from which their mode counts (design: 10 or more)."""
HISTORY_WINDOW: Final = 60
"""Latest cycles that the mode is taken over, so that a changed program is learnt."""
SHORT_SHARE: Final = 0.95
"""A hold that ends before this share of the program's time was broken off (no source)."""


def assign_programs(cycles: pd.DataFrame, unit: Unit) -> pd.DataFrame:
    """Fill program and program_source, and the kind and completion that rest on them.

    Parameters
    ----------
    cycles
        All cycles of one unit (columns of the cycles table), any order.
    unit
        Configuration of the unit.

    Returns
    -------
    DataFrame
        The same cycles in time order. The exposure time in a program's name
        is never that of the cycle being judged: it comes from the
        configuration, else from the mode of ten or more earlier complete
        cycles at that set point, else from the shortest published hold.
    """
    out = cycles.sort_values("started_at", kind="stable", ignore_index=True)
    programs = [Program.parse(p) for p in unit.programs]
    names: list[str | None] = []
    sources: list[str | None] = []
    kinds: list[str] = []
    completions: list[str | None] = []
    seen: dict[float, list[float]] = {}
    last_day: object = None
    rows = zip(
        out["kind"].tolist(),
        out["completion"].tolist(),
        out["setpoint_c"].to_numpy(np.float64, na_value=np.nan).tolist(),
        out["plateau_s"].to_numpy(np.float64, na_value=np.nan).tolist(),
        out["exposure_s"].to_numpy(np.float64, na_value=np.nan).tolist(),
        out["sample_interval_s"].to_numpy(np.float64, na_value=np.nan).tolist(),
        out["pulse_count"].fillna(0).to_numpy(np.int64).tolist(),
        out["drying_s"].to_numpy(np.float64, na_value=np.nan).tolist(),
        out["started_at"].dt.floor("D").tolist(),
        strict=True,
    )
    for kind, completion, setpoint, plateau, exposure, interval, count, _drying, day in rows:
        first_of_day = day != last_day
        if kind == "leak_test":
            names.append(None)
            sources.append(None)
            kinds.append(kind)
            completions.append(completion)
            continue
        last_day = day
        removal = unit.air_removal or ("prevacuum" if count >= 1 else "unknown")
        if np.isnan(setpoint):
            names.append(None)
            sources.append("none")
            kinds.append(kind)
            completions.append(completion)
            continue
        held = plateau if np.isfinite(plateau) else exposure
        program, source = _program(programs, removal, setpoint, held, seen)
        names.append(program.name if program is not None else f"{removal}-{setpoint:g}x0")
        sources.append(source)
        test = _is_penetration_test(program, programs, removal, first_of_day)
        kinds.append("penetration_test" if test else "sterilization")
        hold_s = program.hold_min * 60.0 if program is not None else np.nan
        slack = 2.0 * (interval if np.isfinite(interval) else 0.0)
        if (
            completion == "complete"
            and source in ("configuration", "history", "published")
            and np.isfinite(held)
            and held < SHORT_SHARE * hold_s - slack
        ):
            completion = "aborted"
        completions.append(completion)
        if completion == "complete" and np.isfinite(held) and not test:
            seen.setdefault(setpoint, []).append(exposure if np.isfinite(exposure) else held)
    out["program"] = pd.array(names, dtype="string")
    out["program_source"] = pd.array(sources, dtype="string")
    out["kind"] = pd.array(kinds, dtype="string")
    out["completion"] = pd.array(completions, dtype="string")
    return out


def _program(
    programs: list[Program],
    removal: str,
    setpoint: float,
    held: float,
    seen: dict[float, list[float]],
) -> tuple[Program | None, str]:
    """Return the program of a cycle and where its time comes from.

    Where the configuration names several times at one set point, the one
    nearest to the hold in proportion was run; the choice is between stated
    times, and no time comes from the cycle itself.
    """
    at = [p for p in programs if abs(p.setpoint_c - setpoint) < 0.5]
    own = [p for p in at if p.air_removal == removal] or at
    if own:
        if len(own) > 1 and np.isfinite(held) and held > 0.0:
            return min(own, key=lambda p: abs(np.log(held / 60.0 / p.hold_min))), "configuration"
        return min(own, key=lambda p: p.hold_min), "configuration"
    earlier = seen.get(setpoint, [])[-HISTORY_WINDOW:]
    if len(earlier) >= HISTORY_CYCLES:
        counts = Counter(round(h / 30.0) * 0.5 for h in earlier)
        best = max(counts.values())
        return Program(
            removal, setpoint, min(h for h, n in counts.items() if n == best)
        ), "history"
    published = shortest_published_hold(removal, setpoint)
    if published is not None:
        return Program(removal, setpoint, published.hold_min), "published"
    return None, "none"


def _is_penetration_test(
    program: Program | None, programs: list[Program], removal: str, first_of_day: bool
) -> bool:
    """Return whether a cycle is a steam penetration test.

    In a trace it is a short 134 °C cycle. It counts as one only where it is the
    day's first on a prevacuum unit and the configuration names 134 °C programs
    of 3.5 min and of another time, so that the two can be told apart.
    """
    if program is None or removal != "prevacuum" or not first_of_day:
        return False
    short = abs(program.setpoint_c - 134.0) < 1.5 and abs(program.hold_min - 3.5) < 0.01
    others = any(
        abs(p.setpoint_c - program.setpoint_c) < 0.5 and abs(p.hold_min - 3.5) > 0.01
        for p in programs
    )
    return short and others
