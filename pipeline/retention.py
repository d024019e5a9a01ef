"""Forgetting samples older than a date, while cycles and all else stay."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from ..shared.errors import ChamberdriftError
from .work import Progress

if TYPE_CHECKING:
    import pandas as pd

    from .store import Snapshot, Store
    from .store.entries import TraceFile

STATE: Final = "retention"
FORGOTTEN: Final = "forgotten_samples"
"""Running count in the store of samples that were forgotten."""


@dataclass(frozen=True)
class ForgetResult:
    """What was forgotten, or would be."""

    before: str
    dry_run: bool
    units: int
    files_removed: int
    files_cut: int
    samples: int
    bytes: int
    """Freed, about: files that are cut count in proportion."""

    def text(self) -> str:
        """Return the result as a person reads it."""
        if not self.samples:
            return f"No sample is older than {self.before}: there is nothing to remove."
        verb, were = ("Would remove", "would be") if self.dry_run else ("Removed", "were")
        return (
            f"{verb} {self.samples} samples from before {self.before}, of {self.units} units, "
            f"about {self.bytes / 1e6:.1f} MB: {self.files_removed} files {were} deleted whole, "
            f"{self.files_cut} cut. Cycles, verdicts, flags and reports stay."
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values."""
        return dict(vars(self))


def forgotten_before(snapshot: Snapshot) -> int | None:
    """Return the time (ms) before which samples were forgotten, or None."""
    state = snapshot.state(STATE)
    return None if state is None else int(state["before_ms"])


def forget(
    store: Store,
    before: pd.Timestamp | Any,
    *,
    dry_run: bool = False,
    progress: Progress | None = None,
) -> ForgetResult:
    """Remove samples from before a time; a file that the time cuts is written anew.

    Parameters
    ----------
    before
        The first moment that is kept; without a zone, UTC.
    dry_run
        Only say what would go.

    Raises
    ------
    ChamberdriftError
        If the time is later than the newest sample: that would empty the store.
    StoreBusyError
        If another run holds the store's lock.
    """
    from .store.specs import to_ms

    limit = to_ms(before)
    assert limit is not None
    if dry_run:
        snapshot = store.snapshot()
        _check_limit(snapshot, limit)
        doomed, cut = _split(snapshot, limit)
        return _result(limit, True, doomed, cut)
    with store.lock():
        snapshot = store.snapshot()
        _check_limit(snapshot, limit)
        doomed, cut = _split(snapshot, limit)
        result = _result(limit, False, doomed, cut)
        if not doomed and not cut:
            return result
        _publish(store, snapshot, limit, doomed, cut, result.samples, progress)
    return result


def _check_limit(snapshot: Snapshot, limit: int) -> None:
    newest = snapshot.data_through()
    if newest is not None and limit > int(newest.value // 1_000_000):
        raise ChamberdriftError(
            f"the newest sample is of {_iso(newest)}, so this would remove every sample; "
            "name an earlier date."
        )


def _iso(moment: pd.Timestamp) -> str:
    return moment.isoformat().replace("+00:00", "Z")


def _split(snapshot: Snapshot, limit: int) -> tuple[list[TraceFile], list[tuple[TraceFile, int]]]:
    """Return files that go whole, and files that are cut with the samples they lose."""
    from .store import samples

    doomed = []
    cut = []
    last = samples.month_of(limit)
    for name in snapshot.manifest.shard_names():
        if name.removeprefix("traces-")[:7] > last:
            continue
        for file in snapshot.shard(name).values():
            if file.high < limit:
                doomed.append(file)
            elif file.low < limit:
                rows = samples.read_file(snapshot.place, file.path, None, limit - 1, ["time"])
                cut.append((file, len(rows)))
    return sorted(doomed, key=lambda f: f.path), sorted(cut, key=lambda c: c[0].path)


def _result(
    limit: int, dry_run: bool, doomed: list[TraceFile], cut: list[tuple[TraceFile, int]]
) -> ForgetResult:
    import pandas as pd

    from .store.keys import trace_parts

    units = {trace_parts(f.path)[0] for f in doomed} | {trace_parts(f.path)[0] for f, _ in cut}
    return ForgetResult(
        before=_iso(pd.Timestamp(limit, unit="ms", tz="UTC")),
        dry_run=dry_run,
        units=len(units),
        files_removed=len(doomed),
        files_cut=len(cut),
        samples=sum(f.rows for f in doomed) + sum(n for _, n in cut),
        bytes=sum(f.bytes for f in doomed) + sum(f.bytes * n // f.rows for f, n in cut),
    )


def _publish(
    store: Store,
    snapshot: Snapshot,
    limit: int,
    doomed: list[TraceFile],
    cut: list[tuple[TraceFile, int]],
    rows: int,
    progress: Progress | None,
) -> None:
    from .store import samples
    from .store.keys import trace_parts

    txn = store.begin(snapshot)
    try:
        added = []
        for i, (file, _) in enumerate(cut):
            unit, month = trace_parts(file.path)
            kept = samples.read_file(store.place, file.path, limit, None)
            exports = samples.read_exports(store.place, file.path)
            added += samples.write(store.place, unit, month, kept, exports)
            if progress is not None:
                progress("forget", i + 1, len(cut))
        gone = [*doomed, *(f for f, _ in cut)]
        txn.replace_traces(added, gone)
        txn.count(FORGOTTEN, rows)
        txn.put_state(STATE, {"before_ms": max(limit, forgotten_before(snapshot) or limit)})
        kept_paths = {f.path for f in added}
        txn.delete_after(f.path for f in gone if f.path not in kept_paths)
        txn.commit(f"forgot {rows} samples from before a date")
    except BaseException:
        txn.abort()
        raise
