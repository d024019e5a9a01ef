"""Where signs call though no signature is large, the nearest one is named, if any is near."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.signatures import SIGNATURES
from chamberdrift.models.signs import INDEX, SIGNS, WANDER
from chamberdrift.models.unit import _looks_like, _nearest


@pytest.mark.parametrize(
    ("significance", "moved", "part"),
    [(2.5, -0.3, "heater"), (2.5, 0.3, "unknown"), (1.9, -0.3, "unknown")],
)
def test_what_signs_alone_call_for_is_the_best_signature_that_moves_them_so(
    significance: float, moved: float, part: str
) -> None:
    """A weak element slows heating under pressure: it is named by that, and only downward."""
    k = next(i for i, s in enumerate(SIGNATURES) if s.mode == "element weak")
    t = np.where(np.arange(len(SIGNATURES)) == k, significance, 0.0)
    delta = np.zeros(len(SIGNS))
    delta[INDEX["heat_rate_pressurised"]] = moved
    assert _nearest(t, INDEX["heat_rate_pressurised"], delta, WANDER**2) == part


def test_what_circumstances_might_explain_as_well_is_named_by_what_moved() -> None:
    """Six signs of a weak element, as low mains would move them too, and one the wrong way."""
    moved = {"power": -0.14, "duty": 0.13, "heat_rate": -0.15, "heat_rate_pressurised": -0.2}
    moved |= {"heat_up": 0.15, "seat": -0.2}
    delta = np.zeros(len(SIGNS))
    for name, change in moved.items():
        delta[INDEX[name]] = change
    assert _looks_like(delta, 2.0 * WANDER**2) == "heater"
    assert _looks_like(np.abs(delta), 2.0 * WANDER**2) == "unknown"
