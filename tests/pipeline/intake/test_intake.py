"""Taking exports in: the account, copies, overlaps, quarantine, retries."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as parquet
import pytest
from chamberdrift.pipeline import intake_spool, intake_task
from chamberdrift.pipeline.store import Snapshot
from chamberdrift.pipeline.verify import verify
from chamberdrift.reports.states import quarantined
from chamberdrift.shared.config import Config, Defaults

ZONE = Config(defaults=Defaults(zone="Europe/Oslo"))


def test_the_account_of_a_good_export(clinic: Any) -> None:
    clinic.put("s/a.csv", "a", count=10, temperature=[-99.0, *[20.0] * 9])
    result = clinic.night("2026-02-01")
    (row,) = clinic.intake().to_dict("records")
    assert row["export"] == "s/a.csv"
    assert row["outcome"] == "accepted"
    assert row["unit_ids"] == "a"
    assert (row["rows_read"], row["rows_kept"], row["rows_dropped"]) == (10, 9, 1)
    assert row["dropped_by_reason"] == '{"impossible": 1}'
    assert row["first_time"] == pd.Timestamp("2026-01-01 00:00:01", tz="UTC")
    assert row["last_time"] == pd.Timestamp("2026-01-01 00:00:09", tz="UTC")
    assert row["recorded_at"] == pd.Timestamp("2026-02-01", tz="UTC")
    assert row["bytes"] == (clinic.inbox / "s/a.csv").stat().st_size
    assert result.units == ("a",)
    assert result.since == {"a": pd.Timestamp("2026-01-01 00:00:01", tz="UTC").value // 10**6}
    trace = clinic.store.snapshot().trace("a")
    assert trace["source"].unique().tolist() == [row["sha256"][:16]]
    assert verify(clinic.store).problems == ()


def test_the_same_bytes_twice_are_a_no_op(clinic: Any) -> None:
    clinic.put("a.csv")
    clinic.put("copy.csv")
    clinic.put("deep/copy.csv")
    result = clinic.night()
    assert result.counts["accepted"] == 1
    assert result.counts["duplicate"] == 2
    assert clinic.samples() == {"a": 10}
    clinic.put("later.csv")
    assert clinic.night().counts["duplicate"] == 1
    assert clinic.samples() == {"a": 10}
    assert clinic.intake()["outcome"].tolist() == ["accepted", *["duplicate"] * 3]
    assert verify(clinic.store).problems == ()


def test_bytes_that_come_again_long_after_are_known_by_their_samples(
    clinic: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    clinic.put("a.csv")
    clinic.night(recorded_at="2026-02-01")
    clinic.put("copy.csv")
    clinic.put("new.csv", start="2026-05-01", count=12)
    looked: list[Any] = []
    original = Snapshot.table

    def counted(snapshot: Snapshot, name: str, **how: Any) -> Any:
        if name == "intake":
            looked.append((how.get("since"), how.get("units")))
        return original(snapshot, name, **how)

    monkeypatch.setattr(Snapshot, "table", counted)
    result = clinic.night(recorded_at="2026-09-01")
    monkeypatch.undo()
    assert (result.counts["accepted"], result.counts["duplicate"]) == (1, 1)
    assert clinic.samples() == {"a": 22}
    assert verify(clinic.store).problems == ()
    for since, units in looked:  # the last weeks, and those that shared samples
        assert since is not None or len(units) == 1


def test_overlapping_exports_are_counted_and_the_account_adds_up(clinic: Any) -> None:
    clinic.put("a.csv", start="2026-01-01 00:00:00", count=10, temperature=20.0)
    clinic.night()
    clinic.put("b.csv", start="2026-01-01 00:00:05", count=10, temperature=21.0)
    clinic.night()
    rows = clinic.intake()
    assert rows["conflicts"].tolist() == [0, 5]
    assert rows["samples"].tolist() == [10, 10]
    assert rows["samples_shared"].tolist() == [0, 5]
    assert clinic.store.snapshot().trace("a")["temperature_c"].tolist() == [20.0] * 5 + [21.0] * 10
    assert verify(clinic.store).problems == ()


def test_the_export_that_says_it_is_newer_wins(clinic: Any) -> None:
    clinic.put("z-old.csv", temperature=20.0, count=20, created="2026-01-05T00:00:00+00:00")
    clinic.put("a-new.csv", temperature=21.0, count=10, created="2026-01-06T00:00:00+00:00")
    clinic.night()
    assert (
        clinic.store.snapshot().trace("a")["temperature_c"].tolist() == [21.0] * 10 + [20.0] * 10
    )


def test_any_order_of_nights_and_any_grouping_gives_the_same_samples(
    clinic: Any, tmp_path: Path
) -> None:
    from itertools import permutations

    from chamberdrift.pipeline.store import Store

    makers: list[Any] = [
        lambda c: c.put("a.csv", start="2026-01-01 00:00:00", temperature=20.0),
        lambda c: c.put("b.csv", start="2026-01-01 00:00:05", temperature=21.0, pressure=101),
        lambda c: c.put("c.csv", start="2026-01-01 00:00:03", count=4, temperature=22.0),
    ]
    results = []
    for i, order in enumerate(permutations(makers)):
        for together in (False, True):
            folder = tmp_path / f"{i}-{together}"
            (folder / "in").mkdir(parents=True)
            other = type(clinic)(folder / "in", Store.open(folder / "s", create=True))
            for make in order:
                make(other)
                if not together:
                    other.night()
            other.night()
            assert verify(other.store).problems == ()
            results.append(other.store.snapshot().trace("a", provenance=True))
    for result in results[1:]:
        pd.testing.assert_frame_equal(result, results[0])


def test_a_refused_export_is_kept_with_its_reason_and_asked_about_once(clinic: Any) -> None:
    for i in range(40):
        clinic.put(f"site/{i:02d}.csv", f"u{i}", first="refuse zone\n")
    clinic.put("good.csv", "good")
    result = clinic.night()
    assert result.quarantined == 40
    (group,) = result.refusals
    assert group.cause == "zone"
    assert group.count == 40
    assert group.question.count("?") == 1
    assert group.command.startswith("chamberdrift init --zone AREA/CITY --store ")
    assert group.exports == ("site/00.csv", "site/01.csv", "site/02.csv")
    assert clinic.samples() == {"good": 10}
    refused = clinic.store.snapshot().table("refused")
    for sha256 in refused["sha256"]:
        folder = Path(clinic.store.location) / "quarantine" / sha256
        assert sorted(p.name for p in folder.iterdir()) == ["export", "reason.json"]
    assert verify(clinic.store).problems == ()
    # nothing is tried again, and nothing counts as refused anew, while nothing has changed
    again = clinic.night()
    assert again.quarantined == 0
    assert again.counts["read"] == 0
    assert again.refusals == result.refusals


def test_an_answer_brings_exports_out_of_quarantine_even_when_the_inbox_is_empty(
    clinic: Any,
) -> None:
    for i in range(3):
        clinic.put(f"{i}.csv", f"u{i}", first="refuse zone\n")
    clinic.night("2026-02-01")
    for i in range(3):
        (clinic.inbox / f"{i}.csv").unlink()
    clinic.config = ZONE
    result = clinic.night("2026-02-02")
    assert result.counts["retried"] == 3
    assert result.refusals == ()
    assert clinic.samples() == {"u0": 10, "u1": 10, "u2": 10}
    assert clinic.intake()["outcome"].tolist() == ["accepted"] * 3
    assert len(clinic.store.snapshot().table("refused")) == 0
    assert not list((Path(clinic.store.location) / "quarantine").glob("*/export"))
    assert verify(clinic.store).problems == ()
    assert clinic.night().counts["retried"] == 0


def test_a_note_is_accounted_for_and_nothing_is_open_about_it(clinic: Any) -> None:
    clinic.put("a.csv")
    clinic.write("notes.txt", b"refuse not_an_export\n")
    clinic.write("deep/notes.txt", b"refuse not_an_export\n")
    result = clinic.night()
    assert result.quarantined == 0
    assert result.refusals == ()
    assert result.counts["no_exports"] == 2
    table = clinic.intake()
    assert table["outcome"].tolist() == ["accepted", "quarantined", "quarantined"]
    assert table["layout"].tolist() == ["plain", "no export", "no export"]
    assert quarantined(table).empty
    assert clinic.night().counts["read"] == 0
    assert verify(clinic.store).problems == ()


def test_a_copy_of_a_refused_export_shares_its_fate(clinic: Any) -> None:
    clinic.put("a.csv", first="refuse zone\n")
    clinic.put("b.csv", first="refuse zone\n")
    clinic.night()
    assert clinic.intake()["outcome"].tolist() == ["quarantined", "quarantined"]
    clinic.put("c.csv", first="refuse zone\n")
    clinic.night()
    assert clinic.intake()["outcome"].tolist() == ["quarantined"] * 3
    clinic.config = ZONE
    clinic.night()
    assert clinic.intake()["outcome"].tolist() == ["accepted", "duplicate", "duplicate"]
    assert clinic.samples() == {"a": 10}
    assert verify(clinic.store).problems == ()


def test_a_fault_in_the_reader_stops_one_export_and_shows_no_traceback(clinic: Any) -> None:
    clinic.write("bad.csv", b"stumble")
    clinic.put("good.csv")
    result = clinic.night()
    assert clinic.samples() == {"a": 10}
    (group,) = result.refusals
    assert group.cause == "reader_failed"
    assert "Traceback" not in group.message


@pytest.mark.parametrize("unit", ["x" * 65, "é" * 40])
def test_a_unit_id_that_can_not_be_stored_is_refused(clinic: Any, unit: str) -> None:
    clinic.put("a.csv", unit)
    result = clinic.night()
    assert result.refusals[0].cause == "unit_id"
    assert clinic.samples() == {}


def test_an_export_without_rows_is_refused_by_name(clinic: Any) -> None:
    clinic.put("a.csv", count=0)
    result = clinic.night()
    assert result.refusals[0].cause == "no_rows"
    assert "a.csv" in result.refusals[0].message


def test_a_file_that_grows_while_it_is_read_is_left_for_the_next_night(
    clinic: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = clinic.put("a.csv", count=10)
    clinic.put("b.csv", start="2026-01-02")
    parse = intake_task._parse

    def growing(task: Any, file: Any, *rest: Any) -> Any:
        outcome = parse(task, file, *rest)
        if file.name == "a.csv":
            with open(path, "a") as more:
                more.write("a,2026-01-01T01:00:00Z,20,\n")
        return outcome

    monkeypatch.setattr(intake_task, "_parse", growing)
    result = clinic.night()
    assert clinic.samples() == {"a": 10}
    assert result.counts["left"] == 1
    assert "a.csv was still being written" in result.messages[0]
    assert clinic.intake()["export"].tolist() == ["b.csv"]
    monkeypatch.setattr(intake_task, "_parse", parse)
    clinic.night()
    assert clinic.samples() == {"a": 21}
    assert verify(clinic.store).problems == ()


def test_a_file_that_vanishes_is_left_out_with_a_message(
    clinic: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = clinic.put("a.csv")
    clinic.put("b.csv", "b")
    load = intake_task._load

    def vanishing(place: Any, file: Any, stamp: Any) -> Any:
        path.unlink(missing_ok=True)
        return load(place, file, stamp)

    monkeypatch.setattr(intake_task, "_load", vanishing)
    result = clinic.night()
    assert result.messages == ("a.csv vanished while it was read",)
    assert clinic.samples() == {"b": 10}


def test_a_copy_that_changes_before_it_is_read_is_not_lost(
    clinic: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = clinic.put("a.csv", temperature=20.0)
    clinic.put("b.csv", temperature=20.0)
    load = intake_task._load

    def exchanged(place: Any, file: Any, stamp: Any) -> Any:
        if file.name == "a.csv":
            clinic.put("a.csv", start="2026-03-01", temperature=30.0)
            os.utime(first, (time.time() - 50,) * 2)
            stamp = intake_task._stamp(place, file)
        return load(place, file, stamp)

    monkeypatch.setattr(intake_task, "_load", exchanged)
    clinic.night()
    monkeypatch.setattr(intake_task, "_load", load)
    clinic.night()
    assert clinic.samples() == {"a": 20}
    assert verify(clinic.store).problems == ()


def test_an_export_larger_than_memory_allows_streams_through_disk(
    clinic: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    clinic.put("plain.csv", "p", start="2026-01-31 23:00", count=7000)
    clinic.night()
    monkeypatch.setattr(intake_spool, "SPILL_ROWS", 500)
    monkeypatch.setattr(intake_spool, "FLUSH_ROWS", 900)
    monkeypatch.setattr(intake_task, "WHOLE_BYTES", 1000)
    clinic.put("large.csv", "l", start="2026-01-31 23:00", count=7000, temperature=20.5)
    clinic.night()
    snapshot = clinic.store.snapshot()
    small, large = snapshot.trace("p"), snapshot.trace("l")
    assert small["time"].tolist() == large["time"].tolist()
    assert {f.path.split("/")[2] for f in snapshot.trace_files("l")} == {
        "month=2026-01",
        "month=2026-02",
    }
    assert verify(clinic.store).problems == ()


def test_units_that_go_to_disk_several_times_a_day_stay_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from chamberdrift.pipeline.ingest.output import trace_table
    from chamberdrift.pipeline.store.location import open_location
    from chamberdrift.pipeline.store.precedence import Export

    monkeypatch.setattr(intake_spool, "SPILL_ROWS", 100)
    spool = intake_spool.ExportSpool()
    at = np.arange(180) * 1000
    for part in np.split(at, 3):
        for unit, value in (("a", 20.0), ("b", 30.0)):
            values = {"temperature_c": np.full(len(part), value)}
            spool.add(trace_table(unit, "", part, values, None, False, "0" * 16))
    assert spool.spilled
    export = Export("0" * 64, None, int(at[-1]), spool.rows)
    files, shared, _ = spool.write(open_location(tmp_path), export, 0)
    spool.close()
    assert shared == {}
    got = {unit: parquet.read_table(tmp_path / file.path).to_pandas() for unit, _, file in files}
    for unit, value in (("a", 20.0), ("b", 30.0)):
        assert got[unit]["temperature_c"].tolist() == [value] * len(at)


def test_what_a_killed_run_left_in_the_temporary_folder_goes_and_a_live_ones_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from chamberdrift.pipeline.ingest.output import trace_table

    monkeypatch.setattr(intake_spool.tempfile, "tempdir", str(tmp_path))
    monkeypatch.setattr(intake_spool, "SPILL_ROWS", 10)
    spool = intake_spool.ExportSpool()
    values = {"temperature_c": np.full(20, 20.0)}
    spool.add(trace_table("a", "", np.arange(20) * 1000, values, None, False, "0" * 16))
    (live,) = tmp_path.iterdir()
    dead = tmp_path / f"{intake_spool.PREFIX}dead"
    dead.mkdir()
    (dead / intake_spool.IN_USE).touch()
    (dead / "0.arrow").write_bytes(b"x" * 100)
    other = tmp_path / "someone-elses"
    other.mkdir()
    assert intake_spool.clear_spools() == 0  # too young to tell
    for folder in (live, dead, other):
        os.utime(folder, (1.0, 1.0))
    assert intake_spool.clear_spools() == 1
    assert sorted(tmp_path.iterdir()) == sorted([live, other])
    spool.close()
    assert list(tmp_path.iterdir()) == [other]


def test_bytes_set_aside_are_durable_before_the_commit_names_them(
    clinic: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from chamberdrift.pipeline.store.location import LocalLocation

    steps: list[str] = []
    sync, create = LocalLocation.sync, LocalLocation.create

    def synced(place: Any, paths: Any) -> None:
        paths = list(paths)
        steps.extend(paths)
        sync(place, paths)

    def created(place: Any, path: str, data: bytes) -> None:
        steps.append(path)
        create(place, path, data)

    monkeypatch.setattr(LocalLocation, "sync", synced)
    monkeypatch.setattr(LocalLocation, "create", created)
    clinic.put("a.csv", first="refuse zone\n")
    clinic.night()
    (sha256,) = clinic.store.snapshot().table("refused")["sha256"]
    commit = next(k for k, path in enumerate(steps) if path.startswith("commits/"))
    for leaf in ("export", "reason.json"):
        assert f"quarantine/{sha256}/{leaf}" in steps[:commit]


def test_quarantined_bytes_that_a_power_cut_emptied_are_written_again(clinic: Any) -> None:
    import hashlib

    path = clinic.put("a.csv", first="refuse zone\n")
    data = path.read_bytes()
    target = Path(clinic.store.location) / "quarantine" / hashlib.sha256(data).hexdigest()
    target.mkdir(parents=True)
    (target / "export").write_bytes(b"")
    clinic.night()
    assert (target / "export").read_bytes() == data


def test_many_processes_give_the_same_store(
    clinic: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # another process does not know a replaced reader: this one is the package's own
    from chamberdrift.pipeline import ingest
    from chamberdrift.pipeline.ingest.read import read_export
    from chamberdrift.pipeline.store import Store

    monkeypatch.setattr(ingest, "read_export", read_export)
    for i in range(140):
        at = pd.date_range("2026-01-01", periods=40, freq="10s") + pd.Timedelta(hours=i)
        text = "unit,time (UTC),temperature (°C)\n" + "".join(
            f"u{i % 7},{t:%Y-%m-%d %H:%M:%S},{20 + k / 10:.1f}\n" for k, t in enumerate(at)
        )
        clinic.write(f"{i % 7}/{i:03d}.csv", text.encode())
    first = clinic.night()
    assert first.counts["accepted"] == 140, first.refusals
    other = type(clinic)(clinic.inbox, Store.open(tmp_path / "other", create=True))
    other.night(workers=2)
    one, two = clinic.store.snapshot(), other.store.snapshot()
    assert [f.path for f in one.all_trace_files()] == [f.path for f in two.all_trace_files()]
    pd.testing.assert_frame_equal(clinic.intake(), other.intake())


def test_what_one_export_settles_brings_in_others_of_the_same_night(clinic: Any) -> None:
    clinic.put("1.csv", "a", "2026-01-01", first="ask a\n")
    clinic.put("2.csv", "a", "2026-01-02", first="teach a day\n")
    clinic.put("3.csv", "b", "2026-01-01", first="ask b\n")
    result = clinic.night()
    assert clinic.intake()["outcome"].tolist() == ["accepted", "accepted", "quarantined"]
    assert result.quarantined == 1
    assert clinic.night().counts["read"] == 0
    assert verify(clinic.store).problems == ()


def test_what_one_export_settles_brings_in_others_of_earlier_nights(clinic: Any) -> None:
    clinic.put("1.csv", "a", "2026-01-01", first="ask a\n")
    clinic.night()
    assert clinic.samples() == {}
    clinic.put("2.csv", "a", "2026-01-02", first="teach a day\n")
    result = clinic.night()
    assert result.counts["retried"] == 1
    assert clinic.samples() == {"a": 20}
    assert result.refusals == ()
    clinic.put("3.csv", "a", "2026-01-03", first="ask a\n")
    clinic.night()
    assert clinic.samples() == {"a": 30}


@pytest.mark.parametrize("order", [("day", "month", "day"), ("month", "day", "day")])
def test_exports_that_contradict_each_other_settle_nothing(
    clinic: Any, order: tuple[str, ...]
) -> None:
    for i, told in enumerate(order):
        clinic.put(f"{i}.csv", "a", f"2026-01-0{i + 1}", first=f"teach a {told}\n")
        clinic.night()
    clinic.put("ask.csv", "a", "2026-01-05", first="ask a\n")
    assert clinic.night().quarantined == 1


@pytest.mark.parametrize("nights", [1, 2])
def test_the_same_bytes_under_another_units_name_are_said_to_be_so(
    clinic: Any, nights: int
) -> None:
    first = clinic.put("ST-01_20260101.csv", unit="ST-01")
    clinic.write("ST-01_20260101 (1).csv", first.read_bytes())  # a copy, and no more
    if nights == 2:
        assert clinic.night().messages == ()
    clinic.write("ST-02_20260101.csv", first.read_bytes())
    result = clinic.night()
    assert clinic.samples() == {"ST-01": 10}
    assert len(result.messages) == 1
    assert "ST-02_20260101.csv" in result.messages[0]
    assert "says ST-01 and this name ST-02" in result.messages[0]
    assert result.counts["left"] == 0
    assert clinic.night().messages == ()  # said once, and kept
    reasons = clinic.intake().set_index("export")["reason"]
    assert "wrong copy" in reasons["ST-02_20260101.csv"]
    assert "wrong copy" not in reasons["ST-01_20260101 (1).csv"]


def test_the_same_bytes_that_name_their_unit_are_no_wrong_copy(clinic: Any) -> None:
    first = clinic.put("export.csv", unit="ST-01")
    clinic.write("ST-02.csv", first.read_bytes())
    assert clinic.night().messages == ()
