"""How large a fault may grow on a unit before its cycles fail."""

from __future__ import annotations

import math

import numpy as np
import pytest
from chamberdrift.models.limits_of_size import floor_share, size_limit
from chamberdrift.models.signatures import DROOPS, HEAT, OWN_SENSOR, SERVICE_FLOOR, SIGNATURES
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


def test_a_drooping_plateau_leaves_its_band_before_heat_runs_short() -> None:
    expected = np.full(len(NAMES), np.nan)
    expected[INDEX["duty"]] = math.log(0.3)
    expected[[INDEX["plateau"], INDEX["overshoot"]]] = 1.6, 2.4
    seals = (next(k for k in ks if SIGNATURES[k].part == "door_seal") for ks in (HEAT, DROOPS))
    plain, droops = (size_limit(k, expected, 1.0, Config().limits) for k in seals)
    assert plain is not None
    assert droops is not None
    assert plain.size == pytest.approx(1.0 / 0.3 - 1.0)
    # Its swing ends 0.8 K above the lower limit; losses that rise by a factor of e take 1 K.
    assert droops.size == pytest.approx(math.expm1(0.8))
