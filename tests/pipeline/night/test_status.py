"""The store's state, a unit's state, and what people enter."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pandas as pd
import pytest
from chamberdrift.pipeline.care import (
    defer_flag,
    move_unit,
    record_service,
    retire_unit,
    undo_service,
)
from chamberdrift.pipeline.heartbeat import LAST_NIGHT, note_good_night
from chamberdrift.pipeline.moment import moment_of, now
from chamberdrift.pipeline.reach import last_samples
from chamberdrift.pipeline.settings import read_settings, settings_text, write_settings
from chamberdrift.pipeline.status import (
    checked_findings,
    checked_words,
    confirmed_share,
    show_unit,
    store_status,
)
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.table_export import export_table
from chamberdrift.shared.errors import ChamberdriftError, ConfigError

from .conftest import Fleet


def test_the_state_counts_what_is_there(judged_store: Path, fleet: Fleet) -> None:
    state = store_status(str(judged_store), as_of=fleet.end)
    snapshot = Store.open(str(judged_store)).snapshot()
    assert state.units == 3
    assert state.cycles == len(snapshot.table("cycles"))
    assert state.samples == sum(len(u.trace) for u in fleet.units)
    assert state.open["service"] >= 1
    assert not state.stop_open
    assert state.last_good_night is None
    assert len(state.line().splitlines()) == 1
    assert state.line().startswith("chamberdrift ")
    lines = [x for x in state.text().splitlines() if not x.startswith("Store ")]
    assert max(map(len, lines)) <= 100
    json.dumps(state.as_dict())


def test_a_past_moment_is_told_as_it_was(store_copy: Path, fleet: Fleet) -> None:
    first, second = (u for u in fleet.units[:2])
    moment = first.trace["time"].iloc[len(first.trace) // 2] + pd.Timedelta(minutes=1)
    retire_unit(str(store_copy), second.unit.id)
    state = store_status(str(store_copy), as_of=moment)
    known = pd.concat([u.trace["time"] for u in fleet.units])
    through = known[known <= moment].max()
    assert state.data_through == through.strftime("%Y-%m-%dT%H:%M:%SZ")
    assert (state.units, state.retired) == (3, 0)
    assert store_status(str(store_copy)).retired == 1
    snapshot = Store.open(str(store_copy)).snapshot()
    last = last_samples(snapshot, moment)
    for unit in fleet.units:
        times = unit.trace["time"]
        assert last[unit.unit.id] == times[times <= moment].max()
    assert last_samples(snapshot, known.min() - pd.Timedelta(days=1)) == {}


def test_silent_loggers_are_named(judged_store: Path, fleet: Fleet) -> None:
    later = fleet.end + pd.Timedelta(days=30)
    state = store_status(str(judged_store), as_of=later)
    assert {u for u, _ in state.silent} == {u.unit.id for u in fleet.units}
    assert "silent: 3" in state.line()


def test_what_is_due_is_told(store_copy: Path, fleet: Fleet) -> None:
    unit = fleet.units[0].unit.id
    place = Store.open(str(store_copy)).place
    text = settings_text(place) or ""
    write_settings(place, text + '\n[[service_interval]]\npart = "door_seal"\ndays = 1\n')
    state = store_status(str(store_copy), as_of=fleet.end)
    own = [d for d in state.as_dict()["due"] if d["unit_id"] == unit]
    assert [(d["what"], d["state"]) for d in own] == [("door seal service", "overdue")]
    assert re.search(r"^Due +\d+ overdue.*: U00\d door seal service", state.text(), re.MULTILINE)
    assert "overdue: 3;" in state.line()


def test_one_line_says_first_what_must_be_looked_at(
    store_copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Store.open(str(store_copy))
    note_good_night(store, 3, now())
    assert "look at it" not in store_status(str(store_copy)).line()
    later = now() + pd.Timedelta(days=7)  # the machine was asleep for a week
    for module in ("moment", "heartbeat"):
        monkeypatch.setattr(f"chamberdrift.pipeline.{module}.now", lambda: later)
    line = store_status(str(store_copy)).line()
    assert line.startswith("chamberdrift look at it: the last good night was 7 days ago")
    assert len(line.splitlines()) == 1
    note_good_night(store, 4, later)
    assert "look at it" not in store_status(str(store_copy)).line()


def test_a_past_moment_names_the_last_good_night_before_it(store_copy: Path) -> None:
    store, here = Store.open(str(store_copy)), str(store_copy)
    for day in ("2026-03-01", "2026-03-03"):
        note_good_night(store, 3, pd.Timestamp(day, tz="UTC"))
    told = {
        day: store_status(here, as_of=pd.Timestamp(day, tz="UTC")).last_good_night
        for day in ("2026-02-28", "2026-03-01", "2026-03-02", "2026-03-09")
    }
    assert list(told.values()) == [None, "2026-03-01", "2026-03-01", "2026-03-03"]
    assert store_status(here).last_good_night == now().strftime("%Y-%m-%d")
    old = {"last_good_night": "2026-02-01", "commit": 3}  # as earlier versions wrote it
    store.place.write(LAST_NIGHT, json.dumps(old).encode())
    note_good_night(store, 4, pd.Timestamp("2026-03-03", tz="UTC"))
    told_of = pd.Timestamp("2026-02-05", tz="UTC")
    assert store_status(here, as_of=told_of).last_good_night == "2026-02-01"


def test_a_unit_is_told_in_words(judged_store: Path, fleet: Fleet) -> None:
    unit = fleet.units[0].unit.id
    state = show_unit(str(judged_store), unit, as_of=fleet.end)
    assert unit in state.text()
    assert "heater" in state.text()
    assert [f["flag_id"] for f in state.as_dict()["open_flags"]][-1] == "f-service"
    assert state.as_dict()["unit"]["unit_id"] == unit
    with pytest.raises(ChamberdriftError, match="did you mean"):
        show_unit(str(judged_store), unit + "x")


def test_a_finding_serviced_tonight_waits_for_cycles(store_copy: Path, fleet: Fleet) -> None:
    """The part was replaced after the last cycle: nobody has to come for it again."""
    unit, store = fleet.units[0].unit.id, str(store_copy)
    before = store_status(store, as_of=fleet.end)
    assert before.waiting == 0
    assert "waiting" not in before.line()
    when = fleet.end - pd.Timedelta(minutes=1)
    record_service(store, unit, part="heater", action="replaced", when=when.isoformat())
    after = store_status(store, as_of=fleet.end)
    assert after.open == before.open
    assert after.as_dict()["waiting_for_cycles"] == 1
    for words in (after.line(), after.text()):
        assert "(1 serviced, waiting for cycles)" in words
    told = " ".join(show_unit(store, unit, as_of=fleet.end).text().split())
    assert "waiting for cycles: 0 of 15 since" in told


def test_service_is_entered_confirmed_and_taken_back(store_copy: Path, fleet: Fleet) -> None:
    unit = fleet.units[0].unit.id
    store = str(store_copy)
    done = record_service(
        store, unit, part="heater", action="replaced", when="2026-03-09T10:00Z", result="confirmed"
    )
    service_id = done.as_dict()["service_id"]
    row = json.loads(export_table(store, "service", "json", units=[unit]))[-1]
    assert row["service_id"] == service_id
    assert row["time"] == "2026-03-09T10:00:00Z"
    state = store_status(store)
    assert state.checked == {"confirmed": 1, "not_found": 0, "other_part": 0}
    assert "1 of 1 findings confirmed (100%)" in state.text()
    undo_service(store, service_id)
    assert confirmed_share(store_status(store).checked) is None
    with pytest.raises(ChamberdriftError, match="no service entry"):
        undo_service(store, "s-nothing")


def test_the_same_entry_twice_makes_no_commit(store_copy: Path, fleet: Fleet) -> None:
    args = {"part": "heater", "action": "checked", "when": "2026-03-09T10:00Z"}
    unit = fleet.units[0].unit.id
    record_service(str(store_copy), unit, **args)
    commit = Store.open(str(store_copy)).snapshot().commit
    again = record_service(str(store_copy), unit, **args)
    assert again.text().startswith("There already is s-")
    assert Store.open(str(store_copy)).snapshot().commit == commit


def test_the_confirmed_rate_is_counted() -> None:
    service = pd.DataFrame({"result": ["confirmed", "confirmed", "not_found", None, ""]})
    checked = checked_findings(service)
    assert confirmed_share(checked) == pytest.approx(2 / 3)
    assert "2 of 3" in checked_words(checked)
    assert "none entered" in checked_words({})


def test_a_flag_is_deferred_by_the_beginning_of_its_id(store_copy: Path, fleet: Fleet) -> None:
    store = str(store_copy)
    later = now() + pd.Timedelta(days=9)
    done = defer_flag(store, "f-serv", until=later, reason="ordered")
    assert done.as_dict()["flag_id"] == "f-service"
    unit = fleet.units[0].unit.id
    assert "ordered" in show_unit(store, unit, as_of=fleet.end).text()
    with pytest.raises(ChamberdriftError, match="no open flag"):
        defer_flag(store, "zzz", until=later, reason="x")
    with pytest.raises(ChamberdriftError, match="is past; name a date to come"):
        defer_flag(store, "f-service", until=fleet.end, reason="x")
    with pytest.raises(ChamberdriftError, match="reason is empty"):
        defer_flag(store, "f-service", until=later, reason=" ")


def test_a_stop_flag_is_never_hidden(store_copy: Path, fleet: Fleet) -> None:
    store = Store.open(str(store_copy))
    flags = store.snapshot().table("flags")
    stop = flags[flags["flag_id"] == "f-service"].assign(severity="stop", flag_id="f-stop")
    with store.lock():
        txn = store.begin()
        txn.append("flags", stop)
        txn.commit("a stop flag")
    later = now() + pd.Timedelta(days=9)
    done = defer_flag(str(store_copy), "f-stop", until=later, reason="busy")
    assert "stays at the top of the list" in done.text()
    defer_flag(str(store_copy), "f-service", until=later, reason="busy")
    state = show_unit(str(store_copy), fleet.units[0].unit.id, as_of=fleet.end)
    heads = [line for line in state.text().splitlines() if line.startswith("[")]
    assert heads[0].startswith("[stop]")
    assert state.text().count("busy") == 1
    assert store_status(str(store_copy), as_of=fleet.end).stop_open


def test_units_move_and_retire(store_copy: Path, fleet: Fleet) -> None:
    store = str(store_copy)
    unit = fleet.units[0].unit
    with pytest.raises(ConfigError, match="no site is called"):
        move_unit(store, unit.id, site="elsewhere")
    toml = store_copy / "chamberdrift.toml"
    toml.write_text(toml.read_text() + '\n[[site]]\nid = "elsewhere"\nzone = "UTC"\n')
    move_unit(store, unit.id, site="elsewhere")
    config = read_settings(Store.open(store).place)
    assert config.unit(unit.id).site == "elsewhere"
    assert config.unit(unit.id).programs == unit.programs
    retire_unit(store, unit.id, when="2026-03-09T10:00Z")
    state = store_status(store, as_of=fleet.end)
    assert (state.units, state.retired) == (2, 1)
    later = fleet.end + pd.Timedelta(days=30)
    told = " ".join(show_unit(store, unit.id, as_of=later).text().split())
    assert "It left the fleet on 9 Mar 2026." in told
    assert "check the logger" not in told
    with pytest.raises(ChamberdriftError, match="left the fleet at 2026-03-09T10:00:00Z already"):
        retire_unit(store, unit.id)
    with pytest.raises(ChamberdriftError, match="no unit is called"):
        retire_unit(store, "nobody")


def test_a_clock_set_back_hides_nothing(
    judged_store: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import chamberdrift.pipeline.moment as moment

    snapshot = Store.open(str(judged_store)).snapshot()
    last = pd.Timestamp(snapshot.manifest.recorded_at)
    monkeypatch.setattr(moment, "now", lambda: last - pd.Timedelta(days=400))
    assert moment_of(None, snapshot) == last
    between = last - pd.Timedelta(days=30)  # after all that is known: the clock was ahead then
    monkeypatch.setattr(moment, "now", lambda: between)
    assert moment_of(None, snapshot) == between
    monkeypatch.setattr(moment, "now", lambda: last + pd.Timedelta(days=400))
    assert moment_of(None, snapshot) == last + pd.Timedelta(days=400)
    early = pd.Timestamp("2024-02-29")
    assert moment_of(early.to_pydatetime(), snapshot) == early.tz_localize("UTC")


def test_the_present_is_whole_milliseconds_in_utc() -> None:
    assert now().tz is not None
    assert now().microsecond % 1000 == 0
