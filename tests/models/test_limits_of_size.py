"""How large a fault may grow on a unit before its cycles fail."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.limits_of_size import floor_share
from chamberdrift.models.signatures import OWN_SENSOR, SERVICE_FLOOR, SIGNATURES
from chamberdrift.models.signs import INDEX, NAMES
from chamberdrift.shared.config import Config

STUCK = next(k for k, s in enumerate(SIGNATURES) if s.mode == "stuck on")


@pytest.mark.parametrize(
    ("over_band", "share"),
    [
        (-2.0, 1.0),  # 2 K below the end of the band: the floor of 0.4 K stands
        (-0.4, 0.5),  # 0.4 K below it: half of that is worth a visit
        (0.4, 0.25),  # above it: 0.2 K are taken as left
        (np.nan, 1.0),
    ],
)
def test_a_unit_near_the_end_of_its_band_calls_from_less(over_band: float, share: float) -> None:
    limits = Config().limits
    expected = np.full((1, len(NAMES)), np.nan)
    expected[0, INDEX["overshoot"]] = limits.band_width_k + over_band
    found = floor_share(SERVICE_FLOOR[None, :].copy(), expected, limits)
    assert found[0, STUCK] == pytest.approx(share)
    untouched = [k for k, s in enumerate(SIGNATURES) if "overshoot" not in s.changes]
    assert (found[0, untouched] == 1.0).all()


def test_a_plateau_that_sinks_keeps_its_floor() -> None:
    expected = np.full((1, len(NAMES)), 2.9)
    found = floor_share(-SERVICE_FLOOR[None, :], expected, Config().limits)
    assert found[0, OWN_SENSOR] == 1.0
