"""Detectors that know nothing, to stand beside the real one."""

from __future__ import annotations

import numpy as np
import pandas as pd

from ..shared.schema import FLAGS


def flags_nothing(cycles: pd.DataFrame) -> pd.DataFrame:
    """Return no flag, whatever the cycles."""
    del cycles
    return FLAGS.empty()


def flags_every(cycles: pd.DataFrame, every: int = 100) -> pd.DataFrame:
    """Return a ``service`` flag at every ``every``-th cycle of a unit, for no known part.

    Raises
    ------
    ValueError
        If ``every`` is not positive.
    """
    if every < 1:
        raise ValueError(f"'every' must be >= 1: {every}")
    ordered = cycles.sort_values(["unit_id", "started_at"])
    rank = ordered.groupby("unit_id").cumcount().to_numpy()
    chosen = ordered[(rank + 1) % every == 0]
    ids = chosen["cycle_id"].astype(str)
    frame = pd.DataFrame(
        {
            "flag_id": "every-" + ids,
            "unit_id": chosen["unit_id"],
            "part": "unknown",
            "severity": "service",
            "confidence": np.zeros(len(chosen)),
            "first_seen": chosen["started_at"],
            "last_seen": chosen["started_at"],
            "closed_at": chosen["started_at"],
            "close_reason": "recovered",
            "layer": "limit",
            "cycle_id": ids,
        }
    )
    return FLAGS.conform(frame.reset_index(drop=True))
