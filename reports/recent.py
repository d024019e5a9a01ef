"""Where each feature of each unit stands now, in robust standard deviations."""

from __future__ import annotations

from typing import Final

import pandas as pd

from .quantities import FEATURE_PART

RECENT: Final = 15
"""Cycles whose median residual stands for the present."""
NOTABLE_Z: Final = 3.0
LARGE_Z: Final = 6.0
"""Residuals from which a value is bold, and framed (reading aids, not flag limits)."""


def recent_z(residuals: pd.DataFrame) -> pd.DataFrame:
    """Return ``unit_id, feature, part, z``: the median residual of the last cycles."""
    known = residuals[residuals["z"].notna()]
    known = known.sort_values("started_at", kind="stable")
    last = known.groupby(["unit_id", "feature"], observed=True, sort=False).tail(RECENT)
    out = last.groupby(["unit_id", "feature"], observed=True)["z"].median().reset_index()
    out["part"] = out["feature"].map(FEATURE_PART).fillna("unknown")
    return out


def leading(recent: pd.DataFrame, opened: pd.DataFrame) -> pd.DataFrame:
    """Return one row a unit: the feature of an open flag, else the largest residual."""
    carried = set(zip(opened["unit_id"], opened["feature"], strict=True))
    own = [pair in carried for pair in zip(recent["unit_id"], recent["feature"], strict=True)]
    order = recent.assign(size=recent["z"].abs(), own=own)
    order = order.sort_values(
        ["unit_id", "own", "size", "feature"], ascending=[True, False, False, True]
    )
    return order.drop_duplicates("unit_id").drop(columns=["size", "own"])


def by_part(recent: pd.DataFrame) -> pd.DataFrame:
    """Return unit (index) by part (columns): the largest recent residual, NaN for none."""
    order = recent.assign(size=recent["z"].abs())
    order = order.sort_values(["size", "feature"], ascending=[False, True], kind="stable")
    first = order.drop_duplicates(["unit_id", "part"])
    return first.pivot_table(index="unit_id", columns="part", values="z", aggfunc="first")
