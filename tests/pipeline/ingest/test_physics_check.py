"""Steam confirms or contradicts stated units (saturation: IAPWS-IF97 region 4)."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.pipeline.ingest.physics_check import (
    contradiction,
    plainly_steam,
    read_as,
    telling_rows,
    temperature_contradiction,
)
from chamberdrift.pipeline.ingest.steam_settles import settle_reference, settle_temperature_unit
from chamberdrift.shared.steam import p_sat_kpa
from chamberdrift.shared.units import PRESSURE_TO_KPA


def run_dry() -> tuple[np.ndarray, np.ndarray]:
    """Return a heat-up along saturation, then a chamber that has run dry."""
    cold = np.full(60, 22.0)
    rise = np.linspace(60.0, 121.0, 160)
    dry = np.full(400, 140.0)
    pressure = np.concatenate(
        (np.full(60, 98.0), np.maximum(98.0, p_sat_kpa(rise)), np.linspace(200.0, 110.0, 400))
    )
    return np.concatenate((cold, rise, dry)), pressure


def test_a_chamber_that_ran_dry_does_not_contradict_its_units() -> None:
    temperature, pressure = run_dry()
    assert contradiction(temperature, pressure, "°C", "kPa", True, 98.0) is None


def test_gauge_values_called_absolute_are_contradicted_all_the_same() -> None:
    temperature = np.concatenate((np.linspace(22.0, 121.5, 200), np.full(400, 121.5)))
    pressure = np.maximum(98.0, p_sat_kpa(temperature)) - 98.0
    found = contradiction(temperature, pressure, "°C", "kPa", True, 98.0)
    assert found is not None
    assert found.reference == "vented_gauge"


def month(share: float) -> tuple[np.ndarray, np.ndarray]:
    """Return a long record of temperature and pressure with little steam in it."""
    n = 80_000
    t = np.full(n, 22.4)
    for at in np.linspace(2_000, n - 2_000, 20).astype(int):
        width = int(n * share / 20)
        ramp = np.linspace(22.4, 121.3, 300)
        t[at - 300 : at] = ramp
        t[at : at + width] = 121.3
        t[at + width : at + width + 300] = ramp[::-1]
    return t, np.where(t > 100.2, p_sat_kpa(t), 101.3)


@pytest.mark.parametrize("share", [0.003, 0.012, 0.06])
def test_a_month_with_little_steam_settles_and_contradicts(share: float) -> None:
    t, p = month(share)
    assert settle_reference(t, p, "°C", "kPa", 101.325)[0] == "absolute"
    assert settle_reference(t, p - 101.325, "°C", "kPa", 101.325)[0] == "vented_gauge"
    assert settle_temperature_unit(t)[0] == "°C"
    assert contradiction(t, p, "°C", "kPa", True, 101.325) is None
    called_gauge = contradiction(t, p, "°C", "kPa", False, 101.325)
    assert called_gauge is not None
    assert called_gauge.reference == "absolute"
    called_absolute = contradiction(t, p - 101.325, "°C", "kPa", True, 101.325)
    assert called_absolute is not None
    assert called_absolute.reference == "vented_gauge"
    as_mbar = contradiction(t, p * 10, "°C", "kPa", True, 101.325)
    assert as_mbar is not None
    assert as_mbar.pressure_unit == "mbar"


def high_up() -> tuple[np.ndarray, np.ndarray]:
    """Return a cycle at 134 °C at 2,550 m, where the air has 74.3 kPa."""
    t = np.concatenate(
        (
            np.full(100, 21.0),
            np.linspace(21, 134, 200),
            np.full(120, 134.2),
            np.linspace(134, 60, 200),
        )
    )
    return t, np.maximum(74.3, np.where(t > 92.0, p_sat_kpa(t), 74.3))


def test_high_up_the_open_chamber_tells_absolute_from_gauge() -> None:
    t, p = high_up()
    assert settle_reference(t, p, "°C", "kPa", 74.3)[0] == "absolute"
    assert settle_reference(t, p - 74.3, "°C", "kPa", 74.3)[0] == "vented_gauge"
    assert contradiction(t, p, "°C", "kPa", True, 74.3) is None
    assert contradiction(t, p - 74.3, "°C", "kPa", False, 74.3) is None
    called_gauge = contradiction(t, p, "°C", "kPa", False, 74.3)
    assert called_gauge is not None
    assert called_gauge.reference == "absolute"
    called_absolute = contradiction(t, p - 74.3, "°C", "kPa", True, 74.3)
    assert called_absolute is not None
    assert called_absolute.reference == "vented_gauge"


def test_a_chamber_kept_under_vacuum_does_not_contradict_absolute() -> None:
    t, p = high_up()
    assert contradiction(t, np.where(t < 50.0, 9.0, p), "°C", "kPa", True, 74.3) is None


def test_a_leak_test_beside_a_warm_wall_does_not_contradict_its_unit() -> None:
    # 11 kPa at 107 to 79 °C is dry gas; as MPa it would be steam, and the open chamber at 10 bar.
    at = np.arange(0.0, 1500.0, 2.0)
    t = np.interp(at, [0, 200, 300, 1300, 1320, 1500], [69, 69, 107, 79, 74, 62])
    p = np.interp(at, [0, 200, 320, 1300, 1320, 1500], [99.7, 99.7, 11, 11.3, 99.7, 99.7])
    assert contradiction(t, p / 100.0, "°C", "bar", True, 101.325) is None


def test_steam_in_pounds_called_inches_of_mercury_is_contradicted() -> None:
    at = np.arange(0.0, 3000.0, 2.0)
    t = np.interp(at, [0, 300, 900, 2100, 2400, 3000], [22, 22, 121.5, 121.5, 80, 40])
    p = np.where(t > 100.0, p_sat_kpa(t), 101.3) / PRESSURE_TO_KPA["psi"]
    found = contradiction(t, p, "°C", "inHg", True, 101.325)
    assert found is not None
    assert found.pressure_unit == "psi"


@pytest.mark.parametrize("seed", range(40))
def test_what_plainly_agrees_is_at_ease_looked_at_closely(seed: int) -> None:
    # Steam that is off by up to 12 K, in any unit and either reference, with air or noise.
    rng = np.random.default_rng(seed)
    n = int(rng.integers(300, 4000))
    marks = np.array([0, 0.1, 0.3, 0.8, 0.9, 1.0]) * (n - 1)
    t = np.interp(np.arange(n), marks, [22, 22, 121.5, 121.5, 80, 40]) + rng.normal(0, 0.3, n)
    p = np.where(t > 100, p_sat_kpa(t + rng.uniform(-12, 12)), 101.3)
    unit = ("kPa", "bar", "psi")[seed % 3]
    written = (p - (0.0 if seed % 2 else 101.325)) / PRESSURE_TO_KPA[unit]
    for absolute in (True, False):
        how = ("°C", unit, absolute, 101.325)
        closely = read_as(*telling_rows(t, written), *how)
        if plainly_steam(t, written, *how):
            assert not closely.far
            assert closely.open_fits


def test_a_gap_in_the_record_is_looked_at_closely() -> None:
    t = np.interp(np.arange(2700), [0, 300, 900, 2100, 2699], [22, 22, 121.5, 121.5, 60])
    p = np.where(t > 100, p_sat_kpa(t), 101.3)
    assert plainly_steam(t, p, "°C", "kPa", True, 101.325)
    assert not plainly_steam(t, p, "°C", "kPa", False, 101.325)
    p[::7] = np.nan
    assert not plainly_steam(t, p, "°C", "kPa", True, 101.325)


def test_a_chamber_that_ran_dry_far_above_160_is_not_in_fahrenheit() -> None:
    at = np.arange(0.0, 3000.0, 2.0)
    t = np.interp(at, [0, 500, 2400, 3000], [44.0, 82.0, 178.0, 120.0])
    assert temperature_contradiction(t, "°C", 195.0) is None
    assert temperature_contradiction(t, "°C") is not None  # without pressure it stays a question
    fahrenheit = np.interp(at, [0, 500, 900, 2400, 3000], [72.0, 212.0, 250.0, 252.0, 160.0])
    assert temperature_contradiction(fahrenheit, "°C", 210.0) is not None


def cycle_with_air(left_k: float) -> tuple[np.ndarray, np.ndarray]:
    """Return an open chamber, then a hold that air keeps cooler than its pressure's steam."""
    rise = np.linspace(55.0, 121.5, 200)
    hot = np.full(300, 121.5)
    pressure = np.concatenate(
        (np.maximum(84.0, p_sat_kpa(rise + left_k)), p_sat_kpa(hot + left_k))
    )
    idle = np.full(15, 55.0)
    return np.concatenate((idle, rise, hot)), np.concatenate((np.full(15, 84.0), pressure))


def test_air_left_in_is_no_question_about_the_reference() -> None:
    """Twelve kelvin below saturation agree with another reference, the open chamber does not."""
    temperature, pressure = cycle_with_air(12.0)
    gauge = pressure - 84.0
    assert read_as(temperature, gauge, "°C", "kPa", True, 84.0).hot_samples > 100
    found = contradiction(temperature, gauge, "°C", "kPa", False, 84.0)
    assert found is None or found.reference != "absolute"
    right, kpa = cycle_with_air(0.0)
    called = contradiction(right, kpa - 84.0, "°C", "kPa", True, 84.0)
    assert called is not None
    assert called.reference == "vented_gauge"
