"""Programs of one unit's cycles, in time order and causally."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import pandas as pd

from ..shared.config import Unit
from ..shared.programs import Program, shortest_published_hold
from .memory import DRIED_WINDOW, ENDS, HOLDS, Memory
from .quick import true_at

HISTORY_CYCLES: Final = 10
"""Earlier cycles at a set point from which their mode counts (design: 10 or more)."""
TEXT: Final = pd.StringDtype("pyarrow")
FIRST_OF_DAY_S: Final = 4.0 * 3600.0
"""A cycle after so long without another counts as the day's first (no source)."""
TEST_SETPOINT_C: Final = 134.0
TEST_LONGEST_S: Final = 270.0
"""A steam penetration test holds 134 °C for about 3.5 min (common practice)."""
DRIED_CYCLES: Final = 5
"""Earlier cycles from which on it is known whether a unit dries as a rule (no source)."""
DRIED_S: Final = 60.0
LITTLE_SHARE: Final = 0.5
LITTLE_ALIKE: Final = 0.05
LITTLE_TIMES: Final = 2
"""A drying under this is none. One under this share of the unit's usual one is a test's, whose
indicator need not be dry, where half of the last such ones, and so many, took as long: doors that
are opened early differ (no source)."""
LONGER_S: Final = 30.0
LEAST_SLACK_S: Final = 5.0
MOST_SLACK_SHARE: Final = 0.1
"""A controller holds for its program's time and some seconds more, never less; samples show up to
two intervals less, of which no more than this share of a hold is believed (no source)."""
USUALLY_LONGER_S: Final = 10.0
HALF_COSTS_S: Final = 15.0
ALIKE_FITS: Final = 0.95
"""Of times that fit nearly as many holds that one is the program's which they exceed by about so
much, less a sample; half a minute is as unlikely as so many seconds more or less (no source)."""
ALIKE_SHARE: Final = 0.02
ALIKE_TIMES: Final = 2
"""A hold that ends within this share, or two samples, of so many of the last ten was ended by the
machine: a person's stops differ in length (no source)."""
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

    Notes
    -----
    A steam penetration test is a short 134 °C cycle like others. It is told
    apart only by what a trace can show: the day's first cycle of a prevacuum
    unit, short, and not dried, or for the same small part of the usual time again
    and again, on a unit whose cycles are dried as a rule.
    Without a pressure channel it can't be told and counts as sterilization.
    """
    out = cycles.sort_values("started_at", kind="stable", ignore_index=True)
    return assign_after(out, unit, Memory())[0]


def assign_after(
    cycles: pd.DataFrame, unit: Unit, memory: Memory, until_s: float = float("inf")
) -> tuple[pd.DataFrame, Memory]:
    """Assign programs to cycles that follow others; see ``assign_programs``.

    Parameters
    ----------
    cycles
        In time order.
    unit
        Configuration of the unit.
    memory
        What is known of the cycles before.
    until_s
        Cycles that start at this time or later do not enter the memory returned
        [s since 1970].
    """
    found = assign_rows(list(_rows(cycles)), unit, memory, until_s)
    columns = {n: pd.array(v, dtype=TEXT) for n, v in found.columns.items()}
    return cycles.assign(**columns), found.memory


@dataclass(frozen=True)
class Assigned:
    """What programs say of cycles: columns of the cycles table, and what is known after them."""

    columns: dict[str, list[str | None]]
    """program, program_source, kind and completion of each cycle."""
    memory: Memory


def assign_rows(
    rows: Sequence[CycleFacts], unit: Unit, memory: Memory, until_s: float = float("inf")
) -> Assigned:
    """Assign programs to cycles in time order that follow others; see ``assign_after``."""
    programs = [Program.parse(p) for p in unit.programs]
    names: list[str | None] = []
    sources: list[str | None] = []
    kinds: list[str | None] = []
    completions: list[str | None] = []
    seen = {setpoint: list(holds) for setpoint, holds in memory.holds.items()}
    ends = {setpoint: list(holds) for setpoint, holds in memory.ends.items()}
    dried, drying, little = list(memory.dried), list(memory.drying_s), list(memory.little_s)
    last_end = memory.run_end_s
    kept: Memory | None = None
    for row in rows:
        if kept is None and row.started_s >= until_s:
            kept = _kept(memory, seen, ends, (dried, drying, little), last_end)
        idle = row.started_s - last_end
        if row.kind == "leak_test":
            names.append(None)
            sources.append(None)
            kinds.append(row.kind)
            completions.append(row.completion)
            continue
        last_end = row.ended_s
        removal = unit.air_removal or ("prevacuum" if row.pulses >= 1 else "unknown")
        if np.isnan(row.setpoint):
            names.append(None)
            sources.append("none")
            kinds.append(row.kind)
            completions.append(row.completion)
            continue
        held = float(row.exposure if np.isfinite(row.exposure) else row.plateau)
        program, source = _program(programs, removal, row, held, seen)
        names.append(program.name if program is not None else None)
        sources.append(source)
        completion, short = row.completion, False
        if completion == "complete" and program is not None and np.isfinite(held):
            slack = 2.0 * (row.interval if np.isfinite(row.interval) else 0.0)
            if row.gap > 2.0 * slack:
                slack += row.gap  # the rest of the hold may lie in it
            short = held < SHORT_SHARE * program.hold_min * 60.0 - slack
            if short and not _ends_alike(row, ends.get(row.setpoint, [])):
                completion = "aborted"
        if row.completion == "complete" and np.isfinite(row.exposure):
            ends[row.setpoint] = [*ends.get(row.setpoint, [])[1 - ENDS :], row.exposure]
        completions.append(completion)
        usual = len(dried) >= DRIED_CYCLES and np.mean(dried[-DRIED_WINDOW:]) > 0.7
        test = (
            completion == "complete"
            and not short
            and removal == "prevacuum"
            and not idle < FIRST_OF_DAY_S
            and program is not None
            and abs(program.setpoint_c - TEST_SETPOINT_C) < 1.5
            and held < TEST_LONGEST_S
            and bool(usual)
            and row.pulses >= 1
        )
        if test and row.drying > DRIED_S:
            short_drying = len(drying) >= DRIED_CYCLES and row.drying < LITTLE_SHARE * float(
                np.median(drying[-DRIED_WINDOW:])
            )
            test = short_drying and _as_little(row, little[-ENDS:])
            if short_drying:
                little.append(row.drying)
        kinds.append("penetration_test" if test else "sterilization")
        if completion == "complete" and not (test or short) and np.isfinite(held):
            dried.append(bool(row.drying > DRIED_S))
            if row.drying > DRIED_S:
                drying.append(row.drying)
            if np.isfinite(row.exposure):
                seen.setdefault(row.setpoint, []).append(row.exposure)
    if kept is None:
        kept = _kept(memory, seen, ends, (dried, drying, little), last_end)
    columns = {
        "program": names,
        "program_source": sources,
        "kind": kinds,
        "completion": completions,
    }
    return Assigned(columns, kept)


def _ends_alike(row: CycleFacts, earlier: list[float]) -> bool:
    """Return whether a hold ended after the same time as others before."""
    near = max(ALIKE_SHARE * row.exposure, 2.0 * row.interval)
    return sum(abs(e - row.exposure) <= near for e in earlier) >= ALIKE_TIMES


def _as_little(row: CycleFacts, earlier: list[float]) -> bool:
    """Return whether as short dryings as this one come again and again."""
    near = max(LITTLE_ALIKE * row.drying, 2.0 * row.interval)
    alike = sum(abs(e - row.drying) <= near for e in earlier)
    return alike >= max(LITTLE_TIMES, 0.5 * len(earlier))


def _kept(
    memory: Memory,
    seen: dict[float, list[float]],
    ends: dict[float, list[float]],
    dryings: tuple[list[bool], list[float], list[float]],
    last_end: float,
) -> Memory:
    return replace(
        memory,
        run_end_s=last_end,
        holds={setpoint: tuple(holds[-HOLDS:]) for setpoint, holds in seen.items()},
        ends={setpoint: tuple(holds[-ENDS:]) for setpoint, holds in ends.items()},
        dried=tuple(dryings[0][-DRIED_WINDOW:]),
        drying_s=tuple(dryings[1][-DRIED_WINDOW:]),
        little_s=tuple(dryings[2][-ENDS:]),
    )


@dataclass(frozen=True)
class CycleFacts:
    """What a cycle's program is told by; times [s], set point [°C], NaN for null."""

    kind: str
    completion: str
    setpoint: float
    plateau: float
    exposure: float
    interval: float
    gap: float
    pulses: int
    drying: float
    started_s: float
    ended_s: float


def _rows(cycles: pd.DataFrame) -> Iterator[CycleFacts]:
    def floats(name: str) -> list[float]:
        values: list[float] = cycles[name].to_numpy(np.float64, na_value=np.nan).tolist()
        return values

    def seconds(name: str) -> list[float]:
        stamps = pd.DatetimeIndex(cycles[name]).as_unit("ms").asi8 / 1000.0
        values: list[float] = stamps.tolist()
        return values

    return map(
        CycleFacts,
        cycles["kind"].tolist(),
        cycles["completion"].tolist(),
        floats("setpoint_c"),
        floats("plateau_s"),
        floats("exposure_s"),
        floats("sample_interval_s"),
        floats("exposure_gap_s"),
        _pulses(cycles),
        floats("drying_s"),
        seconds("started_at"),
        seconds("ended_at"),
    )


def facts_of(values: Mapping[str, Any]) -> CycleFacts:
    """Return the facts of one cycle from its values by column, times in ms."""

    def number(name: str) -> float:
        return float(values.get(name, np.nan))

    vacuum = "air_removal_vacuum_kpa" in values
    return CycleFacts(
        values["kind"],
        values["completion"],
        number("setpoint_c"),
        number("plateau_s"),
        number("exposure_s"),
        number("sample_interval_s"),
        number("exposure_gap_s"),
        int(values.get("pulse_count", vacuum)),
        number("drying_s"),
        values["started_at"] / 1000.0,
        values["ended_at"] / 1000.0,
    )


def _pulses(cycles: pd.DataFrame) -> list[int]:
    """Return the pulses of each cycle; at least one where they were too short to count."""
    seen = cycles["air_removal_vacuum_kpa"].notna().to_numpy().astype(np.int64)
    counted = cycles["pulse_count"].to_numpy(np.float64, na_value=np.nan)
    pulses: list[int] = np.where(np.isfinite(counted), counted, seen).astype(np.int64).tolist()
    return pulses


def _program(
    programs: list[Program],
    removal: str,
    row: CycleFacts,
    held: float,
    seen: dict[float, list[float]],
) -> tuple[Program | None, str]:
    """Return the program of a cycle and where its time comes from.

    Where the configuration names several times at one set point, the one
    nearest to the hold in proportion was run; the choice is between stated
    times, and no time comes from the cycle itself.
    """
    setpoint = row.setpoint
    at = [p for p in programs if abs(p.setpoint_c - setpoint) < 0.5]
    own = [p for p in at if p.air_removal == removal] or at
    if own:
        if len(own) > 1 and np.isfinite(held) and held > 0.0:
            return min(own, key=lambda p: abs(np.log(held / 60.0 / p.hold_min))), "configuration"
        return min(own, key=lambda p: p.hold_min), "configuration"
    earlier = seen.get(setpoint, [])[-HOLDS:]
    if len(earlier) >= HISTORY_CYCLES:
        return Program(removal, setpoint, _usual_hold_min(earlier, row.interval)), "history"
    published = shortest_published_hold(removal, setpoint)
    if published is not None:
        return Program(removal, setpoint, published.hold_min), "published"
    return None, "none"


def _usual_hold_min(holds_s: list[float], interval_s: float) -> float:
    """Return the program's time that fits most holds; whole minutes go before half ones [min]."""
    holds = np.asarray(holds_s)
    interval = interval_s if np.isfinite(interval_s) else 0.0
    slack = np.maximum(np.minimum(2.0 * interval, MOST_SLACK_SHARE * holds), LEAST_SLACK_S)
    halves = np.arange(1, max(int((holds + slack).max() // 30.0), 1) + 1)
    over = holds[None, :] - 30.0 * halves[:, None]
    fits = ((over >= -slack) & (over <= LONGER_S)).sum(axis=1)
    likely = true_at(fits >= np.ceil(ALIKE_FITS * fits.max()))
    usual = np.abs(np.median(over[likely], axis=1) - (USUALLY_LONGER_S - interval))
    best = likely[np.argmin(usual + HALF_COSTS_S * (halves[likely] % 2))]
    return float(halves[best]) / 2.0
