"""Killed, out of space, two at once: nothing lost, nothing twice, the next run completes."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.store.location import LocalLocation
from chamberdrift.pipeline.verify import verify
from chamberdrift.shared.errors import StoreBusyError, StoreError

PROGRAM = Path(__file__).with_name("crash_runs.py")


def kill_runs(folder: Path, seed: int, count: int) -> dict[str, Any]:
    done = subprocess.run(
        [sys.executable, str(PROGRAM), str(folder), str(seed), str(count)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    outcome: dict[str, Any] = json.loads(done.stdout)
    return outcome


def check_kill_runs(outcome: dict[str, Any], count: int) -> None:
    assert outcome["wrong"] == []
    assert outcome["killed"] == count
    assert outcome["before"] + outcome["after"] == count


def test_killed_at_some_steps(tmp_path: Path) -> None:
    check_kill_runs(kill_runs(tmp_path, seed=1, count=8), 8)


@pytest.mark.slow
def test_killed_at_every_step_and_more(tmp_path: Path) -> None:
    outcome = kill_runs(tmp_path, seed=2, count=220)
    check_kill_runs(outcome, 220)
    assert outcome["before"] > 0
    assert outcome["after"] > 0


def steps_of(clinic: Any, monkeypatch: pytest.MonkeyPatch, fail_at: int) -> int:
    """Let the disk be full from a step on; return the number of steps."""
    done = 0
    write, create = LocalLocation.write, LocalLocation.create

    def counted(original: Any) -> Any:
        def inner(place: LocalLocation, path: str, data: Any) -> None:
            nonlocal done
            done += 1
            if 0 < fail_at <= done and not path.startswith("lock/"):
                half = memoryview(data)[: len(memoryview(data)) // 2]
                original(place, path + ".half", bytes(half))
                os.unlink(place.full(path + ".half"))
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            original(place, path, data)

        return inner

    with monkeypatch.context() as patch:
        patch.setattr(LocalLocation, "write", counted(write))
        patch.setattr(LocalLocation, "create", counted(create))
        clinic.night()
    return done


def test_a_full_disk_at_every_step_publishes_nothing_and_the_next_run_completes(
    clinic: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    clinic.put("a.csv", "a", "2026-01-01 00:00:00")
    clinic.night()
    clinic.put("b.csv", "a", "2026-01-01 00:00:05", temperature=21.0)
    clinic.put("c.csv", "c", first="refuse zone\n")
    clinic.put("d.csv", "d")
    messages: set[str] = set()
    for step in range(2, 40):
        before = clinic.store.snapshot()
        try:
            steps_of(clinic, monkeypatch, fail_at=step)
        except StoreError as error:
            messages.add(str(error))
            after = clinic.store.snapshot()
            assert after.manifest == before.manifest
            assert verify(clinic.store).problems == ()
            continue
        break
    assert step > 7
    assert len(messages) == 1
    assert "No space left on device" in messages.pop()
    # the step that succeeded was past the commit, or the end
    clinic.night()
    assert clinic.samples() == {"a": 15, "d": 10}
    assert clinic.intake()["outcome"].tolist() == [
        "accepted",
        "accepted",
        "quarantined",
        "accepted",
    ]
    assert verify(clinic.store).problems == ()


def test_a_really_full_disk(clinic: Any, tmp_path: Path) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(disk)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip("no right to mount a small disk")
    try:
        small = type(clinic)(clinic.inbox, Store.open(disk / "store", create=True))
        small.put("a.csv", "a")
        small.night()
        for i in range(40):
            small.put(f"{i}.csv", f"u{i}", temperature=[k * 0.37 for k in range(300)], count=300)
        with pytest.raises(StoreError, match="No space left"):
            small.night()
        assert small.samples() == {"a": 10}
        subprocess.run(["mount", "-o", "remount,size=20m", str(disk)], check=True)
        small.night()
        assert len(small.samples()) == 41
        assert verify(small.store).problems == ()
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_two_nights_at_once(clinic: Any) -> None:
    clinic.put("a.csv")
    other = type(clinic)(clinic.inbox, Store.open(clinic.store.location))
    with other.store.lock(), pytest.raises(StoreBusyError):
        clinic.night()
    other.night()
    clinic.night()
    assert clinic.samples() == {"a": 10}
    assert verify(clinic.store).problems == ()
