"""Exports that are read again because the configuration tells something else of them now.

Samples overlap between exports, so exports that share a unit and a stretch of time go
together: their samples are withdrawn, and all of them are read anew from the inbox, in
the commit of the night. Where one of them is no longer there, all stay as they were
read, and each night says so.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from ..shared.config import Config
from ..shared.schema import INTAKE
from . import inbox as inbox_files
from .intake_facts import facts_keys
from .intake_task import ExportFile, hash_file
from .read_basis import (
    QUESTIONS,
    Basis,
    basis_text,
    changed_questions,
    configuration_digest,
    told_now,
)
from .retention import forgotten_before
from .shown import shell_word
from .store.specs import SEEN

if TYPE_CHECKING:
    from .store import Snapshot, Txn
    from .store.entries import TraceFile
    from .work import Work

STATE: Final = "read-with"
CLOCK_DOUBT: Final = timedelta(days=1)
"""A clock's zone moves an export's begin by less than this: either site of a move is right."""
NAMED: Final = 3


@dataclass(frozen=True)
class Again:
    """What to go on from."""

    snapshot: Snapshot
    """To take exports in on: it no longer knows those that are read again."""
    since: dict[str, int] = field(default_factory=dict)
    """By unit, the earliest sample that was withdrawn [ms]."""


@dataclass(frozen=True, eq=False)
class _Group:
    """Exports that are read again together, or not at all."""

    exports: pd.DataFrame
    spans: dict[str, tuple[int, int]]
    """By unit, first and last sample [ms]."""


def read_again(work: Work, inbox: str, *, keep: bool = False) -> Again:
    """Withdraw what has to be read again, so that taking in the inbox reads it.

    Parameters
    ----------
    work
        The run; what is withdrawn goes into its transaction.
    keep
        Let exports be whose bytes are gone: they count as read with today's answers.
    """
    before = work.snapshot.state(STATE) or {}
    digest = configuration_digest(work.config)
    if before.get("digest") == digest and not before.get("stuck"):
        return Again(work.snapshot)
    accepted = _accepted(work.snapshot)
    changed = _changed(accepted, work.config, forgotten_before(work.snapshot))
    groups = _groups(accepted, changed)
    key, there = _in_inbox(inbox, work.snapshot, _together(groups)) if groups else ("", {})
    ready = [g for g in groups if all(h in there for h in g.exports["sha256"])]
    stuck = [g for g in groups if g not in ready and _matters(g, changed)]
    since = _withdraw(work, ready, [f"{key}:{n}" for g in ready for n in _names(g, there)])
    if ready:
        _unlearn(work, accepted, _together(ready))
    if ready:
        work.warnings.append(_done_sentence(_together(ready), changed))
        for name in _together(ready)["export"]:
            work.explain("ingest", str(name), "the configuration tells something else of it")
    if stuck and keep:
        _let_be(work, _together(stuck), changed)
        stuck = []
    if stuck:
        work.warnings.append(
            _stuck_sentence(_together(stuck), changed, there, work.store.location)
        )
    document = {"digest": digest, "stuck": bool(stuck)}
    if document != before:
        work.txn.put_state(STATE, document)
    if ready:
        work.changed = True
        return Again(work.txn.preview(), since)
    return Again(work.snapshot)


def _accepted(snapshot: Snapshot) -> pd.DataFrame:
    rows = snapshot.table("intake")
    return rows[rows["outcome"] == "accepted"].reset_index(drop=True)


def _changed(rows: pd.DataFrame, config: Config, limit: int | None) -> dict[str, list[str]]:
    """Return the exports of which the configuration tells something else, and what.

    Parameters
    ----------
    limit
        Samples before it [ms] were forgotten: what they were made with no longer matters.
    """
    found = {}
    columns = (rows[c] for c in ("sha256", "export", "unit_ids", "read_with", "first_time"))
    for sha256, name, units, text, first in zip(*columns, strict=True):
        if limit and _ms(first) < limit:
            continue
        own = str(units).split(",")
        before = _read_with(text, own)
        asked: list[str] | None = None
        for doubt in (timedelta(), -CLOCK_DOUBT, CLOCK_DOUBT):
            now = told_now(config, before, str(name), own, first.to_pydatetime() + doubt)
            differing = changed_questions(before, now)
            asked = differing if asked is None else [q for q in asked if q in differing]
            if not asked:
                break
        if asked:
            found[str(sha256)] = asked
    return found


def _read_with(text: Any, units: list[str]) -> Basis:
    """Return an export's basis; whose it is may be pinned since, whatever told it then.

    So may what its columns are, where no layout was pinned at all.
    """
    basis: Basis = {} if text is None or pd.isna(text) else json.loads(str(text) or "{}")
    if "layout" not in basis:
        basis = {"columns": [""], **basis}
    return {"unit": units, **basis} if len(units) == 1 else basis


def _in_inbox(
    inbox: str, snapshot: Snapshot, exports: pd.DataFrame
) -> tuple[str, dict[str, list[str]]]:
    """Return the inbox's key, and the names below it that still hold known bytes, by sha256.

    Parameters
    ----------
    exports
        Rows of the intake table; one that came back under its name is hashed.
    """
    from .store.location import open_location

    place = open_location(inbox)
    key = inbox_files.inbox_key(place)
    files = {f.name: f for f in inbox_files.scan(inbox).files}
    stamps = {f"{key}:{f.name}": f.stamp for f in files.values()}
    seen = snapshot.table("seen")
    found: dict[str, list[str]] = {}
    columns = (seen[c] for c in ("path", "bytes", "mtime_ns", "inode", "sha256"))
    for path, size, mtime, inode, sha256 in zip(*columns, strict=True):
        if stamps.get(str(path)) == (int(size), int(mtime), int(inode)):
            found.setdefault(str(sha256), []).append(str(path).partition(":")[2])
    for name, sha256, size in zip(
        exports["export"], exports["sha256"], exports["bytes"], strict=True
    ):
        file = files.get(str(name))
        if str(sha256) in found or file is None or file.bytes != int(size):
            continue
        whole = ExportFile(0, file.path, file.name, file.stamp, frozenset())
        if hash_file(place, whole) == str(sha256):
            found[str(sha256)] = [str(name)]
    return key, found


def _groups(rows: pd.DataFrame, changed: Collection[str]) -> list[_Group]:
    """Return changed exports with all that share a unit and a stretch of time with them."""
    if not changed:
        return []
    parts = rows[["sha256", "unit_ids", "first_time", "last_time"]].dropna()
    parts = parts.assign(unit_id=parts["unit_ids"].astype(str).str.split(",")).explode("unit_id")
    parent: dict[str, str] = {str(h): str(h) for h in parts["sha256"]}

    def root(item: str) -> str:
        while parent[item] != item:
            parent[item] = parent[parent[item]]
            item = parent[item]
        return item

    for _, own in parts.sort_values(["unit_id", "first_time"]).groupby("unit_id", sort=True):
        last, held = None, ""
        columns = (own[c] for c in ("sha256", "first_time", "last_time"))
        for sha256, first, end in zip(*columns, strict=True):
            if last is not None and first <= last:
                parent[root(str(sha256))] = root(held)
                last = max(last, end)
            else:
                last, held = end, str(sha256)
    wanted = {root(h) for h in changed if h in parent}
    roots = parts["sha256"].map(lambda h: root(str(h)))
    groups = []
    for name in sorted(wanted):
        own = parts[roots == name]
        spans = {
            str(u): (_ms(p["first_time"].min()), _ms(p["last_time"].max()))
            for u, p in own.groupby("unit_id", sort=True)
        }
        groups.append(_Group(rows[rows["sha256"].isin(own["sha256"])], spans))
    return groups


def _matters(group: _Group, changed: dict[str, list[str]]) -> bool:
    """Return whether more than a layout changed: that may not even concern what is stored."""
    return any(set(changed[h]) - {"layout"} for h in group.exports["sha256"] if h in changed)


def _together(groups: Sequence[_Group]) -> pd.DataFrame:
    return pd.concat([g.exports for g in groups], ignore_index=True)


def _names(group: _Group, there: dict[str, list[str]]) -> list[str]:
    return [n for h in group.exports["sha256"] for n in there[str(h)]]


def _withdraw(work: Work, groups: Sequence[_Group], seen: Sequence[str]) -> dict[str, int]:
    """Take the groups' samples and accounts out; return by unit the earliest sample [ms]."""
    if not groups:
        return {}
    spans: dict[str, list[tuple[int, int]]] = {}
    for group in groups:
        for unit, span in group.spans.items():
            spans.setdefault(unit, []).append(span)
    for unit, own in sorted(spans.items()):
        _cut_traces(work.txn, work.snapshot, unit, sorted(own))
    hashes = [str(h) for g in groups for h in g.exports["sha256"]]
    work.txn.replace_many("intake", INTAKE.empty(), hashes)
    work.txn.replace_many("seen", SEEN.empty(), seen)
    return {unit: min(own)[0] for unit, own in sorted(spans.items())}


def _unlearn(work: Work, accepted: pd.DataFrame, exports: pd.DataFrame) -> None:
    """Forget what units' exports told, where all of them are read again and tell it anew."""
    others = accepted[~accepted["sha256"].isin(exports["sha256"])]
    units = _units(exports) - _units(others)
    documents = work.snapshot.states(facts_keys(units))
    work.txn.put_states(
        {k: {u: v for u, v in d.items() if u not in units} for k, d in documents.items()}
    )


def _cut_traces(txn: Txn, snapshot: Snapshot, unit: str, spans: Sequence[tuple[int, int]]) -> None:
    """Take a unit's samples within some spans [ms] out of its files."""
    import numpy as np
    import pyarrow as pa

    from .store import samples
    from .store.keys import trace_parts

    added: list[TraceFile] = []
    withdrawn: list[TraceFile] = []
    starts, ends = (np.array([s[k] for s in spans], dtype=np.int64) for k in (0, 1))
    for file in snapshot.trace_files(unit, int(starts[0]), int(ends.max())):
        if not ((starts <= file.high) & (ends >= file.low)).any():
            continue
        table = samples.read_file(snapshot.place, file.path)
        times = samples.times_ms(table)
        at = np.searchsorted(starts, times, side="right") - 1
        inside = (at >= 0) & (times <= ends[np.maximum(at, 0)])
        withdrawn.append(file)
        if not inside.all():
            kept = table.filter(pa.array(~inside))
            exports = samples.read_exports(snapshot.place, file.path)
            month = trace_parts(file.path)[1]
            added += samples.write(snapshot.place, unit, month, kept, exports)
    txn.replace_traces(added, withdrawn)
    txn.respan(unit)


def _let_be(work: Work, exports: pd.DataFrame, changed: dict[str, list[str]]) -> None:
    """Count exports as read with what the configuration tells now."""
    rows = exports[exports["sha256"].isin(list(changed))]
    told = []
    columns = (rows[c] for c in ("read_with", "export", "unit_ids", "first_time"))
    for text, name, units, first in zip(*columns, strict=True):
        own, begins = str(units).split(","), first.to_pydatetime()
        now = told_now(work.config, _read_with(text, own), str(name), own, begins)
        told.append(basis_text(now))
    every = work.snapshot.table("intake", units=[str(h) for h in rows["sha256"]])
    others = every[every["outcome"] != "accepted"]
    fresh = pd.concat([rows.assign(read_with=pd.array(told, dtype="string")), others])
    work.txn.replace_many("intake", INTAKE.conform(fresh), [str(h) for h in rows["sha256"]])
    work.changed = True
    work.warnings.append(f"{len(rows)} exports stay as they were read, as asked.")


def _done_sentence(exports: pd.DataFrame, changed: dict[str, list[str]]) -> str:
    some = "1 export is" if len(exports) == 1 else f"{len(exports)} exports are"
    return (
        f"{some} read again ({_listed(_units(exports))}): the configuration tells something "
        f"else now about {_called(exports, changed)}."
    )


def _stuck_sentence(
    exports: pd.DataFrame, changed: dict[str, list[str]], there: Collection[str], store: str
) -> str:
    count = int(exports["sha256"].isin(list(changed)).sum())
    were = "1 export was" if count == 1 else f"{count} exports were"
    gone = exports.loc[~exports["sha256"].isin(list(there)), "export"]
    lack = "1 export" if len(gone) == 1 else f"{len(gone)} exports"
    return (
        f"{were} read before the configuration told something else about "
        f"{_called(exports, changed)} ({_listed(_units(exports))}), and can't be read again: "
        f"{lack} that must be read with them left the inbox ({_listed(gone)}). Their samples "
        "stay as read. Put the exports back, undo the change, or let them be: "
        f"chamberdrift nightly INBOX --keep-as-read --store {shell_word(store)}"
    )


def _units(exports: pd.DataFrame) -> set[str]:
    return {u for text in exports["unit_ids"] for u in str(text).split(",")}


def _called(exports: pd.DataFrame, changed: dict[str, list[str]]) -> str:
    every = {q for h in exports["sha256"] for q in changed.get(str(h), ())}
    return ", ".join(words for question, words in QUESTIONS.items() if question in every)


def _listed(names: Iterable[str]) -> str:
    every = sorted(names)
    more = f" and {len(every) - NAMED} more" if len(every) > NAMED else ""
    return ", ".join(every[:NAMED]) + more


def _ms(time: pd.Timestamp) -> int:
    return int(pd.Timestamp(time).value // 1_000_000)  # .value is in ns whatever the unit
