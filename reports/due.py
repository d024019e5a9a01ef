"""The calendar: service against the site's own intervals, leak tests, calibration."""

from __future__ import annotations

import pandas as pd

from ..shared.config import Config
from ..shared.parts import EPOCH_ACTIONS
from .moments import days_between
from .states import known_units, part_words
from .views import FleetView

COLUMNS = ("unit_id", "site", "what", "state", "detail", "overdue_share")


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
        ``unit_id, site, what, state`` (overdue, due soon, no record)``, detail,
        overdue_share`` (elapsed share of the interval).
    """
    units = known_units(view)
    units = units[~units["retired"].astype(bool)]
    rows: list[dict[str, object]] = []
    service = view.service
    if len(service):
        service = service[~service["undone"].fillna(False).astype(bool)]
        service = service[service["time"] <= view.as_of]
    starts = dict(list(view.cycles.groupby("unit_id")["started_at"]))
    tests = view.cycles[view.cycles["kind"] == "leak_test"]
    leaks = tests.groupby("unit_id")["started_at"].max()
    for unit_id, site in zip(units["unit_id"], units["site"], strict=True):
        own = service[service["unit_id"] == unit_id]
        begun = starts.get(unit_id, view.cycles["started_at"].head(0))
        found = [
            *_intervals(view.config, own, begun, view.as_of),
            *_leak_test(view.config, unit_id, leaks.get(unit_id), begun, view.as_of),
            *_calibration(view.config, own, view.as_of),
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


def _intervals(
    config: Config, service: pd.DataFrame, started: pd.Series, as_of: pd.Timestamp
) -> list[dict[str, object]]:
    out = []
    for interval in config.service_intervals:
        hit = (service["part"] == interval.part) & service["action"].isin(EPOCH_ACTIONS)
        last = service.loc[hit, "time"].max() if hit.any() else None
        origin = last if last is not None else (started.min() if len(started) else None)
        if origin is None:
            continue
        days = days_between(origin, as_of)
        cycles = int((started > origin).sum()) + (last is None)
        shares, said = [], []
        if interval.days:
            shares.append(days / interval.days)
            said.append(f"{days:.0f} of {interval.days:.0f} days")
        if interval.cycles:
            shares.append(cycles / interval.cycles)
            said.append(f"{cycles} of {interval.cycles} cycles")
        if not shares:
            continue
        since = "since the last service" if last is not None else "on record, no service logged"
        what = f"{part_words(interval.part)} service"
        out.append(_found(what, "in time", f"{', '.join(said)} {since}", max(shares)))
    return out


def _leak_test(
    config: Config,
    unit_id: str,
    last: pd.Timestamp | None,
    started: pd.Series,
    as_of: pd.Timestamp,
) -> list[dict[str, object]]:
    if config.leak_test_days <= 0:
        return []
    if last is None or pd.isna(last):
        vacuum = config.unit(unit_id).air_removal == "prevacuum"
        if not vacuum or not len(started):
            return []
        return [_found("leak test", "no record", "none found in its data", float("nan"))]
    days = days_between(last, as_of)
    detail = f"{days:.0f} days since the last, interval {config.leak_test_days:.0f} days"
    return [_found("leak test", "in time", detail, days / config.leak_test_days)]


def _calibration(
    config: Config, service: pd.DataFrame, as_of: pd.Timestamp
) -> list[dict[str, object]]:
    if config.calibration_days <= 0:
        return []
    hit = (service["part"] == "logger") & service["action"].isin(("calibrated", "replaced"))
    if not hit.any():
        return []
    days = days_between(service.loc[hit, "time"].max(), as_of)
    detail = f"{days:.0f} days since the last, interval {config.calibration_days:.0f} days"
    return [_found("logger calibration", "in time", detail, days / config.calibration_days)]
