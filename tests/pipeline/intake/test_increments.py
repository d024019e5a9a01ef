"""A night touches what is new: no listing of the store, no reading of what is old."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from chamberdrift.pipeline.store import runs
from chamberdrift.pipeline.store.location import LocalLocation


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Paths of a store that were read, in order."""
    paths: list[str] = []
    read, open_file = LocalLocation.read, LocalLocation.open_file

    def counted_read(place: LocalLocation, path: str) -> bytes:
        paths.append(path)
        return read(place, path)

    def counted_open(place: LocalLocation, path: str) -> Any:
        paths.append(path)
        return open_file(place, path)

    monkeypatch.setattr(LocalLocation, "read", counted_read)
    monkeypatch.setattr(LocalLocation, "open_file", counted_open)
    return paths


def fill(clinic: Any, days: range) -> None:
    for day in days:
        start = pd.Timestamp("2026-01-01") + pd.Timedelta(days=day)
        clinic.put(f"{day:03d}.csv", f"u{day % 2}", str(start), 5)
        clinic.night()


def test_a_night_lists_nothing_but_the_lock(clinic: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(clinic, range(3))

    def refuse(*_: Any) -> None:
        raise AssertionError("the whole store was listed")

    names = LocalLocation.names
    listed: list[str] = []
    monkeypatch.setattr(LocalLocation, "walk", refuse)

    def noted(place: LocalLocation, folder: str) -> list[str]:
        listed.append(folder)
        return names(place, folder)

    monkeypatch.setattr(LocalLocation, "names", noted)
    fill(clinic, range(3, 5))
    assert set(listed) == {"lock"}


def test_a_night_opens_no_old_trace_and_few_files(clinic: Any, opened: list[str]) -> None:
    counts = []
    for day in range(50):
        opened.clear()
        fill(clinic, range(day, day + 1))
        inside = [p for p in opened if not p.endswith(".csv")]
        assert not [p for p in inside if p.startswith("traces/")]
        counts.append(len(inside))
    # at most the commits since a checkpoint and the layers of a few tables
    assert max(counts[34:]) <= max(counts[:34]) + 2 * runs.FAN


def test_a_stretch_of_a_trace_opens_only_its_files(clinic: Any, opened: list[str]) -> None:
    fill(clinic, range(44))
    snapshot = clinic.store.snapshot()
    opened.clear()
    start = pd.Timestamp("2026-02-04", tz="UTC")
    trace = snapshot.trace("u0", start, start + pd.Timedelta(days=1))
    assert len(trace) == 5
    files = [p for p in opened if p.startswith("traces/")]
    assert len(files) == 1
    assert "month=2026-02" in files[0]
    task = snapshot.trace_task("u0", start)
    opened.clear()
    assert len(task.read()) == 5 * 5
    assert len(opened) == 5


def test_lost_bytes_of_a_refused_export_do_not_bar_its_copy(clinic: Any) -> None:
    clinic.put("a.csv", first="refuse zone\n")
    clinic.night()
    (path,) = (Path(clinic.store.location) / "quarantine").glob("*/export")
    path.unlink()
    from chamberdrift.shared.config import Config, Defaults

    clinic.config = Config(defaults=Defaults(zone="Europe/Oslo"))
    assert "vanished" in clinic.night().messages[0]
    result = clinic.night(rehash=True)
    assert clinic.samples() == {"a": 10}
    assert clinic.intake()["outcome"].tolist() == ["accepted"]
    assert result.refusals == ()


def test_files_listed_without_an_inode_are_known_the_next_night(
    clinic: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Windows lists a folder without inodes (os.DirEntry.stat, Python's documentation)."""
    from chamberdrift.pipeline import inbox

    walk = inbox._walk_folder

    def without_inodes(*arguments: Any) -> Any:
        return (replace(f, inode=0) for f in walk(*arguments))

    monkeypatch.setattr(inbox, "_walk_folder", without_inodes)
    clinic.put("a.csv", "u0", "2026-01-01", 5)
    assert clinic.night().counts["accepted"] == 1
    again = clinic.night()
    assert (again.counts["unchanged"], again.counts["read"]) == (1, 0)


@pytest.mark.parametrize("rehash", [False, True])
def test_bytes_read_before_are_known_however_long_ago(clinic: Any, rehash: bool) -> None:
    """A file that was written just before the look that read it is hashed again, and no more."""
    clinic.put("a.csv", "u0", "2026-01-01", 5, age_s=100.0 if rehash else 0.5)
    clinic.night("2026-02-01")
    commit = clinic.store.snapshot().commit
    again = clinic.night("2026-09-01", rehash=rehash)
    assert (again.counts["read"], again.counts["accepted"], again.units) == (1, 0, ())
    assert len(clinic.intake()) == 1
    assert clinic.samples() == {"u0": 5}
    assert clinic.store.snapshot().commit <= commit + 1  # at most the look itself is noted
