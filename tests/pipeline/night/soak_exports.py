"""A simulated fleet's exports laid out by the night in which they arrive."""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
from chamberdrift.fixtures.plan import FleetPlan, plan_fleet
from chamberdrift.fixtures.simulator import simulate_unit

OVERLAP = pd.Timedelta(hours=12)
ZONES = ("UTC", "Europe/Oslo", "America/Chicago")
"""Clocks of the loggers, in turn: two change to summer time and back."""
LATE_SHARE = 0.03
AGAIN_SHARE = 0.02
SPOILT_SHARE = 0.03
INTERVAL_S = 15.0
COLLECTED = 7
"""Nights from one collection of late exports to the next."""


@dataclass(frozen=True)
class Staged:
    """Exports that wait below ``folder/staged/<night>``, and what they are."""

    plan: FleetPlan
    service: pd.DataFrame
    files: int
    rows: int
    late: int
    again: int
    spoilt: int


def config_text(plan: FleetPlan) -> str:
    """Return the configuration: a site a zone; every unit at one of them."""
    lines = ["[defaults]", 'pressure_reference = "absolute"']
    for k, zone in enumerate(ZONES):
        lines += ["[[site]]", f'id = "site-{k}"', f'zone = "{zone}"', "altitude_m = 50.0"]
    for i, unit in enumerate(plan.units):
        lines += ["[[unit]]", f'id = "{unit.unit.id}"', f'site = "site-{i % len(ZONES)}"']
        lines += [f'type = "{unit.unit.type}"', f'air_removal = "{unit.unit.air_removal}"']
    return "\n".join(lines) + "\n"


def stage_exports(folder: Path, units: int, days: int, seed: int) -> Staged:
    """Write every export of the fleet below the night in which it arrives.

    Each export holds a day and repeats the last half of the day before. Some come
    days late, some come a second time with coarser numbers, some hold spoilt rows.
    """
    plan = plan_fleet(units, days, seed, continuous_share=0.1)
    loggers = [
        tuple(replace(x, interval_s=INTERVAL_S, reference="absolute") for x in u.loggers)
        for u in plan.units
    ]
    plan = replace(
        plan,
        units=tuple(replace(u, loggers=x) for u, x in zip(plan.units, loggers, strict=True)),
    )
    rng = np.random.default_rng([seed, 77])
    counts = dict.fromkeys(("files", "rows", "late", "again", "spoilt"), 0)
    service = []
    for i in range(units):
        made = simulate_unit(plan, i)
        service.append(made.service)
        trace = made.trace.sort_values("time", ignore_index=True)
        times = trace["time"].dt.tz_localize(None).to_numpy().astype("datetime64[ms]")
        for night in range(days):
            day = pd.Timestamp(plan.start).tz_localize(None) + pd.Timedelta(days=night)
            first, last = np.searchsorted(
                times,
                [(day - OVERLAP).to_datetime64(), (day + pd.Timedelta(days=1)).to_datetime64()],
            )
            rows = trace.iloc[first:last]
            if not len(rows):
                continue
            late = rng.random() < LATE_SHARE
            spoilt = rng.random() < SPOILT_SHARE
            arrives = straggler(night + int(rng.integers(1, 10)), days) if late else night
            write_export(folder, arrives, made.unit.id, i, rows, day, spoilt=spoilt)
            counts["files"] += 1
            counts["rows"] += len(rows)
            counts["late"] += arrives > night
            counts["spoilt"] += spoilt
            if rng.random() < AGAIN_SHARE:
                arrives = straggler(night + int(rng.integers(0, 20)), days)
                write_export(folder, arrives, made.unit.id, i, rows, day, again=True)
                counts["files"] += 1
                counts["again"] += 1
    frame = pd.concat([s for s in service if len(s)] or service, ignore_index=True)
    return Staged(plan, frame, **counts)


def straggler(night: int, days: int) -> int:
    """Return the night in which late exports are collected: the next seventh one."""
    return min(-(-night // COLLECTED) * COLLECTED, days - 1)


def write_export(
    folder: Path,
    night: int,
    unit_id: str,
    number: int,
    rows: pd.DataFrame,
    day: pd.Timestamp,
    *,
    again: bool = False,
    spoilt: bool = False,
) -> None:
    """Write one export, in the layout and zone that the unit's logger has."""
    zone = ZONES[number % len(ZONES)]
    local = rows["time"].dt.tz_convert(zone).dt.tz_localize(None).to_numpy()
    text = np.char.replace(np.datetime_as_string(local.astype("datetime64[s]")), "T", " ")
    places = 1 if again else 2
    columns = {"time": pa.array(text.astype(object), pa.string())}
    temperature = np.round(rows["temperature_c"].to_numpy(), places)
    columns["temperature (°C)"] = pa.array(temperature).cast(pa.string())
    pressure = rows["pressure_kpa"].to_numpy(dtype=float)
    if not np.isnan(pressure).all():
        columns["pressure (kPa abs)"] = pa.array(np.round(pressure, places)).cast(pa.string())
    if spoilt:
        words = columns["temperature (°C)"].to_pylist()
        words[len(words) // 2] = "ERR"
        columns["temperature (°C)"] = pa.array(words, pa.string())
    semicolon = number % 2 == 1
    if semicolon:
        for name in list(columns)[1:]:
            columns[name] = pc.replace_substring(columns[name], ".", ",")
    target = folder / "staged" / f"{night:04d}" / unit_id
    target.mkdir(parents=True, exist_ok=True)
    name = f"{unit_id}_{day:%Y-%m-%d}" + ("_2" if again else "") + ".csv"
    options = pa_csv.WriteOptions(delimiter=";" if semicolon else ",", quoting_style="none")
    pa_csv.write_csv(pa.table(columns), target / name, options)


def write_rubbish(inbox: Path, night: int, rng: np.random.Generator) -> None:
    """Write something under an export's name that is none."""
    kinds = (
        rng.integers(0, 256, 400, dtype=np.uint8).tobytes(),
        f"time,temperature\n2026-03-02 10:00:{night % 60:02d}\n".encode(),
        b"",
        f"Dear all,\nthe logger is broken, night {night}.\n".encode("utf-16"),
    )
    (inbox / f"rubbish-{night:04d}.csv").write_bytes(kinds[night % len(kinds)])


def write_service_log(inbox: Path, service: pd.DataFrame, until: pd.Timestamp) -> None:
    """Write the service log as it stood at a moment."""
    done = service[service["time"] < until]
    with open(inbox / "service-log.csv", "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["unit_id", "time", "part", "action", "note"])
        rows: Any = done.itertuples()
        for row in rows:
            writer.writerow([row.unit_id, row.time.isoformat(), row.part, row.action, row.note])
