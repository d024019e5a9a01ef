"""Speed of extraction, beside a general-purpose feature extractor on the same traces.

    python tests/benchmarks/bench_features.py

Prints cycles a second of processor time on one core at about 2,700 samples a
cycle, and the ratio to tsfresh's smallest settings (MinimalFCParameters: ten
plain statistics a channel) run on the same samples with the cycles already cut
for it. Needs ``pip install tsfresh`` for the second figure.
"""

from __future__ import annotations

import importlib
import importlib.util
import time
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from chamberdrift.features import extract
from chamberdrift.fixtures.simulator import plan_fleet, simulate_unit
from chamberdrift.shared.config import Unit

SAMPLES = 2700


def traces() -> list[tuple[pd.DataFrame, Unit]]:
    """Return traces recorded around cycles at one sample a second."""
    plan = plan_fleet(4, 20, 51, no_pressure_share=0.0, continuous_share=0.0)
    units = tuple(
        replace(
            u,
            loggers=tuple(
                replace(s, interval_s=1.0, mode="cycle", lead_s=120.0, tail_s=180.0)
                for s in u.loggers
            ),
        )
        for u in plan.units
    )
    plan = replace(plan, units=units)
    done = [simulate_unit(plan, i) for i in range(len(units))]
    return [(d.trace, d.unit) for d in done]


def main() -> None:
    """Print rates and ratio."""
    work = traces()
    for trace, unit in work[:1]:
        extract(trace, unit)  # warm up
    found, samples, best = [], sum(len(t) for t, _ in work), np.inf
    for _ in range(5):
        begin = time.process_time()
        found = [extract(t, u).cycles for t, u in work]
        best = min(best, time.process_time() - begin)
    cycles = sum(len(c) for c in found)
    per = samples / cycles
    print(f"{cycles} cycles, {per:.0f} samples a cycle: {cycles / best:.0f} cycles/s of one core")
    print(
        f"at {SAMPLES} samples a cycle by proportion: {cycles / best * per / SAMPLES:.0f} cycles/s"
    )
    if importlib.util.find_spec("tsfresh") is None:
        print("tsfresh is not installed: no comparison")
        return
    tsfresh: Any = importlib.import_module("tsfresh")
    settings: Any = importlib.import_module("tsfresh.feature_extraction")

    parts = []
    for (trace, _), table in zip(work, found, strict=True):
        row: Any
        for row in table.itertuples():
            inside = trace["time"].between(row.started_at, row.ended_at)
            part = trace.loc[inside, ["temperature_c", "pressure_kpa"]].astype(float)
            parts.append(part.assign(id=row.cycle_id, order=np.arange(len(part))))
    long = pd.concat(parts, ignore_index=True)
    begin = time.process_time()
    tsfresh.extract_features(
        long,
        column_id="id",
        column_sort="order",
        default_fc_parameters=settings.MinimalFCParameters(),
        n_jobs=0,
        disable_progressbar=True,
    )
    other = time.process_time() - begin
    print(f"tsfresh MinimalFCParameters, cycles cut for it: {cycles / other:.0f} cycles/s")
    print(f"ratio, time of tsfresh to time of extract: {other / best:.1f}")


if __name__ == "__main__":
    main()
