"""Proving, compacting and thinning out a store."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from chamberdrift.pipeline.compact import compact, find_orphans
from chamberdrift.pipeline.retention import forget, forgotten_before
from chamberdrift.pipeline.verify import verify
from chamberdrift.shared.errors import ChamberdriftError


@pytest.fixture
def filled(clinic: Any) -> Any:
    """A store with several nights, overlaps, a copy and a refused export."""
    for day in range(28, 33):
        for unit in ("a", "b"):
            start = str(pd.Timestamp("2026-01-01") + pd.Timedelta(days=day - 1))
            clinic.put(f"{unit}/{day}.csv", unit, start, 20, temperature=float(day))
        clinic.night()
    clinic.put("a/over.csv", "a", "2026-01-30 00:00:10", 20, temperature=99.0)
    clinic.put("a/copy.csv", "a", "2026-01-30 00:00:10", 20, temperature=99.0)
    clinic.put("c/asked.csv", "c", first="refuse zone\n")
    clinic.night()
    with clinic.store.lock():
        txn = clinic.store.begin()
        for unit in ("a", "b"):
            starts = clinic.store.snapshot().trace(unit)["time"].iloc[::20].reset_index(drop=True)
            rows = {
                "cycle_id": [f"{unit}@{t.isoformat()}" for t in starts],
                "unit_id": unit,
                "kind": "unknown",
                "started_at": starts,
            }
            txn.append("cycles", pd.DataFrame(rows))
        txn.commit("cycles")
    assert verify(clinic.store).problems == ()
    return clinic


def problems(clinic: Any) -> str:
    return "\n".join(verify(clinic.store).problems)


def traces(clinic: Any) -> list[Path]:
    root = Path(clinic.store.location)
    return [root / f.path for f in clinic.store.snapshot().all_trace_files()]


def test_verify_finds_a_flipped_byte(filled: Any) -> None:
    path = traces(filled)[0]
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    assert f"{path.relative_to(filled.store.location)} is damaged" in problems(filled)


def test_verify_finds_a_missing_file(filled: Any) -> None:
    traces(filled)[0].unlink()
    assert "is missing" in problems(filled)


def test_verify_finds_a_damaged_table(filled: Any) -> None:
    (run,) = filled.store.snapshot().run_files("cycles")
    path = Path(filled.store.location) / run.path
    path.write_bytes(path.read_bytes()[:-1])
    assert "is damaged" in problems(filled)


def test_verify_finds_damaged_quarantine(filled: Any) -> None:
    (path,) = (Path(filled.store.location) / "quarantine").glob("*/export")
    path.write_bytes(b"other")
    assert "quarantined bytes of c/asked.csv are damaged" in problems(filled)
    path.unlink()
    assert "quarantined bytes of c/asked.csv are missing" in problems(filled)


def test_verify_finds_samples_that_no_export_made(filled: Any) -> None:
    frame = filled.store.snapshot().trace("a").head(3)
    frame["time"] += pd.Timedelta(days=40)
    with filled.store.lock():
        txn = filled.store.begin()
        txn.add_trace("a", frame.assign(source="f" * 16))
        txn.commit("by hand")
    found = problems(filled)
    assert "which intake does not know" in found
    assert "the traces hold 213 samples, by the account of exports it should be 210" in found


def test_verify_finds_samples_that_were_lost(filled: Any) -> None:
    with filled.store.lock():
        txn = filled.store.begin()
        txn.replace_traces([], filled.store.snapshot().trace_files("b")[:1])
        txn.commit("by hand")
    assert "the traces hold 190 samples, by the account of exports it should be 210" in problems(
        filled
    )


def test_verify_finds_a_cycle_without_a_trace_and_a_judgement_without_a_cycle(filled: Any) -> None:
    with filled.store.lock():
        txn = filled.store.begin()
        late = pd.Timestamp("2027-01-01", tz="UTC")
        row = {"cycle_id": ["a@late"], "unit_id": ["a"], "kind": ["unknown"], "started_at": [late]}
        txn.append("cycles", pd.DataFrame(row))
        judged = {"cycle_id": ["b@none"], "unit_id": ["b"], "verdict": ["inside"]}
        txn.append("judgements", pd.DataFrame(judged))
        txn.commit("by hand")
    found = problems(filled)
    assert "cycle a@late has no trace" in found
    assert "a judgement names cycle b@none" in found


def test_verify_finds_rows_that_are_there_twice(filled: Any) -> None:
    with filled.store.lock():
        txn = filled.store.begin()
        txn.append("cycles", filled.store.snapshot().table("cycles").head(1))
        txn.commit("by hand")
    assert "some rows are there twice" in problems(filled)


def test_compaction_changes_files_and_nothing_that_is_read(filled: Any) -> None:
    before = filled.store.snapshot()
    result = compact(filled.store)
    after = filled.store.snapshot()
    assert result.trace_files_after == 4  # two units, two months
    assert result.trace_files_before > 4
    for unit in ("a", "b"):
        pd.testing.assert_frame_equal(
            after.trace(unit, provenance=True), before.trace(unit, provenance=True)
        )
    for name in ("cycles", "intake", "refused", "seen"):
        pd.testing.assert_frame_equal(after.table(name), before.table(name))
        assert len(after.run_files(name)) == 1
    assert verify(filled.store).problems == ()
    # readers that began before still find their files
    assert len(before.trace("a")) == 110
    # later overlaps meet the joined file and are settled as before
    filled.put("a/late.csv", "a", "2026-01-28 00:00:05", 4, created="2027-01-01T00:00:00+00:00")
    filled.night()
    assert filled.store.snapshot().trace("a")["temperature_c"].iloc[5] == 100.0
    assert verify(filled.store).problems == ()


def test_compacting_twice_makes_no_new_commit(filled: Any) -> None:
    compact(filled.store)
    number = filled.store.snapshot().commit
    compact(filled.store)
    assert filled.store.snapshot().commit == number


def test_files_that_no_commit_names_are_removed_only_when_old(filled: Any) -> None:
    root = Path(filled.store.location)
    orphan = root / "traces/unit=u-61/month=2026-01/0123.parquet"
    orphan.write_bytes(b"from a run that was killed")
    torn = root / "cycles/.x.parquet.tmp"
    torn.write_bytes(b"half")
    compact(filled.store)
    assert orphan.exists()
    compact(filled.store, keep=timedelta(seconds=-60))
    assert not orphan.exists()
    assert not torn.exists()
    assert find_orphans(filled.store.snapshot()) == []
    assert verify(filled.store).problems == ()
    assert len(list((root / "quarantine").iterdir())) == 1


def test_a_dry_run_of_forgetting_says_the_same_and_does_nothing(filled: Any) -> None:
    before = filled.store.snapshot()
    cut = pd.Timestamp("2026-01-30 00:00:15", tz="UTC")
    tried = forget(filled.store, cut, dry_run=True)
    assert filled.store.snapshot().commit == before.commit
    done = forget(filled.store, cut)
    assert (tried.samples, tried.units, tried.files_removed, tried.files_cut) == (
        done.samples,
        done.units,
        done.files_removed,
        done.files_cut,
    )
    assert "Would remove 110 samples" in tried.text()
    assert "Removed 110 samples" in done.text()
    assert "nothing to remove" in forget(filled.store, cut).text()
    assert done.samples == 2 * 2 * 20 + 15 + 15


def test_forgetting_drops_samples_and_keeps_cycles(filled: Any) -> None:
    cut = pd.Timestamp("2026-01-30 00:00:15", tz="UTC")
    old = filled.store.snapshot()
    whole = {u: old.trace(u) for u in ("a", "b")}
    doomed = [f for f in old.all_trace_files() if f.high < cut.value // 10**6]
    forget(filled.store, cut)
    new = filled.store.snapshot()
    for unit, trace in whole.items():
        kept = trace[trace["time"] >= cut].reset_index(drop=True)
        pd.testing.assert_frame_equal(new.trace(unit), kept)
    pd.testing.assert_frame_equal(new.table("cycles"), old.table("cycles"))
    pd.testing.assert_frame_equal(new.table("intake"), old.table("intake"))
    assert doomed
    assert not any((Path(filled.store.location) / f.path).exists() for f in doomed)
    assert verify(filled.store).problems == ()
    # what was forgotten does not come back with the same files
    filled.night(rehash=True)
    assert len(filled.store.snapshot().trace("b")) == len(new.trace("b"))
    assert verify(filled.store).problems == ()
    forget(filled.store, cut)
    assert filled.store.snapshot().commit == new.commit + 1


def test_forgetting_nothing_leaves_the_store_as_it_was(filled: Any) -> None:
    before = filled.store.snapshot().commit
    assert "nothing to remove" in forget(filled.store, pd.Timestamp("2000-01-01", tz="UTC")).text()
    assert filled.store.snapshot().commit == before
    assert forgotten_before(filled.store.snapshot()) is None


def test_forgetting_everything_is_refused(filled: Any) -> None:
    with pytest.raises(ChamberdriftError, match="earlier date"):
        forget(filled.store, pd.Timestamp("2030-01-01", tz="UTC"))
