"""A logger that records on change leaves no gap where nothing changes; lost samples do.

The ways of recording are made here from one drawn cycle; that such loggers exist and how far
apart they record is common practice, no source.
"""

from __future__ import annotations

from types import ModuleType

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.shared.config import Unit

UNIT = Unit("u1", programs=("gravity-121x20",))


def sampled(traces: ModuleType, interval_s: float, noise_k: float) -> pd.DataFrame:
    """Return a cycle whose hold swings by a fifth of a kelvin, at fixed intervals."""
    sketch = traces.Sketch().idle(60, 80.0).cool(5400, 24.0, 900.0).ramp(122.0, 6.0)
    sketch.sawtooth(1230, 122.0, 122.2, 0.4, 0.2).blow_down(90.0, 420).cool(3600, 30.0, 900.0)
    trace: pd.DataFrame = sketch.trace(
        interval_s=interval_s, noise_k=noise_k, noise_kpa=0.05, step_k=0.01
    )
    return trace


def on_change(trace: pd.DataFrame, kelvin: float, kpa: float, beat_s: float) -> pd.DataFrame:
    """Keep the samples that such a logger records."""
    time = trace["time"].astype("int64").to_numpy() / 1000.0
    temp, pressure = trace["temperature_c"].to_numpy(), trace["pressure_kpa"].to_numpy()
    kept = [0]
    for k in range(1, len(time)):
        at = kept[-1]
        moved = abs(temp[k] - temp[at]) >= kelvin or abs(pressure[k] - pressure[at]) >= kpa
        if moved or time[k] - time[at] >= beat_s:
            kept.append(k)
    return trace.iloc[kept].reset_index(drop=True)


@pytest.mark.parametrize(("kelvin", "kpa", "beat_s"), [(0.15, 0.6, 300.0), (0.5, 2.0, 900.0)])
def test_what_did_not_change_is_no_gap(
    traces: ModuleType, kelvin: float, kpa: float, beat_s: float
) -> None:
    trace = on_change(sampled(traces, 2.0, 0.02), kelvin, kpa, beat_s)
    steps = trace["time"].diff().dt.total_seconds()
    assert steps.max() >= 200.0
    row = extract(trace, UNIT).cycles.iloc[0]
    assert row["completion"] == "complete"
    assert max(row["gap_s"], row["exposure_gap_s"]) <= 30.0


@pytest.mark.parametrize("seed", range(8))
def test_lost_samples_are_a_gap(traces: ModuleType, seed: int) -> None:
    """Fixed intervals, a tenth of the samples lost in stretches, one of them in the hold."""
    trace = sampled(traces, 2.0, 0.05)
    rng = np.random.default_rng(seed)
    keep = np.ones(len(trace), dtype=bool)
    for begin in rng.integers(0, len(trace) - 60, 12):
        keep[begin : begin + int(rng.integers(10, 60))] = False
    hold = int(np.flatnonzero(trace["temperature_c"] > 122.0)[200])
    keep[hold : hold + 120] = False
    row = extract(trace[keep].reset_index(drop=True), UNIT).cycles.iloc[0]
    assert row["exposure_gap_s"] >= 240.0


def test_what_is_lost_in_motion_is_a_gap_of_such_a_logger_too(traces: ModuleType) -> None:
    trace = on_change(sampled(traces, 2.0, 0.02), 0.15, 0.6, 300.0)
    at = trace["temperature_c"].between(60.0, 90.0) & (trace.index < len(trace) // 2)
    row = extract(trace[~at].reset_index(drop=True), UNIT).cycles.iloc[0]
    assert row["gap_s"] > 200.0
