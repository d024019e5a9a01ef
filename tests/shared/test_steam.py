"""Steam properties and lethality against published values."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.shared.steam import (
    f0_min,
    lethal_rate,
    p_sat_kpa,
    pressure_at_altitude_kpa,
    t_sat_c,
)

# IAPWS R7-97(2012), Table 35: T [K], p_sat [MPa].
TABLE_35 = ((300.0, 0.353658941e-2), (500.0, 2.63889776), (600.0, 12.3443146))
# IAPWS R7-97(2012), Table 36: p [MPa], T_sat [K].
TABLE_36 = ((0.1, 372.755919), (1.0, 453.035632), (10.0, 584.149488))
# 100 to 140 °C in 1 K [kPa]: IF97 region 4 computed by an independent implementation
# (PyPI iapws 1.5.5), six decimals.
IF97_100_TO_140 = (
    101.417978, 105.091040, 108.873479, 112.767777, 116.776452, 120.902059, 125.147186,
    129.514460, 134.006544, 138.626134, 143.375967, 148.258814, 153.277481, 158.434814,
    163.733693, 169.177036, 174.767797, 180.508967, 186.403575, 192.454685, 198.665400,
    205.038857, 211.578232, 218.286739, 225.167627, 232.224183, 239.459730, 246.877629,
    254.481279, 262.274114, 270.259607, 278.441265, 286.822636, 295.407302, 304.198883,
    313.201036, 322.417456, 331.851872, 341.508053, 351.389802, 361.500962,
)  # fmt: skip


@pytest.mark.parametrize(("kelvin", "mpa"), TABLE_35)
def test_saturation_pressure_table_35(kelvin: float, mpa: float) -> None:
    """IAPWS R7-97(2012), Table 35, nine digits."""
    assert float(p_sat_kpa(kelvin - 273.15)) / 1000.0 == pytest.approx(mpa, rel=2e-9)


@pytest.mark.parametrize(("mpa", "kelvin"), TABLE_36)
def test_saturation_temperature_table_36(mpa: float, kelvin: float) -> None:
    """IAPWS R7-97(2012), Table 36, nine digits."""
    assert float(t_sat_c(mpa * 1000.0)) + 273.15 == pytest.approx(kelvin, rel=2e-9)


def test_whole_table_of_sterilization() -> None:
    """All 41 values from 100 to 140 °C, to the printed digit."""
    assert np.abs(p_sat_kpa(np.arange(100.0, 141.0)) - IF97_100_TO_140).max() < 6e-7


def test_temperature_to_pressure_and_back_is_exact() -> None:
    """T to p to T is exact to rounding."""
    t = np.linspace(50.0, 200.0, 1501)
    assert np.abs(t_sat_c(p_sat_kpa(t)) - t).max() < 1e-9


def test_against_reference_library() -> None:
    """CoolProp (MIT): its IF97 to rounding, its IAPWS-95 within 2e-4, over 50 to 200 °C."""
    props = pytest.importorskip("CoolProp.CoolProp")
    t = np.arange(50.0, 200.5, 0.5)
    own = p_sat_kpa(t)
    if97 = np.array([props.PropsSI("P", "T", x + 273.15, "Q", 0, "IF97::Water") for x in t])
    iapws95 = np.array([props.PropsSI("P", "T", x + 273.15, "Q", 0, "Water") for x in t])
    assert np.abs(own * 1000.0 / if97 - 1.0).max() < 1e-9
    assert np.abs(own * 1000.0 / iapws95 - 1.0).max() < 2e-4


def test_outside_the_range_is_nan() -> None:
    """No number where the equation does not hold."""
    assert np.isnan(p_sat_kpa([-1.0, 380.0])).all()
    assert np.isnan(t_sat_c([0.5, 23_000.0])).all()


@pytest.mark.parametrize(
    ("t", "reference", "rate"),
    [
        (110.0, 121.11, 0.077446),  # Mullan, dairyscience.info, prints 0.077
        (121.0, 121.0, 1.0),
        (111.0, 121.0, 0.1),
        (134.0, 121.1, 19.498446),  # computed from the definition
        (121.0, 121.1, 0.977237),
    ],
)
def test_lethal_rate(t: float, reference: float, rate: float) -> None:
    """Lethal rates for several printed reference temperatures."""
    assert float(lethal_rate(t, reference_c=reference)) == pytest.approx(rate, rel=1e-5)


@pytest.mark.parametrize(
    ("hold_c", "minutes", "reference", "expected"),
    [
        # Public note on F0 citing Natl. Canners Assoc. 1968: 15 min at 121 °C is 15,
        # 15 min at 111 °C is 1.5, reference 121 °C.
        (121.0, 15.0, 121.0, 15.0),
        (111.0, 15.0, 121.0, 1.5),
        (134.0, 3.0, 121.1, 58.495338),  # closed form
        (132.0, 4.0, 121.1, 49.210750),
        (126.0, 10.0, 121.1, 30.902954),
        (121.0, 30.0, 121.1, 29.317117),
    ],
)
def test_f0_of_a_hold(hold_c: float, minutes: float, reference: float, expected: float) -> None:
    """Constant holds."""
    time = np.linspace(0.0, minutes * 60.0, 61)
    value = f0_min(time, np.full(61, hold_c), reference_c=reference)
    assert value == pytest.approx(expected, rel=1e-6)


def test_f0_of_fish_canning_example() -> None:
    """FAO Fisheries Circular 1985, 1.5: lethal rates each 5 min sum to 2.925, F0 14.6 min."""
    rates = np.zeros(12)
    rates[3:9] = 2.925 / 6.0  # the printed sum; single rows were not obtained
    temp = np.where(rates > 0.0, 121.1 + 10.0 * np.log10(np.maximum(rates, 1e-30)), -200.0)
    assert f0_min(np.arange(12) * 300.0, temp) == pytest.approx(14.625, abs=1e-6)


@pytest.mark.parametrize(
    ("interval_s", "excess"), [(1.0, 1.42e-5), (5.0, 3.55e-4), (10.0, 1.42e-3), (30.0, 1.27e-2)]
)
def test_f0_of_a_ramp(interval_s: float, excess: float) -> None:
    """100 to 134 °C in 10 min: closed form 24.896166; the trapezoid is high by a known share."""
    time = np.arange(0.0, 600.0 + 1e-9, interval_s)
    value = f0_min(time, 100.0 + 34.0 * time / 600.0)
    assert value / 24.896165600 - 1.0 == pytest.approx(excess, rel=0.02)


def test_f0_needs_two_samples() -> None:
    """No area under one point; missing temperatures are left out."""
    assert np.isnan(f0_min([0.0], [121.0]))
    assert f0_min([0.0, 30.0, 60.0], [121.1, np.nan, 121.1]) == pytest.approx(1.0)


def test_atmosphere_at_altitude() -> None:
    """ICAO standard atmosphere (tables, from memory): 1,000 m 89.875, 2,000 m 79.495 kPa."""
    assert pressure_at_altitude_kpa(0.0) == pytest.approx(101.325)
    assert pressure_at_altitude_kpa(1000.0) == pytest.approx(89.875, abs=0.01)
    assert pressure_at_altitude_kpa(2000.0) == pytest.approx(79.495, abs=0.01)
