"""A store's state, and a unit's, in words."""

from __future__ import annotations

import json
import textwrap
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

import pandas as pd

from ..shared.config import Config
from ..shared.parts import SERVICE_RESULTS, SEVERITIES
from .heartbeat import last_good_night
from .judge_stage import seen_cycles
from .logger_clock import clock_facts
from .logger_pairs import STATE as PAIRS
from .logger_pairs import all_pairs, clocks_of, said_of
from .logger_pairs import in_words as clock_in_words
from .moment import moment_of
from .names import not_known
from .quarantine import NO_EXPORTS
from .settings import read_settings
from .store import Store
from .tables import to_json
from .views import fleet_view, report_options, unit_view_at, units_table

if TYPE_CHECKING:
    from .store import Snapshot

GROWTH_DAYS = 30
NAMES_WIDTH = 17
"""Columns for what a line of the state is about."""


@dataclass(frozen=True)
class StoreStatus:
    """What a store holds, and whether its nights run."""

    store: str
    commit: int
    last_commit: str
    last_good_night: str | None
    as_of: str
    data_through: str | None
    units: int
    retired: int
    cycles: int
    samples: int
    bytes: int
    new_samples: int
    """Samples added during the last 30 days."""
    quarantined: int
    silent: tuple[tuple[str, str], ...]
    """Unit and its last sample."""
    open: dict[str, int]
    waiting: int
    """Open flags whose part was worked on, and that wait for cycles to tell."""
    checked: dict[str, int]
    """Findings that were checked at the bench, by result."""
    due: tuple[dict[str, Any], ...]
    """Service, leak tests and calibrations that are due or overdue, most overdue first."""
    single_writer: bool
    warnings: tuple[str, ...] = ()

    @property
    def stop_open(self) -> bool:
        """Whether a ``stop`` flag is open."""
        return self.open.get("stop", 0) > 0

    def as_dict(self) -> dict[str, Any]:
        """Return the state as plain values."""
        return {
            "store": self.store,
            "commit": self.commit,
            "last_commit": self.last_commit,
            "last_good_night": self.last_good_night,
            "as_of": self.as_of,
            "data_through": self.data_through,
            "units": self.units,
            "retired_units": self.retired,
            "cycles": self.cycles,
            "samples": self.samples,
            "bytes": self.bytes,
            "samples_added_in_30_days": self.new_samples,
            "exports_in_quarantine": self.quarantined,
            "silent_units": [{"unit_id": u, "last_data": t} for u, t in self.silent],
            "open_flags": self.open,
            "waiting_for_cycles": self.waiting,
            "due": list(self.due),
            "checked_findings": self.checked,
            "confirmed_share": confirmed_share(self.checked),
            "single_writer": self.single_writer,
            "warnings": list(self.warnings),
        }

    def line(self) -> str:
        """Return the state in one line, gravest first."""
        parts = [f"open flags: {self._open()}", f"silent: {len(self.silent)}"]
        if self.quarantined:
            parts.append(f"set aside: {self.quarantined}")
        overdue = sum(d["state"] == "overdue" for d in self.due)
        if overdue:
            parts.append(f"overdue: {overdue}")
        parts.append(f"last good night: {self.last_good_night or 'none yet'}")
        if self.warnings:
            parts.insert(0, "look at it: " + "; ".join(self.warnings))
        return "chamberdrift " + "; ".join(parts)

    def text(self, width: int = 79) -> str:
        """Return the state in words, wrapped to a width [columns]."""
        rows = [
            ("Store", self.store),
            ("Last change", f"{self.last_commit}, commit {self.commit}"),
            ("Last good night", self.last_good_night or "none yet"),
            ("Data through", self.data_through or "no data yet"),
            (
                "Units",
                f"{self.units}" + (f", and {self.retired} retired" if self.retired else ""),
            ),
            ("Cycles", f"{self.cycles:,}".replace(",", " ")),
            (
                "Size",
                f"{_size(self.bytes)}, {_many(self.samples)} samples; the last "
                f"{GROWTH_DAYS} days added {_many(self.new_samples)}",
            ),
            ("Open flags", self._open()),
            ("Set aside", f"{self.quarantined} exports" if self.quarantined else "none"),
            ("Silent loggers", self._silent()),
            ("Due", self._due()),
            ("Bench checks", checked_words(self.checked)),
        ]
        if self.single_writer:
            rows.append(
                ("Writers", "this place can't create files exclusively: one machine may write")
            )
        rows += [("Warning", w) for w in self.warnings]
        return "\n".join(line for name, value in rows for line in _row(name, value, width))

    def _open(self) -> str:
        from ..reports.opened import waiting_words

        said = ", ".join(f"{self.open.get(s, 0)} {s}" for s in reversed(SEVERITIES))
        return said + waiting_words(self.waiting)

    def _due(self) -> str:
        if not self.due:
            return "nothing"
        states = ("overdue", "due soon", "no record")
        counts = {s: sum(d["state"] == s for d in self.due) for s in states}
        said = ", ".join(f"{n} {s}" for s, n in counts.items() if n)
        first = "; ".join(f"{d['unit_id']} {d['what']}" for d in self.due[:3])
        return f"{said}: {first}" + ("; ..." if len(self.due) > 3 else "")

    def _silent(self) -> str:
        if not self.silent:
            return "none"
        named = [(u, f"since {t[:10]}" if t else "no data yet") for u, t in self.silent[:6]]
        shown = ", ".join(f"{u} ({since})" for u, since in named)
        more = len(self.silent) - 6
        return f"{len(self.silent)}: {shown}" + (f", and {more} more" if more > 0 else "")


def store_status(location: str, *, as_of: datetime | None = None) -> StoreStatus:
    """Return the state of a store at a moment."""
    from ..reports.due import calendar
    from ..reports.opened import open_flags, waiting_count
    from ..reports.states import silent_units

    store = Store.open(location)
    snapshot = store.snapshot()
    config = read_settings(store.place)
    moment = moment_of(as_of, snapshot)
    view = fleet_view(snapshot, config, moment)
    silent = silent_units(view)
    opened = open_flags(view)
    taken = view.intake["recorded_at"]
    recent = view.intake[(taken > moment - pd.Timedelta(days=GROWTH_DAYS)) & (taken <= moment)]
    grown = (recent["samples"].fillna(0) - recent["samples_shared"].fillna(0)).sum()
    spans = snapshot.unit_spans()
    night = last_good_night(store, None if as_of is None else moment)
    warnings = []
    if night is not None and as_of is None:
        days = (moment.tz_localize(None).normalize() - pd.Timestamp(night)).days
        if days > 1:
            warnings.append(f"the last good night was {days} days ago; look at the timer's log")
    warnings += [fact.text() for fact in clock_facts(view.intake, moment)]
    pairs = all_pairs(snapshot.state(PAIRS))
    warnings += said_of(pairs, pairs)
    retired = int(view.units["retired_at"].notna().sum())
    return StoreStatus(
        store=store.location,
        commit=snapshot.commit,
        last_commit=_time(pd.Timestamp(snapshot.manifest.recorded_at)) or "",
        last_good_night=night,
        as_of=_time(moment) or "",
        data_through=_time(view.data_through),
        units=len(view.units) - retired,
        retired=retired,
        cycles=len(seen_cycles(snapshot.table("cycles", columns=["ended_at"]), moment)),
        samples=sum(s.rows for s in spans.values()),
        bytes=sum(f.bytes for f in snapshot.all_trace_files())
        + sum(f.bytes for f in snapshot.manifest.runs),
        new_samples=int(grown),
        quarantined=int(
            (~snapshot.table("refused", columns=["cause"])["cause"].isin(list(NO_EXPORTS))).sum()
        ),
        silent=tuple(
            (str(u), _time(t) or "")
            for u, t in zip(silent["unit_id"], silent["last_data"], strict=True)
        ),
        open={s: int((opened["severity"] == s).sum()) for s in reversed(SEVERITIES)},
        waiting=waiting_count(opened),
        checked=checked_findings(view.service),
        due=tuple(json.loads(to_json(calendar(view)))),
        single_writer=store.single_writer,
        warnings=tuple(warnings),
    )


def checked_findings(service: pd.DataFrame) -> dict[str, int]:
    """Return how many findings were checked at the bench, by result.

    Parameters
    ----------
    service
        Entries that were not taken back.
    """
    results = service["result"].fillna("")
    return {r: int((results == r).sum()) for r in SERVICE_RESULTS}


def confirmed_share(checked: dict[str, int]) -> float | None:
    """Return the share of checked findings that were right; None where none was checked."""
    total = sum(checked.values())
    return checked.get("confirmed", 0) / total if total else None


def checked_words(checked: dict[str, int]) -> str:
    """Return the rate of confirmed findings in words."""
    share = confirmed_share(checked)
    if share is None:
        return "none entered yet (chamberdrift service UNIT ... --result)"
    total = sum(checked.values())
    return (
        f"{checked['confirmed']} of {total} findings confirmed ({share:.0%}); "
        f"{checked['not_found']} not found, {checked['other_part']} another part"
    )


@dataclass(frozen=True)
class UnitState:
    """One unit as it is known at a moment."""

    words: str
    unit: dict[str, Any] = field(default_factory=dict)
    flags: list[dict[str, Any]] = field(default_factory=list)
    cycles: list[dict[str, Any]] = field(default_factory=list)
    service: list[dict[str, Any]] = field(default_factory=list)

    def as_dict(self) -> dict[str, Any]:
        """Return the state as plain values."""
        return {
            "unit": self.unit,
            "open_flags": self.flags,
            "last_cycles": self.cycles,
            "service": self.service,
        }

    def text(self) -> str:
        """Return the state in words."""
        return self.words.rstrip("\n")


def show_unit(
    location: str, unit: str, *, as_of: datetime | None = None, width: int = 79
) -> UnitState:
    """Return a unit's state; its words are wrapped to a width [columns].

    Raises
    ------
    ChamberdriftError
        If the unit is not known.
    """
    import sys

    from ..reports import show_text

    store = Store.open(location)
    snapshot = store.snapshot()
    config = read_settings(store.place)
    known = sorted({*snapshot.unit_ids(), *(u.id for u in config.units)})
    if unit not in known:
        raise not_known("unit", unit, known, table="units", location=location)
    moment = moment_of(as_of, snapshot)
    view = unit_view_at(snapshot, config, unit, moment)
    opened = view.flags[view.flags["closed_at"].isna()]
    encoding = (getattr(sys.stdout, "encoding", None) or "utf-8").lower().replace("-", "")
    words = show_text(
        view,
        options=report_options(config),
        ascii_only=not encoding.startswith("utf"),
        width=width,
    )
    words = words.rstrip("\n") + _clocks(snapshot, config, unit)
    return UnitState(
        words,
        _unit_row(snapshot, view.cycles, unit, view),
        json.loads(to_json(opened)),
        json.loads(to_json(view.cycles.tail(10))),
        json.loads(to_json(view.service)),
    )


def _clocks(snapshot: Snapshot, config: Config, unit: str) -> str:
    """Return in words how the clocks of two loggers at the unit are read."""
    pairs = all_pairs(snapshot.state(PAIRS))
    if unit not in pairs:
        return ""
    said = [f"Moved: {clock_in_words(c)}." for c in clocks_of(config, unit)]
    said += [f"Warning: {text}" for text in said_of(pairs, [unit])]
    return "".join(f"\n{line}" for line in said)


def _unit_row(snapshot: Snapshot, cycles: pd.DataFrame, unit: str, view: Any) -> dict[str, Any]:
    units = units_table(snapshot, view.config, cycles, view.flags, view.as_of)
    row: dict[str, Any] = json.loads(to_json(units[units["unit_id"] == unit]))[0]
    return row


def _time(moment: pd.Timestamp | None) -> str | None:
    if moment is None or pd.isna(moment):
        return None
    return moment.tz_convert("UTC").strftime("%Y-%m-%dT%H:%M:%SZ")


def _row(name: str, value: str, width: int) -> list[str]:
    """Return a named value as lines; a path stays whole, so that it can be copied."""
    indent = " " * NAMES_WIDTH
    return textwrap.wrap(
        value,
        max(width, 2 * NAMES_WIDTH),
        initial_indent=f"{name:<{NAMES_WIDTH}}",
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _size(count: int) -> str:
    for unit, size in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= size:
            return f"{count / size:.1f} {unit}"
    return f"{count} B"


def _many(count: int) -> str:
    return f"{count / 1e6:.1f} million" if count >= 1e6 else f"{count:,}".replace(",", " ")
