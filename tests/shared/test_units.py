"""Conversion of units against exact definitions."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.shared.units import PRESSURE_TO_KPA, TEMPERATURE_TO_C, to_celsius, to_kpa


@pytest.mark.parametrize(
    ("value", "unit", "celsius"),
    [(250.0, "°F", 121.1111111), (273.2, "°F", 134.0), (394.15, "K", 121.0), (134.0, "°C", 134.0)],
)
def test_temperatures_become_celsius_by_definition(
    value: float, unit: str, celsius: float
) -> None:
    """°F and K by definition (NIST SP 811, from memory); 250 °F is 121.11 °C."""
    assert float(to_celsius(value, unit)) == pytest.approx(celsius, abs=1e-6)


@pytest.mark.parametrize(
    ("value", "unit", "kpa"),
    [
        (1.0, "bar", 100.0),
        (1013.25, "mbar", 101.325),
        (1013.25, "hPa", 101.325),
        (14.695948775, "psi", 101.325),  # NIST SP 811: 1 psi = 6.894757 kPa
        (760.0, "mmHg", 101.325),
        (1.0, "atm", 101.325),
        (0.304, "MPa", 304.0),
        (1.0, "kgf/cm2", 98.0665),
    ],
)
def test_pressures_become_kpa_by_published_factors(value: float, unit: str, kpa: float) -> None:
    """Factors of NIST SP 811 (2008), appendix B.8."""
    assert float(to_kpa(value, unit)) == pytest.approx(kpa, rel=1e-6)


def test_arrays_and_unknown_units() -> None:
    """Whole arrays convert; a unit that is not known raises."""
    assert np.allclose(to_kpa([1.0, 2.0], "bar"), [100.0, 200.0])
    assert "°F" in TEMPERATURE_TO_C
    assert "psi" in PRESSURE_TO_KPA
    with pytest.raises(KeyError):
        to_kpa(1.0, "stone")
