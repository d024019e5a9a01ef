"""One result whatever the number of workers."""

from __future__ import annotations

import os
from pathlib import Path

import chamberdrift.pipeline.executor as executor
import pytest
from chamberdrift.pipeline.executor import (
    THREAD_VARIABLES,
    SerialExecutor,
    default_workers,
    held_executor,
    open_executor,
    run_chunked,
)
from chamberdrift.pipeline.keepers import Processes
from chamberdrift.shared.errors import ChamberdriftError


@pytest.fixture(autouse=True)
def importable(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let worker processes find the functions below, from wherever the tests are run."""
    monkeypatch.syspath_prepend(str(Path(__file__).parents[3]))


def square(x: int) -> int:
    return x * x


def threads(_: int) -> list[str | None]:
    return [os.environ.get(name) for name in THREAD_VARIABLES]


def fail(x: int) -> int:
    if x == 3:
        raise ValueError("three")
    return x


def die(x: int) -> int:
    os._exit(1)


def test_results_come_in_order_with_any_number_of_workers() -> None:
    items = list(range(41))
    expected = [x * x for x in items]
    assert list(run_chunked(square, items, workers=1)) == expected
    assert list(run_chunked(square, items, workers=2, chunk=3, cut_over=2)) == expected


def test_workers_have_one_thread_each() -> None:
    found = list(run_chunked(threads, [1, 2], workers=2, chunk=1, cut_over=2))
    assert found == [["1"] * len(THREAD_VARIABLES)] * 2


def test_small_jobs_stay_in_this_process() -> None:
    assert list(run_chunked(lambda x: x, [1, 2], workers=2)) == [1, 2]


@pytest.mark.parametrize("workers", [1, 2])
def test_an_error_of_an_item_comes_through(workers: int) -> None:
    with pytest.raises(ValueError, match="three"):
        list(run_chunked(fail, list(range(6)), workers=workers, chunk=2, cut_over=2))


def test_a_dead_worker_is_a_message() -> None:
    with pytest.raises(ChamberdriftError, match="fewer workers"):
        list(run_chunked(die, [1, 2], workers=2, chunk=1, cut_over=2))


def some(first: int) -> list[int]:
    return [first]


def add(kept: list[int], more: int) -> int:
    kept.append(more)
    return sum(kept)


def where(kept: list[int], _: None) -> int:
    return os.getpid()


def leave(kept: list[int], _: None) -> None:
    os._exit(1)


def test_a_process_keeps_what_it_made_from_call_to_call() -> None:
    with held_executor(2):
        held = Processes(2, None, 2).hold(some, [1, 100, 1000])
        assert held.each(add, [2, 200, 2000]) == [3, 300, 3000]
        assert held.each(add, [3, 300, 3000]) == [6, 600, 6000]
        homes = held.each(where, [None] * 3)
        assert homes[0] == homes[2] != homes[1]
        assert os.getpid() not in homes
        held.close()
        other = Processes(2, None, 2).hold(some, [5])
        assert other.each(add, [1]) == [6]
        with pytest.raises(ChamberdriftError, match="fewer workers"):
            other.each(leave, [None])


def test_the_serial_executor_keeps_errors_in_the_future() -> None:
    with SerialExecutor() as executor:
        assert executor.submit(square, 3).result() == 9
        assert isinstance(executor.submit(fail, 3).exception(), ValueError)


def test_an_unreachable_scheduler_is_a_message(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(executor, "CONNECT_TIMEOUT_S", 0.5)
    with (
        pytest.raises(ChamberdriftError, match=r"cluster extra|can't be reached"),
        open_executor(1, "tcp://127.0.0.1:9"),
    ):
        pass


def test_there_is_at_least_one_worker() -> None:
    assert default_workers() >= 1


def process(_: int) -> int:
    return os.getpid()


def test_stages_share_one_pool_while_it_is_held() -> None:
    with held_executor(1), open_executor(1) as first, open_executor(1) as second:
        assert first is second
    with held_executor(2), held_executor(2):
        seen = [set(run_chunked(process, range(20), workers=2, chunk=1)) for _ in range(2)]
        assert len(seen[0] | seen[1]) <= 2
        assert os.getpid() not in seen[0] | seen[1]
    with open_executor(1) as after:
        assert after is not first
