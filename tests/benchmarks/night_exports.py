"""Exports of one night for a large fleet, made from a handful of simulated cycles."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
from chamberdrift.fixtures.simulator import plan_fleet, simulate_unit

CYCLE_S = 2700
"""Length of one cycle and the idle time around it [s]: 45 min at one sample a second."""


def templates(count: int = 6, seed: int = 3) -> list[pd.DataFrame]:
    """Return simulated stretches of one cycle each, one sample a second, 45 min long."""
    plan = plan_fleet(
        4, 4, seed, healthy_share=1.0, confounders=False, proportioned_share=0.0,
        no_pressure_share=0.0, continuous_share=0.0,
    )  # fmt: skip
    found: list[pd.DataFrame] = []
    for i, unit in enumerate(plan.units):
        loggers = tuple(
            replace(u, interval_s=1.0, lead_s=60.0, tail_s=900.0, reference="absolute")
            for u in unit.loggers
        )
        made = simulate_unit(
            replace(plan, units=tuple(replace(u, loggers=loggers) for u in plan.units)), i
        )
        time = made.trace["time"].dt.tz_localize(None).to_numpy()
        truth = made.truth_cycles
        for row in truth[truth["kind"] == "sterilization"].itertuples():
            begin = np.datetime64(row.started_at.tz_localize(None)) - np.timedelta64(60, "s")
            first = int(np.searchsorted(time, begin))
            part = made.trace.iloc[first : first + CYCLE_S]
            whole = len(part) == CYCLE_S and part["time"].iloc[-1] - part["time"].iloc[
                0
            ] < pd.Timedelta(seconds=CYCLE_S + 5)
            if whole and row.ended_at < part["time"].iloc[-1]:
                found.append(part[["temperature_c", "pressure_kpa"]].reset_index(drop=True))
            if len(found) >= count:
                return found
    if not found:
        raise RuntimeError("no simulated cycle fits into 45 minutes")
    return found


def write_night(
    folder: Path,
    made: list[pd.DataFrame],
    *,
    units: int,
    cycles: int,
    day: pd.Timestamp,
    seed: int = 0,
    every_s: int = 1,
) -> int:
    """Write one export a unit for one day; return the number of rows written.

    Parameters
    ----------
    folder
        Where to; a sub-folder a unit is made.
    made
        Stretches as ``templates`` returns them.
    units, cycles
        How many units, and cycles a unit.
    day
        Midnight UTC of the day.
    every_s
        Seconds between samples.
    """
    made = [m.iloc[::every_s] for m in made]
    rng = np.random.default_rng(seed)
    options = pa_csv.WriteOptions(quoting_style="none")
    rows = 0
    for unit in range(units):
        picks = [made[int(k)] for k in rng.integers(0, len(made), cycles)]
        start = day + pd.Timedelta(hours=6)
        stamps = np.concatenate(
            [
                (start + pd.Timedelta(seconds=int(k * (CYCLE_S + 300)))).to_datetime64()
                + np.arange(0, CYCLE_S, every_s) * np.timedelta64(1, "s")
                for k in range(cycles)
            ]
        )
        temperature = np.concatenate([p["temperature_c"].to_numpy() for p in picks])
        pressure = np.concatenate([p["pressure_kpa"].to_numpy() for p in picks])
        temperature = temperature + 0.02 * rng.standard_normal(temperature.size)
        pressure = pressure + 0.05 * rng.standard_normal(pressure.size)
        table = pa.table(
            {
                "time_utc": pa.array(np.datetime_as_string(stamps, "s", timezone="UTC")),
                "chamber_temperature_degC": np.round(temperature, 2),
                "chamber_pressure_kPa_abs": np.round(pressure, 2),
            }
        )
        place = folder / f"unit-{unit:04d}"
        place.mkdir(parents=True, exist_ok=True)
        pa_csv.write_csv(table, place / f"unit-{unit:04d}_{day:%Y-%m-%d}.csv", options)
        rows += table.num_rows
    return rows
