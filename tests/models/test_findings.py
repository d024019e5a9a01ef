"""What is asked of a signature before anybody is called: significance and size."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.findings import eligible
from chamberdrift.models.signatures import SERVICE_FLOOR, SIGNATURES

K = len(SIGNATURES)
HEATER = next(k for k, s in enumerate(SIGNATURES) if s.mode == "element weak")


@pytest.mark.parametrize(
    ("t", "size", "support", "called"),
    [
        (4.1, 1.05, 2, True),
        (4.1, 0.95, 2, False),  # barely certain: at its floor only
        (8.1, 0.55, 2, True),  # certain by twice as much: at half of it
        (8.1, 0.45, 2, False),
        (3.7, 1.05, 2, False),
        (3.7, 1.05, 3, True),  # three signs that agree
        (4.7, 1.05, 1, False),  # one alone
        (4.9, 1.05, 1, True),
    ],
)
def test_what_is_asked_for_a_visit(t: float, size: float, support: int, called: bool) -> None:
    answer = eligible(
        np.full(K, t), size * SERVICE_FLOOR, np.full(K, support, dtype=np.int64), "service"
    )
    assert bool(answer[HEATER]) is called
