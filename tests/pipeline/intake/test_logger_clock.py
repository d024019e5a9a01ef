"""Clocks that run ahead or drift against the receipt of their exports."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest
from chamberdrift.pipeline.logger_clock import clock_facts
from chamberdrift.pipeline.status import store_status

AS_OF = pd.Timestamp("2026-03-01", tz="UTC")


def intake(gap_s: Any, *, stated: bool, unit: str = "a") -> pd.DataFrame:
    """Return a row a day whose receipt follows the last sample by a gap."""
    gap = np.asarray(gap_s, float)
    received = pd.date_range("2026-01-20 03:00", periods=len(gap), freq="D", tz="UTC")
    last = received - pd.to_timedelta(gap, unit="s")
    return pd.DataFrame(
        {
            "unit_ids": pd.array([unit] * len(gap), "string"),
            "outcome": pd.array(["accepted"] * len(gap), "string"),
            "last_time": last.astype("datetime64[ms, UTC]"),
            "created_at": (
                received if stated else pd.DatetimeIndex([None] * len(gap), tz="UTC")
            ).astype("datetime64[ms, UTC]"),
            "recorded_at": received.astype("datetime64[ms, UTC]"),
        }
    )


@pytest.mark.parametrize("stated", [True, False])
def test_a_steady_gap_says_nothing(stated: bool) -> None:
    noise = np.random.default_rng(1).uniform(0, 20, 30)
    assert clock_facts(intake(600 + noise, stated=stated), AS_OF) == ()


@pytest.mark.parametrize("rate", [20.0, -20.0])
def test_a_drift_is_found_with_its_sign(rate: float) -> None:
    noise = np.random.default_rng(2).uniform(0, 20, 30)
    (fact,) = clock_facts(intake(900 - rate * np.arange(30) + noise, stated=True), AS_OF)
    assert fact.drift_s_per_day == pytest.approx(rate, abs=1.0)
    assert ("gains" if rate > 0 else "loses") in fact.text()


def test_exports_fetched_now_and_then_show_no_drift() -> None:
    gap = np.random.default_rng(3).uniform(60, 40_000, 30)
    assert clock_facts(intake(gap, stated=False), AS_OF) == ()


def test_old_exports_met_in_one_night_show_nothing() -> None:
    rows = intake(np.arange(30)[::-1] * 86_400.0 + 600, stated=False)
    rows["recorded_at"] = rows["recorded_at"].max()
    assert clock_facts(rows, AS_OF) == ()


def test_samples_from_after_the_receipt_show_a_clock_ahead() -> None:
    gap = np.full(3, 600.0)
    gap[1] = -3600.0
    (fact,) = clock_facts(intake(gap, stated=False), AS_OF)
    assert fact.ahead_s == pytest.approx(3600.0)
    assert "60 min ahead" in fact.text()


def test_status_tells_of_a_clock_that_is_ahead(clinic: Any) -> None:
    clinic.put("a.csv", start="2026-02-03 00:00:00")
    clinic.night("2026-02-01")
    said = store_status(
        str(clinic.store.location), as_of=datetime(2026, 2, 10, tzinfo=UTC)
    ).warnings
    assert any("clock at a is at least 2 days ahead" in w for w in said)
