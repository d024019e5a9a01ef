"""A unit's own healthy level, and each cycle's residual from it.

Per program, the first ``FULL`` complete cycles are kept as they were measured;
the level is their trimmed mean after the circumstances are taken off with the slopes
of the day. The cycles are frozen, the slopes may sharpen from month to month. A
new logger, a new sampling interval or an accepted repair does not start over:
it adds a shift to the signs it touches, measured from the cycles on both sides.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from .plain import array, lists
from .reference import Reference
from .robust import nanmedian, trimmed_mean, winsorised_sd
from .signs import AT_LEAST, NAMES, OTHER

FloatArray = NDArray[np.float64]

FIRST: Final = 10
"""Cycles of a program before it has a first level (the contract: judged from the tenth)."""
FULL: Final = 30
"""Cycles of a program after which its level is frozen (the contract: charts from the
thirtieth)."""
LEAST_VALUES: Final = 6
"""Values of one sign among those cycles, else it has no level."""
TEST_FIRST: Final = 4
TEST_FULL: Final = 8
TEST_VALUES: Final = 3
"""The same for weekly tests: two months, else a leak would be learnt for half a year."""
TEST_KINDS: Final = ("leak_test", "penetration_test")
"""Kinds that stand for a program's name where there is none."""
SCALE_SHRINK: Final = 20.0
"""Pseudo-cycles of the fleet's scatter in a unit's own scale (design choice)."""
SPLICE: Final = 12
"""Cycles on each side of a logger change that measure its step (design choice)."""
AGREE: Final = 15
"""Cycles after a repair that must agree with the healthy level (the contract)."""

HABITS: Final = np.flatnonzero(np.isfinite(OTHER))
"""Signs of which a cycle has one habit or another: without a pressure channel a drying that was
left out, or done twice, is part of a cycle's end (scatter across the habits hid a filter that took
90 s longer), and a hold that an operator extends is no timer's (two of the first ten put a level
3 % too high). Level and scatter are those of the cycles that were run as most are."""

MANY: Final = 1e12
"""Count of values behind what is exact."""

_COUNT = len(NAMES)


@dataclass
class ProgramCycles:
    """The frozen first cycles of one program."""

    signs: list[list[float]] = field(default_factory=list)
    circumstances: list[list[float]] = field(default_factory=list)


@dataclass(frozen=True)
class Level:
    """A program's level under one reference."""

    level: FloatArray
    centre: FloatArray
    """Usual circumstances, NaN where never known."""
    count: FloatArray
    """Values behind each sign's level."""
    residual: FloatArray
    """The program's cycles behind the level, less it, shape (cycles, signs)."""


@dataclass
class Baseline:
    """All that is frozen for one unit."""

    programs: dict[str, ProgramCycles] = field(default_factory=dict)
    shift: FloatArray = field(default_factory=lambda: np.zeros(_COUNT))
    shift_count: FloatArray = field(default_factory=lambda: np.full(_COUNT, MANY))
    """Values behind the shift, very many where there is none."""
    epoch: int = 0

    def add(self, program: str, signs: FloatArray, circumstances: FloatArray) -> bool:
        """Keep a complete cycle if its program still needs one; True when a level changed."""
        kept = self.programs.setdefault(program, ProgramCycles())
        first, full, _ = needs(program)
        if len(kept.signs) >= full:
            return False
        # Stored as if measured before any shift, so that one level serves all epochs.
        kept.signs.append((signs - self.shift).tolist())
        kept.circumstances.append(circumstances.tolist())
        return len(kept.signs) in (first, full)

    def level(self, program: str, reference: Reference) -> Level | None:
        """Return a program's level, or None before its tenth cycle."""
        kept = self.programs.get(program)
        used = self._used(program)
        if kept is None or not used:
            return None
        _, _, least = needs(program)
        signs = array(kept.signs[:used])
        circumstances = array(kept.circumstances[:used])
        centre = nanmedian(circumstances, axis=0)
        moved = adjust(signs, circumstances, centre, reference.slopes)
        count = np.isfinite(signs).sum(axis=0).astype(np.float64)
        habits = moved[:, HABITS]
        far = np.abs(habits - nanmedian(habits, axis=0)) > OTHER[HABITS]
        moved[:, HABITS] = np.where(far, np.nan, habits)
        level = np.where(count >= least, trimmed_mean(moved), np.nan)
        return Level(level, centre, count, moved - level)

    def scale(
        self, reference: Reference, levels: Mapping[str, Level | None] | None = None
    ) -> FloatArray:
        """Return the unit's scatter from cycle to cycle, shrunk to the fleet's, (signs,).

        Parameters
        ----------
        levels
            Levels under the reference that are known already, by program.
        """
        held = levels or {}
        known = [held[n] if n in held else self.level(n, reference) for n in self.programs]
        rows = [level.residual for level in known if level is not None]
        if not rows:
            return reference.scatter.copy()
        residual = np.concatenate(rows)
        count = np.isfinite(residual).sum(axis=0)
        own = np.where(count >= LEAST_VALUES, winsorised_sd(residual), 0.0)
        # What coarse sampling hides does not scatter; that says nothing of what does not hide.
        weight = np.where((count >= LEAST_VALUES) & ~(AT_LEAST & (own == 0.0)), count, 0.0)
        mixed = (weight * own**2 + SCALE_SHRINK * reference.scatter**2) / (weight + SCALE_SHRINK)
        return np.asarray(np.sqrt(mixed))

    def _used(self, program: str) -> int:
        """Return how many of a program's cycles its level rests on: frozen counts only."""
        first, full, _ = needs(program)
        there = len(self.programs[program].signs) if program in self.programs else 0
        return full if there >= full else first if there >= first else 0

    def to_json(self) -> dict[str, Any]:
        """Return arrays and plain numbers."""
        return {
            "programs": {
                name: {
                    "signs": np.array(p.signs, dtype=np.float64),
                    "circumstances": np.array(p.circumstances, dtype=np.float64),
                }
                for name, p in self.programs.items()
            },
            "shift": self.shift,
            "shift_count": self.shift_count,
            "epoch": self.epoch,
        }

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Baseline:
        """Read what ``to_json`` returned."""
        return cls(
            {
                name: ProgramCycles(lists(p["signs"]), lists(p["circumstances"]))
                for name, p in data["programs"].items()
            },
            array(data["shift"]),
            array(data["shift_count"]),
            data["epoch"],
        )


def needs(program: str) -> tuple[int, int, int]:
    """Return cycles for a first level, for the frozen level, and values a sign needs."""
    if program in TEST_KINDS:
        return TEST_FIRST, TEST_FULL, TEST_VALUES
    return FIRST, FULL, LEAST_VALUES


def adjust(
    signs: FloatArray, circumstances: FloatArray, centre: FloatArray, slopes: FloatArray
) -> FloatArray:
    """Take the circumstances' part off: the signs at the unit's usual circumstances.

    An unknown circumstance is taken as usual.

    Parameters
    ----------
    signs, circumstances
        Shapes (n, signs), (n, circumstances).
    centre
        Usual circumstances, shape (circumstances,).
    slopes
        Shape (circumstances, signs).
    """
    away = np.nan_to_num(circumstances - centre, nan=0.0)
    out = signs.copy()
    for k in range(slopes.shape[0]):  # no BLAS: a row must not depend on its batch
        out -= away[:, k : k + 1] * slopes[k]
    return out
