"""Open flags in the order in which they need somebody, with what was done about them.

A finding stays open until cycles agree with the healthy level again. From the work on its
part until then nobody needs to come for it once more, and a list that says so saves a visit.
"""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from ..shared.parts import EPOCH_ACTIONS, SEVERITIES
from .moments import Clock
from .recovery import AFTER
from .states import part_words, text_of
from .views import FleetView, UnitView

WORK_COLUMNS: Final = ("work_part", "work_action", "work_result", "work_at", "cycles_since")
RESULT_WORDS: Final = {
    "confirmed": "the finding was right",
    "not_found": "nothing was found",
    "other_part": "it was another part",
}


def open_flags(view: FleetView | UnitView) -> pd.DataFrame:
    """Return the open flags, those that need somebody first, gravest and most urgent first.

    Adds ``deferred_until`` and ``defer_reason``, and what was done about each (see
    ``with_work``). Neither a deferral nor work that waits for cycles moves or
    hides ``stop``.
    """
    flags, deferrals = view.flags, view.deferrals
    table = flags[flags["closed_at"].isna()].copy()
    active = deferrals[deferrals["until"] > view.as_of].sort_values("until", kind="stable")
    until = dict(zip(active["flag_id"], active["until"], strict=True))
    reasons = dict(zip(active["flag_id"], active["reason"], strict=True))
    movable = [
        None if severity == "stop" else flag
        for flag, severity in zip(table["flag_id"], table["severity"], strict=True)
    ]
    table["deferred_until"] = pd.to_datetime(
        pd.Series([until.get(f) for f in movable], index=table.index), utc=True
    )
    table["defer_reason"] = pd.Series(
        [reasons.get(f) for f in movable], index=table.index, dtype="string"
    )
    table = with_work(table, view.service, view.cycles, view.as_of)
    rank = {name: -index for index, name in enumerate(SEVERITIES)}
    table["_late"] = (table["deferred_until"].notna() | table["waiting"]).astype(int)
    table["_rank"] = table["severity"].map(rank).fillna(1)
    table["_days"] = table["days_to_limit"].fillna(float("inf"))
    order = ["_late", "_rank", "_days", "first_seen", "unit_id", "part"]
    table = table.sort_values(order, kind="stable", ignore_index=True)
    return table.drop(columns=["_late", "_rank", "_days"])


def with_work(
    opened: pd.DataFrame, service: pd.DataFrame, cycles: pd.DataFrame, as_of: pd.Timestamp
) -> pd.DataFrame:
    """Return open flags with the last work on their part, or on one that looks alike.

    Parameters
    ----------
    opened
        Open rows of flags.
    service, cycles
        Work and cycles of the flags' units.
    as_of
        Work from after it is not seen.

    Returns
    -------
    DataFrame
        ``opened`` with ``work_part, work_action, work_result`` (empty for none),
        ``work_at`` (UTC), ``cycles_since`` (complete sterilization cycles that began after
        the work) and ``waiting``: part and grade let it wait for cycles; never ``stop``.
    """
    done = service[~service["undone"].fillna(False).astype(bool) & (service["time"] <= as_of)]
    whole = cycles[(cycles["kind"] == "sterilization") & (cycles["completion"] == "complete")]
    found: list[dict[str, Any]] = []
    for _, flag in opened.iterrows():
        work = _last_work(flag, done[done["unit_id"] == flag["unit_id"]])
        if work is None:
            found.append({"work_at": None, "cycles_since": 0, "waiting": False})
            continue
        own = whole["unit_id"] == flag["unit_id"]
        since = int((own & (whole["started_at"] > work["time"])).sum())
        waits = work["action"] in EPOCH_ACTIONS and since < AFTER
        found.append(
            {
                "work_part": str(work["part"]),
                "work_action": str(work["action"]),
                "work_result": text_of(work["result"]),
                "work_at": work["time"],
                "cycles_since": since,
                "waiting": waits and flag["severity"] != "stop",
            }
        )
    told = pd.DataFrame(found, index=opened.index, columns=[*WORK_COLUMNS, "waiting"])
    told["work_at"] = pd.to_datetime(told["work_at"], utc=True)
    told["waiting"] = told["waiting"].fillna(False).astype(bool)
    return opened.assign(**{str(c): told[c] for c in told.columns})


def _last_work(flag: pd.Series, done: pd.DataFrame) -> pd.Series | None:
    """Return the last work that may have mended what a flag names, done since it was raised."""
    parts = {str(flag["part"]), *(p.strip() for p in text_of(flag["alternatives"]).split(","))}
    own = done[done["part"].isin(parts) & (done["time"] >= flag["first_seen"])]
    return None if own.empty else own.sort_values("time", kind="stable").iloc[-1]


def work_words(flag: pd.Series, clock: Clock) -> str:
    """Return what was done about a flag and what came of it so far; empty for nothing."""
    if pd.isna(flag["work_at"]):
        return ""
    done = str(flag["work_action"])
    if flag["work_part"] != flag["part"]:
        done = f"{part_words(flag['work_part'])} {done}"
    words = f"{done[:1].upper()}{done[1:]} {clock.date(flag['work_at'])}"
    if flag["work_action"] not in EPOCH_ACTIONS:
        result = RESULT_WORDS.get(flag["work_result"], "")
        return f"{words}: {result}" if result else words
    if flag["cycles_since"] < AFTER:
        return f"{words}, waiting for cycles: {flag['cycles_since']} of {AFTER} since"
    return f"{words}, and still found after {AFTER} cycles"


def waiting_words(count: int) -> str:
    """Return how many findings wait for cycles after work, as a remark; empty for none."""
    return f" ({count} serviced, waiting for cycles)" if count else ""


def waiting_count(opened: pd.DataFrame) -> int:
    """Return how many open flags wait for cycles after work on their part."""
    return int(opened["waiting"].sum())
