"""Cycles found against cycles that were run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

UNMATCHABLE: Final = ("clock", "drop-outs")
"""Faults of a logger under which recorded times or samples are not the true ones."""


@dataclass(frozen=True)
class CycleScore:
    """How well the cycles were found and judged."""

    truth: int
    """Cycles that were run and have a time to match by."""
    found: int
    matched: int
    missing: int
    extra: int
    truth_without_time: int
    """Cycles that were run and ended before any exposure: they can't be matched by time."""
    extra_without_exposure: int
    """Found rows without exposure beyond the number of true cycles without a time, by unit."""
    kind_right: int
    """Matched cycles of the right kind."""
    program_right: int
    program_known: int
    """Matched sterilization cycles whose program is known on both sides."""
    verdict_right: int
    verdict_known: int
    """Matched cycles with a verdict on both sides."""
    verdict_pairs: tuple[tuple[str, str, int], ...]
    """True verdict, given verdict, count; the pairs that occur."""
    missing_logger: int = 0
    extra_logger: int = 0
    """Of those missing and extra, how many while the unit's logger had a wrong clock or lost
    samples: such cycles can't be matched by time, or were not recorded."""
    inside_within: int = 0
    """Of the outside ones judged inside, how many were said to be so within the channel's
    uncertainty: a trace alone can't tell them apart."""

    @property
    def verdict_share(self) -> float | None:
        """Share of verdicts that agree; None without any."""
        return self.verdict_right / self.verdict_known if self.verdict_known else None


def days(times: pd.Series) -> NDArray[np.float64]:
    """Return times as days since 1970 UTC, NaN where missing."""
    parsed = pd.to_datetime(times, utc=True).astype("datetime64[ms, UTC]")
    values = parsed.astype("int64").to_numpy().astype(np.float64) / 86_400_000.0
    return np.where(parsed.isna().to_numpy(), np.nan, values)


def match_cycles(
    truth: pd.DataFrame, found: pd.DataFrame, *, overlap: float = 0.5
) -> pd.DataFrame:
    """Pair the cycles of both tables by shared exposure, one to one.

    Parameters
    ----------
    truth
        Columns ``unit_id``, ``exposure_start``, ``exposure_end``; a leak test
        carries its hold there.
    found
        The ``cycles`` table. A cycle without exposure is placed by its start
        and end, and there the shared time counts against the true one.
    overlap
        Least share of the longer exposure.

    Returns
    -------
    DataFrame
        Columns ``truth`` and ``found``: positions in the two tables.
    """
    t_start, t_end = days(truth["exposure_start"]), days(truth["exposure_end"])
    f_start, f_end = days(found["exposure_start"]), days(found["exposure_end"])
    bare = ~(np.isfinite(f_start) & np.isfinite(f_end))
    f_start = np.where(bare, days(found["started_at"]), f_start)
    f_end = np.where(bare, days(found["ended_at"]), f_end)
    t_unit = truth["unit_id"].astype(str).to_numpy()
    f_unit = found["unit_id"].astype(str).to_numpy()
    pairs: list[tuple[float, int, int]] = []
    for unit in np.unique(t_unit):
        mine = np.flatnonzero((t_unit == unit) & np.isfinite(t_start) & np.isfinite(t_end))
        theirs = np.flatnonzero((f_unit == unit) & np.isfinite(f_start) & np.isfinite(f_end))
        if not mine.size or not theirs.size:
            continue
        shared = np.minimum(t_end[mine, None], f_end[None, theirs]) - np.maximum(
            t_start[mine, None], f_start[None, theirs]
        )
        own = np.maximum(t_end[mine] - t_start[mine], 1e-9)[:, None]
        other = np.maximum(f_end[theirs] - f_start[theirs], 1e-9)[None, :]
        longer = np.where(bare[theirs][None, :], own, np.maximum(own, other))
        share = shared / longer
        pairs += [
            (float(share[i, j]), int(mine[i]), int(theirs[j]))
            for i, j in zip(*np.nonzero(share >= overlap - 1e-6), strict=True)
        ]
    used_truth: set[int] = set()
    used_found: set[int] = set()
    kept = []
    for _, i, j in sorted(pairs, key=lambda p: (-p[0], p[1], p[2])):
        if i not in used_truth and j not in used_found:
            used_truth.add(i)
            used_found.add(j)
            kept.append((i, j))
    return pd.DataFrame(sorted(kept), columns=["truth", "found"], dtype="int64")


def score_cycles(
    truth: pd.DataFrame,
    found: pd.DataFrame,
    judgements: pd.DataFrame | None,
    *,
    overlap: float = 0.5,
    faults: pd.DataFrame | None = None,
) -> CycleScore:
    """Score segmentation, kind, program and verdict against the truth.

    With ``faults`` (truth: ``unit_id, part, mode, onset, repaired_at``) the
    cycles missing and extra under a logger's own fault are counted apart as well.
    """
    timed = np.isfinite(days(truth["exposure_start"])) & np.isfinite(days(truth["exposure_end"]))
    exposed = np.isfinite(days(found["exposure_start"]))
    pairs = match_cycles(truth, found, overlap=overlap)
    left = truth.iloc[pairs["truth"].to_numpy()].reset_index(drop=True)
    right = found.iloc[pairs["found"].to_numpy()].reset_index(drop=True)
    extra = exposed.copy()
    extra[pairs["found"].to_numpy()] = False
    unplaced = ~exposed
    unplaced[pairs["found"].to_numpy()] = False
    beyond = _count(found, unplaced).sub(_count(truth, ~timed), fill_value=0).clip(lower=0)
    lost = timed.copy()
    lost[pairs["truth"].to_numpy()] = False
    program_known = (left["kind"] == "sterilization") & (left["program"].fillna("") != "")
    program_known &= right["program"].fillna("") != ""
    program_right = program_known & (left["program"] == right["program"])
    given = _verdicts(right, judgements)
    true = left["verdict"].fillna("").astype(str)
    known = (true != "") & (given != "")
    counted = pd.crosstab(true[known], given[known])
    verdict_pairs = tuple(
        (str(t), str(g), int(counted.loc[t, g]))
        for t in counted.index
        for g in counted.columns
        if counted.loc[t, g]
    )
    return CycleScore(
        truth=int(timed.sum()),
        found=len(found),
        matched=len(pairs),
        missing=int(timed.sum()) - len(pairs),
        extra=int(extra.sum()),
        truth_without_time=int((~timed).sum()),
        extra_without_exposure=int(beyond.sum()),
        kind_right=int((left["kind"] == right["kind"]).sum()),
        program_right=int(program_right.sum()),
        program_known=int(program_known.sum()),
        verdict_right=int((true[known] == given[known]).sum()),
        verdict_known=int(known.sum()),
        verdict_pairs=verdict_pairs,
        missing_logger=_under(truth[lost], "exposure_start", faults),
        extra_logger=_under(found[extra], "exposure_start", faults),
        inside_within=int(
            ((true == "outside") & (given == "inside") & _within(right, judgements)).sum()
        ),
    )


def _under(rows: pd.DataFrame, time: str, faults: pd.DataFrame | None) -> int:
    """Return how many rows lie under a logger's wrong clock or lost samples."""
    if faults is None or not len(rows):
        return 0
    own = faults[(faults["part"] == "logger") & faults["mode"].isin(UNMATCHABLE)]
    at, unit = days(rows[time]), rows["unit_id"].astype(str).to_numpy()
    under = np.zeros(len(rows), dtype=bool)
    begin, end = days(own["onset"]), days(own["repaired_at"])
    for k, name in enumerate(own["unit_id"].astype(str)):
        inside = (at >= begin[k]) & ~(at > end[k] + 1.0)  # a missing end compares false
        under |= (unit == name) & inside
    return int(under.sum())


def _count(table: pd.DataFrame, chosen: NDArray[np.bool_]) -> pd.Series:
    """Return the number of chosen rows of each unit."""
    return table.loc[chosen, "unit_id"].astype(str).value_counts()


def _within(cycles: pd.DataFrame, judgements: pd.DataFrame | None) -> NDArray[np.bool_]:
    """Return which cycles' verdicts rest on the channel's uncertainty."""
    if judgements is None or "within_uncertainty" not in judgements:
        return np.zeros(len(cycles), dtype=np.bool_)
    rests = judgements.loc[judgements["within_uncertainty"].fillna(False).astype(bool)]
    return np.asarray(cycles["cycle_id"].isin(rests["cycle_id"]), dtype=np.bool_)


def _verdicts(cycles: pd.DataFrame, judgements: pd.DataFrame | None) -> pd.Series:
    """Return the given verdict of each cycle, empty where there is none."""
    if judgements is None or judgements.empty:
        return pd.Series([""] * len(cycles), index=cycles.index, dtype=object)
    by_id = judgements.drop_duplicates("cycle_id").set_index("cycle_id")["verdict"]
    found = cycles["cycle_id"].map(by_id.astype(object))
    return found.astype(object).where(found.notna(), "").astype(str)
