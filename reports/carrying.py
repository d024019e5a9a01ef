"""Which features to show for a unit: those that carry its flags first."""

from __future__ import annotations

import pandas as pd

from .quantities import FEATURE_PART
from .recovery import mended
from .states import text_of
from .views import UnitView

MOST_TRENDS = 5
USUAL_TRENDS = ("heater_duty", "heat_rate_k_per_min", "saturation_deviation_k", "exhaust_s")
"""Trends shown where no flag asks for others."""


def carrying_features(view: UnitView, opened: pd.DataFrame) -> list[tuple[str, pd.Series | None]]:
    """Return the features to show, flags' own first, each with its flag.

    After a repair the mended feature leads, unless a flag calls for work. A flag
    without a feature brings the one with the largest recent residual;
    each flagged part brings one companion that moves with it.
    """
    shown: dict[str, pd.Series | None] = {}
    recent = _recent(view)
    repaired = [r.feature for r in mended(view)[:1]]
    if not opened["severity"].isin(("service", "stop")).any():
        shown |= dict.fromkeys(repaired)
    for _, flag in opened.iterrows():
        feature = text_of(flag["feature"])
        if not feature and len(recent):
            feature = str(recent.index[0])
        if feature:
            shown[feature] = flag if shown.get(feature) is None else shown[feature]
    for feature in repaired:
        if len(shown) < MOST_TRENDS - 1:
            shown.setdefault(feature, None)
    for part in opened["part"].drop_duplicates():
        mates = [f for f in recent.index if FEATURE_PART.get(str(f)) == part and f not in shown]
        if mates:
            shown.setdefault(str(mates[0]), None)
    for feature in USUAL_TRENDS:
        if len(shown) >= (3 if len(opened) else 4):
            break
        if feature in view.cycles.columns and view.cycles[feature].notna().any():
            shown.setdefault(feature, None)
    return list(shown.items())[:MOST_TRENDS]


def _recent(view: UnitView) -> pd.Series:
    known = view.residuals[view.residuals["z"].notna()]
    if known.empty:
        return pd.Series(dtype=float)
    last = known.sort_values("started_at", kind="stable").groupby("feature").tail(15)
    z = last.groupby("feature")["z"].median().abs()
    return z.sort_values(ascending=False, kind="stable")
