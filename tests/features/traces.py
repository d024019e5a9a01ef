"""Analytic traces with closed-form answers: ramps, exponentials, saw-teeth, leaks.

No physics simulator here: each piece is a formula, so that the answer is known
without running a model.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from chamberdrift.shared.schema import TRACES
from chamberdrift.shared.steam import p_sat_kpa
from numpy.typing import NDArray

ATMOSPHERE = 101.3


@dataclass
class Sketch:
    """A trace under construction, a sample a second before thinning."""

    temp: list[NDArray[np.float64]] = field(default_factory=list)
    pressure: list[NDArray[np.float64]] = field(default_factory=list)

    @property
    def now_s(self) -> int:
        """Length so far [s]."""
        return sum(len(t) for t in self.temp)

    @property
    def last_c(self) -> float:
        """Last temperature [°C]."""
        return float(self.temp[-1][-1])

    def add(self, temp: NDArray[Any], pressure: NDArray[Any] | float) -> Sketch:
        """Append samples a second apart."""
        self.temp.append(np.asarray(temp, dtype=float))
        self.pressure.append(np.broadcast_to(np.asarray(pressure, dtype=float), len(temp)).copy())
        return self

    def idle(self, seconds: int, temp_c: float) -> Sketch:
        """Stand open at one temperature."""
        return self.add(np.full(seconds, temp_c), ATMOSPHERE)

    def ramp(self, to_c: float, k_per_min: float) -> Sketch:
        """Heat in a straight line; saturated steam above 100 °C, open below."""
        start = self.last_c
        count = round(abs(to_c - start) / k_per_min * 60.0)
        temp = start + (to_c - start) * np.arange(1, count + 1) / count
        return self.add(temp, np.maximum(p_sat_kpa(temp), ATMOSPHERE))

    def sawtooth(
        self, seconds: int, low_c: float, high_c: float, rise: float, fall: float
    ) -> Sketch:
        """Cycle between two temperatures at constant rates [K/min], starting at the low one."""
        swing = high_c - low_c
        up, down = swing / rise * 60.0, swing / fall * 60.0
        phase = np.arange(1, seconds + 1) % (up + down)
        temp = np.where(
            phase < up, low_c + rise / 60.0 * phase, high_c - fall / 60.0 * (phase - up)
        )
        return self.add(temp, p_sat_kpa(temp))

    def blow_down(self, tau_s: float, seconds: int) -> Sketch:
        """Let gauge pressure decay with one time constant, in saturation."""
        start = float(self.pressure[-1][-1]) - ATMOSPHERE
        gauge = start * np.exp(-np.arange(1, seconds + 1) / tau_s)
        from chamberdrift.shared.steam import t_sat_c

        return self.add(t_sat_c(gauge + ATMOSPHERE), gauge + ATMOSPHERE)

    def cool(self, seconds: int, to_c: float, tau_s: float) -> Sketch:
        """Cool open towards a temperature."""
        temp = to_c + (self.last_c - to_c) * np.exp(-np.arange(1, seconds + 1) / tau_s)
        return self.add(temp, ATMOSPHERE)

    def evacuate(self, to_kpa: float, seconds: int, to_c: float) -> Sketch:
        """Pump down exponentially, temperature along a straight line."""
        start = float(self.pressure[-1][-1])
        share = np.exp(-5.0 * np.arange(1, seconds + 1) / seconds)
        pressure = to_kpa + (start - to_kpa) * share
        return self.add(np.linspace(self.last_c, to_c, seconds), pressure)

    def admit(self, to_kpa: float, seconds: int, to_c: float) -> Sketch:
        """Let steam or air in, pressure and temperature along straight lines."""
        start = float(self.pressure[-1][-1])
        return self.add(
            np.linspace(self.last_c, to_c, seconds), np.linspace(start, to_kpa, seconds)
        )

    def hold(self, seconds: int, leak_kpa_per_min: float, temp_c: float | None = None) -> Sketch:
        """Hold a vacuum that leaks in a straight line."""
        start = float(self.pressure[-1][-1])
        warm = self.last_c if temp_c is None else temp_c
        return self.add(
            np.full(seconds, warm), start + leak_kpa_per_min / 60.0 * np.arange(1, seconds + 1)
        )

    def trace(
        self,
        *,
        interval_s: float = 1.0,
        noise_k: float = 0.0,
        noise_kpa: float = 0.0,
        step_k: float = 0.0,
        pressure: bool = True,
        start: str = "2026-03-02T08:00:00Z",
        seed: int = 1,
        lag_s: float = 0.0,
    ) -> pd.DataFrame:
        """Return the trace as a table, thinned, with noise and resolution."""
        rng = np.random.default_rng(seed)
        temp, press = np.concatenate(self.temp), np.concatenate(self.pressure)
        if lag_s > 0.0:
            alpha = 1.0 - np.exp(-1.0 / lag_s)
            out = np.empty_like(temp)
            out[0] = temp[0]
            for k in range(1, len(temp)):
                out[k] = out[k - 1] + alpha * (temp[k] - out[k - 1])
            temp = out
        keep = np.arange(0, len(temp), interval_s).astype(int)
        temp = temp[keep] + rng.normal(0.0, noise_k, len(keep))
        if step_k:
            temp = np.round(temp / step_k) * step_k
        frame = pd.DataFrame(
            {
                "unit_id": "u1",
                "logger_id": "log1",
                "time": pd.Timestamp(start).as_unit("ms") + pd.to_timedelta(keep, unit="s"),
                "temperature_c": temp,
                "pressure_kpa": press[keep] + rng.normal(0.0, noise_kpa, len(keep))
                if pressure
                else np.nan,
                "source": "0" * 16,
            }
        )
        return TRACES.conform(frame)


def gravity(
    *,
    setpoint: float = 121.0,
    hold_s: int = 1200,
    rate: float = 6.0,
    rise: float = 2.0,
    fall: float = 1.0,
    tau_s: float = 25.0,
    start_c: float = 22.0,
    idle_s: int = 1200,
) -> Sketch:
    """Return a gravity cycle between two idle stretches."""
    s = Sketch().idle(idle_s, start_c).ramp(setpoint + 0.5, rate)
    s.sawtooth(hold_s, setpoint + 0.5, setpoint + 2.0, rise, fall)
    return s.blow_down(tau_s, 240).cool(3600, start_c, 900.0)


def prevacuum(*, setpoint: float = 134.0, hold_s: int = 240, pulses: int = 3) -> Sketch:
    """Return a prevacuum cycle with vacuum drying between two idle stretches."""
    s = Sketch().idle(1200, 55.0)
    for _ in range(pulses):
        s.evacuate(12.0, 120, 60.0).admit(150.0, 60, 110.0)
    s.evacuate(12.0, 120, 75.0).admit(110.0, 60, 102.0).ramp(setpoint + 0.5, 8.0)
    s.sawtooth(hold_s, setpoint + 0.5, setpoint + 2.0, 3.0, 1.5)
    s.blow_down(20.0, 100).evacuate(8.0, 180, 80.0).add(np.full(420, 80.0), 8.0)
    return s.admit(ATMOSPHERE, 60, 82.0).cool(1800, 40.0, 900.0)


def leak_test(*, leak: float = 0.05, hold_s: int = 900) -> Sketch:
    """Return a leak test in a cold dry chamber."""
    s = Sketch().idle(1200, 24.0).evacuate(5.0, 240, 23.0).hold(hold_s, leak)
    return s.admit(ATMOSPHERE, 60, 24.0).idle(1200, 24.0)
