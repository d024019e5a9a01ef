"""A deferral stays with its finding when the finding's id changes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
from chamberdrift.pipeline.care import defer_flag
from chamberdrift.pipeline.deferrals import DEFERRALS, deferrals_table, unit_and_part
from chamberdrift.pipeline.moment import now
from chamberdrift.pipeline.status import show_unit
from chamberdrift.pipeline.store import Store

from .conftest import Fleet


def renamed(store: Path, **changes: Any) -> pd.DataFrame:
    """Return the store's flags with the service flag changed, as a later version may tell it."""
    flags = Store.open(str(store)).snapshot().table("flags")
    own = flags["flag_id"] == "f-service"
    out = flags.copy()
    for name, value in changes.items():
        out.loc[own, name] = value
    return out


def test_a_deferral_goes_over_to_the_same_finding(store_copy: Path, fleet: Fleet) -> None:
    defer_flag(str(store_copy), "f-service", until=now() + pd.Timedelta(days=9), reason="ordered")
    snapshot = Store.open(str(store_copy)).snapshot()
    told = deferrals_table(snapshot, renamed(store_copy, flag_id="another"))
    assert list(told["flag_id"]) == ["another"]
    other_part = renamed(store_copy, flag_id="another", part="door_seal")
    assert "another" not in set(deferrals_table(snapshot, other_part)["flag_id"])
    assert "ordered" in show_unit(str(store_copy), fleet.units[0].unit.id, as_of=fleet.end).text()


def test_a_deferral_ends_with_a_flag_that_was_closed(store_copy: Path, fleet: Fleet) -> None:
    defer_flag(str(store_copy), "f-service", until=now() + pd.Timedelta(days=9), reason="ordered")
    snapshot = Store.open(str(store_copy)).snapshot()
    for reason, goes_over in (("serviced", False), ("superseded", True)):
        flags = renamed(store_copy, closed_at=fleet.end, close_reason=reason)
        fresh = renamed(store_copy, flag_id="fresh")
        both = pd.concat([flags, fresh[fresh["flag_id"] == "fresh"]], ignore_index=True)
        told = deferrals_table(snapshot, both)
        assert ("fresh" in set(told["flag_id"])) == goes_over


def test_a_deferral_of_the_first_version_is_understood(store_copy: Path) -> None:
    store = Store.open(str(store_copy))
    unit = str(store.snapshot().table("flags")["unit_id"].iloc[0])
    old = f"{unit}@heater@20260301"
    with store.lock():
        txn = store.begin()
        entry = {"until": "2026-12-24T00:00:00Z", "reason": "ordered"}
        txn.put_state(DEFERRALS, {old: entry})
        txn.commit("as the first version kept it")
    snapshot = store.snapshot()
    assert list(deferrals_table(snapshot, snapshot.table("flags"))["flag_id"]) == ["f-service"]
    assert unit_and_part("a@b@door_seal@20260301", {}) == ("a@b", "door_seal")
