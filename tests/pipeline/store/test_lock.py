"""One writer at a time; a holder that comes back late publishes nothing."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.store import lock as locking
from chamberdrift.shared.errors import LockLostError, StoreBusyError


def newest_lock(store: Store) -> Path:
    return sorted((Path(store.location) / "lock").glob("*.json"))[-1]


def change_lock(store: Store, **changes: Any) -> None:
    path = newest_lock(store)
    path.write_text(json.dumps({**json.loads(path.read_text()), **changes}))


def age(seconds: float) -> str:
    return (datetime.now(UTC) - timedelta(seconds=seconds)).isoformat()


def test_a_second_writer_is_told_who_holds_the_lock(store: Store) -> None:
    other = Store.open(store.location)
    with store.lock(), pytest.raises(StoreBusyError) as caught, other.lock():
        pass
    assert caught.value.exit_code == 5
    assert str(os.getpid()) in str(caught.value)
    with other.lock():
        pass


def test_numbers_only_grow(store: Store) -> None:
    numbers = []
    for _ in range(4):
        with store.lock() as lock:
            numbers.append(lock.number)
    assert numbers == sorted(set(numbers))
    assert len(list((Path(store.location) / "lock").glob("*.json"))) == 1


def test_a_lock_is_held_through_an_inner_one(store: Store) -> None:
    with store.lock() as outer:
        with store.lock() as inner:
            assert inner is outer
        outer.check()


def test_a_holder_elsewhere_is_believed_while_it_gives_signs_of_life(store: Store) -> None:
    with store.lock():
        change_lock(store, where="elsewhere", process=1, host="clinic-pc", seen_at=age(30))
        with pytest.raises(StoreBusyError, match="clinic-pc"), Store.open(store.location).lock():
            pass


@pytest.mark.parametrize(
    "changes",
    [
        {"where": "elsewhere", "seen_at": age(locking.STALE_S + 60)},
        {"process": 2**22 - 3},  # no such process on this machine
        {"process_started": "1"},  # the number went to another process
        {"seen_at": age(locking.HUNG_S + 60)},
    ],
)
def test_a_stale_lock_is_taken_over_and_its_holder_publishes_nothing(
    store: Store, changes: dict[str, Any]
) -> None:
    with store.lock():
        late = store.begin()
        late.put_state("who", {"is": "late"})
        change_lock(store, **changes)
        other = Store.open(store.location)
        with other.lock() as lock:
            assert lock.taken_over
            txn = other.begin()
            txn.put_state("who", {"is": "other"})
            txn.commit("other")
        with pytest.raises(LockLostError) as caught:
            late.commit("late")
        assert caught.value.exit_code == 5
    assert store.snapshot().state("who") == {"is": "other"}


def test_the_late_holder_loses_even_between_its_check_and_its_commit(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    # the takeover happens after the late holder has looked at the lock for the last time
    with store.lock():
        late = store.begin()
        late.put_state("who", {"is": "late"})
        check = locking.Lock.check

        def then_taken_over(lock: locking.Lock) -> None:
            check(lock)
            monkeypatch.setattr(locking.Lock, "check", check)
            change_lock(store, where="elsewhere", seen_at=age(locking.STALE_S + 60))
            with Store.open(store.location).lock():
                pass

        monkeypatch.setattr(locking.Lock, "check", then_taken_over)
        with pytest.raises(LockLostError):
            late.commit("late")
    assert store.snapshot().state("who") is None


def test_a_killed_holder_is_recognised_at_once(store: Store) -> None:
    code = (
        "import os, signal, sys\n"
        "from chamberdrift.pipeline.store import Store\n"
        "with Store.open(sys.argv[1]).lock():\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, store.location], check=False)
    assert done.returncode == -9
    with store.lock() as lock:
        assert "process" in lock.taken_over
        txn = store.begin()
        txn.put_state("k", {})
        txn.commit("n")


def test_two_processes_at_once_lose_no_commit(store: Store) -> None:
    code = (
        "import sys, time\n"
        "from chamberdrift.pipeline.store import Store\n"
        "from chamberdrift.shared.errors import StoreBusyError\n"
        "done = 0\n"
        "while done < 8:\n"
        "    store = Store.open(sys.argv[1])\n"
        "    try:\n"
        "        with store.lock():\n"
        "            txn = store.begin()\n"
        "            n = (store.snapshot().state('n') or {'n': 0})['n']\n"
        "            txn.put_state('n', {'n': n + 1})\n"
        "            txn.commit('n')\n"
        "            done += 1\n"
        "    except StoreBusyError:\n"
        "        time.sleep(0.005)\n"
    )
    runs = [subprocess.Popen([sys.executable, "-c", code, store.location]) for _ in range(2)]
    assert [r.wait(timeout=120) for r in runs] == [0, 0]
    assert store.snapshot().state("n") == {"n": 16}


def test_a_late_holder_removes_no_file_that_the_other_run_uses(store: Store, samples: Any) -> None:
    # equal samples of an equal export have an equal path, whoever writes them
    with store.lock():
        late = store.begin()
        late.add_trace("u", samples("u", "2026-01-01", 10, temperature_c=20.0))
        late.flush_traces()
        change_lock(store, where="elsewhere", seen_at=age(locking.STALE_S + 60))
        other = Store.open(store.location)
        with other.lock():
            txn = other.begin()
            txn.add_trace("u", samples("u", "2026-01-01", 10, temperature_c=20.0))
            txn.commit("other")
        with pytest.raises(LockLostError):
            late.commit("late")
    assert len(store.snapshot().trace("u")) == 10


def test_a_late_holder_cleans_nothing_up(
    store: Store, samples: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    with store.lock():
        txn = store.begin()
        txn.add_trace("u", samples("u", "2026-01-01", 10, temperature_c=20.0))
        txn.commit("one")
        (file,) = store.snapshot().trace_files("u")
        txn = store.begin()
        txn.replace_traces([], [file])
        txn.commit("withdrawn")
        late = store.begin()
        late.put_state("who", {"is": "late"})
        change_lock(store, where="elsewhere", seen_at=age(locking.STALE_S + 60))
        other = Store.open(store.location)
        with other.lock():
            txn = other.begin()
            txn.replace_traces([file], [])
            txn.commit("in use again")
        monkeypatch.setattr("chamberdrift.pipeline.store.txn.KEEP_WITHDRAWN", timedelta(0))
        with pytest.raises(LockLostError):
            late.commit("late")
    assert len(store.snapshot().trace("u")) == 10


def test_a_lock_is_given_back_though_cleaning_up_fails(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    from chamberdrift.pipeline.store import Txn

    def fail(_: Txn) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Txn, "abort", fail)
    with pytest.raises(OSError, match="Input/output"), store.lock():
        store.begin()
    monkeypatch.undo()
    with store.lock() as lock:
        assert not lock.taken_over
