"""A night reads what it names: no folder of data is listed, and no more files are opened as
history grows."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.store.location import LocalLocation

UNITS = ("a", "b", "c")
START = pd.Timestamp("2026-01-01", tz="UTC")


@contextmanager
def counted(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, list[str]]]:
    """Note which folders are listed by the operating system, and which files are opened."""
    seen: dict[str, list[str]] = {"listed": [], "opened": []}

    def note(owner: Any, name: str, kind: str, patch: pytest.MonkeyPatch) -> None:
        original = getattr(owner, name)

        def noted(*args: Any, **kwargs: Any) -> Any:
            where = args[1] if owner is LocalLocation else args[0] if args else "."
            seen[kind].append(str(where))
            return original(*args, **kwargs)

        patch.setattr(owner, name, noted)

    with monkeypatch.context() as patch:
        note(os, "scandir", "listed", patch)
        note(os, "listdir", "listed", patch)
        note(LocalLocation, "read", "opened", patch)
        note(LocalLocation, "open_file", "opened", patch)
        yield seen


def night(store: Store, samples: Any, cycles: Any, day: int) -> None:
    at = START + pd.Timedelta(days=day)
    with store.lock():
        snapshot = store.snapshot()
        txn = store.begin(snapshot)
        for unit in UNITS:
            txn.add_trace(unit, samples(unit, at + pd.Timedelta(hours=9), 20, temperature_c=20.0))
        view = txn.preview()
        view.states([f"x/{u}" for u in UNITS])
        view.table("cycles", since=at - pd.Timedelta(days=1))
        for unit in UNITS:
            view.trace(unit, start=at)
        txn.append("cycles", pd.concat([cycles(u, [at.tz_localize(None)]) for u in UNITS]))
        txn.put_states({f"x/{u}": {"day": day} for u in UNITS})
        txn.commit(f"day {day}")


def test_a_night_lists_its_lock_alone(
    store: Store, samples: Any, cycles: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = []
    for day in range(70):
        with counted(monkeypatch) as seen:
            night(store, samples, cycles, day)
        folders = {Path(p).name for p in seen["listed"]}
        assert folders <= ({"lock"} if day else {"lock", "commits"})  # a new store has no hint
        opened.append(len(seen["opened"]))
    # the log since its last checkpoint and the layers of tables: a sawtooth, not a slope
    assert max(opened[40:]) <= max(opened[:40]) + 5


def test_a_read_of_days_opens_the_month_of_one_unit_alone(
    store: Store, samples: Any, cycles: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    for day in range(0, 90, 10):
        night(store, samples, cycles, day)
    snapshot = Store.open(store.location).snapshot()
    with counted(monkeypatch) as seen:
        found = snapshot.trace("b", START + pd.Timedelta(days=40), START + pd.Timedelta(days=41))
    assert len(found) == 20
    parts = [p for p in seen["opened"] if p.startswith("traces/")]
    assert len(parts) == 1
    assert "unit=u-62/month=2026-02/" in parts[0]
    assert not seen["listed"]


def test_row_groups_of_other_units_are_not_decoded(
    store: Store, cycles: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from chamberdrift.pipeline.store import runs

    monkeypatch.setattr(runs, "GROUP_ROWS", 50)
    days = [START.tz_localize(None) + pd.Timedelta(days=d) for d in range(50)]
    with store.lock():
        txn = store.begin()
        txn.append("cycles", pd.concat([cycles(f"u{i}", days) for i in range(10)]))
        txn.commit("many")
    groups: list[int] = []
    original = pq.ParquetFile.read_row_groups

    def noted(file: Any, which: Any, **how: Any) -> Any:
        groups.append(len(which))
        return original(file, which, **how)

    monkeypatch.setattr(pq.ParquetFile, "read_row_groups", noted)
    assert len(store.snapshot().table("cycles", units=["u4"])) == 50
    assert groups == [1]
