"""Cycles that kept their program with room to spare: most of them, so they are found on arrays.

What is told here is told by ``verdicts`` one cycle after another too, to the same bits; there
is only less to ask.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ..shared.config import Limits

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

COARSE_SAMPLES: Final = 6.0
"""Fewest sampling intervals in a hold for a verdict on it (common practice, no source)."""

GAP_SAID_SHARE: Final = 0.1
"""Share of the hold in one gap from which a verdict says how long it is (no source)."""
GAP_INTERVALS: Final = 3.0
"""Sampling intervals that a gap has at least (no source)."""

LEAST_PROGRAM_C: Final = 114.0
"""Below this no program is published (115 °C is the lowest): a plateau there is preheating or
a test of one's own, unless the configuration names it."""


def kept_with_room(
    values: Mapping[str, FloatArray],
    hold_s: FloatArray,
    setpoint_c: FloatArray,
    configured: BoolArray,
    assumed: BoolArray,
    limits: Limits,
) -> BoolArray:
    """Return which cycles kept hold, band and saturation as recorded, with no uncertainty's help.

    Parameters
    ----------
    values
        Columns of ``cycles``, shape (n,) each, NaN where null.
    hold_s, setpoint_c
        Of each cycle's program [s, °C]; NaN where it has none.
    configured
        Whether the configuration names the program.
    assumed
        Whether the atmosphere's pressure was only assumed, so that saturation says nothing.
    limits
        Limits and uncertainties.
    """
    interval = np.where(values["sample_interval_s"] > 0.0, values["sample_interval_s"], 0.0)
    gap = np.where(np.isnan(values["exposure_gap_s"]), 0.0, values["exposure_gap_s"])
    deviation = values["saturation_deviation_k"]
    kept = (values["exposure_s"] >= hold_s) & (hold_s >= COARSE_SAMPLES * interval)
    kept &= (setpoint_c >= LEAST_PROGRAM_C) | configured
    kept &= gap <= np.maximum(GAP_SAID_SHARE * hold_s, GAP_INTERVALS * interval)
    kept &= values["exposure_min_c"] >= setpoint_c
    kept &= values["exposure_max_c"] <= setpoint_c + limits.band_width_k
    kept &= assumed | np.isnan(deviation) | (np.abs(deviation) <= limits.saturation_k)
    return np.asarray(kept)
