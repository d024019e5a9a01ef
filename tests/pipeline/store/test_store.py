"""Opening, committing and reading a store."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.store import log as commit_log
from chamberdrift.pipeline.store.keys import unit_key, unit_of_key
from chamberdrift.pipeline.store.location import open_location
from chamberdrift.shared.errors import StoreError
from chamberdrift.shared.schema import TABLES
from hypothesis import given
from hypothesis import strategies as st


def test_opening_nothing_says_how_to_make_a_store(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="init"):
        Store.open(tmp_path / "none")
    assert not Store.present(tmp_path / "none")
    assert not (tmp_path / "none").exists()


def test_an_empty_store_answers_with_empty_tables(store: Store) -> None:
    snapshot = store.snapshot()
    assert snapshot.unit_ids() == []
    assert snapshot.data_through() is None
    assert snapshot.state("x") is None
    for name in ("cycles", "judgements", "flags", "intake", "service", "residuals"):
        frame = snapshot.table(name)
        assert len(frame) == 0
        assert list(frame.columns) == TABLES[name].names
        assert (frame.dtypes == TABLES[name].empty().dtypes).all()
    assert len(snapshot.trace("u")) == 0


def test_a_transaction_needs_the_lock(store: Store) -> None:
    with pytest.raises(StoreError, match="lock"):
        store.begin()


def test_nothing_is_seen_before_the_commit_and_all_of_it_after(store: Store, samples: Any) -> None:
    with store.lock():
        txn = store.begin()
        txn.add_trace("u", samples("u", "2026-01-01", 10, temperature_c=20.0))
        txn.put_state("k", {"n": 1})
        assert store.snapshot().unit_ids() == []
        preview = txn.preview()
        assert len(preview.trace("u")) == 10
        assert preview.state("k") == {"n": 1}
        number = txn.commit("night")
    after = store.snapshot()
    assert after.commit == number
    assert len(after.trace("u")) == 10
    assert after.state("k") == {"n": 1}


def test_a_snapshot_does_not_change_when_later_commits_come(store: Store, samples: Any) -> None:
    with store.lock():
        txn = store.begin()
        txn.add_trace("u", samples("u", "2026-01-01", 10, temperature_c=20.0))
        txn.commit("one")
        before = store.snapshot()
        txn = store.begin()
        late = samples("u", "2026-01-01 00:00:05", 10, source="t" * 16, temperature_c=21.0)
        txn.add_trace("u", late)
        txn.commit("two")
    assert len(before.trace("u")) == 10
    assert len(store.snapshot().trace("u")) == 15
    assert len(store.snapshot(before.commit).trace("u")) == 10


def test_a_commit_is_one_readable_json_file(store: Store, samples: Any) -> None:
    with store.lock():
        txn = store.begin()
        txn.add_trace("007", samples("007", "2026-01-31 23:59:58", 4, temperature_c=20.0))
        number = txn.commit("two months")
    path = Path(store.location) / f"commits/{number:010d}.json"
    data = json.loads(path.read_text(encoding="utf-8"))
    assert data["commit"] == number
    assert data["complete"] is True
    folders = sorted(row[0].rpartition("/")[0] for row in data["added_traces"])
    assert folders == [
        "traces/unit=u-303037/month=2026-01",
        "traces/unit=u-303037/month=2026-02",
    ]


def test_an_aborted_transaction_leaves_no_file(store: Store, samples: Any) -> None:
    before = {f.path for f in store.place.walk()}
    with store.lock():
        txn = store.begin()
        txn.add_trace("u", samples("u", "2026-01-01", 10, temperature_c=20.0))
        txn.put_state("k", {})
        txn.preview()
        txn.abort()
        with pytest.raises(StoreError, match="ended"):
            txn.commit("late")
    after = {f.path for f in store.place.walk()}
    assert {p for p in after - before if not p.startswith("lock/")} == set()


@given(st.text(min_size=1, max_size=16))
def test_a_key_is_lower_case_hex_and_leads_back(unit: str) -> None:
    try:
        raw = unit.encode()
    except UnicodeEncodeError:
        with pytest.raises(StoreError):
            unit_key(unit)
        return
    key = unit_key(unit)
    assert key == "u-" + raw.hex()
    assert unit_of_key(key) == unit


@pytest.mark.parametrize("unit", ["", "x" * 65, "é" * 33])
def test_a_unit_id_of_a_wrong_length_is_refused(unit: str) -> None:
    with pytest.raises(StoreError, match="1 to 64 bytes"):
        unit_key(unit)


@pytest.mark.parametrize("unit", ["../../x", "CON", "007", "a/b", "a\x00b", "x" * 64])
def test_hostile_unit_ids_stay_inside_the_store(store: Store, samples: Any, unit: str) -> None:
    with store.lock():
        txn = store.begin()
        txn.add_trace(unit, samples(unit, "2026-01-01", 3, temperature_c=20.0))
        txn.commit("night")
    assert store.snapshot().unit_ids() == [unit]
    assert store.snapshot().trace(unit)["unit_id"].tolist() == [unit] * 3
    root = Path(store.location).resolve()
    files = list(root.parent.rglob("*.parquet"))
    assert len(files) == 1
    assert files[0].resolve().is_relative_to(root / "traces")


def test_trace_files_are_written_as_promised(store: Store, samples: Any) -> None:
    with store.lock():
        txn = store.begin()
        frame = samples("u", "2026-01-01", 5000, temperature_c=20.5)
        txn.add_trace("u", frame.sample(frac=1.0, random_state=1))
        txn.commit("night")
    (file,) = store.snapshot().trace_files("u")
    meta = pq.ParquetFile(Path(store.location) / file.path)
    column = meta.metadata.row_group(0).column(meta.schema_arrow.names.index("time"))
    assert column.compression == "ZSTD"
    assert "DELTA_BINARY_PACKED" in column.encodings
    assert not column.has_dictionary_page
    assert column.statistics.has_min_max
    assert store.snapshot().trace("u")["time"].is_monotonic_increasing


def test_checkpoints_hold_what_the_commits_say(store: Store, samples: Any) -> None:
    for i in range(2 * commit_log.CHECKPOINT_COMMITS + 3):
        start = pd.Timestamp("2026-01-30") + pd.Timedelta(hours=i)
        with store.lock():
            txn = store.begin()
            txn.add_trace(f"u{i % 3}", samples(f"u{i % 3}", start, 5, temperature_c=float(i)))
            if i % 10 == 9:  # overlapping: an older file is withdrawn
                late = samples("u0", "2026-01-30", 5, source=f"{i:016d}", temperature_c=float(i))
                txn.add_trace("u0", late)
            txn.commit("night")
    snapshot = store.snapshot()
    assert snapshot.manifest.checkpoint > commit_log.CHECKPOINT_COMMITS
    replayed = commit_log.Manifest(0, 0, "")
    for n in range(1, snapshot.commit + 1):
        commit = commit_log.read_commit(store.place, n)
        assert commit is not None
        replayed = replayed.apply(commit)
    files = {p for held in replayed.added.values() for p in held}
    assert {f.path for f in snapshot.all_trace_files()} == files
    assert snapshot.unit_spans() == replayed.units
    assert sum(s.rows for s in snapshot.unit_spans().values()) == sum(
        len(snapshot.trace(u)) for u in snapshot.unit_ids()
    )


def test_opening_reads_no_more_commits_however_many_there_are(store: Store) -> None:
    reads: list[str] = []

    class Counting(type(store.place)):  # type: ignore[misc]
        def read(self, path: str) -> bytes:
            reads.append(path)
            data: bytes = super().read(path)
            return data

    seen = []
    for i in range(3 * commit_log.CHECKPOINT_COMMITS):
        with store.lock():
            txn = store.begin()
            txn.put_state("k", {"i": i})
            txn.commit("night")
        reads.clear()
        commit_log.load(Counting(store.location))
        seen.append(len(reads))
    assert max(seen) <= commit_log.CHECKPOINT_COMMITS + 6


def test_a_checkpoint_that_a_power_cut_left_empty_is_passed_over(
    store: Store, samples: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(commit_log, "CHECKPOINT_COMMITS", 3)
    number = 0
    for i in range(8):
        with store.lock():
            txn = store.begin()
            txn.add_trace("u", samples("u", f"2026-01-0{i + 1}", 5, temperature_c=20.0))
            number = txn.commit("night")
    newest = Path(store.location) / f"commits/checkpoints/{number:010d}.json"
    assert newest.stat().st_size
    newest.write_bytes(b"")
    snapshot = Store.open(store.location).snapshot()
    assert (snapshot.commit, snapshot.manifest.checkpoint) == (number, number - 3)
    assert len(snapshot.trace("u")) == 40
    with store.lock():
        txn = store.begin()
        txn.add_trace("u", samples("u", "2026-01-09", 5, temperature_c=20.0))
        txn.commit("night")
    assert len(Store.open(store.location).snapshot().trace("u")) == 45


def test_the_newest_commit_is_found_without_and_with_a_wrong_hint(store: Store) -> None:
    with store.lock():
        for i in range(3):
            txn = store.begin()
            txn.put_state("k", {"i": i})
            txn.commit("n")
    hint = Path(store.location) / commit_log.HINT
    for text in (None, "1", "99", "x"):
        if text is None:
            hint.unlink()
        else:
            hint.write_text(text)
        assert Store.open(store.location).snapshot().state("k") == {"i": 2}


def test_an_incomplete_commit_file_is_not_seen_and_is_replaced(store: Store) -> None:
    # as a kill leaves it on a filesystem without hard links
    path = Path(store.location) / "commits/0000000002.json"
    path.write_text('{"format": 1, "commit": 2, "loc')
    assert store.snapshot().commit == 1
    with store.lock():
        txn = store.begin()
        txn.put_state("k", {"v": 1})
        assert txn.commit("n") == 2
    assert store.snapshot().state("k") == {"v": 1}


def test_a_store_of_a_later_format_is_refused_by_name(store: Store) -> None:
    path = Path(store.location) / "commits/0000000001.json"
    path.write_text(path.read_text().replace('"format": 1', '"format": 2'))
    with pytest.raises(StoreError, match="format 2"):
        store.snapshot()


@pytest.mark.parametrize(
    "address",
    ["s3://key:secret@bucket/x", "s3://bucket/x?access_key=a&secret_key=b"],
)
def test_credentials_in_an_address_are_refused_and_not_repeated(address: str) -> None:
    with pytest.raises(StoreError) as caught:
        open_location(address)
    assert "secret_key" not in str(caught.value)
    assert ":secret" not in str(caught.value)
    assert "environment" in str(caught.value)


def test_an_unknown_kind_of_address_is_named() -> None:
    with pytest.raises(StoreError, match="nosuch://"):
        open_location("nosuch://bucket/x").read("commits/newest")


@pytest.mark.skipif(os.geteuid() == 0, reason="root writes everywhere")
def test_a_read_only_store_can_be_read_and_says_why_it_cannot_be_written(
    store: Store, samples: Any
) -> None:
    with store.lock():
        txn = store.begin()
        txn.add_trace("u", samples("u", "2026-01-01", 3, temperature_c=20.0))
        txn.commit("n")
    folders = [p for p in Path(store.location).rglob("*") if p.is_dir()]
    folders.append(Path(store.location))
    for folder in folders:
        folder.chmod(stat.S_IRUSR | stat.S_IXUSR)
    try:
        assert len(Store.open(store.location).snapshot().trace("u")) == 3
        with pytest.raises(StoreError, match="can't be written"), store.lock():
            pass
    finally:
        for folder in folders:
            folder.chmod(stat.S_IRWXU)


def test_a_read_only_filesystem_gives_one_sentence(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(type(store.place), "create", refuse)
    message = "can't be written \\(Read-only file system\\)"
    with pytest.raises(StoreError, match=message), store.lock():
        pass
    assert store.snapshot().commit == 1


def test_what_was_published_before_a_disk_filled_is_said_to_stand(store: Store) -> None:
    full = OSError(28, "No space left on device")

    def night(*, commits: bool) -> None:
        with store.lock():
            txn = store.begin()
            txn.put_state("k", {"v": 1})
            if commits:
                txn.commit("n")
            raise full

    with pytest.raises(StoreError, match="nothing of this run was published"):
        night(commits=False)
    with pytest.raises(StoreError, match="commit 2 stands"):
        night(commits=True)


def test_trouble_with_a_file_elsewhere_is_not_laid_to_the_store(
    store: Store, tmp_path: Path
) -> None:
    with pytest.raises(PermissionError) as caught, store.lock():
        raise PermissionError(13, "Permission denied", str(tmp_path / "inbox/a.csv"))
    assert caught.value.filename.endswith("a.csv")
    with pytest.raises(StoreError, match="Permission denied"), store.lock():
        raise PermissionError(13, "Permission denied", f"{store.location}/reports/x.pdf")


def test_withdrawn_files_go_after_a_while_unless_they_are_in_use_again(
    store: Store, samples: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from datetime import timedelta

    root = Path(store.location)
    with store.lock():
        txn = store.begin()
        txn.add_trace("u", samples("u", "2026-01-01", 10, temperature_c=20.0))
        txn.commit("one")
        (first,) = store.snapshot().trace_files("u")
        txn = store.begin()
        late = samples("u", "2026-01-01 00:00:05", 10, source="t" * 16, temperature_c=21.0)
        txn.add_trace("u", late)
        txn.commit("two")
        (second,) = store.snapshot().trace_files("u")
        txn = store.begin()
        txn.put_state("k", {"n": 1})
        txn.commit("within the hour")
        assert (root / first.path).exists()
        monkeypatch.setattr("chamberdrift.pipeline.store.txn.KEEP_WITHDRAWN", timedelta(0))
        # the first file comes back into use, and a checkpoint forgets how
        txn = store.begin()
        txn.replace_traces([first], [second])
        monkeypatch.setattr("chamberdrift.pipeline.store.log.CHECKPOINT_COMMITS", 1)
        txn.commit("back")
        for i in range(2):
            txn = store.begin()
            txn.put_state("k", {"n": i})
            txn.commit("later")
    assert not (root / second.path).exists()
    assert (root / first.path).exists()
    assert len(store.snapshot().trace("u")) == 10


@pytest.mark.parametrize("published", [True, False])
def test_samples_that_are_written_once_more_stay(
    store: Store, samples: Any, published: bool
) -> None:
    """Equal samples of an equal export have an equal path: the file must not be cleaned up."""
    from chamberdrift.pipeline.store import samples as files
    from chamberdrift.pipeline.store.precedence import Export

    rows = samples("a", "2026-01-01", 10, temperature_c=20.0)
    exports = {"s" * 16: Export("s" * 16, None, 9, 10)}
    for night in range(2):
        with store.lock():
            txn = store.begin()
            for file in files.write(store.place, "a", "2026-01", files.conform(rows), exports):
                txn.adopt("a", "2026-01", file)
            txn.put_state("k", {"v": 1})
            txn.flush_traces()
            if published or not night:
                txn.commit("night")
            else:
                txn.abort()
        assert len(store.snapshot().trace("a")) == 10
