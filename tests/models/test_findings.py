"""What is asked of a signature before anybody is called: significance and size."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.diagnosis import match
from chamberdrift.models.findings import WATCH_T, eligible
from chamberdrift.models.signatures import SERVICE_FLOOR, SIGNATURES
from chamberdrift.models.signs import INDEX, SIGNS, WANDER

K = len(SIGNATURES)
HEATER = next(k for k, s in enumerate(SIGNATURES) if s.mode == "element weak")


@pytest.mark.parametrize(
    ("t", "size", "support", "called"),
    [
        (4.1, 1.05, 2, True),
        (4.1, 0.95, 2, False),  # barely certain: at its floor only
        (8.1, 0.55, 2, True),  # certain by twice as much: at half of it
        (8.1, 0.45, 2, False),
        (3.85, 1.05, 2, False),
        (3.85, 1.05, 3, True),  # three signs that agree
        (4.7, 1.05, 1, False),  # one alone
        (4.9, 1.05, 1, True),
    ],
)
def test_what_is_asked_for_a_visit(t: float, size: float, support: int, called: bool) -> None:
    answer = eligible(
        np.full(K, t), size * SERVICE_FLOOR, np.full(K, support, dtype=np.int64), "service"
    )
    assert bool(answer[HEATER]) is called


def test_a_pressure_channel_and_a_share_of_cycles_call_at_their_floor_only() -> None:
    answer = eligible(
        np.full(K, 12.0), 0.95 * SERVICE_FLOOR, np.full(K, 4, dtype=np.int64), "service"
    )
    left = [s for s, called in zip(SIGNATURES, answer, strict=True) if not called]
    assert {s.part for s in left if "boiling" not in s.changes} == {"pressure_sensor"}
    assert [s.mode for s in left if "boiling" in s.changes] == ["trap"]


def test_a_week_of_weather_on_a_gauge_channel_is_no_air() -> None:
    """2 kPa of atmosphere that was taken as usual: 0.3 K at 121 °C (dp/dT of saturation)."""
    delta = np.zeros((1, len(SIGNS)))
    delta[0, INDEX["saturation"]] = -0.3
    delta[0, INDEX["equilibration"]] = 3.0
    delta[0, INDEX["boil"]] = 0.54
    t = match(delta, (WANDER**2)[None, :]).t[0]
    air = [k for k, s in enumerate(SIGNATURES) if s.part == "air_removal"]
    assert float(t[air].max()) < WATCH_T
