"""Judging in the store: night by night equals at once, and what changed is published."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chamberdrift.features import extract
from chamberdrift.fixtures.plan import plan_fleet
from chamberdrift.fixtures.simulator import simulate_unit
from chamberdrift.pipeline.judge_stage import (
    _flag_events,
    keep_recorded,
    note_rejudge,
    seen_cycles,
    seen_service,
)
from chamberdrift.pipeline.judge_state import JUDGED, settled
from chamberdrift.pipeline.night import publish, run_judge, working
from chamberdrift.pipeline.settings import write_settings
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.table_changes import changed_keys, publish_since
from chamberdrift.shared.config import Config
from chamberdrift.shared.config_template import render_config
from chamberdrift.shared.schema import CYCLES, FLAGS, JUDGEMENTS, RESIDUALS, SERVICE

START = pd.Timestamp("2026-03-02T00:00Z")


@pytest.fixture(scope="module")
def judged_fleet() -> tuple[Config, pd.DataFrame, pd.DataFrame]:
    """Cycles and service of three units with a growing fault; a tuning seed."""
    plan = plan_fleet(3, 45, 7, healthy_share=0.34, confounders=False)
    units = [simulate_unit(plan, i) for i in range(3)]
    cycles = pd.concat([extract(u.trace, u.unit).cycles for u in units], ignore_index=True)
    return plan.config, CYCLES.conform(cycles), pd.concat([u.service for u in units])


def add_cycles(store: Store, cycles: pd.DataFrame) -> None:
    with store.lock(), working(store, None) as work:
        for unit, own in cycles.groupby("unit_id"):
            work.txn.replace_since("cycles", str(unit), own["started_at"].min(), own)
        work.changed = True
        publish(work, "cycles")


def tables(store: Store) -> dict[str, pd.DataFrame]:
    snapshot = store.snapshot()
    found = {t.name: t.conform(snapshot.table(t.name)) for t in (JUDGEMENTS, FLAGS, RESIDUALS)}
    found["flags"] = found["flags"].drop(columns="recorded_at")
    return found


def make(path: Path, config: Config) -> Store:
    store = Store.open(str(path), create=True)
    write_settings(store.place, render_config(config))
    return store


def judged(path: Path, config: Config, cycles: pd.DataFrame, end: pd.Timestamp) -> Store:
    """Return a store of the cycles, judged in one run as of a moment."""
    store = make(path, config)
    add_cycles(store, cycles)
    run_judge(str(path), as_of=end)
    return store


def test_nights_in_order_equal_one_run(
    tmp_path: Path, judged_fleet: tuple[Config, pd.DataFrame, pd.DataFrame]
) -> None:
    config, cycles, _ = judged_fleet
    end = cycles["ended_at"].max().ceil("D")
    once = judged(tmp_path / "once", config, cycles, end)
    nightly = make(tmp_path / "nightly", config)
    step = pd.Timedelta(days=5)
    at = START
    reasons = []
    while at < end:
        own = cycles[(cycles["ended_at"] > at) & (cycles["ended_at"] <= at + step)]
        if len(own):
            add_cycles(nightly, own)
        night = run_judge(str(tmp_path / "nightly"), as_of=min(at + step, end))
        reasons += [why for _, item, why in night.explained if item == "fleet"]
        at += step
    assert {i for i, why in enumerate(reasons) if "last night's state" not in why} == {0}
    one, many = tables(once), tables(nightly)
    assert len(one["judgements"]) == len(cycles)
    assert len(one["residuals"]) > 0
    for name in one:
        pd.testing.assert_frame_equal(many[name], one[name])


def test_late_cycles_and_late_service_replay_and_end_the_same(
    tmp_path: Path, judged_fleet: tuple[Config, pd.DataFrame, pd.DataFrame]
) -> None:
    config, cycles, _ = judged_fleet
    end = cycles["ended_at"].max().ceil("D")
    once = judged(tmp_path / "once", config, cycles, end)
    late = cycles["started_at"].dt.day.isin([5, 6]).to_numpy()
    store = judged(tmp_path / "late", config, cycles[~late], end)
    with store.lock(), working(store, None) as work:
        for unit, own in cycles.groupby("unit_id"):
            work.txn.replace("cycles", str(unit), own)
            work.rejudge[str(unit)] = int(own["ended_at"].min().value // 1_000_000)
        note_rejudge(work)
        publish(work, "late cycles")
    night = run_judge(str(tmp_path / "late"), as_of=end)
    assert any("changed that were judged already" in why for _, _, why in night.explained)
    one, other = tables(once), tables(store)
    pd.testing.assert_frame_equal(other["judgements"], one["judgements"])
    pd.testing.assert_frame_equal(other["residuals"], one["residuals"])
    shown = other["flags"][other["flags"]["close_reason"].fillna("") != "superseded"]
    pd.testing.assert_frame_equal(shown.reset_index(drop=True), one["flags"])


def test_a_lost_state_is_made_again(
    tmp_path: Path, judged_fleet: tuple[Config, pd.DataFrame, pd.DataFrame]
) -> None:
    config, cycles, _ = judged_fleet
    end = cycles["ended_at"].max().ceil("D")
    store = judged(tmp_path / "s", config, cycles, end)
    before = tables(store)
    with store.lock():
        txn = store.begin()
        txn.put_state(JUDGED, {"as_of": end.isoformat(), "digest": "", "units": []})
        txn.commit("state lost")
    night = run_judge(str(tmp_path / "s"), as_of=end)
    assert any("settings or program changed" in why for _, _, why in night.explained)
    for name, table in tables(store).items():
        pd.testing.assert_frame_equal(table, before[name])


def test_a_cycle_that_the_next_export_may_complete_waits() -> None:
    def cycle(unit: str, start: str, completion: str) -> dict[str, object]:
        begun = pd.Timestamp(start)
        return {
            "cycle_id": f"{unit}@{start}",
            "unit_id": unit,
            "kind": "sterilization",
            "completion": completion,
            "started_at": begun,
            "ended_at": begun + pd.Timedelta(hours=1),
        }

    rows = [
        cycle("A", "2026-05-01T09:00Z", "cut_off"),
        cycle("A", "2026-05-01T20:00Z", "complete"),
        cycle("B", "2026-05-01T20:00Z", "cut_off"),
    ]
    cycles = CYCLES.conform(pd.DataFrame(rows))
    soon = settled(cycles, pd.Timestamp("2026-05-02T02:00Z"))
    assert list(soon["unit_id"]) == ["A", "A"]
    assert len(settled(cycles, pd.Timestamp("2026-05-02T22:00Z"))) == 3
    assert len(settled(cycles, pd.Timestamp("2026-05-01T10:30Z"))) == 0


def test_a_second_judgement_changes_nothing(
    tmp_path: Path, judged_fleet: tuple[Config, pd.DataFrame, pd.DataFrame]
) -> None:
    config, cycles, _ = judged_fleet
    store = make(tmp_path / "s", config)
    add_cycles(store, cycles)
    end = cycles["ended_at"].max().ceil("D")
    first = run_judge(str(tmp_path / "s"), as_of=end)
    assert first.published
    second = run_judge(str(tmp_path / "s"), as_of=end)
    assert not second.published
    assert second.commit == first.commit
    assert second.flags == {"opened": 0, "risen": 0, "closed": 0}


def test_the_journal_keeps_what_was_shown(
    tmp_path: Path, judged_fleet: tuple[Config, pd.DataFrame, pd.DataFrame]
) -> None:
    config, cycles, _ = judged_fleet
    store = make(tmp_path / "s", config)
    end = cycles["ended_at"].max().ceil("D")
    half = START + (end - START) / 2
    add_cycles(store, cycles)
    run_judge(str(tmp_path / "s"), as_of=half)
    early = store.snapshot().table("journal")
    run_judge(str(tmp_path / "s"), as_of=end)
    journal = store.snapshot().table("journal")
    flags = store.snapshot().table("flags")
    assert len(flags)
    assert set(flags["flag_id"]) <= set(journal["flag_id"])
    kept = journal.merge(early, how="inner")
    assert len(kept) == len(early)


def test_nothing_later_is_seen() -> None:
    rows = pd.DataFrame(
        [
            {
                "cycle_id": f"A@{day}",
                "unit_id": "A",
                "kind": "sterilization",
                "started_at": pd.Timestamp(day),
                "ended_at": pd.Timestamp(day) + pd.Timedelta(hours=1),
            }
            for day in ("2026-05-01T10:00Z", "2026-05-01T12:00Z")
        ]
    )
    cycles = CYCLES.conform(rows)
    assert len(seen_cycles(cycles, pd.Timestamp("2026-05-01T11:00Z"))) == 1
    assert len(seen_cycles(cycles, pd.Timestamp("2026-05-01T10:59Z"))) == 0
    service = SERVICE.conform(
        pd.DataFrame(
            [
                {
                    "service_id": f"s-{k}",
                    "unit_id": "A",
                    "time": pd.Timestamp("2026-05-01T10:00Z"),
                    "part": "heater",
                    "action": "replaced",
                    "undone": undone,
                }
                for k, undone in enumerate((False, True, None))
            ]
        )
    )
    seen = seen_service(service, pd.Timestamp("2026-05-02T00:00Z"))
    assert list(seen["service_id"]) == ["s-0", "s-2"]
    assert len(seen_service(service, pd.Timestamp("2026-05-01T09:00Z"))) == 0


def judgement(cycle: str, verdict: str = "inside") -> dict[str, str]:
    return {"cycle_id": cycle, "unit_id": cycle[0], "verdict": verdict}


def test_only_the_changed_stretch_of_a_unit_is_replaced(tmp_path: Path) -> None:
    store = Store.open(str(tmp_path / "s"), create=True)
    days = [f"2026-05-0{k}T10:00:00Z" for k in range(1, 5)]

    def table(*rows: dict[str, str]) -> pd.DataFrame:
        return JUDGEMENTS.conform(pd.DataFrame(rows))

    old = table(*(judgement(f"{u}@{d}") for u in "AB" for d in days[:3]))
    new = table(
        *(judgement(f"A@{d}", "outside" if d == days[1] else "inside") for d in days),
        *(judgement(f"B@{d}") for d in days[:3]),
    )

    def times(frame: pd.DataFrame) -> pd.Series:
        text = [str(i)[2:] for i in frame["cycle_id"]]
        return pd.Series(pd.to_datetime(text, utc=True, format="ISO8601").as_unit("ms"))

    with store.lock():
        txn = store.begin()
        txn.append("judgements", old)
        txn.commit("old")
        txn = store.begin()
        units = publish_since(txn, JUDGEMENTS, old, new, (times(old), times(new)))
        txn.commit("new")
    assert units == ["A"]
    found = JUDGEMENTS.conform(store.snapshot().table("judgements"))
    pd.testing.assert_frame_equal(found, new)
    last = store.snapshot().run_files("judgements")[-1]
    assert last.rows == 3


def test_rows_that_are_gone_are_removed(tmp_path: Path) -> None:
    store = Store.open(str(tmp_path / "s"), create=True)
    old = JUDGEMENTS.conform(
        pd.DataFrame([judgement("A@2026-05-01T10:00:00Z"), judgement("A@2026-05-02T10:00:00Z")])
    )
    stamps = pd.Series(pd.DatetimeIndex(["2026-05-01T10:00Z", "2026-05-02T10:00Z"]).as_unit("ms"))
    with store.lock():
        txn = store.begin()
        txn.append("judgements", old)
        txn.commit("old")
        txn = store.begin()
        assert publish_since(txn, JUDGEMENTS, old, old.iloc[:1], (stamps, stamps.iloc[:1])) == [
            "A"
        ]
        txn.commit("new")
    assert len(store.snapshot().table("judgements")) == 1


def test_missing_values_are_equal_to_themselves() -> None:
    frame = pd.DataFrame(
        {
            "k": pd.array(["a", None], "string"),
            "x": [np.nan, 1.0],
            "n": pd.array([None, 2], "Int64"),
            "b": pd.array([None, True], "boolean"),
            "t": pd.to_datetime(pd.Series(["2026-05-01", None]), utc=True),
        }
    )
    assert not len(changed_keys(frame, frame.copy(), ["k"]))
    changed = frame.assign(x=[2.0, 1.0])
    assert len(changed_keys(frame, changed, ["k"])) == 1


def test_the_first_run_that_learned_a_flag_is_kept() -> None:
    def flags(*rows: tuple[str, str, str | None]) -> pd.DataFrame:
        return FLAGS.conform(
            pd.DataFrame(
                [
                    {
                        "flag_id": f,
                        "unit_id": "A",
                        "part": "heater",
                        "severity": s,
                        "first_seen": START,
                        "recorded_at": None if r is None else pd.Timestamp(r),
                    }
                    for f, s, r in rows
                ]
            ).astype({"recorded_at": "datetime64[ms, UTC]"})
        )

    old = flags(("f", "watch", "2026-05-01T02:00Z"))
    now = pd.Timestamp("2026-05-09T02:00Z")
    kept = keep_recorded(flags(("f", "watch", None), ("f", "service", None)), old, now)
    assert list(kept["recorded_at"]) == [pd.Timestamp("2026-05-01T02:00Z"), now]


def test_a_flag_that_rose_and_closed_within_one_run_is_counted_as_both() -> None:
    day = pd.Timestamp("2026-05-01T00:00Z")
    rows = [("a", "watch", day), ("a", "service", day), ("b", "watch", pd.NaT)]
    flags = FLAGS.conform(
        FLAGS.empty()
        .reindex(range(len(rows)))
        .assign(
            flag_id=[r[0] for r in rows],
            severity=[r[1] for r in rows],
            closed_at=[r[2] for r in rows],
            unit_id="ST-01",
            part="heater",
            layer="drift",
            first_seen=[day, day + pd.Timedelta(days=1), day],
            last_seen=day + pd.Timedelta(days=2),
            recorded_at=day,
            confidence=0.5,
        )
    )
    keys = flags[list(FLAGS.key)]
    assert _flag_events(FLAGS.empty(), flags, keys) == (2, 1, 1)
    assert _flag_events(flags, flags, keys.iloc[:0]) == (0, 0, 0)
