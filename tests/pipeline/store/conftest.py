"""Samples and tables for tests of the store."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from chamberdrift.pipeline.store import Store


@pytest.fixture(autouse=True)
def _no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out fsync: a power cut can't be tested here, and it is most of the time."""
    monkeypatch.setattr(os, "fsync", lambda handle: None)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    """An empty store in a folder."""
    return Store.open(tmp_path / "store", create=True)


def _samples(
    unit: str,
    start: Any,
    count: int,
    *,
    source: str = "s" * 16,
    step: str = "1s",
    **channels: Any,
) -> pd.DataFrame:
    time = pd.date_range(start, periods=count, freq=step, tz="UTC").as_unit("ms")
    return pd.DataFrame({"unit_id": unit, "time": time, "source": source, **channels})


@pytest.fixture
def samples() -> Any:
    """Make samples of one unit at an even step."""
    return _samples


def _cycles(unit: str, starts: list[Any], **columns: Any) -> pd.DataFrame:
    at = pd.Series([pd.Timestamp(s, tz="UTC") for s in starts]).astype("datetime64[ms, UTC]")
    ids = [f"{unit}@{t.isoformat()}" for t in at]
    return pd.DataFrame(
        {
            "cycle_id": ids,
            "unit_id": unit,
            "kind": "sterilization",
            "program": "gravity-121x30",
            "program_source": "config",
            "completion": "complete",
            "started_at": at,
            **columns,
        }
    )


@pytest.fixture
def cycles() -> Any:
    """Make cycles of one unit."""
    return _cycles
