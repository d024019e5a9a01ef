"""Hand-made views for the reports' tests: physically sensible, and in the tables' schema.

Nothing here is a check value. Saturation comes from the package's own steam
functions; heater and loss figures are round numbers for a small chamber.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
from chamberdrift.reports.views import FleetView, Provenance, UnitView, join_judgements
from chamberdrift.shared.config import Config, Defaults, ServiceInterval, Site, Unit
from chamberdrift.shared.schema import (
    CYCLES,
    FLAGS,
    INTAKE,
    JUDGEMENTS,
    RESIDUALS,
    SERVICE,
    TRACES,
    UNITS,
)
from chamberdrift.shared.steam import f0_min, p_sat_kpa

AS_OF = pd.Timestamp("2026-11-25 05:00", tz="UTC")
LAST = AS_OF - pd.Timedelta(hours=12)
SETPOINT_C = 121.0
HOLD_S = 1800.0
FEATURES = {
    # feature: usual level, robust SD, change per unit of drift
    "heater_duty": (0.55, 0.015, 0.25),
    "power_over_capacity_k_per_min": (8.0, 0.25, 0.0),
    "loss_over_capacity_k_per_min": (4.4, 0.12, 2.0),
    "heat_rate_k_per_min": (6.0, 0.2, -0.3),
    "seat_s": (70.0, 4.0, 60.0),
    "exhaust_s": (95.0, 5.0, 4.0),
    "saturation_deviation_k": (0.2, 0.12, 0.2),
    "exposure_mean_c": (1.2, 0.08, 0.0),
    "superheat_k": (0.5, 0.12, 0.0),
    "open_pressure_kpa": (100.8, 0.5, 0.0),
    "noise_k": (0.04, 0.005, 0.0),
}


def trace(
    start: pd.Timestamp,
    *,
    interval_s: float = 2.0,
    pressure: bool = True,
    duty: float = 0.55,
    seed: int = 1,
) -> tuple[pd.DataFrame, dict[str, object]]:
    """Return one cycle's samples and the times and values read off the recipe itself."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 4200.0, interval_s)
    start_c = 24.0 + rng.normal(0.0, 4.0)
    heat = start_c + (SETPOINT_C + 0.2 - start_c) * (t / 960.0) ** (1.0 + rng.normal(0.0, 0.05))
    plateau = SETPOINT_C + 1.2 + 0.45 * _triangle(t - 960.0, 60.0, duty)
    exhaust = 100.5 + 21.5 * np.exp(-(t - 960.0 - HOLD_S) / (75.0 + rng.normal(0.0, 5.0)))
    dry = 100.5 - 26.0 * (1.0 - np.exp(-np.maximum(t - 960.0 - HOLD_S - 300.0, 0.0) / 700.0))
    temperature = np.select(
        [t < 960.0, t < 960.0 + HOLD_S, t < 960.0 + HOLD_S + 300.0], [heat, plateau, exhaust], dry
    )
    p = np.maximum(p_sat_kpa(temperature - 0.2), 100.8)
    p = np.where(t > 960.0 + HOLD_S + 300.0, 100.8, p)
    noisy = np.round(temperature + rng.normal(0.0, 0.04, t.size), 2)
    times = start + pd.to_timedelta(t, unit="s")
    samples = TRACES.conform(
        pd.DataFrame(
            {
                "unit_id": "?",
                "logger_id": "L-07",
                "time": times.astype("datetime64[ms, UTC]"),
                "temperature_c": noisy,
                "pressure_kpa": np.round(p + rng.normal(0, 0.15, t.size), 1)
                if pressure
                else np.nan,
                "source": "5f1d0c9e8a7b6c5d",
            }
        )
    )
    exposed = (t >= 960.0) & (t <= 960.0 + HOLD_S)
    facts: dict[str, object] = {
        "exposure_start": start + pd.Timedelta(seconds=960),
        "exposure_end": start + pd.Timedelta(seconds=960 + HOLD_S),
        "exhaust_start": start + pd.Timedelta(seconds=960 + HOLD_S),
        "drying_start": start + pd.Timedelta(seconds=960 + HOLD_S + 300),
        "ended_at": start + pd.Timedelta(seconds=4200),
        "exposure_s": HOLD_S,
        "exposure_min_c": float(noisy[exposed].min()),
        "exposure_max_c": float(noisy[exposed].max()),
        "f0_min": f0_min(t, noisy),
        "sawtooth_period_s": 60.0,
        "pressure_max_kpa": float(p.max()) if pressure else np.nan,
        "atmosphere_kpa": 100.8,
        "atmosphere_assumed": False,
        "sample_interval_s": interval_s,
        "gap_s": interval_s,
        "heat_up_s": 960.0,
    }
    return samples, facts


def _triangle(t: np.ndarray, period: float, duty: float) -> np.ndarray:
    x = np.mod(t, period) / period
    up, down = -1.0 + 2.0 * x / duty, 1.0 - 2.0 * (x - duty) / (1.0 - duty)
    return np.asarray(np.where(x < duty, up, down))


@lru_cache(maxsize=2)
def _facts(pressure: bool) -> dict[str, object]:
    return trace(LAST, pressure=pressure)[1]


def unit_tables(
    unit_id: str,
    *,
    cycles: int = 120,
    per_day: float = 2.0,
    drift: float = 0.0,
    drift_cycles: int = 40,
    pressure: bool = True,
    gap_at: int | None = None,
    seed: int = 1,
    last: pd.Timestamp = LAST,
    repaired_before: int = 0,
) -> dict[str, pd.DataFrame]:
    """Return cycles, judgements, residuals of one unit.

    ``drift`` scales the features' changes over the last ``drift_cycles``;
    ``repaired_before`` puts that many cycles after a repair that ended the drift.
    """
    rng = np.random.default_rng(seed)
    step = pd.Timedelta(days=1.0 / per_day)
    order = np.arange(cycles)
    offset = np.zeros(cycles)
    if gap_at is not None:
        offset[:gap_at] = 18.0
    days = (order - cycles + 1) * (step / pd.Timedelta(days=1)) - offset
    starts = last + pd.to_timedelta(np.round(days * 86400.0), unit="s")
    ramp = np.clip((order - (cycles - drift_cycles - repaired_before)) / drift_cycles, 0.0, 1.0)
    if repaired_before:
        ramp[cycles - repaired_before :] = 0.0
    ramp = ramp * drift
    facts = _facts(pressure)
    rows, res = [], []
    for i, start in enumerate(starts):
        shift = start - LAST
        row = {k: (v + shift if isinstance(v, pd.Timestamp) else v) for k, v in facts.items()}
        row |= {
            "cycle_id": f"{unit_id}@{start.strftime('%Y-%m-%dT%H:%M:%SZ')}",
            "unit_id": unit_id,
            "logger_id": "L-07",
            "program": "gravity-121x30",
            "program_source": "configuration",
            "kind": "sterilization",
            "completion": "complete",
            "setpoint_c": SETPOINT_C,
            "started_at": start,
            "sawtooth_count": 12,
        }
        for name, (level, sd, change) in FEATURES.items():
            if not pressure and name in (
                "exhaust_s",
                "saturation_deviation_k",
                "superheat_k",
                "open_pressure_kpa",
            ):
                continue
            adjusted = level + change * ramp[i] + rng.normal(0.0, sd)
            value = adjusted + rng.normal(0.0, 0.7 * sd)
            row[name] = value + (SETPOINT_C if name == "exposure_mean_c" else 0.0)
            res.append(
                {
                    "cycle_id": row["cycle_id"],
                    "unit_id": unit_id,
                    "started_at": start,
                    "feature": name,
                    "value": value,
                    "adjusted": adjusted,
                    "expected": level,
                    "scale": sd,
                    "z": (adjusted - level) / sd,
                    "epoch": int(repaired_before > 0 and i >= cycles - repaired_before),
                }
            )
        rows.append(row)
    table = CYCLES.conform(pd.DataFrame(rows)) if rows else CYCLES.empty()
    verdict = np.where(ramp > 0.95 * max(drift, 1e-9), "outside", "inside").astype(object)
    if cycles > 6:
        verdict[-5] = "incomplete"
    judged = JUDGEMENTS.empty()
    if rows:
        judged = JUDGEMENTS.conform(
            pd.DataFrame(
                {
                    "cycle_id": table["cycle_id"],
                    "unit_id": unit_id,
                    "verdict": verdict,
                    "verdict_reason": [
                        {
                            "inside": "all recorded values inside limits",
                            "outside": "lowest temperature 120.4 °C under 121 °C",
                            "incomplete": "stopped by the operator",
                        }[v]
                        for v in verdict
                    ],
                    "verdict_source": "EN 13060, value not checked against it",
                    "within_uncertainty": False,
                    "anomaly_p": 0.4,
                    "model_version": "0.1.0/2026-11-01",
                }
            )
        )
    residuals = RESIDUALS.conform(pd.DataFrame(res)) if res else RESIDUALS.empty()
    return {"cycles": join_judgements(table, judged), "residuals": residuals}


def flag(
    unit_id: str, part: str = "door_seal", severity: str = "service", **more: object
) -> dict[str, object]:
    """Return one flag's row."""
    base: dict[str, object] = {
        "flag_id": f"{unit_id}-{part}-1",
        "unit_id": unit_id,
        "part": part,
        "mode": "",
        "alternatives": "vent_path" if part == "door_seal" else "",
        "severity": severity,
        "confidence": 0.8,
        "first_seen": AS_OF - pd.Timedelta(days=9),
        "last_seen": AS_OF - pd.Timedelta(hours=12),
        "recorded_at": AS_OF - pd.Timedelta(days=8.9),
        "layer": "drift",
        "feature": "loss_over_capacity_k_per_min",
        "evidence": "Heat loss over heat capacity rose from 4.4 to 5.9 K/min in 20 days while "
        "power over capacity stayed at 8.0 K/min. The time from 102 to 110 °C rose from 70 to "
        "118 s.",
        "bench_check": "Look along the seal for cuts and flat spots with the chamber cold and "
        "open; wisps of steam at the door edge in heat-up would confirm it.",
        "change_point": AS_OF - pd.Timedelta(days=20),
        "change_point_low": AS_OF - pd.Timedelta(days=23),
        "change_point_high": AS_OF - pd.Timedelta(days=18),
        "slope_per_day": 0.075,
        "days_to_limit": 12.0,
        "days_to_limit_low": 8.0,
        "days_to_limit_high": 20.0,
    }
    return base | more


def service_row(
    unit_id: str, days_ago: float, part: str, action: str, **more: object
) -> dict[str, object]:
    """Return one service entry."""
    when = AS_OF - pd.Timedelta(days=days_ago)
    return {
        "service_id": f"{unit_id}-{part}-{days_ago}",
        "unit_id": unit_id,
        "time": when,
        "part": part,
        "action": action,
        "note": "",
        "result": "",
        "undone": False,
        "recorded_at": when,
    } | more


def trace_source(cycles: pd.DataFrame, *, pressure: bool = True, interval_s: float = 2.0):  # type: ignore[no-untyped-def]
    """Return a function from cycle id to samples."""
    starts = dict(zip(cycles["cycle_id"], cycles["started_at"], strict=True))

    def get(cycle_id: str) -> pd.DataFrame:
        if cycle_id not in starts:
            return TRACES.empty()
        seed = int(starts[cycle_id].timestamp()) % 2**31
        samples, _ = trace(starts[cycle_id], interval_s=interval_s, pressure=pressure, seed=seed)
        return samples

    return get


def unit_view(
    unit_id: str = "Otter Creek 2",
    *,
    flags: list[dict[str, object]] | None = None,
    service: list[dict[str, object]] | None = None,
    pressure: bool = True,
    **tables: object,
) -> UnitView:
    """Return one unit's view."""
    made = unit_tables(unit_id, pressure=pressure, **tables)  # type: ignore[arg-type]
    config = small_config([(unit_id, "otter-creek")])
    return UnitView(
        config=config,
        unit=config.unit(unit_id),
        cycles=made["cycles"],
        as_of=AS_OF,
        flags=FLAGS.conform(pd.DataFrame(flags)) if flags else FLAGS.empty(),
        residuals=made["residuals"],
        service=SERVICE.conform(pd.DataFrame(service)) if service else SERVICE.empty(),
        intake=intake([unit_id]),
        trace=trace_source(made["cycles"], pressure=pressure),
        provenance=Provenance("clinics-store", 41),
    )


def small_config(units: list[tuple[str, str]]) -> Config:
    """Return a configuration with these (unit, site) pairs."""
    sites = sorted({s for _, s in units})
    return Config(
        sites=tuple(
            Site(s, "Europe/Paris", 120.0, s.replace("-", " ").title() + " Animal Clinic")
            for s in sites
        ),
        units=tuple(Unit(u, s, "bench 18 L", 18.0, 1800.0, 230.0, "gravity") for u, s in units),
        defaults=Defaults(zone="Europe/Paris"),
        service_intervals=(
            ServiceInterval("door_seal", days=365.0, cycles=1000),
            ServiceInterval("vent_path", days=90.0),
        ),
    )


def intake(units: list[str], quarantined: int = 0) -> pd.DataFrame:
    """Return an intake table: one accepted export a unit, and some set aside."""
    rows = [
        {
            "export": f"otter-creek/{u}-2026-11.csv",
            "sha256": f"{i:016x}".replace("0", "5")[:16] + "0" * 48,
            "bytes": 120_000,
            "unit_ids": u,
            "outcome": "accepted",
            "reason": "",
            "last_time": AS_OF - pd.Timedelta(hours=11),
            "recorded_at": AS_OF,
        }
        for i, u in enumerate(units)
    ]
    rows += [
        {
            "export": f"lakeside/old logger {i}.csv",
            "sha256": f"aa{i:062x}",
            "bytes": 10,
            "outcome": "quarantined",
            "reason": "the file does not say whether pressure is gauge or absolute; "
            'add pressure_reference = "absolute" to a [[layout]]',
            "recorded_at": AS_OF,
        }
        for i in range(quarantined)
    ]
    return INTAKE.conform(pd.DataFrame(rows)) if rows else INTAKE.empty()


@lru_cache(maxsize=12)
def fleet_view(units: int = 12, *, cycles: int = 60, flagged: int | None = None) -> FleetView:
    """Return a fleet: a few units drift and are flagged, one is silent, one export aside."""
    sites = ("otter-creek", "lakeside", "north-mill", "harbour")
    names = [
        (f"{sites[i % 4].split('-')[0].title()} {i // 4 + 1:02d}", sites[i % 4])
        for i in range(units)
    ]
    flagged = min(5, units) if flagged is None else flagged
    severities = ("stop", "service", "service", "watch", "watch")
    parts = ("door_seal", "heater", "vent_path", "temperature_sensor", "logger")
    modes = ("", "element weak", "blocked", "", "drop-outs")
    all_cycles, all_res, flags = [], [], []
    for i, (name, _) in enumerate(names):
        drift = 1.0 if i < flagged else 0.0
        last = AS_OF - pd.Timedelta(hours=12 + i % 7)
        if units > 3 and i == units - 1:
            last -= pd.Timedelta(days=9)
        made = unit_tables(
            name, cycles=cycles, drift=drift, drift_cycles=min(30, cycles), seed=i + 1, last=last
        )
        all_cycles.append(made["cycles"])
        all_res.append(made["residuals"])
        if i < flagged:
            k = i % 5
            none = {
                "days_to_limit": np.nan,
                "days_to_limit_low": np.nan,
                "days_to_limit_high": np.nan,
            }
            more: dict[str, object] = {"mode": modes[k]}
            if severities[k] == "watch":
                more |= none
            if k == 1:
                more["days_to_limit_high"] = np.nan
            if k == 2:
                more["first_seen"] = AS_OF - pd.Timedelta(hours=14)
                more["recorded_at"] = AS_OF
            flags.append(flag(name, parts[k], severities[k], **more))
    config = small_config(names)
    return FleetView(
        config=config,
        cycles=pd.concat(all_cycles, ignore_index=True),
        as_of=AS_OF,
        flags=FLAGS.conform(pd.DataFrame(flags)) if flags else FLAGS.empty(),
        residuals=pd.concat(all_res, ignore_index=True),
        service=SERVICE.conform(
            pd.DataFrame([service_row(names[0][0], 200, "vent_path", "cleaned")])
        ),
        intake=intake([n for n, _ in names], quarantined=2),
        units=UNITS.empty(),
        since=AS_OF - pd.Timedelta(days=1),
        provenance=Provenance("clinics-store", 41),
    )
