"""What findings look at besides signs: of each cycle its id, kind, broken limit and numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .columns import numbers, texts

FloatArray = NDArray[np.float64]

NUMBERS: Final = (
    "overband_k",
    "pressure_max_kpa",
    "gap_s",
    "stuck_s",
    "sample_interval_s",
    "setpoint_c",
    "exposure_max_c",
    "plateau_c",
    "saturation_deviation_k",
    "leak_kpa_per_min",
)
"""Columns of a cycle that limits and the logger's troubles are read from."""


@dataclass(frozen=True)
class Facts:
    """Cycles in event order."""

    cycle_id: list[str]
    kind: list[str]
    cause: list[str]
    """Broken limit, ``broken_off``, or nothing."""
    numbers: dict[str, FloatArray]

    def part(self, start: int, end: int) -> Facts:
        """Return some of the rows."""
        return Facts(
            self.cycle_id[start:end],
            self.kind[start:end],
            self.cause[start:end],
            {name: values[start:end] for name, values in self.numbers.items()},
        )

    def row(self, i: int) -> dict[str, Any]:
        """Return what limits look at of one row."""
        return {**{n: float(v[i]) for n, v in self.numbers.items()}, "kind": self.kind[i]}


BROKEN_OFF: Final = "broken_off"


def _causes(cycles: pd.DataFrame, verdict: pd.DataFrame) -> list[str]:
    """Return the broken limit of each cycle; one that was broken off in exposure says so.

    One alone is an operator's, and no limit: it is the many that count.
    """
    cause = verdict["cause"].to_numpy(dtype=object)
    aborted = texts(cycles, "completion") == "aborted"
    held = np.isfinite(numbers(cycles, "exposure_s"))
    out: list[str] = np.where((cause == "") & aborted & held, BROKEN_OFF, cause).tolist()
    return out


def facts_of(cycles: pd.DataFrame, verdict: pd.DataFrame) -> Facts:
    """Return the facts of cycles and of the verdicts on them."""
    return Facts(
        # Arrow's own arrays give one value at a time, ten times slower than all at once.
        [str(c) for c in cycles["cycle_id"].to_numpy(dtype=object)],
        cycles["kind"].to_numpy(dtype=object).tolist(),
        _causes(cycles, verdict),
        {n: numbers(cycles, n) for n in NUMBERS},
    )
