"""Proving a store against its own account: bytes, counts, keys, provenance."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

from .retention import FORGOTTEN, forgotten_before
from .work import Progress

if TYPE_CHECKING:
    import pyarrow as pa

    from .store import Snapshot, Store
    from .store.entries import TraceFile

MANY: Final = 20
"""Problems of one kind that are named; the rest is counted."""


@dataclass(frozen=True)
class VerifyResult:
    """What was looked at, and what is wrong."""

    problems: tuple[str, ...]
    notes: tuple[str, ...]
    counts: dict[str, int]

    def text(self) -> str:
        """Return the result as a person reads it."""
        looked = ", ".join(f"{n} {what}" for what, n in self.counts.items())
        lines = [f"Looked at {looked}."]
        lines += self.notes
        lines += [f"Problem: {p}" for p in self.problems]
        lines.append(f"{len(self.problems)} problems." if self.problems else "Everything adds up.")
        return "\n".join(lines)

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values."""
        return {
            "problems": list(self.problems),
            "notes": list(self.notes),
            "counts": dict(self.counts),
        }


@dataclass
class _Findings:
    """Problems by kind, so that one cause does not drown the others."""

    kinds: dict[str, list[str]] = field(default_factory=dict)

    def add(self, kind: str, text: str) -> None:
        self.kinds.setdefault(kind, []).append(text)

    def listed(self) -> tuple[str, ...]:
        found: list[str] = []
        for texts in self.kinds.values():
            found += texts[:MANY]
            if len(texts) > MANY:
                found.append(f"… and {len(texts) - MANY} more of this kind")
        return tuple(found)


@dataclass
class _Sources:
    """Samples per export, as the traces hold them."""

    rows: dict[str, int] = field(default_factory=dict)
    named: set[str] = field(default_factory=set)
    total: int = 0


def verify(store: Store, *, progress: Progress | None = None) -> VerifyResult:
    """Read the whole store and compare it with its commit log and its account of exports.

    Every file's hash and counts, the order and uniqueness of samples and of the keys
    of all tables; samples against the rows that ``intake`` says were kept; cycles
    against traces; judgements against cycles; quarantined bytes against their hash;
    the log against its checkpoints.
    """
    from .compact import find_orphans

    snapshot = store.snapshot()
    found = _Findings()
    traces = snapshot.all_trace_files()
    files = len(traces) + len(snapshot.manifest.runs)
    sources = _Sources()
    spans: dict[str, list[TraceFile]] = {}
    for i, file in enumerate(traces):
        _check_trace(snapshot, file, sources, spans, found)
        if progress is not None:
            progress("verify", i + 1, files)
    _check_spans(snapshot, spans, found)
    for i, run in enumerate(snapshot.manifest.runs):
        _check_bytes(snapshot, run.path, run.bytes, run.sha256, found)
        if progress is not None:
            progress("verify", len(traces) + i + 1, files)
    broken = bool(found.kinds)
    _check_log(snapshot, found)
    if not broken:
        _check_intake(snapshot, sources, found)
        _check_tables(snapshot, spans, found)
        _check_quarantine(snapshot, found)
    orphans = [] if broken else find_orphans(snapshot)
    notes = []
    if orphans:
        size = sum(o[2] for o in orphans) / 1e6
        notes.append(
            f"{len(orphans)} files ({size:.1f} MB) are named by no commit, from earlier commits "
            "or from runs that were killed: harmless, 'compact' removes them in time."
        )
    if store.single_writer:
        notes.append(
            "This place can't create a file exclusively: only one machine may write to it."
        )
    counts = {
        "trace files": len(traces),
        "samples": sources.total,
        "table files": len(snapshot.manifest.runs),
        "commits": snapshot.commit,
    }
    return VerifyResult(found.listed(), tuple(notes), counts)


def _check_bytes(
    snapshot: Snapshot, path: str, size: int, sha256: str, found: _Findings
) -> bytes | None:
    try:
        data = snapshot.place.read(path)
    except OSError:
        found.add("missing", f"{path} is missing: restore it from a backup")
        return None
    if len(data) != size or hashlib.sha256(data).hexdigest() != sha256:
        found.add("damaged", f"{path} is damaged (its hash differs): restore it from a backup")
        return None
    return data


def _check_trace(
    snapshot: Snapshot,
    file: TraceFile,
    sources: _Sources,
    spans: dict[str, list[TraceFile]],
    found: _Findings,
) -> None:
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    from .store import samples
    from .store.keys import trace_parts

    unit, month = trace_parts(file.path)
    spans.setdefault(unit, []).append(file)
    data = _check_bytes(snapshot, file.path, file.bytes, file.sha256, found)
    if data is None:
        return
    columns = ["unit_id", "time", "source", samples.CHANNEL_SOURCES]
    table = pq.read_table(pa.BufferReader(data), columns=columns)
    at = samples.times_ms(table)
    sources.total += len(table)
    if len(table) != file.rows or at[0] != file.low or at[-1] != file.high:
        found.add("span", f"{file.path} does not hold what the commit log says")
    if np.any(np.diff(at) <= 0):
        found.add("order", f"{file.path}: samples are not in strict order of time")
    if samples.month_of(int(at[0])) != month or samples.month_of(int(at[-1])) != month:
        found.add("month", f"{file.path} holds samples of another month")
    if pc.unique(table.column("unit_id")).to_pylist() != [unit]:
        found.add("unit", f"{file.path} holds samples of another unit")
    for row in pc.value_counts(table.column("source")).to_pylist():
        source = row["values"]
        sources.rows[source] = sources.rows.get(source, 0) + row["counts"]
    sources.named |= _named(table.column(samples.CHANNEL_SOURCES))


def _named(pairs: pa.ChunkedArray) -> set[str]:
    if pairs.null_count == len(pairs):
        return set()
    texts = [t for t in pairs.unique().to_pylist() if t]
    return {pair.partition("=")[2] for text in texts for pair in text.split(",")}


def _check_spans(snapshot: Snapshot, spans: dict[str, list[TraceFile]], found: _Findings) -> None:
    known = snapshot.unit_spans()
    for unit, files in spans.items():
        ordered = sorted(files, key=lambda f: (f.low, f.high))
        for before, after in pairwise(ordered):
            if after.low <= before.high:
                found.add("overlap", f"{before.path} and {after.path} overlap in time")
        rows = sum(f.rows for f in files)
        if unit not in known or known[unit].rows != rows:
            found.add("count", f"unit {unit}: {rows} samples, but the log counts another number")
    for unit, span in known.items():
        if span.rows and unit not in spans:
            found.add("count", f"unit {unit} has no trace file, but the log counts {span.rows}")


def _check_log(snapshot: Snapshot, found: _Findings) -> None:
    """Replay the log from its beginning and compare with what a reader sees."""
    from .store import log

    manifest = log.Manifest(0, 0, "")
    for number in range(1, snapshot.commit + 1):
        commit = log.read_commit(snapshot.place, number)
        if commit is None:
            found.add("log", f"commit {number} is missing or damaged: restore it from a backup")
            return
        manifest = manifest.apply(commit)
    replayed = {p for files in manifest.added.values() for p in files}
    if replayed != {f.path for f in snapshot.all_trace_files()}:
        found.add("log", "the checkpoint's list of trace files differs from the commits'")
    if {r.path for r in manifest.runs} != {r.path for r in snapshot.manifest.runs}:
        found.add("log", "the checkpoint's list of table files differs from the commits'")
    if manifest.facts != snapshot.manifest.facts or manifest.units != snapshot.manifest.units:
        found.add("log", "the checkpoint's counts differ from the commits'")


def _check_intake(snapshot: Snapshot, sources: _Sources, found: _Findings) -> None:
    intake = snapshot.table("intake")
    twice = intake.duplicated(["export", "sha256"])
    for name in intake.loc[twice, "export"]:
        found.add("intake", f"intake has two rows for the same bytes of {name}")
    accepted = intake[intake["outcome"] == "accepted"]
    for name in accepted.loc[accepted.duplicated("sha256"), "export"]:
        found.add("intake", f"the bytes of {name} were accepted twice")
    wrong = intake["rows_read"] != intake["rows_kept"] + intake["rows_dropped"]
    for name in intake.loc[wrong.fillna(True), "export"]:
        found.add("intake", f"{name}: rows read are not rows kept plus rows dropped")
    for name, dropped, reasons in zip(
        intake["export"], intake["rows_dropped"], intake["dropped_by_reason"], strict=True
    ):
        if sum(json.loads(reasons or "{}").values()) != int(dropped):
            found.add("intake", f"{name}: the reasons of dropped rows do not add up")
    made = dict(
        zip((s[:16] for s in accepted["sha256"]), accepted["samples"].astype(int), strict=True)
    )
    for source, rows in sorted(sources.rows.items(), key=lambda s: str(s[0])):
        if source not in made:
            found.add("source", f"{rows} samples come from {source}, which intake does not know")
        elif rows > made[source]:
            found.add("source", f"{rows} samples name {source}, which made only {made[source]}")
    for source in sorted(sources.named - made.keys()):
        found.add("source", f"some values come from {source}, which intake does not know")
    kept = int(accepted["samples"].sum()) - int(accepted["samples_shared"].sum())
    kept -= snapshot.manifest.facts.get(FORGOTTEN, 0)
    if kept != sources.total:
        found.add(
            "account",
            f"the traces hold {sources.total} samples, by the account of exports it should "
            f"be {kept}",
        )


def _check_tables(snapshot: Snapshot, spans: dict[str, list[TraceFile]], found: _Findings) -> None:
    from ..shared.errors import SchemaError
    from .store.specs import SPECS, to_ms

    for name, spec in SPECS.items():
        try:
            spec.table.conform(snapshot.table(name))
        except SchemaError as error:
            found.add("schema", str(error))
    cycles = snapshot.table("cycles", columns=["cycle_id", "unit_id", "started_at", "ended_at"])
    forgotten = forgotten_before(snapshot)
    for cycle_id, unit, start, end in _cycle_rows(cycles):
        low, high = to_ms(start), to_ms(end)
        assert low is not None
        if forgotten is not None and low < forgotten:
            continue
        if not any(f.overlaps(low, high) for f in spans.get(unit, [])):
            found.add("cycles", f"cycle {cycle_id} has no trace")
    known = set(cycles["cycle_id"].astype(object))
    judged = snapshot.table("judgements", columns=["cycle_id"])["cycle_id"].astype(object)
    for cycle_id in judged[~judged.isin(known)]:
        found.add("judgements", f"a judgement names cycle {cycle_id}, which is not there")


def _cycle_rows(cycles: Any) -> Iterator[tuple[str, str, Any, Any]]:
    import pandas as pd

    ends = cycles["ended_at"].where(cycles["ended_at"].notna(), cycles["started_at"])
    rows = zip(cycles["cycle_id"], cycles["unit_id"], cycles["started_at"], ends, strict=True)
    for cycle_id, unit, start, end in rows:
        yield str(cycle_id), str(unit), pd.Timestamp(start), pd.Timestamp(end)


def _check_quarantine(snapshot: Snapshot, found: _Findings) -> None:
    refused = snapshot.table("refused", columns=["sha256", "export"])
    for sha256, name in zip(refused["sha256"], refused["export"], strict=True):
        try:
            data = snapshot.place.read(f"quarantine/{sha256}/export")
        except OSError:
            found.add("quarantine", f"the quarantined bytes of {name} are missing")
            continue
        if hashlib.sha256(data).hexdigest() != sha256:
            found.add("quarantine", f"the quarantined bytes of {name} are damaged")
