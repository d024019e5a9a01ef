"""The account of a run: every file that was seen, and what became of its rows."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from ..shared.config import Config
from ..shared.schema import INTAKE, NO_EXPORT_LAYOUT, Table
from .ingest.reading import Facts
from .intake_facts import FactLedger
from .intake_task import ExportFile, Outcome, ReadResult, dropped_text
from .quarantine import NO_EXPORTS
from .retention import forgotten_before
from .store.specs import REFUSED

if TYPE_CHECKING:
    from .inbox import InboxFile
    from .store import Snapshot, Txn

KNOWN_FOR: Final = pd.Timedelta(days=60)
"""Exports whose bytes are known at once when they come again; older ones are read to see
(no source: what loggers that send everything each time may repeat)."""
LOST: Final = "intake/lost"
"""Document of the exports whose bytes went from quarantine, whose rows stay."""
SAME_BYTES = "the same bytes were read before"


@dataclass
class Account:
    """What was known of exports, and what this run adds."""

    snapshot: Snapshot
    recorded_at: pd.Timestamp
    refused_before: pd.DataFrame
    known_by_size: dict[int, frozenset[str]]
    ledger: FactLedger
    outcomes: list[Outcome] = field(default_factory=list)
    copies: list[tuple[ExportFile, str]] = field(default_factory=list)
    digest: str = ""
    messages: tuple[str, ...] = ()
    counts: dict[str, int] = field(default_factory=dict)
    quarantined: int = 0
    rows: pd.DataFrame = field(default_factory=INTAKE.empty)
    refused_after: pd.DataFrame = field(default_factory=REFUSED.empty)
    _shared: dict[str, int] = field(default_factory=dict)
    _conflicts: dict[str, int] = field(default_factory=dict)
    _replaced: list[str] = field(default_factory=list)
    _copy_hashes: dict[int, str] = field(default_factory=dict)
    _refused_hashes: frozenset[str] = frozenset()
    """Of exports that were set aside once, and have rows without samples."""
    _lost: set[str] = field(default_factory=set)
    _config: Config = field(default_factory=Config)

    @classmethod
    def of(cls, snapshot: Snapshot, sizes: Iterable[int], recorded_at: pd.Timestamp) -> Account:
        """Load what is known of exports with one of these sizes, and of those in quarantine.

        An older export than those of the last weeks is read once more: its samples fall
        together with those it brought, which tells that it was there.
        """
        wanted = sorted(set(sizes))
        refused = snapshot.table("refused")
        lost = frozenset(snapshot.state(LOST) or ())
        by_size: dict[int, set[str]] = {}
        if wanted:
            since = None if _all_count(snapshot) else recorded_at - KNOWN_FOR
            columns = ["sha256", "bytes", "outcome"]
            held = snapshot.table("intake", since=since, columns=columns)
            held = held[held["bytes"].isin(wanted) & (held["outcome"] == "accepted")]
            for rows in (held, refused):
                for size, sha256 in zip(rows["bytes"], rows["sha256"], strict=True):
                    by_size.setdefault(int(size), set()).add(str(sha256))
        return cls(
            snapshot,
            recorded_at,
            refused,
            {s: frozenset(h) for s, h in by_size.items()},
            FactLedger.load(snapshot),
            _refused_hashes=frozenset(map(str, refused["sha256"])) | lost,
        )

    def known(self, size: int, then: str | None = None) -> frozenset[str]:
        """Return the hashes of known exports of a size.

        Parameters
        ----------
        size
            Bytes of a file.
        then
            Hash of the bytes that were read from this very file before, however long ago.
        """
        held = self.known_by_size.get(size, frozenset())
        return held if not then or then in self._refused_hashes else held | {then}

    @property
    def facts(self) -> Facts:
        """What is known so far from accepted exports."""
        return self.ledger.facts()

    def learn(self, outcomes: Sequence[Outcome]) -> bool:
        """Take over what accepted exports told; return whether anything is new."""
        return self.ledger.learn(outcomes)

    def take(
        self,
        outcomes: list[Outcome],
        copies: list[tuple[ExportFile, str]],
        digest: str,
        config: Config,
    ) -> None:
        """Settle what became of each file."""
        self._config = config
        self.outcomes = sorted(outcomes, key=lambda o: o.index)
        self.digest = digest
        accepted = {o.sha256 for o in self.outcomes if o.kind == "accepted"}
        refused = {o.sha256 for o in self.outcomes if o.kind == "refused"}
        settled = accepted | refused | {o.sha256 for o in self.outcomes if o.kind == "duplicate"}
        # a copy counts only if the bytes that were read are those that were hashed before
        self.copies = [(f, h) for f, h in copies if h in settled]
        self._copy_hashes = {f.index: h for f, h in self.copies}
        left = [f.name for f, h in copies if h not in settled]
        self.messages = tuple(
            o.message for o in self.outcomes if o.kind in ("changing", "vanished")
        )
        self.messages += tuple(
            f"{n} changed while it was read; left for the next run" for n in left
        )

    def count(self, results: Iterable[ReadResult], txn: Txn) -> None:
        """Take over counts of shared samples and conflicts, and make the rows."""
        for shared, conflicts in [(r.shared, r.conflicts) for r in results] + [
            (txn.shared, txn.conflicts)
        ]:
            for total, more in ((self._shared, shared), (self._conflicts, conflicts)):
                for source, n in more.items():
                    total[source] = total.get(source, 0) + n
        self._make_rows()

    def _make_rows(self) -> None:
        touched = sorted(
            {o.sha256 for o in self.outcomes if o.sha256 and self._may_be_known(o)}
            | {h for _, h in self.copies}
        )
        before = self.snapshot.table("intake", units=touched) if touched else INTAKE.empty()
        there = {(str(e), str(h)) for e, h in zip(before["export"], before["sha256"], strict=True)}
        seen_before = {h for _, h in there}
        already = {str(h) for h in before.loc[before["outcome"] == "accepted", "sha256"]}
        was_refused = {str(h): r for h, r in self._refused_rows().items()}
        rows: list[dict[str, Any]] = []
        refused: dict[str, dict[str, Any]] = dict(was_refused)
        accepted: set[str] = set()
        tally = dict.fromkeys(
            ("accepted", "duplicate", "quarantined", "no_exports", "retried", "left"), 0
        )
        tally["left"] = len(self.messages)
        for o in self.outcomes:
            if o.kind == "accepted" and o.sha256 in accepted | already:
                # the same bytes were read once more: their samples fell together
                self._shared[o.sha256[:16]] = self._shared.get(o.sha256[:16], 0) - o.samples
                rows += self._plain(o.name, o, "duplicate", SAME_BYTES, there)
                tally["duplicate"] += 1
            elif o.kind == "accepted":
                accepted.add(o.sha256)
                refused.pop(o.sha256, None)
                tally["retried"] += bool(o.quarantined)
                if o.quarantined or o.sha256 in seen_before:
                    rows += self._retold(o, before)
                else:
                    rows.append(self._accepted(o))
                tally["accepted"] += 1
            elif o.kind == "refused":
                refused[o.sha256] = self._refusal(o, was_refused.get(o.sha256))
                if o.quarantined:
                    rows += self._reasoned(o, before)
                else:
                    rows += self._plain(o.name, o, "quarantined", o.message, there, o.cause)
                    noted = o.cause in NO_EXPORTS
                    self.quarantined += not noted
                    tally["no_exports" if noted else "quarantined"] += 1
            elif o.kind == "vanished" and o.quarantined:
                # someone removed the bytes: let the inbox's copy, if any, be read anew
                refused.pop(o.quarantined, None)
                self._lost.add(o.quarantined)
        owners = self._named_owners(before)
        misnamed: list[str] = []
        for name, copy, sha256 in self._repeats():
            if sha256 in refused:
                reason = str(refused[sha256]["message"])
                cause = str(refused[sha256]["cause"])
                new = self._plain(name, copy, "quarantined", reason, there, cause)
                noted = cause in NO_EXPORTS
                self.quarantined += 0 if noted else len(new)
                tally["no_exports" if noted else "quarantined"] += len(new)
                rows += new
            else:
                said = self._other_unit(name, owners.get(sha256))
                reason = f"{SAME_BYTES}, and {said}" if said else SAME_BYTES
                new = self._plain(name, copy, "duplicate", reason, there)
                misnamed += [f"{name}: {reason}"] if said and new else []
                tally["duplicate"] += len(new)
                rows += new
        if misnamed:
            more = f" (and {len(misnamed) - 1} more like it)" if len(misnamed) > 1 else ""
            self.messages += (misnamed[0] + more,)
        self.counts = tally
        self.rows = _frame(INTAKE, rows)
        self.refused_after = _frame(REFUSED, list(refused.values()))

    def _named_owners(self, before: pd.DataFrame) -> dict[str, tuple[str, str]]:
        """Return, by hash, the name and the unit of exports that only their name says."""
        read = before[before["outcome"] == "accepted"]
        found = {
            str(h): (str(e), str(u))
            for h, e, u in zip(read["sha256"], read["export"], read["unit_ids"], strict=True)
        }
        found |= {
            o.sha256: (o.name, ",".join(o.unit_ids)) for o in self.outcomes if o.kind == "accepted"
        }
        return found

    def _other_unit(self, name: str, first: tuple[str, str] | None) -> str:
        """Say that a copy's name names another unit than the first one's did; else nothing."""
        from .ingest.identity import unit_in_name

        if first is None or first[0] == name:
            return ""
        if unit_in_name(first[0], self._config) != first[1]:
            return ""  # the bytes themselves say whose they are
        own = unit_in_name(name, self._config)
        if own is None or own == first[1]:
            return ""
        return (
            f"{first[0]}, whose they are, says {first[1]} and this name {own}: they count for "
            f"{first[1]} alone, so one of the two is a wrong copy"
        )

    def _may_be_known(self, o: Outcome) -> bool:
        """Tell whether the intake table may have the bytes: not if all samples are new."""
        if o.kind != "accepted" or o.quarantined or _all_count(self.snapshot):
            return True
        return o.sha256 in self._refused_hashes or bool(self._shared.get(o.sha256[:16]))

    def _repeats(self) -> list[tuple[str, Outcome | ExportFile, str]]:
        found: list[tuple[str, Outcome | ExportFile, str]] = [
            (o.name, o, o.sha256) for o in self.outcomes if o.kind == "duplicate"
        ]
        return found + [(f.name, f, h) for f, h in self.copies]

    def _refused_rows(self) -> dict[str, dict[str, Any]]:
        records = self.refused_before.to_dict("records")
        return {str(r["sha256"]): {str(k): v for k, v in r.items()} for r in records}

    def _accepted(self, o: Outcome) -> dict[str, Any]:
        return {
            "export": o.name,
            "sha256": o.sha256,
            "bytes": o.bytes,
            "layout": o.layout,
            "unit_ids": ",".join(o.unit_ids),
            "outcome": "accepted",
            "reason": o.message,
            "rows_read": o.rows_read,
            "rows_kept": o.rows_kept,
            "rows_dropped": o.rows_dropped,
            "dropped_by_reason": dropped_text(o.dropped_by_reason),
            "conflicts": self._conflicts.get(o.sha256[:16], 0),
            "first_time": _time(o.first),
            "last_time": _time(o.last),
            "recorded_at": self.recorded_at,
            "samples": o.samples,
            "samples_shared": self._shared.get(o.sha256[:16], 0),
            "created_at": _time(o.created),
            "read_with": o.read_with,
        }

    def _plain(
        self,
        name: str,
        o: Outcome | ExportFile,
        outcome: str,
        reason: str,
        there: set[tuple[str, str]],
        cause: str = "",
    ) -> list[dict[str, Any]]:
        """Return a row without samples, unless this file has its row already."""
        sha256 = o.sha256 if isinstance(o, Outcome) else self._hash_of(o)
        if (name, sha256) in there:
            return []
        there.add((name, sha256))
        return [
            {
                "export": name,
                "sha256": sha256,
                "bytes": o.stamp[0],
                "layout": NO_EXPORT_LAYOUT
                if cause in NO_EXPORTS
                else o.layout
                if isinstance(o, Outcome)
                else "",
                "unit_ids": "",
                "outcome": outcome,
                "reason": reason,
                "rows_read": 0,
                "rows_kept": 0,
                "rows_dropped": 0,
                "dropped_by_reason": "{}",
                "conflicts": 0,
                "recorded_at": self.recorded_at,
                "samples": 0,
                "samples_shared": 0,
            }
        ]

    def _hash_of(self, file: ExportFile) -> str:
        return self._copy_hashes[file.index]

    def _retold(self, o: Outcome, before: pd.DataFrame) -> list[dict[str, Any]]:
        """Return all rows of an export that left quarantine: accepted once, else copies."""
        self._replaced.append(o.sha256)
        rows = [self._accepted(o)]
        others = before[(before["sha256"] == o.sha256) & (before["export"] != o.name)]
        for row in others.to_dict("records"):
            same = {"outcome": "duplicate", "reason": SAME_BYTES}
            rows.append({**{str(k): v for k, v in row.items()}, **same})
        return rows

    def _reasoned(self, o: Outcome, before: pd.DataFrame) -> list[dict[str, Any]]:
        """Return the rows of an export that stays in quarantine, if the reason is another."""
        mine = before[before["sha256"] == o.sha256]
        if not len(mine) or (mine["reason"] == o.message).all():
            return []
        self._replaced.append(o.sha256)
        return [
            {**{str(k): v for k, v in row.items()}, "reason": o.message}
            for row in mine.to_dict("records")
        ]

    def _refusal(self, o: Outcome, before: dict[str, Any] | None) -> dict[str, Any]:
        return {
            "sha256": o.sha256,
            "export": o.name,
            "bytes": o.bytes,
            "cause": o.cause,
            "message": o.message,
            "question": o.question,
            "toml": o.toml,
            "tried_with": self.digest,
            "recorded_at": self.recorded_at if before is None else before["recorded_at"],
        }

    def remembered(self, files: Sequence[InboxFile]) -> list[tuple[InboxFile, Outcome]]:
        """Return the inbox files that need not be read again, with what they were."""
        by_index = {
            o.index: o
            for o in self.outcomes
            if o.kind in ("accepted", "duplicate", "refused") and o.index < len(files)
        }
        for file, sha256 in self.copies:
            by_index[file.index] = Outcome(
                file.index, file.name, "duplicate", sha256=sha256, stamp=file.stamp
            )
        return [(files[i], by_index[i]) for i in sorted(by_index)]

    def write(self, txn: Txn) -> None:
        """Put the account into the transaction."""
        if len(self.rows):
            txn.replace_many("intake", self.rows, self._replaced)
        before = self._refused_rows()
        after = {str(r["sha256"]): r for r in self.refused_after.to_dict("records")}
        changed = [h for h, r in after.items() if h not in before or _differs(before[h], r)]
        gone = [h for h in before if h not in after]
        if changed or gone:
            rows = self.refused_after[self.refused_after["sha256"].isin(changed)]
            txn.replace_many("refused", rows, [*changed, *gone])
        for sha256 in changed:
            row = after[sha256]
            reason = {k: _text(row[k]) for k in REFUSED.names if k not in ("sha256", "bytes")}
            txn.quarantine(sha256, {"sha256": sha256, "bytes": int(row["bytes"]), **reason})
        for sha256 in gone:
            txn.unquarantine(sha256)
        if self._lost:
            txn.put_state(
                LOST, dict.fromkeys([*(self.snapshot.state(LOST) or ()), *self._lost], 1)
            )
        self.ledger.write(txn)


def _all_count(snapshot: Snapshot) -> bool:
    """Tell whether samples may be gone whose exports were taken in: forgotten, or read anew."""
    return bool(snapshot.top) or forgotten_before(snapshot) is not None


def _frame(table: Table, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return rows as a frame of a table; values that a row lacks are null."""
    columns = {n: pd.Series([r.get(n) for r in rows], dtype=object) for n in table.names}
    return table.conform(pd.DataFrame(columns))


def _time(ms: int | None) -> pd.Timestamp | None:
    return None if ms is None else pd.Timestamp(ms, unit="ms", tz="UTC").as_unit("ms")


def _differs(one: dict[str, Any], other: dict[Any, Any]) -> bool:
    return any(_text(one[n]) != _text(other[n]) for n in REFUSED.names)


def _text(value: Any) -> str:
    return "" if pd.isna(value) else str(value)
