"""How fast judging is: run by hand, ``python tests/benchmarks/bench_judge.py [units] [days]``.

Prints cycles a second and ratios to two floors measured in the same run: a
rolling median over the same numbers by pandas, and one isolation forest of
scikit-learn fitted and scored on them. Made-up numbers with a healthy scatter;
one unit in five has a weak heater that grows.
"""

from __future__ import annotations

import json
import sys
import time

import numpy as np
import pandas as pd
from chamberdrift.models import judge, judge_night
from chamberdrift.models.crew import Alone
from chamberdrift.models.sign_values import sign_matrix
from chamberdrift.pipeline.executor import held_executor, run_chunked
from chamberdrift.pipeline.keepers import Processes
from chamberdrift.shared.config import Config, Site, Unit
from chamberdrift.shared.schema import CYCLES, SERVICE


def table(units: int, days: int, a_day: int = 6) -> pd.DataFrame:
    """Return a cycles table of units that run ``a_day`` cycles on each day."""
    rng = np.random.default_rng(1)
    n = days * a_day
    frames = []
    for u in range(units):
        when = np.repeat(np.arange(days), a_day) + 0.3 + np.tile(np.arange(a_day) * 0.045, days)
        started = pd.Timestamp("2025-01-01", tz="UTC") + pd.to_timedelta(when, unit="D")
        weak = 1.0 - (0.003 * np.maximum(when - days / 2, 0.0) if u % 5 == 0 else 0.0)
        load = np.exp(0.05 * rng.standard_normal(n))
        power, loss = 10.0 * np.clip(weak, 0.55, 1.0) / load, 4.0 / load
        name = f"unit-{u:03d}"

        def noisy(
            value: float | np.ndarray, share: float, rng: np.random.Generator = rng
        ) -> np.ndarray:
            return value * np.exp(share * rng.standard_normal(n))

        frames.append(
            pd.DataFrame(
                {
                    "cycle_id": [f"{name}@{s:%Y%m%dT%H%M%S}" for s in started],
                    "unit_id": name,
                    "logger_id": "l",
                    "program": "gravity-121x20",
                    "program_source": "configuration",
                    "kind": "sterilization",
                    "completion": "complete",
                    "setpoint_c": 121.0,
                    "started_at": started,
                    "ended_at": started + pd.Timedelta(minutes=50),
                    "exposure_s": 1205.0,
                    "exposure_min_c": 121.5,
                    "exposure_max_c": 123.3 + 0.1 * rng.standard_normal(n),
                    "exposure_mean_c": 122.5 + 0.03 * rng.standard_normal(n),
                    "exposure_sd_c": noisy(0.4, 0.05),
                    "overband_k": 0.0,
                    "overshoot_k": 2.3 + 0.1 * rng.standard_normal(n),
                    "heat_start_c": 40.0,
                    "heat_up_s": noisy(81.0 * 60.0 / (power - 0.6 * loss), 0.03),
                    "heat_rate_k_per_min": noisy(power - 0.6 * loss, 0.03),
                    "heat_rate_pressurised_k_per_min": noisy(power - 0.9 * loss, 0.03),
                    "heater_duty": noisy(loss / power, 0.04),
                    "power_over_capacity_k_per_min": noisy(power, 0.03),
                    "loss_over_capacity_k_per_min": noisy(loss, 0.04),
                    "saturation_deviation_k": 0.1 * rng.standard_normal(n),
                    "superheat_k": 0.3 + 0.1 * rng.standard_normal(n),
                    "exhaust_s": noisy(90.0, 0.06),
                    "idle_before_s": 1800.0,
                    "noise_k": noisy(0.05, 0.1),
                    "sample_interval_s": 5.0,
                    "gap_s": 5.0,
                    "stuck_s": 10.0,
                    "atmosphere_kpa": 101.3,
                    "atmosphere_assumed": False,
                }
            )
        )
    frame = pd.concat(frames, ignore_index=True)
    for name in ("started_at", "ended_at"):
        frame[name] = frame[name].astype("datetime64[ms, UTC]")
    return CYCLES.conform(frame)


def timed(what: str, call: object, cycles: int) -> float:
    """Run something once; print its seconds and cycles a second."""
    begun = time.process_time()
    call()  # type: ignore[operator]
    spent = time.process_time() - begun
    print(f"{what:<46} {spent:8.2f} s CPU {cycles / max(spent, 1e-9):12,.0f} cycles/s")
    return spent


def by_clock(cycles: pd.DataFrame, service: pd.DataFrame, config: Config) -> None:
    """Print what one process and a pool of two take by the clock, state included."""
    with held_executor(2):
        list(run_chunked(len, [""] * 4, workers=2, chunk=1, cut_over=2))  # they have started
        for crew in (Alone(), Processes(2, None, 2)):
            begun = time.perf_counter()
            judge_night(None, cycles, service, config, crew=crew)
            spent = time.perf_counter() - begun
            print(
                f"{'the same with its state,':<26} {crew.parts} process(es) "
                f"{spent:8.2f} s by the clock"
            )


def main() -> None:
    """Measure judging and its floors."""
    from sklearn.ensemble import IsolationForest

    units = int(sys.argv[1]) if len(sys.argv) > 1 else 46
    days = int(sys.argv[2]) if len(sys.argv) > 2 else 365
    cycles = table(units, days)
    names = sorted(set(cycles["unit_id"].astype(str)))
    config = Config(
        sites=(Site("s"),), units=tuple(Unit(n, site="s", type="tabletop") for n in names)
    )
    service = SERVICE.empty()
    n = len(cycles)
    print(f"{units} units, {days} days, {n:,} cycles")
    spent = timed("judge, all history in one run", lambda: judge(cycles, service, config), n)
    by_clock(cycles, service, config)

    last = cycles["ended_at"].max().normalize()
    # A night inside a month: go on from the evening before.
    before, tonight = cycles[cycles["ended_at"] < last], cycles[cycles["ended_at"] >= last]
    _, state = judge_night(None, before, service, config)
    state = json.loads(json.dumps(state))
    size = len(json.dumps(state)) / 1e6
    night = timed(
        f"judge_night, one day ({len(tonight)} cycles)",
        lambda: judge_night(state, tonight, service, config),
        len(tonight),
    )
    signs = pd.DataFrame(sign_matrix(cycles))
    owner = cycles["unit_id"].to_numpy(dtype=str)
    median = timed(
        "floor: rolling median of 30 by pandas",
        lambda: signs.groupby(owner).rolling(30, min_periods=5).median(),
        n,
    )
    filled = signs.fillna(0.0).to_numpy()
    forest = timed(
        "floor: one isolation forest, fit and score",
        lambda: IsolationForest(random_state=0).fit(filled).score_samples(filled),
        n,
    )
    print(f"judge / rolling median {spent / median:.2f}, judge / one forest {spent / forest:.2f}")
    print(f"night / replay {night / spent:.3f}; state {size:.1f} MB, {size / units:.3f} MB a unit")


if __name__ == "__main__":
    main()
