"""What people would use otherwise, on the same features and under the same rule.

Each gives an alarm a cycle; alarms become flags by one rule for all: ``service``
when 3 of the last 10 cycles alarm on at least 2 days (the rule that the project's
own flags must meet), closed after 10 quiet cycles. None sees circumstances, and
none is tuned: thresholds are the defaults of each method.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from chamberdrift.shared.schema import FLAGS
from numpy.typing import NDArray

BASELINE = 30
"""Cycles of a unit and program that the limits or models learn from."""

PART_OF_FEATURE = {
    "heat_up_s": "heater",
    "heat_rate_k_per_min": "heater",
    "heat_rate_pressurised_k_per_min": "heater",
    "heater_duty": "heater",
    "power_over_capacity_k_per_min": "heater",
    "loss_over_capacity_k_per_min": "door_seal",
    "seat_s": "door_seal",
    "leak_kpa_per_min": "door_seal",
    "exhaust_s": "vent_path",
    "exhaust_tau_s": "vent_path",
    "exposure_mean_c": "temperature_sensor",
    "overshoot_k": "temperature_sensor",
    "exposure_sd_c": "controller",
    "saturation_deviation_k": "air_removal",
    "superheat_k": "water_fill",
    "open_pressure_kpa": "pressure_sensor",
    "air_removal_vacuum_kpa": "air_removal",
    "pulse_evacuation_s": "air_removal",
    "air_inlet_s": "air_removal",
    "drying_vacuum_kpa": "air_removal",
    "noise_k": "logger",
    "gap_s": "logger",
}
"""The features that all methods are given, and the part that each mostly speaks of."""

FEATURES = tuple(PART_OF_FEATURE)

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
Method = Callable[[Floats], tuple[Bools, list[str]]]
"""Raw features of one unit and program in time order (cycles, features), NaN where
unknown; to alarms and the part that each names."""


def three_sigma(x: Floats) -> tuple[Bools, list[str]]:
    """Alarm beyond mean ± 3 standard deviations of the first cycles, a feature at a time."""
    mean, sd = _moments(x[:BASELINE])
    z = np.abs((x - mean) / sd)
    z = np.where(np.isfinite(z), z, 0.0)
    alarm: Bools = np.asarray((z > 3.0).any(axis=1))
    alarm[:BASELINE] = False
    return alarm, [PART_OF_FEATURE[FEATURES[k]] for k in z.argmax(axis=1)]


def isolation_forest(x: Floats) -> tuple[Bools, list[str]]:
    """Alarm where scikit-learn's IsolationForest with its defaults says outlier."""
    from sklearn.ensemble import IsolationForest

    filled = _filled(x)
    model = IsolationForest(random_state=0).fit(filled[:BASELINE])
    alarm = np.asarray(model.predict(filled) < 0)
    alarm[:BASELINE] = False
    return alarm, ["unknown"] * len(x)


def outlier_detection(x: Floats) -> tuple[Bools, list[str]]:
    """Alarm where pyod's ECOD with its defaults says outlier."""
    from pyod.models.ecod import ECOD  # type: ignore[import-untyped]

    filled = _filled(x)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # features that never vary
        model = ECOD().fit(filled[:BASELINE])
        alarm = np.asarray(model.predict(filled) > 0)
    alarm[:BASELINE] = False
    return alarm, ["unknown"] * len(x)


def change_point(x: Floats) -> tuple[Bools, list[str]]:
    """Alarm while ruptures' Pelt sees a change of mean in the last 120 cycles.

    Every 10 cycles, as a weekly job would; squared error on standardised
    features, penalty 2 log(n) a feature, everything else by default.
    """
    import ruptures  # type: ignore[import-untyped]

    mean, sd = _moments(x[:BASELINE])
    z = (_filled(x) - np.nan_to_num(mean)) / np.where(np.isfinite(sd), sd, 1.0)
    alarm = np.zeros(len(x), bool)
    parts = ["unknown"] * len(x)
    for end in range(BASELINE + 20, len(x) + 1, 10):
        first = max(0, end - 120)
        signal = z[first:end]
        penalty = 2.0 * np.log(len(signal)) * signal.shape[1]
        breaks = ruptures.Pelt(model="l2").fit(signal).predict(pen=penalty)[:-1]
        late = [b for b in breaks if first + b >= BASELINE and len(signal) - b <= 30]
        if late:
            moved = np.abs(signal[late[-1] :].mean(axis=0) - signal[: late[-1]].mean(axis=0))
            part = PART_OF_FEATURE[FEATURES[int(moved.argmax())]]
            alarm[end - 10 : end] = True
            parts[end - 10 : end] = [part] * 10
    return alarm, parts


METHODS: dict[str, Method] = {
    "fixed limits, 3 sigma": three_sigma,
    "isolation forest (scikit-learn)": isolation_forest,
    "change points (ruptures)": change_point,
    "outlier detection (pyod ECOD)": outlier_detection,
}


def flags_of(cycles: pd.DataFrame, method: Method) -> pd.DataFrame:
    """Return the flags that a method raises on a fleet's cycles.

    A late alarm of ``change_point`` is dated to the end of its ten cycles: the
    cycles before it were seen by then.
    """
    rows: list[dict[str, object]] = []
    for _, unit in cycles.sort_values(["unit_id", "started_at"]).groupby("unit_id"):
        alarm = np.zeros(len(unit), bool)
        part = np.full(len(unit), "unknown", dtype=object)
        program = unit["program"].fillna("").astype(str).to_numpy()
        for name in np.unique(program):
            where = np.flatnonzero(program == name)
            x = unit.iloc[where][list(FEATURES)].to_numpy(dtype=np.float64)
            if len(x) <= BASELINE + 20:
                continue
            alarm[where], part[where] = method(x)
        rows += _episodes(unit, alarm, part)
    return FLAGS.conform(pd.DataFrame(rows)) if rows else FLAGS.empty()


def _episodes(
    unit: pd.DataFrame, alarm: Bools, part: NDArray[np.object_]
) -> Iterator[dict[str, object]]:
    day = unit["started_at"].dt.floor("D").astype("int64").to_numpy()
    open_since, quiet = -1, 0
    for i in range(len(unit)):
        last = np.flatnonzero(alarm[max(0, i - 9) : i + 1]) + max(0, i - 9)
        if open_since < 0 and alarm[i] and len(last) >= 3 and len(np.unique(day[last])) >= 2:
            open_since, quiet = i, 0
            names, counts = np.unique(part[last].astype(str), return_counts=True)
            yield {
                "flag_id": f"{unit['cycle_id'].iloc[i]}",
                "unit_id": unit["unit_id"].iloc[i],
                "part": names[counts.argmax()],
                "severity": "service",
                "first_seen": unit["started_at"].iloc[i],
                "cycle_id": unit["cycle_id"].iloc[i],
            }
        elif open_since >= 0:
            quiet = 0 if alarm[i] else quiet + 1
            if quiet >= 10:
                open_since = -1


def _moments(x: Floats) -> tuple[Floats, Floats]:
    """Return mean and standard deviation of each feature, NaN with fewer than 10 values."""
    known = np.isfinite(x)
    count = known.sum(axis=0)
    total = np.where(known, x, 0.0).sum(axis=0)
    mean = np.where(count >= 10, total / np.maximum(count, 1), np.nan)
    square = (np.where(known, x - mean, 0.0) ** 2).sum(axis=0)
    sd = np.sqrt(square / np.maximum(count - 1, 1))
    return mean, np.where(sd > 0.0, sd, np.nan)


def _filled(x: Floats) -> Floats:
    """Return the features with gaps filled by the baseline's mean, else 0."""
    mean, _ = _moments(x[:BASELINE])
    return np.where(np.isfinite(x), x, np.nan_to_num(mean))
