"""Tables as layers: what is read equals a plain model, whatever was merged."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from itertools import pairwise
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from chamberdrift.pipeline.store import Store, runs
from chamberdrift.shared.errors import SchemaError, StoreError
from chamberdrift.shared.schema import CYCLES
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st


def commit(store: Store, change: Callable[[Any], None]) -> None:
    with store.lock():
        txn = store.begin()
        change(txn)
        txn.commit("n")


def appended(rows: pd.DataFrame, txn: Any) -> None:
    txn.append("cycles", rows)


def test_replace_makes_these_the_only_rows_of_a_unit(store: Store, cycles: Any) -> None:
    commit(store, lambda t: t.append("cycles", cycles("a", ["2026-01-01", "2026-01-02"])))
    commit(store, lambda t: t.append("cycles", cycles("b", ["2026-01-01"])))
    commit(store, lambda t: t.replace("cycles", "a", cycles("a", ["2026-01-03"])))
    table = store.snapshot().table("cycles")
    assert table["cycle_id"].tolist() == [
        "a@2026-01-03T00:00:00+00:00",
        "b@2026-01-01T00:00:00+00:00",
    ]


def test_replace_with_nothing_removes_a_unit(store: Store, cycles: Any) -> None:
    commit(store, lambda t: t.append("cycles", cycles("a", ["2026-01-01"])))
    commit(store, lambda t: t.replace("cycles", "a", CYCLES.empty()))
    assert len(store.snapshot().table("cycles")) == 0


def test_replace_since_keeps_what_is_older(store: Store, cycles: Any) -> None:
    days = ["2026-01-01", "2026-01-02", "2026-01-03"]
    commit(store, lambda t: t.append("cycles", cycles("a", days)))
    since = pd.Timestamp("2026-01-02", tz="UTC")
    new = cycles("a", ["2026-01-02 12:00", "2026-01-04"])
    commit(store, lambda t: t.replace_since("cycles", "a", since, new))
    starts = store.snapshot().table("cycles")["started_at"].dt.strftime("%d %H").tolist()
    assert starts == ["01 00", "02 12", "04 00"]


def test_judgements_take_their_time_from_the_cycle(store: Store, cycles: Any) -> None:
    def judged(unit: str, starts: list[str], verdict: str) -> pd.DataFrame:
        frame = cycles(unit, starts)[["cycle_id", "unit_id"]]
        return pd.DataFrame(frame.assign(verdict=verdict))

    commit(
        store,
        lambda t: t.append("judgements", judged("a@x", ["2026-01-01", "2026-01-05"], "inside")),
    )
    since = pd.Timestamp("2026-01-05", tz="UTC")
    new = judged("a@x", ["2026-01-05", "2026-01-06"], "outside")
    commit(store, lambda t: t.replace_since("judgements", "a@x", since, new))
    table = store.snapshot().table("judgements")
    assert table["verdict"].tolist() == ["inside", "outside", "outside"]
    late = store.snapshot().table("judgements", since=pd.Timestamp("2026-01-06", tz="UTC"))
    assert len(late) == 1


def test_rows_of_another_unit_are_refused(store: Store, cycles: Any) -> None:
    with store.lock():
        txn = store.begin()
        with pytest.raises(StoreError, match="another"):
            txn.replace("cycles", "a", cycles("b", ["2026-01-01"]))


def test_rows_that_do_not_fit_the_schema_are_refused(store: Store) -> None:
    with store.lock():
        txn = store.begin()
        with pytest.raises(SchemaError, match="cycle_id"):
            txn.append("cycles", pd.DataFrame({"unit_id": ["a"]}))


def test_an_unknown_table_is_named_with_those_there_are(store: Store) -> None:
    with pytest.raises(StoreError, match="cycles, flags"):
        store.snapshot().table("cicles")


def test_changes_within_one_transaction_follow_each_other(store: Store, cycles: Any) -> None:
    with store.lock():
        txn = store.begin()
        txn.append("cycles", cycles("a", ["2026-01-01"]))
        txn.replace("cycles", "a", cycles("a", ["2026-01-02"]))
        txn.append("cycles", cycles("b", ["2026-01-02"]))
        assert len(txn.preview().table("cycles", units=["a"])) == 1
        txn.put_state("k", {"v": 1})
        txn.put_state("other", {"v": 2})
        txn.put_state("k", {"v": 3})
        assert txn.preview().states(["k", "other"]) == {"k": {"v": 3}, "other": {"v": 2}}
        txn.commit("n")
    assert len(store.snapshot().table("cycles")) == 2
    assert store.snapshot().states(["k", "other", "none"]) == {"k": {"v": 3}, "other": {"v": 2}}


def test_columns_and_units_are_read_alone(store: Store, cycles: Any) -> None:
    for i in range(4):
        commit(store, partial(appended, cycles(f"u{i}", ["2026-01-01"], f0_min=1.0)))
    table = store.snapshot().table(
        "cycles", units=["u2", "u3", "no"], columns=["cycle_id", "f0_min"]
    )
    assert list(table.columns) == ["cycle_id", "f0_min"]
    assert len(table) == 2


def test_a_read_of_one_unit_opens_only_files_that_may_hold_it(
    store: Store, cycles: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    for i in range(6):
        commit(store, partial(appended, cycles(f"u{i}", ["2026-01-01"])))
    opened: list[str] = []
    original = runs._read_file

    def counted(place: Any, spec: Any, file: Any, *rest: Any) -> Any:
        opened.append(file.path)
        return original(place, spec, file, *rest)

    monkeypatch.setattr(runs, "_read_file", counted)
    assert len(store.snapshot().table("cycles", units=["u3"])) == 1
    assert len(opened) == 1


def test_the_number_of_layers_stays_small_and_rows_are_kept(store: Store, cycles: Any) -> None:
    most = 0
    for i in range(80):
        start = pd.Timestamp("2026-01-01") + pd.Timedelta(days=i)
        commit(store, partial(appended, cycles("a", [start])))
        most = max(most, len(store.snapshot().run_files("cycles")))
    assert len(store.snapshot().table("cycles")) == 80
    assert most <= 3 * runs.FAN


def test_a_large_layer_is_split_by_unit_and_cuts_go_to_the_right_part(
    store: Store, cycles: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runs, "FILE_ROWS", 10)
    days = [f"2026-01-{d:02d}" for d in range(1, 8)]
    many = pd.concat([cycles(f"u{i}", days) for i in range(8)])
    commit(store, lambda t: t.append("cycles", many))
    files = store.snapshot().run_files("cycles")
    assert len(files) > 3
    ordered = sorted(files, key=lambda f: f.first)
    assert all(a.last < b.first for a, b in pairwise(ordered))

    def change(txn: Any) -> None:
        for i in range(8):
            txn.replace_since(
                "cycles", f"u{i}", pd.Timestamp("2026-01-04"), cycles(f"u{i}", days[3:])
            )
        txn.replace("cycles", "zz", CYCLES.empty())
        txn.replace("cycles", "a", CYCLES.empty())

    commit(store, change)
    table = store.snapshot().table("cycles")
    assert len(table) == 8 * 7
    assert not table["cycle_id"].duplicated().any()


def test_a_read_of_the_last_weeks_decodes_as_many_rows_whatever_the_history(
    store: Store, cycles: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runs, "SPLIT_ROWS", 8)
    monkeypatch.setattr(runs, "FAN", 3)
    decoded: list[int] = []
    original = runs._read_file

    def counted(place: Any, spec: Any, file: Any, *rest: Any) -> Any:
        rows, cuts = original(place, spec, file, *rest)
        decoded.append(len(rows))
        return rows, cuts

    monkeypatch.setattr(runs, "_read_file", counted)
    most: dict[int, int] = {}
    for week in range(3 * 27):
        start = pd.Timestamp("2023-01-01") + pd.Timedelta(days=7 * week)
        commit(store, lambda t, at=start: t.replace_since("cycles", "a", at, cycles("a", [at])))
        decoded.clear()
        recent = store.snapshot().table("cycles", since=start.tz_localize("UTC"))
        assert len(recent) == 1
        most[week // 27] = max(most.get(week // 27, 0), sum(decoded))
    assert most[2] <= most[1] <= 8 + 5  # what is not split yet, and a month of weeks
    assert len(store.snapshot().table("cycles")) == 3 * 27


def test_what_a_newer_layer_replaced_whole_is_not_read(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    for i in range(runs.FAN - 1):
        commit(store, lambda t, i=i: t.put_states({"a": {"v": i}, "b": {"v": i}}))
    opened: list[str] = []
    original = runs._read_file

    def counted(place: Any, spec: Any, file: Any, *rest: Any) -> Any:
        opened.append(file.path)
        return original(place, spec, file, *rest)

    monkeypatch.setattr(runs, "_read_file", counted)
    assert store.snapshot().states(["a", "b"]) == {k: {"v": runs.FAN - 2} for k in "ab"}
    assert len(opened) == 1


def test_large_layers_of_documents_are_merged_by_ranges_of_keys(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each layer is larger than what is merged at once, in rows or in bytes."""
    monkeypatch.setattr(runs, "MERGE_ROWS", 40)
    monkeypatch.setattr(runs, "MERGE_BYTES", 60_000)
    monkeypatch.setattr(runs, "GROUP_BYTES", 20_000)
    held: list[int] = []
    original = runs._write_file

    def counted(place: Any, spec: Any, rows: Any, *rest: Any) -> Any:
        if rest[-1]:  # not the night's own layer
            held.append(len(rows))
        return original(place, spec, rows, *rest)

    monkeypatch.setattr(runs, "_write_file", counted)
    random = np.random.default_rng(1)
    expected: dict[str, dict[str, Any]] = {}
    for night in range(2 * runs.FAN + 3):
        names = [f"k{i:03d}" for i in range(150) if (i + night) % 3]
        made = {n: {"night": night, "text": random.bytes(500).hex()} for n in names}
        expected |= made
        commit(store, lambda t, made=made: t.put_states(made))
    assert store.snapshot().states([*expected, "none"]) == expected
    layers = {f.order for f in store.snapshot().run_files("states")}
    assert len(layers) < runs.FAN + 2
    assert len(held) > 4
    assert max(held) <= 40


def test_a_row_group_of_long_documents_is_short(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runs, "GROUP_BYTES", 20_000)
    made = {f"k{i:03d}": {"text": "x" * 1000} for i in range(100)}
    commit(store, lambda t: t.put_states(made))
    file = store.snapshot().run_files("states")[0]
    with store.place.open_file(file.path) as source:
        meta = pq.ParquetFile(source).metadata
    assert 5 <= meta.num_row_groups <= 12
    assert store.snapshot().states(["k050"]) == {"k050": made["k050"]}


OPERATION = st.tuples(
    st.sampled_from(["append", "replace", "since"]),
    st.sampled_from(["a", "b", "c"]),
    st.integers(0, 30),
    st.integers(0, 3),
)

NIGHT = st.lists(OPERATION, min_size=1, max_size=3)


@settings(max_examples=10, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.lists(st.lists(OPERATION, min_size=1, max_size=3), min_size=1, max_size=30),
    st.booleans(),
    st.sampled_from([3, runs.SPLIT_ROWS]),
)
def test_layers_equal_a_plain_model(
    tmp_path_factory: pytest.TempPathFactory, nights: list[Any], compacted: bool, split: int
) -> None:
    with mock.patch.object(runs, "SPLIT_ROWS", split):
        check_against_a_plain_model(tmp_path_factory, nights, compacted)


def check_against_a_plain_model(
    tmp_path_factory: pytest.TempPathFactory, nights: list[Any], compacted: bool
) -> None:
    from chamberdrift.pipeline.compact import compact

    def at(day: int) -> pd.Timestamp:
        return pd.Timestamp(day * 9, unit="D", tz="UTC")  # over several months

    store = Store.open(tmp_path_factory.mktemp("s") / "store", create=True)
    model: dict[str, dict[int, int]] = {}
    stamp = 0
    for night in nights:
        with store.lock():
            txn = store.begin()
            for what, unit, day, count in night:
                stamp += 1
                days = list(range(day, day + count))
                held = model.setdefault(unit, {})
                if what == "append":
                    days = [d for d in days if d not in held]
                frame = pd.DataFrame(
                    {
                        "cycle_id": [f"{unit}@{d}" for d in days],
                        "unit_id": unit,
                        "kind": "sterilization",
                        "started_at": [at(d) for d in days],
                        "f0_min": float(stamp),
                    }
                )
                if what == "replace":
                    held.clear()
                    txn.replace("cycles", unit, frame)
                elif what == "since":
                    for old in [d for d in held if d >= day]:
                        del held[old]
                    txn.replace_since("cycles", unit, at(day), frame)
                else:
                    txn.append("cycles", frame)
                held.update(dict.fromkeys(days, stamp))
            txn.commit("n")
    if compacted:
        compact(store)
    table = store.snapshot().table("cycles")
    wanted = [
        (f"{unit}@{day}", float(held[day]))
        for unit, held in sorted(model.items())
        for day in sorted(held)
    ]
    assert list(zip(table["cycle_id"], table["f0_min"], strict=True)) == wanted
    for unit in ("a", "b", "c"):
        alone = store.snapshot().table("cycles", units=[unit], since=at(10))
        assert len(alone) == sum(d >= 10 for d in model.get(unit, {}))
