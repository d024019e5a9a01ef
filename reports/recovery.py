"""After a repair: how many cycles since are back at the level from before the fault."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.parts import EPOCH_ACTIONS
from .moments import Clock, days_between
from .quantities import FEATURE_PART, residual_words
from .states import part_words
from .views import UnitView

FloatArray = NDArray[np.float64]

BEFORE = 30
AFTER = 15
"""Cycles shown before, and cycles that must agree with the healthy level after."""
HEALTHY_SIGMAS = 3.0
SHOW_DAYS = 60.0
MOST_FEATURES = 3
SHIFTED = 3.0
"""Robust SD from which a feature had left its level before the work, so that it can tell."""


@dataclass(frozen=True)
class Recovery:
    """One feature around one service, in stored units, all as in the usual program."""

    feature: str
    before: FloatArray
    after: FloatArray
    healthy: float
    scale: float

    @property
    def back(self) -> int:
        """Cycles after the service that lie in the healthy band."""
        return int((np.abs(self.after - self.healthy) <= HEALTHY_SIGMAS * self.scale).sum())

    @property
    def beyond(self) -> int:
        """Cycles after the service that lie beyond the band on the side away from the fault."""
        away = (self.after - self.healthy) * -self._side
        return int((away > HEALTHY_SIGMAS * self.scale).sum())

    @property
    def shift(self) -> float:
        """How far the feature had left its healthy level before, in robust SD."""
        recent = self.before[-AFTER:]
        return float(abs(np.median(recent) - self.healthy) / self.scale) if len(recent) else 0.0

    @property
    def _side(self) -> float:
        recent = self.before[-AFTER:]
        return float(np.sign(np.median(recent) - self.healthy)) if len(recent) else 0.0

    def words(self) -> str:
        """Return how many cycles are back, and what that says of the work."""
        total = len(self.after)
        noun = "cycle since is" if total == 1 else "cycles since are"
        said = f"{self.back} of {total} {noun} back at the healthy level"
        if self.beyond:
            said += f", {self.beyond} beyond it on the other side"
        if total < AFTER:
            return f"{said}; {AFTER - total} more are needed for a judgement"
        if self.back + self.beyond >= AFTER - 2:
            return f"{said}; the work agrees with the finding"
        return f"{said}; the finding is not settled"


def latest_repair(view: UnitView) -> pd.Series | None:
    """Return the last service that opens an epoch, within the days shown, or None."""
    service = view.service[~view.service["undone"].fillna(False).astype(bool)]
    service = service[service["action"].isin(EPOCH_ACTIONS) & (service["time"] <= view.as_of)]
    if service.empty:
        return None
    last = service.sort_values("time", kind="stable").iloc[-1]
    return last if days_between(last["time"], view.as_of) <= SHOW_DAYS else None


def repair_words(repair: pd.Series, clock: Clock) -> str:
    """Return what was done, and when."""
    return f"{part_words(repair['part'])} {repair['action']} {clock.moment(repair['time'])}"


def repair_sentence(view: UnitView, clock: Clock) -> str:
    """Return a sentence on the latest repair and what came of it; empty without one."""
    repair = latest_repair(view)
    if repair is None:
        return ""
    words = repair_words(repair, clock)
    found = recoveries(view, repair)
    words = words[:1].upper() + words[1:]
    if not found:
        return f"{words}; no cycle with a baseline on both sides of it yet."
    name = residual_words(found[0].feature)
    if found[0].shift < SHIFTED:
        return f"{words}; {name[:1].lower()}{name[1:]} had not moved before, so it can't tell."
    return f"{words}. {name}: {found[0].words()}."


def mended(view: UnitView) -> list[Recovery]:
    """Return the features that tell of the latest repair: those that had moved before it."""
    repair = latest_repair(view)
    found = [] if repair is None else recoveries(view, repair)
    return [r for r in found if r.shift >= SHIFTED]


def recoveries(view: UnitView, repair: pd.Series) -> list[Recovery]:
    """Return the features of the repaired part around a service, most shifted first.

    The healthy level is the baseline of the epoch before the service, by program;
    values of other programs are moved to the level of the usual one.
    """
    flagged = set(view.flags.loc[view.flags["part"] == repair["part"], "feature"].dropna())
    programs = view.cycles[["cycle_id", "program"]]
    chosen = []
    for feature, own in view.residuals.groupby("feature", sort=True, observed=True):
        if FEATURE_PART.get(str(feature)) != repair["part"] and feature not in flagged:
            continue
        own = own[own["adjusted"].notna()].merge(programs, on="cycle_id", how="left")
        found = _recovery(str(feature), own, repair["time"])
        chosen += [] if found is None else [found]
    chosen.sort(key=lambda r: (r.feature not in flagged or r.shift < SHIFTED, -r.shift, r.feature))
    return chosen[:MOST_FEATURES]


def _recovery(feature: str, own: pd.DataFrame, when: pd.Timestamp) -> Recovery | None:
    own = own.sort_values("started_at", kind="stable")
    program = own["program"].fillna("")
    early = own["started_at"] < when
    known = own[early & own["expected"].notna() & (own["scale"] > 0)]
    if known.empty or not (~early).any():
        return None
    recent = known.groupby(program[known.index], sort=True).tail(AFTER)
    by_program = recent.groupby(program[recent.index], sort=True)[["expected", "scale"]].median()
    usual = program[known.index].mode().iloc[0]
    healthy, scale = (float(by_program.loc[usual, c]) for c in ("expected", "scale"))
    level = program.map(by_program["expected"])
    share = scale / program.map(by_program["scale"])
    shown = healthy + (own["adjusted"] - level) * share
    before, after = shown[early].dropna(), shown[~early].dropna()
    if after.empty:
        return None
    return Recovery(
        feature,
        before.to_numpy(float)[-BEFORE:],
        after.to_numpy(float)[:AFTER],
        healthy,
        scale,
    )
