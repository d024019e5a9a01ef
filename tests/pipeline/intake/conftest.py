"""An inbox, a store and a plain reader for tests of the intake."""

from __future__ import annotations

import importlib.util
import os
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

import pandas as pd
import pytest
from chamberdrift.pipeline import ingest
from chamberdrift.pipeline.intake import IngestResult, ingest_inbox
from chamberdrift.pipeline.store import Store
from chamberdrift.shared.config import Config


def load_plain_reader() -> ModuleType:
    """Import the reader that lies beside this file."""
    name = "plain_reader"
    if name not in sys.modules:
        found = importlib.util.spec_from_file_location(
            name, Path(__file__).with_name("plain_reader.py")
        )
        assert found is not None
        assert found.loader is not None
        module = importlib.util.module_from_spec(found)
        sys.modules[name] = module
        found.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(autouse=True)
def _plain_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ingest, "read_export", load_plain_reader().read_export)
    monkeypatch.setattr(os, "fsync", lambda handle: None)


@dataclass
class Clinic:
    """An inbox and a store, and what one does with them."""

    inbox: Path
    store: Store
    config: Config = field(default_factory=Config)

    def put(
        self,
        name: str,
        unit: str = "a",
        start: str = "2026-01-01",
        count: int = 10,
        *,
        temperature: float | list[float] = 100.0,
        pressure: Any = "",
        created: str | None = None,
        first: str = "",
        age_s: float = 100.0,
    ) -> Path:
        """Write an export."""
        at = pd.date_range(start, periods=count, freq="s", tz="UTC")
        values = temperature if isinstance(temperature, list) else [temperature] * count
        text = f"# created {created}\n" if created else ""
        text += first + "unit,time,temperature,pressure\n"
        text += "".join(
            f"{unit},{t.isoformat()},{v},{pressure}\n" for t, v in zip(at, values, strict=True)
        )
        return self.write(name, text.encode(), age_s)

    def write(self, name: str, data: bytes, age_s: float = 100.0) -> Path:
        """Write a file that was last changed a while ago."""
        path = self.inbox / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        os.utime(path, (time.time() - age_s,) * 2)
        return path

    def night(self, recorded_at: str = "2026-02-01", **options: Any) -> IngestResult:
        """Take in what is new, in one commit."""
        with self.store.lock():
            snapshot = self.store.snapshot()
            txn = self.store.begin(snapshot)
            result = ingest_inbox(
                self.inbox,
                self.store,
                self.config,
                txn=txn,
                snapshot=snapshot,
                recorded_at=pd.Timestamp(recorded_at, tz="UTC"),
                **options,
            )
            txn.commit("night")
        return result

    def intake(self) -> pd.DataFrame:
        """Return the intake table by export."""
        table = self.store.snapshot().table("intake")
        return table.sort_values(["export", "sha256"]).reset_index(drop=True)

    def samples(self) -> dict[str, int]:
        """Return the count of samples by unit."""
        snapshot = self.store.snapshot()
        return {u: len(snapshot.trace(u)) for u in snapshot.unit_ids()}


@pytest.fixture
def clinic(tmp_path: Path) -> Clinic:
    """An empty inbox and an empty store."""
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    return Clinic(inbox, Store.open(tmp_path / "store", create=True))
