"""Tables of cycles made from the relations of power, losses and heat capacity.

A unit has heater power P, losses L and heat capacity C (scaled so that P/C and
L/C come out in K/min); every feature follows from them in closed form, so a test
knows what each change has to look like. Invented units, no measured data.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
import pytest
from chamberdrift.shared.config import Config, Site, Unit
from chamberdrift.shared.schema import CYCLES, SERVICE

START = pd.Timestamp("2026-01-05", tz="UTC")


@dataclass
class Plan:
    """One unit's life: what changes from which day on."""

    name: str = "unit-01"
    days: int = 160
    a_day: float = 3.0
    seed: int = 1
    site: str | None = None
    pressure: bool = True
    change: Callable[[float, dict[str, float]], None] | None = None
    """Called with the day and the cycle's physics; changes it in place."""
    logger: Callable[[float], str] = lambda day: "logger-1"
    interval_s: Callable[[float], float] = lambda day: 5.0
    program: Callable[[float, np.random.Generator], str] = lambda day, rng: "gravity-121x20"
    aborted: float = 0.01
    extra: dict[str, Any] = field(default_factory=dict)


def make(plans: list[Plan]) -> pd.DataFrame:
    """Return a conformed cycles table of some units."""
    rows = [row for plan in plans for row in _unit(plan)]
    frame = pd.DataFrame(rows)
    for name in ("started_at", "ended_at", "exposure_start", "exposure_end"):
        frame[name] = frame[name].astype("datetime64[ms, UTC]")
    return CYCLES.conform(frame)


def config_of(plans: list[Plan]) -> Config:
    """Return a configuration that knows the units and their sites."""
    sites = sorted({p.site for p in plans if p.site})
    return Config(
        sites=tuple(Site(s, zone="UTC") for s in sites),
        units=tuple(Unit(p.name, site=p.site, type="tabletop") for p in plans),
    )


def service_rows(rows: list[tuple[str, float, str, str]]) -> pd.DataFrame:
    """Return a service table of (unit, day, part, action)."""
    frame = pd.DataFrame(
        {
            "service_id": [f"s{i}" for i in range(len(rows))],
            "unit_id": [r[0] for r in rows],
            "time": [START + pd.Timedelta(days=r[1]) for r in rows],
            "part": [r[2] for r in rows],
            "action": [r[3] for r in rows],
        }
    )
    frame["time"] = pd.to_datetime(frame["time"], utc=True).astype("datetime64[ms, UTC]")
    return SERVICE.conform(frame)


def _unit(plan: Plan) -> list[dict[str, Any]]:
    rng = np.random.default_rng(plan.seed)
    own = 1.0 + 0.08 * rng.standard_normal()
    rows: list[dict[str, Any]] = []
    for day in range(plan.days):
        if day % 7 == 6:
            continue  # closed
        count = rng.poisson(plan.a_day * (plan.extra.get("use", lambda d: 1.0)(day)))
        for k in range(int(min(count, 12))):
            clock = 7.5 + k * 0.95 + rng.uniform(0, 0.2)
            rows.append(_cycle(plan, rng, day + clock / 24.0, k, own))
        if plan.extra.get("leak_tests") and day % 7 == 1:
            rows.append(_leak_test(plan, rng, day + 6.5 / 24.0))
    return rows


def _cycle(plan: Plan, rng: np.random.Generator, day: float, k: int, own: float) -> dict[str, Any]:
    program = plan.program(day, rng)
    setpoint = float(program.split("-")[1].split("x")[0])
    hold_s = float(program.split("x")[1]) * 60.0
    ambient = (
        22.0
        + 2.0 * np.sin(day * 2.0)
        + plan.extra.get("season", 0.0) * np.sin(2 * np.pi * day / 365.0)
    )
    x: dict[str, float] = {
        "power": 10.0 * own * np.exp(0.006 * rng.standard_normal()),
        "loss": 4.0 * own * np.exp(0.006 * rng.standard_normal()),
        "capacity": np.exp(0.05 * rng.standard_normal()),
        "exhaust": np.exp(0.05 * rng.standard_normal()),
        "plateau": 1.5,
        "swing": 0.8,
        "air_k": 0.0,
        "superheat": 0.0,
        "pressure_kpa": 0.0,
        "logger_k": 0.0,
        "noise": 0.05,
        "pump": 1.0,
        "filter": 1.0,
        "leak": 0.02,
        "water": 1.0,
        "timer": 1.0,
    }
    if plan.change is not None:
        plan.change(day, x)
    c = x["capacity"] * (0.55 + 0.45 * x["water"])

    def loss(t: float) -> float:
        return x["loss"] * (t - ambient) / 99.0

    def rate(t: float) -> float:
        return max((x["power"] - loss(t)) / c, 0.2)

    start = 25.0 if k == 0 else 70.0
    heat_up_s = 60.0 * sum(4.0 / rate(t) for t in np.arange(start, setpoint, 4.0))
    rise, fall = rate(setpoint + x["plateau"]), loss(setpoint + x["plateau"]) / c
    began = START + pd.Timedelta(days=day)
    exposure = began + pd.Timedelta(seconds=heat_up_s)
    sd = 1.0 / np.sqrt(10.0)  # error of a mean over the cycle, in sample noise
    noise = x["noise"] * rng.standard_normal(8)
    dt_sat = x["pressure_kpa"] / (6.46 if setpoint < 128 else 8.9)
    saturation = -x["air_k"] + 0.6 * x["superheat"] + x["logger_k"] - dt_sat
    aborted = rng.random() < plan.aborted
    row: dict[str, Any] = {
        "cycle_id": f"{plan.name}@{began:%Y%m%dT%H%M%S}",
        "unit_id": plan.name,
        "logger_id": plan.logger(day),
        "program": program,
        "program_source": "configuration",
        "kind": "sterilization",
        "completion": "aborted" if aborted else "complete",
        "setpoint_c": setpoint,
        "started_at": began,
        "ended_at": exposure + pd.Timedelta(seconds=hold_s + 400.0),
        "exposure_start": exposure,
        "exposure_end": exposure + pd.Timedelta(seconds=hold_s + 5.0),
        "exposure_s": 5.0 * round((hold_s * x["timer"] + 15.0 + 3.0 * noise[7]) / 5.0),
        "below_band_s": 0.0,
        "overband_k": max(x["plateau"] + x["swing"] + x["logger_k"] - 4.0, 0.0),
        "exposure_min_c": setpoint + x["plateau"] - x["swing"] + x["logger_k"],
        "exposure_max_c": setpoint + x["plateau"] + x["swing"] + x["logger_k"] + noise[0],
        "exposure_mean_c": setpoint + x["plateau"] + x["logger_k"] + noise[1] * sd,
        "exposure_sd_c": x["swing"] * 0.55 * np.exp(0.05 * rng.standard_normal()),
        "exposure_slope_k_per_min": 0.005 * rng.standard_normal(),
        "overshoot_k": x["plateau"] + x["swing"] + x["logger_k"] + noise[0],
        "heat_start_c": start,
        "heat_up_s": heat_up_s,
        "heat_rate_k_per_min": rate(80.0) * np.exp(0.02 * rng.standard_normal()) if k == 0
        else np.nan,
        "heat_rate_pressurised_k_per_min": rate(112.0) * np.exp(0.02 * rng.standard_normal()),
        "seat_s": 480.0 / rate(106.0) * np.exp(0.03 * rng.standard_normal()),
        "rise_k_per_min": rise,
        "fall_k_per_min": fall,
        "heater_duty": fall / (rise + fall) * np.exp(0.03 * rng.standard_normal()),
        "power_over_capacity_k_per_min": (rise + fall) * np.exp(0.02 * rng.standard_normal()),
        "loss_over_capacity_k_per_min": fall * np.exp(0.03 * rng.standard_normal()),
        "sawtooth_period_s": 120.0 * x["swing"] * (1 / rise + 1 / fall),
        "boil_plateau_c": 99.97 + x["logger_k"] + 0.1 * rng.standard_normal(),
        "atmosphere_kpa": 101.325,
        "atmosphere_assumed": False,
        "idle_before_s": 12 * 3600.0 if k == 0 else 1200.0,
        "ambient_c": ambient,
        "noise_k": x["noise"] * np.exp(0.1 * rng.standard_normal()),
        "stuck_s": 10.0,
        "gap_s": plan.interval_s(day),
        "sample_interval_s": plan.interval_s(day),
    }  # fmt: skip
    if plan.pressure:
        row |= {
            "saturation_deviation_k": saturation + 0.05 * rng.standard_normal(),
            "superheat_k": saturation + 0.3 + x["superheat"] * 0.4 + 0.05 * rng.standard_normal(),
            "equilibration_s": 3.0 + 10.0 * x["air_k"] + 1.5 * x["pressure_kpa"]
            + rng.standard_normal(),
            "open_pressure_kpa": 101.3 + x["pressure_kpa"] + 0.3 * rng.standard_normal(),
            "exhaust_s": 90.0 * x["exhaust"] * x["water"] ** 1.5,
            "pressure_max_kpa": 230.0,
        }  # fmt: skip
    if program.startswith("prevacuum"):
        row |= {
            "air_removal_vacuum_kpa": 12.0 * x["pump"] * np.exp(0.03 * rng.standard_normal()),
            "pulse_evacuation_s": 40.0 * x["pump"] * np.exp(0.02 * rng.standard_normal()),
            "drying_vacuum_kpa": 6.0 * x["pump"] * np.exp(0.05 * rng.standard_normal()),
            "air_inlet_s": 35.0 * x["filter"] * np.exp(0.05 * rng.standard_normal()),
        }
    return row


def _leak_test(plan: Plan, rng: np.random.Generator, day: float) -> dict[str, Any]:
    x = {"leak": 0.02}
    if plan.change is not None:
        full = dict.fromkeys(
            ("power", "loss", "capacity", "exhaust", "plateau", "swing", "air_k", "superheat",
             "pressure_kpa", "logger_k", "noise", "pump", "filter", "water"), 1.0
        ) | x  # fmt: skip
        plan.change(day, full)
        x = full
    began = START + pd.Timedelta(days=day)
    return {
        "cycle_id": f"{plan.name}@{began:%Y%m%dT%H%M%S}",
        "unit_id": plan.name,
        "logger_id": plan.logger(day),
        "program": None,
        "kind": "leak_test",
        "completion": "complete",
        "started_at": began,
        "ended_at": began + pd.Timedelta(minutes=18),
        "exposure_start": pd.NaT,
        "exposure_end": pd.NaT,
        "leak_kpa_per_min": x["leak"] + 0.004 * rng.standard_normal(),
        "atmosphere_kpa": 101.325,
        "atmosphere_assumed": False,
        "sample_interval_s": plan.interval_s(day),
        "gap_s": plan.interval_s(day),
        "stuck_s": 10.0,
    }


@pytest.fixture(scope="session")
def lab() -> Any:
    """Hand the makers to the tests."""

    class Lab:
        plan = Plan
        start = START
        cycles = staticmethod(make)
        config = staticmethod(config_of)
        service = staticmethod(service_rows)

    return Lab
