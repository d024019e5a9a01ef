"""What the configuration tells later about exports that were read is made good, or said."""

from __future__ import annotations

import json
import os
import re
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from chamberdrift.pipeline.care import move_unit
from chamberdrift.pipeline.night import run_night
from chamberdrift.pipeline.night_summary import NightSummary
from chamberdrift.pipeline.setup import init_store
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.verify import verify

from .conftest import END, tables

ALTITUDE = re.compile(r"^altitude_m = .*$", re.MULTILINE)
ZONE = re.compile(r"^zone = .*$", re.MULTILINE)


def night(inbox: Path, store: Path, **options: Any) -> NightSummary:
    return run_night(str(inbox), str(store), as_of=END, draw=False, **options)


def begin(exports: Path, folder: Path, settings: str) -> Path:
    """Return a store that read the exports with other settings than are right."""
    (folder / "settings.toml").write_text(settings, encoding="utf-8")
    store = folder / "store"
    init_store(str(store), {}, settings=str(folder / "settings.toml"))
    night(exports / "inbox", store)
    return store


def told_anew(store: Path, settings: str) -> None:
    (store / "chamberdrift.toml").write_text(settings, encoding="utf-8")


def assert_as_if_read_so_from_the_start(store: Path, other: Path) -> None:
    first, second = tables(store), tables(other)
    known = set(second["flags"]["flag_id"])  # what was shown meanwhile stays, closed
    shown = first["flags"]
    first["flags"] = shown[shown["flag_id"].isin(known)].reset_index(drop=True)
    gone = shown[~shown["flag_id"].isin(known)]
    assert set(gone["close_reason"]) <= {"superseded", "risen"}
    for name, frame in first.items():
        pd.testing.assert_frame_equal(frame, second[name], obj=name)
    one, two = (Store.open(str(s)).snapshot() for s in (store, other))
    assert one.unit_spans() == two.unit_spans()
    for unit in one.unit_ids():
        pd.testing.assert_frame_equal(one.trace(unit), two.trace(unit))
    columns = ["export", "outcome", "rows_kept", "samples", "samples_shared", "read_with"]
    accounts = [s.table("intake").sort_values("export", ignore_index=True) for s in (one, two)]
    pd.testing.assert_frame_equal(accounts[0][columns], accounts[1][columns])
    assert verify(Store.open(str(store))).problems == ()


@pytest.mark.parametrize(
    ("wrong", "instead", "called"),
    [(ALTITUDE, "", "the altitude"), (ZONE, 'zone = "Asia/Tokyo"', "the zone of the clock")],
)
def test_exports_are_read_again_when_a_fact_is_told_later(
    exports: Path, at_once: Path, tmp_path: Path, wrong: re.Pattern[str], instead: str, called: str
) -> None:
    right = (exports / "chamberdrift.toml").read_text(encoding="utf-8")
    store = begin(exports, tmp_path, wrong.sub(instead, right))
    before = Store.open(str(store)).snapshot().commit
    told_anew(store, right)
    done = night(exports / "inbox", store)
    assert len(done.warnings) == 1
    assert re.match(r"\d+ exports are read again \(", done.warnings[0])
    assert done.warnings[0].endswith(f"something else now about {called}.")
    assert done.commit == before + 1  # readers see all of it or none
    assert_as_if_read_so_from_the_start(store, at_once)
    again = night(exports / "inbox", store)
    assert again.warnings == ()
    assert not again.published


def test_what_is_gone_stays_as_read_and_each_night_says_so(exports: Path, tmp_path: Path) -> None:
    right = (exports / "chamberdrift.toml").read_text(encoding="utf-8")
    inbox = Path(shutil.copytree(exports / "inbox", tmp_path / "inbox"))
    (tmp_path / "settings.toml").write_text(ALTITUDE.sub("", right), encoding="utf-8")
    store = tmp_path / "store"
    init_store(str(store), {}, settings=str(tmp_path / "settings.toml"))
    night(inbox, store)
    intake = Store.open(str(store)).snapshot().table("intake")
    asked = intake[intake["read_with"].fillna("").str.contains("atmosphere")]
    assert len(asked)
    name = str(asked["export"].iloc[0])
    unit = str(asked["unit_ids"].iloc[0])
    kept = Store.open(str(store)).snapshot().trace(unit)
    (tmp_path / "aside.csv").write_bytes((inbox / name).read_bytes())
    (inbox / name).unlink()
    told_anew(store, right)
    for _ in range(2):
        [said] = [w for w in night(inbox, store).warnings if "left the inbox" in w]
        assert name in said
        assert "--keep-as-read" in said
    times = asked.loc[asked["export"] == name]
    own = (
        Store.open(str(store))
        .snapshot()
        .trace(unit, times["first_time"].iloc[0], times["last_time"].iloc[0])
    )
    span = (kept["time"] >= own["time"].iloc[0]) & (kept["time"] <= own["time"].iloc[-1])
    pd.testing.assert_frame_equal(own, kept[span].reset_index(drop=True))
    assert verify(Store.open(str(store))).problems == ()
    let_be = night(inbox, store, keep_as_read=True)
    assert any("stay as they were read, as asked" in w for w in let_be.warnings)
    assert night(inbox, store).warnings == ()
    assert verify(Store.open(str(store))).problems == ()


def test_an_export_that_comes_back_is_read_again(
    exports: Path, at_once: Path, tmp_path: Path
) -> None:
    right = (exports / "chamberdrift.toml").read_text(encoding="utf-8")
    inbox = Path(shutil.copytree(exports / "inbox", tmp_path / "inbox"))
    (tmp_path / "settings.toml").write_text(ALTITUDE.sub("", right), encoding="utf-8")
    store = tmp_path / "store"
    init_store(str(store), {}, settings=str(tmp_path / "settings.toml"))
    night(inbox, store)
    intake = Store.open(str(store)).snapshot().table("intake")
    name = str(intake.loc[intake["read_with"].str.contains("atmosphere"), "export"].iloc[0])
    (inbox / name).rename(tmp_path / "aside")
    told_anew(store, right)
    assert any("left the inbox" in w for w in night(inbox, store).warnings)
    (tmp_path / "aside").rename(inbox / name)
    assert any("is read again" in w for w in night(inbox, store).warnings)
    assert night(inbox, store).warnings == ()
    snapshots = [Store.open(str(s)).snapshot() for s in (store, at_once)]
    for unit in snapshots[1].unit_ids():
        pd.testing.assert_frame_equal(snapshots[0].trace(unit), snapshots[1].trace(unit))
    assert verify(Store.open(str(store))).problems == ()


@pytest.mark.parametrize(
    ("before", "after", "question"),
    [
        ("day_first = true", "day_first = false", "dates"),
        ('pressure_unit = "kPa"', 'pressure_unit = "hPa"', "pressure_kpa"),
    ],
)
def test_an_answer_that_is_taken_back_does_not_live_on(
    tmp_path: Path, before: str, after: str, question: str
) -> None:
    """No export may pass a setting on to others as if it had told it by itself."""
    inbox, store = tmp_path / "inbox", tmp_path / "store"
    inbox.mkdir()
    rows = [f"03/05/2026 10:{m:02d}:00;{21 + m / 100:.2f};{101 + m / 10:.1f}" for m in range(60)]
    text = "\n".join(["time;temperature;pressure", *rows]) + "\n"
    (inbox / "ST-07_1.csv").write_text(text, encoding="utf-8")
    settings = (
        '[defaults]\nzone = "UTC"\npressure_reference = "absolute"\ntemperature_unit = "°C"\n'
        'day_first = true\npressure_unit = "kPa"\n'
    )
    (tmp_path / "settings.toml").write_text(settings, encoding="utf-8")
    init_store(str(store), {}, settings=str(tmp_path / "settings.toml"))
    for _ in range(2):
        night(inbox, store)
    told_anew(store, settings.replace(before, after))
    assert any("is read again" in w for w in night(inbox, store).warnings)
    fresh = tmp_path / "fresh"
    init_store(str(fresh), {}, settings=str(store / "chamberdrift.toml"))
    night(inbox, fresh)
    one, two = (Store.open(str(s)).snapshot() for s in (store, fresh))
    unit = two.unit_ids()[0]
    pd.testing.assert_frame_equal(one.trace(unit), two.trace(unit))
    columns = ["first_time", "read_with", "outcome"]
    pd.testing.assert_frame_equal(one.table("intake")[columns], two.table("intake")[columns])
    assert question in json.loads(str(one.table("intake")["read_with"].iloc[0]))
    assert verify(Store.open(str(store))).problems == ()


def test_a_move_leaves_earlier_exports_as_they_were(
    exports: Path, at_once: Path, tmp_path: Path
) -> None:
    right = (exports / "chamberdrift.toml").read_text(encoding="utf-8")
    right += '\n[[site]]\nid = "far"\nzone = "Asia/Tokyo"\naltitude_m = 2000.0\n'
    store = begin(exports, tmp_path, right)
    unit = Store.open(str(store)).snapshot().unit_ids()[0]
    done = move_unit(str(store), unit, site="far", when="2026-03-20T12:00:00Z")
    assert "keep the clock and altitude of" in done.text()
    assert night(exports / "inbox", store).warnings == ()
    snapshots = [Store.open(str(s)).snapshot() for s in (store, at_once)]
    pd.testing.assert_frame_equal(snapshots[0].trace(unit), snapshots[1].trace(unit))
    # read for the first time after the move, they are read with the clock of their time, too
    anew = tmp_path / "anew"
    init_store(str(anew), {}, settings=str(store / "chamberdrift.toml"))
    night(exports / "inbox", anew)
    pd.testing.assert_frame_equal(
        Store.open(str(anew)).snapshot().trace(unit), snapshots[1].trace(unit)
    )


def test_a_move_that_was_not_told_in_time_is_made_good(exports: Path, tmp_path: Path) -> None:
    right = (exports / "chamberdrift.toml").read_text(encoding="utf-8")
    right += '\n[[site]]\nid = "far"\nzone = "Asia/Tokyo"\naltitude_m = 2000.0\n'
    store = begin(exports, tmp_path, right)
    snapshot = Store.open(str(store)).snapshot()
    intake = snapshot.table("intake")
    asked = intake[intake["read_with"].str.contains('"zone"') & (intake["outcome"] == "accepted")]
    later = asked[asked["first_time"] > pd.Timestamp("2026-03-07", tz="UTC")]
    unit = str(later["unit_ids"].iloc[0])
    later = later[later["unit_ids"] == unit]
    move_unit(str(store), unit, site="far", when="2026-03-05T12:00:00Z")
    done = night(exports / "inbox", store)
    assert any("read again" in w for w in done.warnings)
    told = []
    for _, row in Store.open(str(store)).snapshot().table("intake").iterrows():
        if str(row["unit_ids"]) == unit and row["export"] in set(later["export"]):
            told += json.loads(row["read_with"])["zone"]
    assert told == ["Asia/Tokyo"] * len(later)
    assert verify(Store.open(str(store))).problems == ()


def test_a_unit_that_is_pinned_later_is_told_of_until_it_is_let_be(
    exports: Path, tmp_path: Path
) -> None:
    right = (exports / "chamberdrift.toml").read_text(encoding="utf-8")
    store = begin(exports, tmp_path, right)
    taken = Store.open(str(store)).snapshot().table("intake")
    name = taken.loc[taken["unit_ids"] == "U001", "export"].iloc[0]
    told_anew(store, f'{right}\n[[layout]]\nmatch = "{name}"\nunit_id = "U900"\n')
    empty = tmp_path / "empty"
    empty.mkdir()
    said = [night(empty, store).warnings for _ in range(2)]
    assert all("the unit's id" in "".join(w) for w in said)
    night(empty, store, keep_as_read=True)
    assert not night(empty, store).warnings
    # Another change asks about all again, and not about what was let be.
    told_anew(
        store,
        f'{right}\n[[layout]]\nmatch = "{name}"\nunit_id = "U900"\n\n'
        '[[layout]]\nmatch = "other.csv"\nunit_id = "U901"\n',
    )
    assert not night(empty, store).warnings


def test_columns_that_are_named_later_hold_for_what_was_read_before(tmp_path: Path) -> None:
    right = '[defaults]\nzone = "Etc/UTC"\n'
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    rows = "".join(
        f"2026-03-02 10:{k // 60:02d}:{k % 60:02d},{21 + k % 3},{30 + k % 5}\n" for k in range(600)
    )
    for name in ("C-1.csv", "C-2.csv"):
        mine = rows.replace(",21,", ",20,") if name == "C-2.csv" else rows
        (inbox / name).write_text(f"Time,Drain (°C),Load probe (°C)\n{mine}", encoding="utf-8")
        os.utime(inbox / name, (1.77e9, 1.77e9))
    (tmp_path / "settings.toml").write_text(right, encoding="utf-8")
    store = tmp_path / "store"
    init_store(str(store), {}, settings=str(tmp_path / "settings.toml"))
    night(inbox, store)
    other = Store.open(str(store)).snapshot().trace("C-2")
    trace = Store.open(str(store)).snapshot().trace("C-1")
    assert trace["temperature_c"].max() == 23.0
    named = '{ "Load probe (°C)" = "temperature_c", "Drain (°C)" = "ignore" }'
    told_anew(store, f'{right}\n[[layout]]\nmatch = "C-1.csv"\ncolumns = {named}\n')
    done = night(inbox, store)
    assert any("what its columns are" in w for w in done.warnings)
    snapshot = Store.open(str(store)).snapshot()
    assert snapshot.trace("C-1")["temperature_c"].min() == 30.0
    pd.testing.assert_frame_equal(snapshot.trace("C-2"), other)
    assert not night(inbox, store).warnings
    assert verify(Store.open(str(store))).problems == ()
    told_anew(store, right)
    (inbox / "C-1.csv").unlink()
    said = night(inbox, store).warnings
    assert any("what its columns are" in w and "left the inbox" in w for w in said)
