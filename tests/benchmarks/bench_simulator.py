"""Time the simulator: cycles a second on one core. Run by hand.

    OMP_NUM_THREADS=1 python tests/benchmarks/bench_simulator.py

Prints cycles a second for one unit of 120 days and for a group of four, and as
a floor the same number of bare array operations on lanes of that width.
"""

from __future__ import annotations

import time

import numpy as np
from chamberdrift.fixtures.simulator import plan_fleet, simulate_units

OPERATIONS_PER_STEP = 170
"""Array operations that a step makes, counted roughly by hand."""


def main() -> None:
    """Print the figures."""
    plan = plan_fleet(4, 120, 1, repaired_share=0.0)
    for group in ([0], [0, 1, 2, 3]):
        began = time.process_time()
        units = simulate_units(plan, group)
        spent = time.process_time() - began
        cycles = sum(len(u.truth_cycles) for u in units)
        samples = sum(len(u.trace) for u in units)
        longest = max(
            float(
                (u.truth_cycles["ended_at"] - u.truth_cycles["started_at"]).max().total_seconds()
            )
            for u in units
        )
        floor = bare(cycles, int(longest))
        print(
            f"{len(group)} units: {cycles} cycles and {samples} samples in {spent:.2f} s of "
            f"processor time, {cycles / spent:.0f} cycles/s, {spent / floor:.1f} times the bare "
            "array operations"
        )


def bare(width: int, steps: int) -> float:
    """Return the time [s] of as many plain array operations."""
    a = np.random.default_rng(0).random(width)
    b = a + 1.0
    began = time.process_time()
    for _ in range(steps):
        for _ in range(OPERATIONS_PER_STEP // 2):
            b = b * a
            b = b + a
    return time.process_time() - began


if __name__ == "__main__":
    main()
