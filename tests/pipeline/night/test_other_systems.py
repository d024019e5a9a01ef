"""File names that every system takes, and consoles that show few letters."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from chamberdrift.pipeline.store import Store
from chamberdrift.shared.schema import TRACES

# "Naming Files, Paths, and Namespaces" of Windows' documentation, from memory.
NOT_ALLOWED = re.compile(r'[<>:"/\\|?*\x00-\x1f]|[. ]$')
RESERVED = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(1, 10))}
LONGEST_PATH = 259
IDS = ("CON", "aux.txt", "a:b", "A1", "a1", "end.", "é", "e\u0301", "x/..\\y", "x" * 64)


def complaints(root: Path) -> list[str]:
    """Return names below a folder that some system does not take or takes for another's."""
    found = []
    seen: dict[str, str] = {}
    for path in sorted(root.rglob("*")):
        name = path.name
        if NOT_ALLOWED.search(name) or name.split(".")[0].lower() in RESERVED:
            found.append(name)
        known = path.relative_to(root).as_posix()
        other = seen.setdefault(known.lower(), known)
        if other != known:
            found.append(f"{known} is {other} where case does not count")
    return found


def test_a_nights_files_have_names_that_every_system_takes(at_once: Path) -> None:
    assert list((at_once / "reports").rglob("*.pdf"))
    assert complaints(at_once) == []


def test_odd_unit_ids_make_no_odd_names_nor_long_ones(tmp_path: Path) -> None:
    store = Store.open(str(tmp_path / "s"), create=True)
    with store.lock():
        txn = store.begin(store.snapshot())
        for unit in IDS:
            frame = pd.DataFrame(
                {
                    "unit_id": unit,
                    "time": pd.Series([pd.Timestamp("2026-03-01", tz="UTC")]).dt.as_unit("ms"),
                    "temperature_c": 20.0,
                    "source": "5f1d0c9e8a7b6c5d",
                }
            )
            txn.add_trace(unit, TRACES.conform(frame))
        txn.commit("odd ids")
    root = tmp_path / "s"
    assert complaints(root) == []
    assert sorted(Store.open(str(root)).snapshot().unit_ids()) == sorted(IDS)
    longest = max(len(p.relative_to(root).as_posix()) for p in root.rglob("*.parquet"))
    assert longest < LONGEST_PATH - 50  # room for the folder that the store stands in


@pytest.mark.parametrize("encoding", ["cp1252", "ascii"])
def test_a_console_with_few_letters_is_met(at_once: Path, encoding: str) -> None:
    unit = Store.open(str(at_once)).snapshot().unit_ids()[0]
    done = subprocess.run(
        [sys.executable, "-m", "chamberdrift", "show", unit, "--store", str(at_once)],
        capture_output=True,
        env={**os.environ, "PYTHONIOENCODING": f"{encoding}:strict"},
    )
    assert done.returncode == 0, done.stderr
    assert unit in done.stdout.decode(encoding)
