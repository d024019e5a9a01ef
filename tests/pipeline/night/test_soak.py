"""Many nights with everything that goes wrong; at the end all is as if nothing had."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from .soak import soak


def test_three_weeks_with_faults_end_as_one_clean_run(tmp_path: Path) -> None:
    result = soak(tmp_path, 2, 21)
    assert result.problems == []
    assert result.unequal == {}
    assert result.cycles > 21
    assert result.kills
    assert result.full_disks_that_failed
    assert result.compactions


@pytest.mark.slow
def test_a_long_time_with_faults_ends_as_one_clean_run(tmp_path: Path) -> None:
    units, nights = (int(n) for n in os.environ.get("CHAMBERDRIFT_SOAK", "6x90").split("x"))
    result = soak(tmp_path, units, nights)
    assert result.problems == []
    assert result.unequal == {}
    assert result.late
    assert result.kills_before_the_end
    assert result.full_disks_that_failed
