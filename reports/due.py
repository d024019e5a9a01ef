"""The calendar: service against the site's own intervals, leak tests, calibration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ..shared.config import Config
from ..shared.parts import EPOCH_ACTIONS
from .moments import days_between
from .states import in_fleet, known_units, part_words
from .views import FleetView

COLUMNS: Final = ("unit_id", "site", "what", "state", "detail", "overdue_share")


@dataclass
class _History:
    """One unit's past, as far as the calendar needs it."""

    work: list[tuple[str, str, pd.Timestamp]] = field(default_factory=list)
    """Part, action and time of each entry."""
    starts: NDArray[np.datetime64] = field(default_factory=lambda: np.empty(0, "datetime64[ms]"))
    """Starts of its cycles (UTC), sorted."""
    first: pd.Timestamp | None = None
    leak_test: pd.Timestamp | None = None
    first_data: pd.Timestamp | None = None
    """Its first sample on record; cycles of a view may begin later."""


def calendar(view: FleetView, *, soon_share: float = 0.9) -> pd.DataFrame:
    """Return what is due or overdue, most overdue first.

    Parameters
    ----------
    view
        The fleet.
    soon_share
        Share of an interval from which a thing counts as due soon (common
        practice, no source).

    Returns
    -------
    DataFrame
        ``unit_id, site, what``, ``state`` (overdue, due soon, no record), ``detail``
        and ``overdue_share`` (elapsed share of the interval).
    """
    units = known_units(view)
    units = in_fleet(units)
    known = {u.id: u for u in view.config.units}
    histories = _histories(view)
    rows: list[dict[str, object]] = []
    for unit_id, site in zip(units["unit_id"], units["site"], strict=True):
        past = histories.get(str(unit_id), _History())
        vacuum = str(unit_id) in known and known[str(unit_id)].air_removal == "prevacuum"
        found = [
            *_intervals(view.config, past, view.as_of),
            *_leak_test(view.config, past, vacuum, view.as_of),
            *_calibration(view.config, past, view.as_of),
        ]
        rows += [{"unit_id": unit_id, "site": site, **f} for f in found]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    table["state"] = [
        "overdue" if share > 1 else "due soon" if share >= soon_share else state
        for share, state in zip(table["overdue_share"], table["state"], strict=True)
    ]
    table = table[table["state"] != "in time"]
    return table.sort_values(
        ["overdue_share", "site", "unit_id", "what"],
        ascending=[False, True, True, True],
        na_position="last",
        kind="stable",
        ignore_index=True,
    )


def _found(what: str, state: str, detail: str, share: float) -> dict[str, object]:
    return {"what": what, "state": state, "detail": detail, "overdue_share": share}


def _histories(view: FleetView) -> dict[str, _History]:
    """Return what happened to each unit: work done, starts of cycles, the last leak test."""
    out: dict[str, _History] = {}
    starts = view.cycles["started_at"]
    for unit, own in starts.groupby(view.cycles["unit_id"], sort=False):
        out[str(unit)] = _History(starts=np.sort(own.to_numpy("datetime64[ms]")), first=own.min())
    tests = view.cycles["kind"] == "leak_test"
    last = starts[tests].groupby(view.cycles.loc[tests, "unit_id"], sort=False).max()
    for unit, when in last.items():
        out[str(unit)].leak_test = when
    for unit, when in zip(view.units["unit_id"], view.units["first_data"], strict=True):
        if not pd.isna(when):
            out.setdefault(str(unit), _History()).first_data = when
    service = view.service
    done = service[~service["undone"].fillna(False).astype(bool)]
    done = done[done["time"] <= view.as_of]
    for unit, part, action, when in zip(
        done["unit_id"], done["part"], done["action"], done["time"], strict=True
    ):
        out.setdefault(str(unit), _History()).work.append((str(part), str(action), when))
    for correction in view.config.corrections:  # who corrects a logger has calibrated it
        unit = correction.unit or _unit_of(view.config, correction.logger)
        if unit in out and correction.start is not None:
            when = pd.Timestamp(correction.start)
            if when <= view.as_of:
                out[unit].work.append(("logger", "calibrated", when))
    return out


def _unit_of(config: Config, logger: str) -> str:
    """Return the unit that a logger is assigned to last, or nothing."""
    own = [a for a in config.assignments if a.logger == logger]
    return own[-1].unit if own else ""


def _last(past: _History, part: str, actions: Sequence[str]) -> pd.Timestamp | None:
    return max((w for p, a, w in past.work if p == part and a in actions), default=None)


def _intervals(config: Config, past: _History, as_of: pd.Timestamp) -> list[dict[str, object]]:
    out = []
    for interval in config.service_intervals:
        last = _last(past, interval.part, EPOCH_ACTIONS)
        origin = past.first if last is None else last
        if origin is None:
            continue
        days = days_between(origin, as_of)
        side: Literal["left", "right"] = "left" if last is None else "right"
        begun = np.datetime64(origin.tz_convert("UTC").tz_localize(None), "ms")
        cycles = len(past.starts) - int(np.searchsorted(past.starts, begun, side=side))
        shares, said = [], []
        if interval.days:
            shares.append(days / interval.days)
            said.append(f"{days:.0f} of {_days(interval.days)}")
        if interval.cycles:
            shares.append(cycles / interval.cycles)
            said.append(f"{cycles} of {interval.cycles} cycles")
        if not shares:
            continue
        since = "since the last service" if last is not None else "on record, no service logged"
        what = f"{part_words(interval.part)} service"
        out.append(_found(what, "in time", f"{', '.join(said)} {since}", max(shares)))
    return out


def _days(count: float) -> str:
    return "1 day" if round(count) == 1 else f"{count:.0f} days"


def _leak_test(
    config: Config, past: _History, vacuum: bool, as_of: pd.Timestamp
) -> list[dict[str, object]]:
    if config.leak_test_days <= 0:
        return []
    if past.leak_test is None:
        if not vacuum or past.first is None:
            return []
        said = f"none among its cycles of {_days(days_between(past.first, as_of))}"
        return [_found("leak test", "no record", said, float("nan"))]
    days = days_between(past.leak_test, as_of)
    detail = f"{_days(days)} since the last, interval {_days(config.leak_test_days)}"
    return [_found("leak test", "in time", detail, days / config.leak_test_days)]


def _calibration(config: Config, past: _History, as_of: pd.Timestamp) -> list[dict[str, object]]:
    last = _last(past, "logger", ("calibrated", "replaced"))
    known = [t for t in (past.first_data, past.first) if t is not None]
    if config.calibration_days <= 0 or (last is None and not known):
        return []
    days = days_between(min(known) if last is None else last, as_of)
    since = "since the last" if last is not None else "on record, none entered"
    detail = f"{_days(days)} {since}, interval {_days(config.calibration_days)}"
    return [_found("logger calibration", "in time", detail, days / config.calibration_days)]
