"""Looking through an inbox."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from chamberdrift.pipeline.inbox import safe_name, scan
from chamberdrift.shared.errors import ChamberdriftError
from hypothesis import given
from hypothesis import strategies as st


def names(folder: Path) -> list[str]:
    return [f.name for f in scan(folder).files]


def make(folder: Path, *paths: str) -> None:
    for path in paths:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_text("x")


def test_exports_are_found_in_all_sub_folders_in_order(tmp_path: Path) -> None:
    make(tmp_path, "b.csv", "a/x.TXT", "a/b/y.tsv", "z.csv.gz", "z.zip", "c.csv")
    assert names(tmp_path) == ["a/b/y.tsv", "a/x.TXT", "b.csv", "c.csv", "z.csv.gz", "z.zip"]


def test_other_files_are_left_alone_and_counted(tmp_path: Path) -> None:
    make(tmp_path, ".hidden.csv", ".git/x.csv", "a.csv~", "b.csv.part", "~lock.csv", "c.pdf", "d")
    make(tmp_path, "service-log.csv", "site/service-log.csv", "e.csv")
    os.mkfifo(tmp_path / "pipe.csv")
    looked = scan(tmp_path)
    assert [f.name for f in looked.files] == ["e.csv"]
    assert looked.service_logs == ("service-log.csv", "site/service-log.csv")
    assert looked.ignored == {
        "hidden or temporary": 5,
        "other kind of file": 2,
        "not a plain file": 1,
    }


def test_links_are_followed_only_to_files_inside(tmp_path: Path) -> None:
    make(tmp_path, "in/a.csv", "out/secret.csv")
    inbox = tmp_path / "in"
    (inbox / "out.csv").symlink_to(tmp_path / "out/secret.csv")
    (inbox / "up.csv").symlink_to("../out/secret.csv")
    (inbox / "folder").symlink_to(tmp_path / "out")
    (inbox / "loop").symlink_to(".")
    (inbox / "self.csv").symlink_to("self.csv")
    (inbox / "gone.csv").symlink_to("nothing.csv")
    (inbox / "again.csv").symlink_to("a.csv")
    looked = scan(inbox)
    assert [f.name for f in looked.files] == ["a.csv", "again.csv"]
    assert looked.ignored == {"link out of the inbox or to a folder": 6}


def test_an_inbox_that_is_a_link_itself_is_looked_through(tmp_path: Path) -> None:
    make(tmp_path, "real/a.csv")
    (tmp_path / "inbox").symlink_to(tmp_path / "real")
    assert names(tmp_path / "inbox") == ["a.csv"]


def test_an_inbox_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(ChamberdriftError, match="can't be read: No such file"):
        scan(tmp_path / "none")


@pytest.mark.parametrize(
    "name",
    [
        b"line\nbreak.csv",
        b"esc\x1b[31mred.csv",
        b"latin-\xe9.csv",
        b"$(touch x);`id`.csv",
        b"a..csv..csv",
        b"-rf.csv",
        "ünit °C.csv".encode(),
        "right\u202eleft.csv".encode(),
    ],
)
def test_hostile_names_are_read_and_shown_safely(clinic: Any, name: bytes) -> None:
    path = os.path.join(os.fsencode(clinic.inbox), name)
    with open(path, "wb") as file:
        file.write(b"unit,time,temperature,pressure\na,2026-01-01T00:00:00Z,20,\n")
    os.utime(path, (1, 1))
    result = clinic.night()
    assert result.counts["accepted"] == 1
    (shown,) = clinic.intake()["export"]
    assert shown.isprintable()
    assert clinic.night().counts["unchanged"] == 1


@given(st.text(max_size=30))
def test_a_safe_name_prints_on_one_line(name: str) -> None:
    shown = safe_name(name)
    assert shown.isprintable()
    shown.encode("utf-8")
    assert safe_name(shown) == shown


def test_an_unchanged_file_is_known_by_a_look(clinic: Any) -> None:
    clinic.put("a.csv")
    assert clinic.night().counts["read"] == 1
    assert clinic.night().counts == {
        "looked_at": 1,
        "unchanged": 1,
        "read": 0,
        "accepted": 0,
        "duplicate": 0,
        "quarantined": 0,
        "no_exports": 0,
        "retried": 0,
        "left": 0,
    }


def test_a_night_without_news_changes_no_table(clinic: Any) -> None:
    clinic.put("a.csv")
    clinic.night()
    before = clinic.store.snapshot()
    clinic.night()
    after = clinic.store.snapshot()
    assert before.manifest.runs == after.manifest.runs
    assert before.all_trace_files() == after.all_trace_files()


@pytest.mark.parametrize("what", ["size", "mtime", "inode"])
def test_each_sign_of_change_is_seen(clinic: Any, what: str) -> None:
    path = clinic.put("a.csv", count=10)
    clinic.night()
    stat = path.stat()
    if what == "size":
        clinic.put("a.csv", count=12)
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    elif what == "mtime":
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns + 1))
    else:
        data = path.read_bytes()
        other = path.with_name("b.tmp")
        other.write_bytes(data)
        os.replace(other, path)
        os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    result = clinic.night()
    assert result.counts["read"] == 1
    assert dict(result.explained) == {"a.csv": "changed"}


def test_a_file_changed_just_before_the_look_is_always_read(clinic: Any) -> None:
    path = clinic.put("a.csv", temperature=20.0, age_s=0.5)
    clinic.night()
    # the same size, time and file number, other bytes: only reading can tell
    stat = path.stat()
    path.write_bytes(path.read_bytes().replace(b"20.0", b"30.0"))
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    result = clinic.night()
    assert result.counts["accepted"] == 1
    assert dict(result.explained) == {"a.csv": "changed shortly before a look"}


def test_rehash_reads_everything_and_changes_nothing(clinic: Any) -> None:
    path = clinic.put("a.csv", temperature=20.0)
    clinic.put("b.csv", start="2026-01-02")
    clinic.night()
    stat = path.stat()
    before = clinic.intake()
    result = clinic.night(rehash=True)
    assert result.counts["read"] == 2
    assert len(result.intake) == 0
    assert clinic.intake().equals(before)
    # bytes exchanged behind an unchanged look are found
    path.write_bytes(path.read_bytes().replace(b"20.0", b"30.0"))
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert clinic.night().counts["read"] == 0
    assert clinic.night(rehash=True).counts["accepted"] == 1


def test_files_that_are_gone_are_forgotten_and_known_again_by_their_bytes(clinic: Any) -> None:
    path = clinic.put("a.csv")
    clinic.put("b.csv", start="2026-01-02")
    clinic.night()
    data = path.read_bytes()
    path.unlink()
    clinic.night()
    assert len(clinic.store.snapshot().table("seen")) == 1
    clinic.write("moved/a.csv", data)
    result = clinic.night()
    assert result.counts["duplicate"] == 1
    assert clinic.samples() == {"a": 20}


def test_a_slow_share_is_asked_little(clinic: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each call to a share costs its delay: few a new file, one a known one."""
    import os
    import time

    from chamberdrift.pipeline import intake_task
    from chamberdrift.pipeline.store.location import LocalLocation

    for k in range(12):
        # One size, other bytes.
        clinic.put(f"s/{k:02d}.csv", f"u{k:02d}", temperature=[20.0 + k] * 10)
    inbox = os.fspath(clinic.inbox)
    calls: list[str] = []

    def slow(function: Any, kind: str) -> Any:
        def called(*args: Any, **more: Any) -> Any:
            path = args[0] if isinstance(args[0], str | os.PathLike) else args[0].full(args[1])
            if os.fspath(path).startswith(inbox + os.sep):
                calls.append(kind)
                time.sleep(0.005)
            return function(*args, **more)

        return called

    monkeypatch.setattr(os, "stat", slow(os.stat, "stat"))
    monkeypatch.setattr(os, "open", slow(os.open, "open"))
    monkeypatch.setattr(LocalLocation, "read", slow(LocalLocation.read, "read"))
    monkeypatch.setattr(intake_task, "_hash_stream", slow(intake_task._hash_stream, "hash"))
    result = clinic.night()
    assert result.counts["accepted"] == 12
    assert calls.count("read") == 12
    assert calls.count("stat") == 24
    assert calls.count("open") <= 12
    assert "hash" not in calls
    calls.clear()
    assert clinic.night().counts["unchanged"] == 12
    assert calls == []
