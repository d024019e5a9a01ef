"""Flags open, rise, close and re-open as the contract says."""

from __future__ import annotations

import json
from typing import Any

from chamberdrift.models.lifecycle import Ledger

ROW: dict[str, Any] = {"part": "heater", "evidence": "x"}


def test_a_rise_closes_the_lower_row() -> None:
    ledger = Ledger("u")
    assert ledger.raise_flag("heater", "watch", 10.0, ROW)
    assert ledger.raise_flag("heater", "service", 12.0, ROW)
    low, high = ledger.rows()
    assert (low["severity"], low["closed_at"], low["close_reason"]) == ("watch", 12.0, "risen")
    assert (high["severity"], high["closed_at"]) == ("service", None)
    assert low["flag_id"] == high["flag_id"]


def test_a_lower_severity_does_not_open_a_row_below() -> None:
    ledger = Ledger("u")
    ledger.raise_flag("heater", "service", 10.0, ROW)
    assert not ledger.raise_flag("heater", "watch", 11.0, ROW)
    assert len(ledger.rows()) == 1


def test_what_is_raised_again_was_seen_last_then() -> None:
    """A limit that is broken again and again raises its flag anew each time."""
    ledger = Ledger("u")
    for now in (10.0, 11.0, 15.0):
        ledger.raise_flag("logger", "watch", now, ROW)
    (row,) = ledger.rows()
    assert (row["first_seen"], row["last_seen"]) == (10.0, 15.0)


def test_what_was_first_said_stays() -> None:
    ledger = Ledger("u")
    ledger.raise_flag("heater", "service", 10.0, ROW)
    ledger.raise_flag("heater", "service", 11.0, {**ROW, "evidence": "y"})
    ledger.support("heater", 12.0)
    (row,) = ledger.rows()
    assert (row["evidence"], row["first_seen"], row["last_seen"]) == ("x", 10.0, 12.0)


def test_reopening_within_fourteen_days_keeps_the_id_and_the_row() -> None:
    ledger = Ledger("u")
    ledger.raise_flag("heater", "service", 10.0, ROW)
    ledger.close("heater", 20.0, "serviced")
    ledger.raise_flag("heater", "watch", 30.0, ROW)
    ledger.raise_flag("heater", "service", 31.0, ROW)
    rows = ledger.rows()
    assert len({r["flag_id"] for r in rows}) == 1
    assert len({(r["flag_id"], r["severity"]) for r in rows}) == len(rows) == 2
    assert [r["closed_at"] for r in rows if r["severity"] == "service"] == [None]


def test_reopening_later_takes_a_new_id() -> None:
    ledger = Ledger("u")
    ledger.raise_flag("heater", "service", 10.0, ROW)
    ledger.close("heater", 20.0, "serviced")
    ledger.raise_flag("heater", "service", 34.5, ROW)
    assert len({r["flag_id"] for r in ledger.rows()}) == 2


def test_two_episodes_on_one_day_have_two_ids() -> None:
    ledger = Ledger("u")
    ids = {ledger._new_id("heater", 10.2) for _ in range(1)}
    ledger.raise_flag("heater", "watch", 10.2, ROW)
    assert ledger._new_id("heater", 10.4) not in ids


def test_quiet_weeks_close_a_flag_as_recovered_but_quiet_cycles_alone_do_not() -> None:
    ledger = Ledger("u")
    ledger.raise_flag("heater", "watch", 10.0, ROW)
    for k in range(30):
        assert not ledger.quiet("heater", 10.0 + k * 0.1)
    assert ledger.standing("heater") is not None
    assert ledger.quiet("heater", 25.0)
    assert ledger.rows()[0]["close_reason"] == "recovered"


def test_a_ledger_survives_json() -> None:
    ledger = Ledger("u")
    ledger.raise_flag("heater", "watch", 10.0, {"part": "heater", "change_point": None})
    ledger.raise_flag("door_seal", "service", 11.0, ROW)
    ledger.close("heater", 12.0, "recovered")
    text = json.dumps({**ledger.to_json()})
    again = Ledger.from_json(json.loads(text))
    assert json.dumps(again.to_json()) == text
    assert again.standing("door_seal") is not None
