"""Steam confirms or contradicts stated units (saturation: IAPWS-IF97 region 4)."""

from __future__ import annotations

import numpy as np
from chamberdrift.pipeline.ingest.physics_check import contradiction
from chamberdrift.shared.steam import p_sat_kpa


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
