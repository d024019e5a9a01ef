"""The commit log: numbered files, each created only if absent, and checkpoints.

A reader loads the newest checkpoint and the few commits after it. The lists of
trace files are split by month and part of the fleet and read when needed, so
that opening a store does not grow with its history.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from dataclasses import dataclass, field, replace
from typing import Any

from ...shared.errors import StoreError
from .entries import Commit, RunFile, TraceFile, UnitSpan
from .keys import checkpoint_path, commit_path, trace_parts, trace_shard
from .location import Location

HINT = "commits/newest"
"""Names a recent commit, so that finding the newest needs no listing. Never trusted
beyond that: readers look for later ones."""

CHECKPOINT_COMMITS = 32
"""Commits after which a checkpoint is written (no source: opening reads at most these)."""
CHECKPOINT_BYTES = 8_000_000
"""Bytes of commits after which a checkpoint is written earlier."""


@dataclass(frozen=True)
class Manifest:
    """The files that a commit sees."""

    commit: int
    checkpoint: int
    recorded_at: str
    shards: dict[str, str] = field(default_factory=dict)
    """Name of a list of trace files to its path, as of the checkpoint."""
    added: dict[str, dict[str, TraceFile]] = field(default_factory=dict)
    """Trace files added since the checkpoint, by list."""
    withdrawn: frozenset[str] = frozenset()
    """Files withdrawn since the checkpoint."""
    runs: tuple[RunFile, ...] = ()
    units: dict[str, UnitSpan] = field(default_factory=dict)
    facts: dict[str, int] = field(default_factory=dict)
    cleaned: int = 0
    pending_commits: int = 0
    pending_bytes: int = 0

    def shard_names(self) -> list[str]:
        """Return the names of all lists of trace files, sorted."""
        return sorted(self.shards.keys() | self.added.keys())

    def apply(self, commit: Commit) -> Manifest:
        """Return the manifest after one more commit."""
        added = dict(self.added)
        gone = set(commit.withdrawn)
        withdrawn = set(self.withdrawn)
        for path in gone:
            if path.startswith("traces/"):
                unit, month = trace_parts(path)
                name = trace_shard(unit, month)
                held = added.get(name, {})
                if path in held:
                    added[name] = {p: f for p, f in held.items() if p != path}
                withdrawn.add(path)
        fresh: dict[str, list[TraceFile]] = {}
        for file in commit.added_traces:
            fresh.setdefault(trace_shard(*trace_parts(file.path)), []).append(file)
            withdrawn.discard(file.path)
        for name, files in fresh.items():
            added[name] = {**added.get(name, {}), **{f.path: f for f in files}}
        runs = tuple(r for r in self.runs if r.path not in gone) + commit.added_runs
        facts = dict(self.facts)
        for key, count in commit.facts:
            facts[key] = facts.get(key, 0) + count
        return replace(
            self,
            commit=commit.number,
            recorded_at=commit.recorded_at,
            added=added,
            withdrawn=frozenset(withdrawn),
            runs=runs,
            units={**self.units, **dict(commit.units)} if commit.units else self.units,
            facts=facts,
            cleaned=commit.cleaned,
            pending_commits=self.pending_commits + 1,
            pending_bytes=self.pending_bytes + commit.bytes,
        )


def read_commit(place: Location, number: int) -> Commit | None:
    """Return a commit, or None when it is absent or was left incomplete by a kill."""
    try:
        data = place.read(commit_path(number))
    except FileNotFoundError:
        return None
    try:
        return Commit.from_json(json.loads(data), len(data))
    except (ValueError, KeyError, TypeError):
        return None


def newest(place: Location) -> Commit:
    """Return the newest complete commit.

    Raises
    ------
    StoreError
        If there is none: the location holds no store.
    """
    best: Commit | None = None
    try:
        best = read_commit(place, int(place.read(HINT)))
    except (FileNotFoundError, NotADirectoryError, ValueError):
        best = None
    if best is None:
        numbers = sorted(
            (int(n[:-5]) for n in place.names("commits") if n[:-5].isdigit()), reverse=True
        )
        best = next((c for n in numbers if (c := read_commit(place, n)) is not None), None)
    if best is None:
        raise StoreError(f"no store at {place.text}: make one with 'chamberdrift init --store …'")
    while (later := read_commit(place, best.number + 1)) is not None:
        best = later
    return best


def load(place: Location, number: int | None = None) -> Manifest:
    """Return the manifest of a commit, by default of the newest one."""
    if number is None:
        head = newest(place)
    else:
        found = read_commit(place, number)
        if found is None:
            raise StoreError(f"{place.text} has no commit {number}")
        head = found
    start, manifest = _nearest_checkpoint(place, head)
    for n in range(start + 1, head.number):
        commit = read_commit(place, n)
        if commit is None:
            raise StoreError(
                f"{place.text}/{commit_path(n)} is missing or damaged: restore it from a backup"
            )
        manifest = manifest.apply(commit)
    if head.number > start:
        manifest = manifest.apply(head)
    return manifest


def _nearest_checkpoint(place: Location, head: Commit) -> tuple[int, Manifest]:
    """Return the newest checkpoint that a commit can be read from, and its number.

    A checkpoint is written after its commit, which therefore can't name it, and counts only
    if it is whole: after a power cut it may be there and empty.
    """
    if place.exists(checkpoint_path(head.number)):
        with contextlib.suppress(StoreError):
            return head.number, _load_checkpoint(place, head.number)
    return head.checkpoint, _load_checkpoint(place, head.checkpoint)


def _load_checkpoint(place: Location, number: int) -> Manifest:
    if number == 0:
        return Manifest(0, 0, "")
    data = _read_json(place, checkpoint_path(number))
    return Manifest(
        commit=number,
        checkpoint=number,
        recorded_at=data["recorded_at"],
        shards=data["shards"],
        runs=tuple(RunFile.from_json(r) for r in data["tables"]),
        units={u: UnitSpan(*s) for u, s in data["units"].items()},
        facts=data["facts"],
        cleaned=data["cleaned"],
    )


def _read_json(place: Location, path: str) -> Any:
    try:
        return json.loads(place.read(path))
    except (FileNotFoundError, ValueError) as error:
        raise StoreError(
            f"{place.text}/{path} is missing or damaged: restore it from a backup"
        ) from error


def shard_files(place: Location, manifest: Manifest, name: str) -> dict[str, TraceFile]:
    """Return the live trace files of one list, by path."""
    files: dict[str, TraceFile] = {}
    path = manifest.shards.get(name)
    if path is not None:
        files = {f[0]: TraceFile.from_json(f) for f in _read_json(place, path)}
    files = {p: f for p, f in files.items() if p not in manifest.withdrawn}
    return {**files, **manifest.added.get(name, {})}


def write_checkpoint(place: Location, manifest: Manifest) -> Manifest:
    """Write a checkpoint of a manifest's commit; return a manifest that starts from it."""
    shards = dict(manifest.shards)
    touched = set(manifest.added)
    for path in manifest.withdrawn:
        touched.add(trace_shard(*trace_parts(path)))
    replaced = []
    written = []
    for name in sorted(touched):
        files = shard_files(place, manifest, name)
        if name in shards:
            replaced.append(shards.pop(name))
        if not files:
            continue
        data = dump([files[p].to_json() for p in sorted(files)])
        path = f"commits/lists/{name}-{hashlib.sha256(data).hexdigest()[:16]}.json"
        place.write(path, data)
        written.append(path)
        shards[name] = path
    body = {
        "commit": manifest.commit,
        "recorded_at": manifest.recorded_at,
        "shards": shards,
        "tables": [r.to_json() for r in manifest.runs],
        "units": {u: s.to_json() for u, s in sorted(manifest.units.items())},
        "facts": manifest.facts,
        "cleaned": manifest.cleaned,
    }
    target = checkpoint_path(manifest.commit)
    place.sync(written)  # a checkpoint that is whole names lists that are whole
    place.write(target, dump(body))
    place.sync([target])
    return replace(
        manifest,
        checkpoint=manifest.commit,
        shards=shards,
        added={},
        withdrawn=frozenset(),
        pending_commits=0,
        pending_bytes=0,
    )


def due(manifest: Manifest) -> bool:
    """Tell whether a checkpoint is due."""
    return (
        manifest.pending_commits >= CHECKPOINT_COMMITS
        or manifest.pending_bytes >= CHECKPOINT_BYTES
    )


def dump(data: object) -> bytes:
    """Return compact JSON bytes, the same for the same data."""
    return json.dumps(data, ensure_ascii=False, separators=(",", ":")).encode("utf-8")


def dump_commit(commit: Commit) -> bytes:
    """Return a commit's bytes: one line a field, so that a person can read it."""
    lines = [f"{json.dumps(key)}: {_dump_field(value)}" for key, value in commit.to_json().items()]
    return ("{\n" + ",\n".join(lines) + "\n}\n").encode("utf-8")


def _dump_field(value: object) -> str:
    if isinstance(value, list) and value and isinstance(value[0], list):
        return "[\n" + ",\n".join(_line(v) for v in value) + "\n]"
    return _line(value)


def _line(value: object) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
