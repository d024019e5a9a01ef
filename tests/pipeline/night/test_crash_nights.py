"""A whole night that is killed at any step leaves the store as before or as after."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest


def killed(folder: Path, seed: int, count: int) -> Any:
    program = Path(__file__).with_name("crash_nights.py")
    done = subprocess.run(
        [sys.executable, str(program), str(folder), str(seed), str(count)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_whole_nights_killed_at_some_steps(tmp_path: Path) -> None:
    outcome = killed(tmp_path, 2, 5)
    assert outcome["wrong"] == []
    assert outcome["killed"] >= 4  # the last few steps are not in every run
    assert outcome["before"] + outcome["after"] == 5


@pytest.mark.slow
def test_whole_nights_killed_at_every_step_and_more(tmp_path: Path) -> None:
    outcome = killed(tmp_path, 1, 220)
    assert outcome["wrong"] == []
    assert outcome["killed"] > 200
    assert outcome["steps"] > 60
    assert outcome["before"]
    assert outcome["after"]
