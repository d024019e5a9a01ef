"""The night as a whole, on exports that the simulator wrote."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from chamberdrift.pipeline.cli.root import cli
from chamberdrift.pipeline.night import run_night
from chamberdrift.pipeline.setup import init_store
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.verify import verify
from chamberdrift.shared.errors import ChamberdriftError
from click.testing import CliRunner, Result

from .conftest import DAYS, END, START, assert_equal_tables


def run(*args: object) -> Result:
    return CliRunner().invoke(cli, [str(a) for a in args])


def tree(folder: Path, *but: str) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and p.relative_to(folder).parts[0] not in but
    }


def test_a_night_fills_every_table_and_draws_the_fleet(at_once: Path) -> None:
    snapshot = Store.open(str(at_once)).snapshot()
    assert len(snapshot.table("cycles")) > 40
    assert len(snapshot.table("judgements")) == len(snapshot.table("cycles"))
    assert set(snapshot.table("intake")["outcome"]) == {"accepted"}
    folder = at_once / "reports" / END.strftime("%Y-%m-%d")
    assert (folder / "fleet.pdf").read_bytes().startswith(b"%PDF-")
    assert verify(Store.open(str(at_once))).problems == ()


def test_a_second_night_changes_nothing(exports: Path, at_once: Path) -> None:
    before = tree(at_once, "lock")
    again = run_night(str(exports / "inbox"), str(at_once), as_of=END)
    assert not again.published
    assert again.exports["accepted"] == 0
    assert tree(at_once, "lock") == before


def test_nights_in_order_equal_one_run(exports: Path, at_once: Path, tmp_path: Path) -> None:
    """Files arrive one by one in the order of their first sample."""
    first = Store.open(str(at_once)).snapshot().table("intake")
    order = list(first.sort_values(["first_time", "export"])["export"])
    store, inbox = tmp_path / "store", tmp_path / "inbox"
    init_store(str(store), {}, settings=str(exports / "chamberdrift.toml"))
    for k in range(0, len(order), 6):
        for name in order[k : k + 6]:
            (inbox / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(exports / "inbox" / name, inbox / name)
        run_night(str(inbox), str(store), as_of=END, draw=False)
    shutil.copy(exports / "inbox" / "service-log.csv", inbox)
    last = run_night(str(inbox), str(store), as_of=END)
    assert last.commit > 3
    assert_equal_tables(store, at_once)
    assert verify(Store.open(str(store))).problems == ()


def test_nothing_later_than_the_moment_is_seen(
    exports: Path, at_once: Path, tmp_path: Path
) -> None:
    store = tmp_path / "store"
    init_store(str(store), {}, settings=str(exports / "chamberdrift.toml"))
    half = START + pd.Timedelta(days=DAYS / 2)
    run_night(str(exports / "inbox"), str(store), as_of=half, draw=False)
    table = run("table", "cycles", "--store", store, "--format", "json")
    assert table.exit_code == 0, table.output
    later = [c for c in json.loads(table.stdout) if c["verdict"] is None]
    assert later, "cycles after the moment are there"
    assert all(pd.Timestamp(c["ended_at"]) > half for c in later)
    snapshot = Store.open(str(store)).snapshot()
    cycles, judgements = snapshot.table("cycles"), snapshot.table("judgements")
    seen = cycles[cycles["ended_at"] <= half]
    assert set(judgements["cycle_id"]) == set(seen["cycle_id"])
    assert not (snapshot.table("flags")["first_seen"] > half).any()
    shown = run("status", "--store", store, "--as-of", half.isoformat(), "--json")
    assert json.loads(shown.stdout)["cycles"] == len(seen)
    run_night(str(exports / "inbox"), str(store), as_of=END, draw=False)
    assert_equal_tables(store, at_once)
    commit = Store.open(str(store)).snapshot().commit
    for args in (["nightly", str(exports / "inbox")], ["judge"]):
        back = run(*args, "--store", store, "--as-of", half.isoformat())
        assert back.exit_code == 1
        assert "cycles" in back.stderr
        assert "were judged already" in back.stderr
        assert f"report --as-of {half:%Y-%m-%dT%H:%M:%SZ}" in back.stderr
    assert run("report", "--store", store, "--as-of", half.isoformat()).exit_code == 0
    assert Store.open(str(store)).snapshot().commit == commit
    assert_equal_tables(store, at_once)
    ahead = END + pd.Timedelta(days=2)
    for moved in (ahead, END):  # nothing is known between the two, so nothing can be hidden
        run_night(str(exports / "inbox"), str(store), as_of=moved, draw=False)
    assert_equal_tables(store, at_once)


def test_late_exports_give_the_same_tables(exports: Path, at_once: Path, tmp_path: Path) -> None:
    names = sorted(p.relative_to(exports / "inbox") for p in (exports / "inbox").rglob("*")
                   if p.is_file())  # fmt: skip
    store, inbox = tmp_path / "store", tmp_path / "inbox"
    init_store(str(store), {}, settings=str(exports / "chamberdrift.toml"))
    for part in (names[::-2], names):
        for name in part:
            (inbox / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(exports / "inbox" / name, inbox / name)
        run_night(str(inbox), str(store), as_of=END, draw=False)
    assert_equal_tables(store, at_once, withdrawn=True)


def test_the_number_of_workers_does_not_matter(
    exports: Path, at_once: Path, tmp_path: Path
) -> None:
    store = tmp_path / "store"
    init_store(str(store), {}, settings=str(exports / "chamberdrift.toml"))
    run_night(str(exports / "inbox"), str(store), as_of=END, workers=2)
    assert_equal_tables(store, at_once)
    date = END.strftime("%Y-%m-%d")
    for path in (store / "traces").rglob("*.parquet"):
        assert (at_once / path.relative_to(store)).read_bytes() == path.read_bytes()
    names = {p.name for p in (store / "reports" / date).iterdir()}
    assert names == {p.name for p in (at_once / "reports" / date).iterdir()}


def test_the_stages_one_at_a_time_give_the_same(
    exports: Path, at_once: Path, tmp_path: Path
) -> None:
    store = str(tmp_path / "store")
    toml = str(exports / "chamberdrift.toml")
    assert run("init", "--settings", toml, "--store", store).exit_code == 0
    assert run("ingest", exports / "inbox", "--store", store).exit_code == 0
    assert run("extract", "--store", store).exit_code == 0
    assert run("judge", "--store", store, "--as-of", END.isoformat()).exit_code == 0
    report = run("report", "--store", store, "--as-of", END.isoformat(), "--json")
    assert report.exit_code == 0
    assert Path(json.loads(report.stdout)["reports"][0]).is_file()
    assert_equal_tables(Path(store), at_once)


def test_a_run_that_dies_publishes_nothing_and_the_next_one_completes(
    exports: Path, at_once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import chamberdrift.pipeline.night as night

    store = tmp_path / "store"
    init_store(str(store), {}, settings=str(exports / "chamberdrift.toml"))
    for stage in ("extract_units", "judge_fleet", "publish"):
        with monkeypatch.context() as patch:

            def die(*_: object, **__: object) -> None:
                raise KeyboardInterrupt

            patch.setattr(night, stage, die)
            with pytest.raises(KeyboardInterrupt):
                run_night(str(exports / "inbox"), str(store), as_of=END)
        assert Store.open(str(store)).snapshot().unit_ids() == []
    with monkeypatch.context() as patch:
        patch.setattr(night, "draw_reports", die)
        with pytest.raises(KeyboardInterrupt):
            run_night(str(exports / "inbox"), str(store), as_of=END)
    assert not list((store / "reports").rglob("*.pdf")) if (store / "reports").exists() else True
    done = run_night(str(exports / "inbox"), str(store), as_of=END)
    assert done.reports
    assert_equal_tables(store, at_once)


def test_one_units_failure_leaves_the_others_and_ends_with_code_1(
    exports: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import chamberdrift.pipeline.extract_stage as stage

    real: Any = stage.extract  # type: ignore[attr-defined]
    sick = ""

    def extract(trace: pd.DataFrame, unit: Any, *args: Any, **kwargs: Any) -> Any:
        if unit.id == sick:
            raise IndexError("made up")
        return real(trace, unit, *args, **kwargs)

    store = str(tmp_path / "store")
    init_store(store, {}, settings=str(exports / "chamberdrift.toml"))
    monkeypatch.setattr(stage, "extract", extract)
    sick = "U001"
    result = run("nightly", exports / "inbox", "--store", store, "--as-of", END.isoformat(),
                 "--workers", "1", "--no-reports")  # fmt: skip
    assert result.exit_code == 1
    assert "extract of U001: IndexError: made up" in result.stderr
    assert "new on" in result.stdout
    sick = ""
    result = run("nightly", exports / "inbox", "--store", store, "--as-of", END.isoformat(),
                 "--workers", "1", "--json", "--no-reports")  # fmt: skip
    assert result.exit_code == 0
    assert json.loads(result.stdout)["new_cycles"] > 0


def test_first_contact_ends_in_one_question_and_one_command(tmp_path: Path) -> None:
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    for k in range(40):
        lines = ["time,temperature (°C),pressure (kPa abs)"]
        day = f"{pd.Timestamp('2026-05-01') + pd.Timedelta(days=k):%Y-%m-%d}"
        lines += [
            f"{day} 10:{m:02d}:{s:02d},{20 + m:.1f},101.3"
            for m in range(30)
            for s in range(0, 60, 10)
        ]
        (inbox / f"ST-{k // 4:02d}_{k % 4}.csv").write_text("\n".join(lines), encoding="utf-8")
    store = str(tmp_path / "store")
    first = run("nightly", inbox, "--store", store)
    assert first.exit_code == 3, first.output
    assert first.stdout.count("?") == 1
    commands = [line.strip() for line in first.stdout.splitlines()
                if line.strip().startswith("chamberdrift ")]  # fmt: skip
    assert len(commands) == 1
    assert len(first.stdout.splitlines()) <= 24
    idle = run("nightly", inbox, "--store", store)
    assert idle.exit_code == 0
    args = commands[0].replace("AREA/CITY", "Europe/Oslo").split()[1:]
    assert run(*args).exit_code == 0
    second = run("nightly", inbox, "--store", store, "--json")
    assert second.exit_code == 0, second.output
    assert json.loads(second.stdout)["exports"]["accepted"] == 40


def test_an_empty_inbox_is_a_failure_with_a_name(tmp_path: Path) -> None:
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "photo.jpg").write_bytes(b"x")
    result = run("nightly", tmp_path / "inbox", "--store", tmp_path / "s")
    assert result.exit_code == 1
    assert "no exports in" in result.stderr
    result = run("nightly", tmp_path / "nowhere", "--store", tmp_path / "s")
    assert result.exit_code == 1
    assert "Traceback" not in result.stderr
    assert not (tmp_path / "s").exists()


def test_a_busy_store_is_code_5(exports: Path, at_once: Path) -> None:
    holder = Store.open(str(at_once))
    with holder.lock():
        result = run("nightly", exports / "inbox", "--store", at_once)
    assert result.exit_code == 5
    assert "another run holds the lock" in result.stderr


def test_a_service_log_is_taken_over_and_wrong_lines_are_named(
    exports: Path, at_once: Path, tmp_path: Path
) -> None:
    store = tmp_path / "store"
    shutil.copytree(at_once, store)
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    (inbox / "service-log.csv").write_text(
        "unit_id,time,part,action,note\n"
        "U001,2026-03-05 12:00,door_seal,replaced,\n"
        "U9,2026-03-05 12:00,door_seal,replaced,\n",
        encoding="utf-8",
    )
    result = run("nightly", inbox, "--store", store, "--as-of", END.isoformat(), "--json")
    assert result.exit_code == 0, result.output
    data = json.loads(result.stdout)
    assert data["service_entries"] == 1
    assert "service-log.csv, line 3: no unit is called 'U9'" in data["service_refused"][0]
    again = run("nightly", inbox, "--store", store, "--as-of", END.isoformat(), "--json")
    assert json.loads(again.stdout)["service_entries"] == 0
    assert not json.loads(again.stdout)["published"]


def test_work_that_is_not_done_yet_is_not_entered(at_once: Path) -> None:
    before = Store.open(str(at_once)).snapshot().commit
    entry = ("service", "U001", "--part", "door_seal", "--action", "replaced")
    result = run(*entry, "--time", "2150-01-01T00:00:00Z", "--store", at_once)
    assert result.exit_code == 1
    assert "lies in the future" in result.stderr
    assert Store.open(str(at_once)).snapshot().commit == before


def test_exit_codes_of_open_stop_flags(exports: Path, at_once: Path, tmp_path: Path) -> None:
    store = tmp_path / "store"
    shutil.copytree(at_once, store)
    opened = Store.open(str(store))
    flags = opened.snapshot().table("flags")
    from chamberdrift.shared.schema import FLAGS

    row = {"flag_id": "f-x", "unit_id": "U001", "part": "heater", "severity": "stop",
           "first_seen": START, "last_seen": START}  # fmt: skip
    with opened.lock():
        txn = opened.begin()
        txn.append("flags", FLAGS.conform(pd.DataFrame([row])))
        txn.commit("a stop flag")
    assert len(flags) >= 0
    late = END.isoformat()
    assert run("status", "--store", store, "--as-of", late).exit_code == 0
    assert run("status", "--store", store, "--as-of", late, "--exit-flags").exit_code == 4
    assert run("report", "--store", store, "--as-of", late, "--exit-flags").exit_code == 4


def test_log_and_reasons_of_a_night(exports: Path, at_once: Path, tmp_path: Path) -> None:
    log = tmp_path / "night.jsonl"
    result = run("nightly", exports / "inbox", "--store", at_once, "--as-of", END.isoformat(),
                 "--log-file", log, "--rehash", "--explain")  # fmt: skip
    assert result.exit_code == 0
    entries = [json.loads(line) for line in log.read_text(encoding="utf-8").splitlines()]
    assert {"ingest", "extract", "judge", "reports"} <= {e["event"] for e in entries}
    assert all(e["time"].endswith("Z") for e in entries)
    assert "ingest: " in result.stderr
    assert "asked to read everything" in result.stderr


def test_it_runs_from_cron_without_a_terminal(exports: Path, at_once: Path) -> None:
    env = {k: v for k, v in os.environ.items() if k not in ("TERM", "LANG", "LC_ALL")}
    done = subprocess.run(
        [sys.executable, "-m", "chamberdrift", "nightly", str(exports / "inbox"),
         "--as-of", END.isoformat()],
        capture_output=True, text=True, check=True, stdin=subprocess.DEVNULL,
        env={**env, "CHAMBERDRIFT_STORE": str(at_once), "LC_ALL": "C", "PYTHONUTF8": "0"},
    )  # fmt: skip
    assert done.stderr == ""
    assert "nothing new" in done.stdout
    assert "\x1b" not in done.stdout
    assert max(len(line) for line in done.stdout.splitlines() if "/" not in line) <= 80


def test_an_interrupted_first_run_is_no_store_for_reading(tmp_path: Path) -> None:
    with pytest.raises(ChamberdriftError, match="no store at"):
        Store.open(str(tmp_path / "nothing"))
