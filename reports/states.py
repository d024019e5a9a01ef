"""The state of units in tables and words: open flags, silence, verdict counts."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from ..shared.parts import PARTS, SERVICE_RESULTS, SEVERITIES
from ..shared.schema import NO_EXPORT_LAYOUT
from .moments import Clock, days_between
from .quantities import FAILING, days_left
from .views import FleetView, UnitView


def part_words(part: Any, mode: Any = "") -> str:
    """Return a part in words, with its mode in brackets."""
    name = "" if part is None or pd.isna(part) else str(part)
    words = PARTS.get(name, name.replace("_", " "))
    detail = "" if mode is None or pd.isna(mode) else str(mode).strip()
    return f"{words} ({detail})" if detail else words


STALE_FORECAST_DAYS: Final = 2.0
"""Silence from which a forecast says the day that it counts from (own choice)."""

SHORT_PARTS: Final = {
    "temperature_sensor": "own temperature sensor",
    "unknown": "no known pattern",
}
"""Shorter words where a table's column is narrow."""


def part_short(part: Any, mode: Any = "") -> str:
    """Return a part in the words of a narrow column, with its mode in brackets."""
    words = SHORT_PARTS.get(text_of(part))
    if words is None:
        return part_words(part, mode)
    return f"{words} ({text_of(mode)})" if text_of(mode) else words


def text_of(value: Any) -> str:
    """Return a cell's text; empty for null."""
    return "" if value is None or pd.isna(value) else str(value).strip()


def is_true(value: Any) -> bool:
    """Return whether a cell says yes; null is no."""
    return not (value is None or pd.isna(value)) and bool(value)


def alternatives_words(value: Any) -> str:
    """Return the other parts that would look alike, in words; empty for none."""
    parts = [p.strip() for p in text_of(value).split(",") if p.strip()]
    return " or ".join(part_words(p) for p in parts)


def gravest(opened: pd.DataFrame) -> dict[str, str]:
    """Return unit to the gravest severity among its open flags."""
    rank = {name: index for index, name in enumerate(SEVERITIES)}
    worst: dict[str, str] = {}
    for unit, severity in zip(opened["unit_id"], opened["severity"], strict=True):
        if rank.get(severity, -1) > rank.get(worst.get(unit, ""), -1):
            worst[str(unit)] = str(severity)
    return worst


def changed_flags(view: FleetView) -> pd.DataFrame:
    """Return the flag rows that opened, rose or closed since the last report.

    Adds ``change``: opened, rose to service, closed: recovered, and so on; rows
    in order of the change. Without a last report, the table is empty.
    """
    flags = view.flags
    columns = [*flags.columns, "change", "changed_at"]
    if view.since is None or flags.empty:
        return flags.head(0).reindex(columns=columns)
    since = view.since
    known = flags["recorded_at"].fillna(flags["first_seen"])
    new = flags[(known > since) & (known <= view.as_of)].copy()
    earlier = set(flags.loc[flags["close_reason"].fillna("") == "risen", "flag_id"])
    new["change"] = [
        f"rose to {s}" if f in earlier and s != SEVERITIES[0] else f"opened as {s}"
        for f, s in zip(new["flag_id"], new["severity"], strict=True)
    ]
    new["changed_at"] = new["first_seen"]
    reason = flags["close_reason"].fillna("")
    shut = flags[flags["closed_at"].notna() & (reason != "risen")].copy()
    shut = shut[shut["closed_at"] > since]
    shut["change"] = [f"closed: {text_of(r) or 'no reason'}" for r in shut["close_reason"]]
    shut["changed_at"] = shut["closed_at"]
    new = new[~new["flag_id"].isin(shut["flag_id"])]
    new = new[new["close_reason"].fillna("") != "risen"]
    both = pd.concat([new, shut]) if len(shut) and len(new) else (shut if len(shut) else new)
    order = ["changed_at", "unit_id", "flag_id"]
    return both.sort_values(order, kind="stable", ignore_index=True)[columns]


def known_units(view: FleetView) -> pd.DataFrame:
    """Return ``unit_id, site, last_data, cycles, retired`` of every unit, by site and id."""
    last: dict[str, pd.Timestamp] = {}
    if len(view.cycles):
        ended = view.cycles["ended_at"].fillna(view.cycles["started_at"])
        for unit, when in ended.groupby(view.cycles["unit_id"]).max().items():
            last[str(unit)] = when
    for unit, when in zip(view.units["unit_id"], view.units["last_data"], strict=True):
        if not pd.isna(when):
            last[str(unit)] = max(when, last.get(str(unit), when))
    counts = view.cycles["unit_id"].value_counts()
    retired = {u.id: u.retired_at for u in view.config.units}
    for unit, when in zip(view.units["unit_id"], view.units["retired_at"], strict=True):
        if not pd.isna(when):
            retired[str(unit)] = when
    sites = dict(zip(view.units["unit_id"], view.units["site"].fillna(""), strict=True))
    sites |= {u.id: u.site for u in view.config.units if u.site}
    names = {u.id for u in view.config.units} | set(last) | set(view.units["unit_id"])
    rows = [
        {
            "unit_id": name,
            "site": sites.get(name) or "",
            "last_data": last.get(name),
            "cycles": int(counts.get(name, 0)),
            "retired": _past(retired.get(name), view.as_of),
        }
        for name in sorted(map(str, names))
    ]
    table = pd.DataFrame(rows, columns=["unit_id", "site", "last_data", "cycles", "retired"])
    table["last_data"] = pd.to_datetime(table["last_data"], utc=True)
    return table.sort_values(["site", "unit_id"], kind="stable", ignore_index=True)


def in_fleet(units: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of ``known_units`` that are not retired."""
    return units[~units["retired"].astype(bool)]


def _past(when: Any, as_of: pd.Timestamp) -> bool:
    if when is None or pd.isna(when):
        return False
    moment = pd.Timestamp(when)
    moment = moment if moment.tzinfo is not None else moment.tz_localize("UTC")
    return bool(moment <= as_of)


def silent_units(view: FleetView) -> pd.DataFrame:
    """Return units that sent nothing for longer than the configured days, longest first.

    Adds ``silent_days``, NaN for a unit that never sent any.
    """
    units = known_units(view)
    units = in_fleet(units).copy()
    units["silent_days"] = [days_between(w, view.as_of) for w in units["last_data"]]
    silent = units["silent_days"].isna() | (units["silent_days"] > view.config.silent_after_days)
    order = units[silent].sort_values(
        ["silent_days", "site", "unit_id"], ascending=[False, True, True], na_position="first"
    )
    return order.reset_index(drop=True)


def verdict_counts(view: FleetView) -> pd.DataFrame:
    """Return cycles by site: units, cycles, inside, outside, incomplete, other."""
    units = known_units(view)
    site_of = dict(zip(units["unit_id"], units["site"], strict=True))
    cycles = view.cycles
    site = cycles["unit_id"].map(site_of).fillna("").astype("string")
    verdict = cycles["verdict"].fillna("") if "verdict" in cycles.columns else site * 0
    out = in_fleet(units).groupby("site").size().rename("units").to_frame()
    out["cycles"] = site.value_counts()
    for name in ("inside", "outside", "incomplete"):
        out[name] = site[verdict == name].value_counts()
    out = out.fillna(0).astype("int64")
    out["other"] = out["cycles"] - out["inside"] - out["outside"] - out["incomplete"]
    return out.reset_index()


def bench_results(service: pd.DataFrame, as_of: pd.Timestamp) -> dict[str, int]:
    """Return how many findings the bench confirmed, did not find, or laid to another part."""
    counts = dict.fromkeys(SERVICE_RESULTS, 0)
    said = service[~service["undone"].fillna(False).astype(bool) & (service["time"] <= as_of)]
    for result in said["result"].fillna(""):
        if result in counts:
            counts[str(result)] += 1
    return counts


def quarantined(intake: pd.DataFrame) -> pd.DataFrame:
    """Return the exports that stand aside now: the last word on each sha256 counts."""
    table = intake.sort_values("recorded_at", kind="stable")
    table = table.drop_duplicates("sha256", keep="last")
    noted = (table["layout"] == NO_EXPORT_LAYOUT).fillna(False)
    table = table[(table["outcome"] == "quarantined") & ~noted]
    return table.sort_values(["reason", "export"], kind="stable", ignore_index=True)


def counted_from(last: pd.Timestamp | None, as_of: pd.Timestamp, clock: Clock) -> str:
    """Return the day that a forecast counts from, where it is not the report's own; else empty."""
    if last is None or days_between(last, as_of) < STALE_FORECAST_DAYS:
        return ""
    return f"counted from its last cycle, {clock.date(last)}"


def flag_parts(flag: pd.Series, clock: Clock, counted: str = "") -> tuple[str, str]:
    """Return what a flag says in one sentence: part and severity, then since when and the rest."""
    words = part_words(flag["part"], flag["mode"])
    text = f"since {clock.date(flag['first_seen'])}"
    left = days_left(
        flag["days_to_limit"],
        flag["days_to_limit_low"],
        flag["days_to_limit_high"],
        word="days",
    )
    if left == FAILING:
        text += "; its cycles fail already"
    elif left != "–":
        text += f"; likely {left} until a cycle falls outside its limits"
        text += f", {counted}" if counted else ""
    others = alternatives_words(flag["alternatives"])
    text += f"; {others} would look alike" if others else ""
    return f"{words[:1].upper()}{words[1:]}: {flag['severity']}", f"{text}."


def standing_sentences(view: UnitView, clock: Clock) -> list[str]:
    """Return how a unit's cycles and its data stand, in plain sentences."""
    cycles = _cycles_sentence(view, clock)
    left = view.unit.retired_at
    if left is not None and _past(left, view.as_of):
        return [cycles, f"It left the fleet on {clock.date(pd.Timestamp(left))}."]
    return [cycles, _data_sentence(view, clock)]


def last_data(view: UnitView) -> pd.Timestamp | None:
    """Return the end of the unit's last cycle, or None."""
    if view.cycles.empty:
        return None
    latest: pd.Timestamp = view.cycles["ended_at"].fillna(view.cycles["started_at"]).max()
    return None if pd.isna(latest) else latest


def _cycles_sentence(view: UnitView, clock: Clock) -> str:
    if view.cycles.empty:
        return "No cycle has been found in its data."
    recent = view.cycles[view.cycles["started_at"] > view.as_of - pd.Timedelta(days=30)]
    if recent.empty:
        return f"No cycle in the last 30 days; the last one began {_last_start(view, clock)}."
    counts: dict[str, int] = {}
    if "verdict" in recent.columns:
        counts = {str(v): int(n) for v, n in recent["verdict"].value_counts().items()}
    total = len(recent)
    parts = [f"{counts[v]} {v} limits" for v in ("inside", "outside") if v in counts]
    held = sum(held_by_uncertainty(row) for _, row in recent.iterrows())
    if held:
        parts[0] += f" ({held} of them only within the logger's uncertainty)"
    parts += [f"{counts['incomplete']} incomplete"] if "incomplete" in counts else []
    noun = "cycle" if total == 1 else "cycles"
    detail = f": {', '.join(parts)}" if parts else ", not judged yet"
    return f"{total} {noun} in the last 30 days{detail}."


def held_by_uncertainty(cycle: pd.Series) -> bool:
    """Return whether a cycle is inside its limits only by the channel's uncertainty."""
    within = cycle.get("within_uncertainty")
    return (
        text_of(cycle.get("verdict")) == "inside"
        and within is not None
        and not pd.isna(within)
        and bool(within)
    )


def _last_start(view: UnitView, clock: Clock) -> str:
    return clock.moment(view.cycles["started_at"].max())


def _data_sentence(view: UnitView, clock: Clock) -> str:
    ended, most = last_data(view), view.config.silent_after_days
    if ended is None:
        return ""
    last = ended if view.data_through is None else max(ended, min(view.data_through, view.as_of))
    silent, idle = days_between(last, view.as_of), days_between(ended, view.as_of)
    if silent > most:
        return (
            f"No data for {silent:.0f} days (last {clock.date(last)}): "
            "check the logger and its exports before trusting this page."
        )
    if idle > most:
        return (
            f"Data up to {clock.moment(last)}, but no cycle for {idle:.0f} days (last "
            f"{clock.date(ended)}): it is not in use, or it no longer heats."
        )
    return f"Last data {clock.moment(last)}."


def verdict_words(verdict: str) -> str:
    """Return a verdict as people read it."""
    return {"inside": "inside limits", "outside": "outside limits"}.get(verdict, verdict)
