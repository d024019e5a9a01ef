"""Twelve odd cycles with their phases marked, to be looked at.

    python tests/features/draw_odd_cycles.py FILE.png

Each is drawn by hand from straight lines and exponentials (``traces.Sketch``), so that what
happened is known; found are the phases, the completion and the program.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import pandas as pd
from chamberdrift.features import assign_programs, extract
from chamberdrift.shared.config import Unit
from traces import Sketch, gravity, leak_test

mpl.use("Agg")
import matplotlib.pyplot as plt

GRAVITY = Unit("u1", air_removal="gravity", programs=("gravity-121x20", "gravity-134x4"))
PREVACUUM = Unit("u1", air_removal="prevacuum", programs=("prevacuum-134x4",))
MARKS: Final = (
    ("started_at", "start", ":"),
    ("exposure_start", "exposure", "-"),
    ("exposure_end", "its end", "--"),
    ("drying_start", "drying", "-."),
    ("ended_at", "end", ":"),
)


def back_to_back() -> Sketch:
    """Start again three minutes after the door was opened."""
    first = Sketch().idle(900, 22.0).ramp(121.5, 6.0).sawtooth(1200, 121.5, 123.0, 2.0, 1.0)
    first.blow_down(25.0, 240).cool(180, 60.0, 300.0).ramp(121.5, 8.0)
    return first.sawtooth(1200, 121.5, 123.0, 2.0, 1.0).blow_down(25.0, 240).cool(2400, 22.0, 900)


def stopped() -> Sketch:
    """Stop after five of twenty minutes."""
    sketch = Sketch().idle(900, 22.0).ramp(121.5, 6.0).sawtooth(300, 121.5, 123.0, 2.0, 1.0)
    return sketch.blow_down(25.0, 240).cool(2400, 22.0, 900.0)


def mains_gone() -> Sketch:
    """Cool slowly without mains for twelve minutes, then go on."""
    sketch = Sketch().idle(900, 22.0).ramp(121.5, 6.0).sawtooth(500, 121.5, 123.0, 2.0, 1.0)
    sketch.ramp(106.0, 1.3).ramp(121.5, 6.0).sawtooth(1200, 121.5, 123.0, 2.0, 1.0)
    return sketch.blow_down(25.0, 240).cool(2400, 22.0, 900.0)


def weak() -> Sketch:
    """Boil for an hour and never come to the exposure temperature."""
    sketch = Sketch().idle(900, 22.0).ramp(99.5, 2.5).ramp(117.0, 0.7)
    return sketch.blow_down(60.0, 300).cool(2400, 22.0, 900.0)


def opened_hot() -> Sketch:
    """Open the door while the chamber dries."""
    sketch = Sketch().idle(900, 22.0).ramp(134.5, 6.0).sawtooth(250, 134.5, 136.0, 3.0, 1.5)
    return sketch.blow_down(15.0, 120).cool(120, 95.0, 300.0).cool(2400, 22.0, 300.0)


def dip() -> Sketch:
    """Let cold feed water in just before the hold."""
    sketch = Sketch().idle(900, 22.0).ramp(134.9, 10.0)
    sketch.add(np.linspace(134.0, 131.0, 5), np.linspace(300.0, 262.0, 5)).ramp(135.5, 15.0)
    return sketch.sawtooth(240, 135.2, 135.6, 3.0, 3.0).blow_down(12.0, 120).cool(2400, 22.0, 900)


def far_pulses() -> Sketch:
    """Pulse eight minutes apart."""
    sketch = Sketch().idle(900, 30.0).ramp(102.5, 15.0)
    for _ in range(2):
        sketch.ramp(74.0, 8.0).ramp(107.0, 10.0)
    sketch.ramp(74.0, 8.0).ramp(135.4, 12.0).sawtooth(250, 135.2, 135.6, 3.0, 3.0)
    return sketch.blow_down(12.0, 60).ramp(90.0, 30.0).cool(2400, 22.0, 900.0)


def long_drying() -> Sketch:
    """Dry in a vacuum for forty minutes."""
    sketch = Sketch().idle(900, 55.0)
    for _ in range(3):
        sketch.evacuate(12.0, 120, 60.0).admit(150.0, 60, 110.0)
    sketch.evacuate(12.0, 120, 75.0).admit(110.0, 60, 102.0).ramp(134.5, 8.0)
    sketch.sawtooth(250, 134.5, 136.0, 3.0, 1.5).blow_down(20.0, 100).evacuate(8.0, 180, 80.0)
    return sketch.add(np.full(2400, 80.0), 8.0).admit(101.3, 60, 82.0).cool(1200, 40.0, 900.0)


def lost(trace: pd.DataFrame) -> pd.DataFrame:
    """Lose the samples of eight minutes of the hold."""
    second = (trace["time"] - trace["time"].iloc[0]).dt.total_seconds()
    return trace[(second < 2300.0) | (second > 2780.0)].reset_index(drop=True)


def cut(trace: pd.DataFrame) -> pd.DataFrame:
    """End the export within the exposure."""
    return trace.iloc[: int(0.45 * len(trace))]


Case = tuple[str, Unit, Callable[[], Sketch], dict[str, Any], Callable[[Any], Any] | None]
CASES: Final[tuple[Case, ...]] = (
    ("started hot, 3 min after the door", GRAVITY, back_to_back, {}, None),
    ("stopped in exposure", GRAVITY, stopped, {}, None),
    ("mains lost, then resumed", GRAVITY, mains_gone, {}, None),
    ("weak heat, exposure never reached", GRAVITY, weak, {}, None),
    ("door opened on a hot chamber", GRAVITY, opened_hot, {}, None),
    ("cold feed water before the hold", GRAVITY, dip, {"interval_s": 5.0}, None),
    ("pulses 8 min apart, no pressure", PREVACUUM, far_pulses, {"pressure": False}, None),
    ("drying of 40 min", PREVACUUM, long_drying, {}, None),
    ("leak test, 0.3 kPa/min", PREVACUUM, lambda: leak_test(leak=0.3), {}, None),
    ("8 min of samples lost", GRAVITY, gravity, {}, lost),
    ("export ends in exposure", GRAVITY, gravity, {}, cut),
    ("60 s, steps of 0.5 K, 20 s of lag", GRAVITY, gravity,
     {"interval_s": 60.0, "step_k": 0.5, "lag_s": 20.0}, None),
)  # fmt: skip


def main() -> None:
    """Draw all of them into one picture."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file")
    options = parser.parse_args()
    figure, axes = plt.subplots(4, 3, figsize=(15, 14), layout="constrained")
    for ax, (title, unit, draw, how, spoil) in zip(axes.flat, CASES, strict=True):
        trace = draw().trace(**{"interval_s": 2.0, "noise_k": 0.05, **how})
        panel(ax, title, unit, spoil(trace) if spoil else trace)
    figure.savefig(options.file, dpi=70)


def panel(ax: Any, title: str, unit: Unit, trace: pd.DataFrame) -> None:
    """Draw one trace, the phases found in it as lines, and what it is called."""
    begin = trace["time"].iloc[0]
    minute = (trace["time"] - begin).dt.total_seconds() / 60.0
    ax.plot(minute, trace["temperature_c"], color="black", lw=0.8, marker=".", ms=1.5)
    ax.set(title=title, xlabel="min", ylabel="°C", ylim=(15, 150))
    cycles = assign_programs(extract(trace, unit).cycles, unit)
    for _, cycle in cycles.iterrows():
        for column, word, line in MARKS:
            if pd.isna(cycle[column]):
                continue
            at = (cycle[column] - begin).total_seconds() / 60.0
            ax.axvline(at, color="tab:blue", ls=line, lw=0.9)
            ax.text(at, 148, f" {word}", rotation=90, va="top", fontsize=7, color="tab:blue")
    words = [
        f"{c.kind}, {c.program if pd.notna(c.program) else 'no program'}, {c.completion}, "
        + (f"{c.exposure_s:.0f} s" if pd.notna(c.exposure_s) else "no exposure")
        for c in cycles.itertuples()
    ]
    ax.text(0.02, 0.02, "\n".join(words), transform=ax.transAxes, fontsize=8, va="bottom",
            bbox={"facecolor": "white", "alpha": 0.8, "lw": 0})  # fmt: skip


if __name__ == "__main__":
    main()
