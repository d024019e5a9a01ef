"""Where signs call though no signature is large, the nearest one is named, if any is near."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.signatures import SIGNATURES
from chamberdrift.models.signs import INDEX
from chamberdrift.models.unit import _nearest


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
    assert _nearest(t, INDEX["heat_rate_pressurised"], moved) == part
