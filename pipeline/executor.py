"""Where work runs: in this process, in a pool of processes, or on a cluster.

All three have the shape of ``concurrent.futures.Executor``. Results come back
in the order of the items, so the outcome does not depend on the number of
workers. Small jobs stay in this process: a pool is slower there.
"""

from __future__ import annotations

import importlib
import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, TypeVar

from ..shared.errors import ChamberdriftError

Item = TypeVar("Item")
Result = TypeVar("Result")

THREAD_VARIABLES: Final = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMEXPR_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
"""One thread a worker: the pool itself fills the processors."""

CONNECT_TIMEOUT_S: Final = 10.0
IN_FLIGHT_PER_WORKER: Final = 3
"""Chunks handed out ahead of the results, a worker; bounds memory."""


class Lanes(Executor):
    """A pool in which each process can be called by its number, and so keep things."""

    AHEAD: Final = 2
    """Calls that a process is given at once: the next is there when one ends."""

    def __init__(self, workers: int) -> None:
        context = multiprocessing.get_context("spawn")  # the same everywhere, and thread-safe
        self.lanes = [
            ProcessPoolExecutor(1, context, initializer=limit_threads) for _ in range(workers)
        ]
        self._busy = [0] * workers
        self._waiting: deque[tuple[Future[Any], Callable[[], Any]]] = deque()
        self._lock = threading.Lock()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Let the process call that is free next."""
        future: Future[Any] = Future()
        with self._lock:
            self._waiting.append((future, partial(fn, *args, **kwargs)))
        self._feed()
        return future

    def _feed(self) -> None:
        while True:
            with self._lock:
                lane = min(range(len(self.lanes)), key=self._busy.__getitem__)
                if not self._waiting or self._busy[lane] >= self.AHEAD:
                    return
                future, call = self._waiting.popleft()
                if not future.set_running_or_notify_cancel():
                    continue
                self._busy[lane] += 1
            try:
                inner = self.lanes[lane].submit(call)
            except (BrokenProcessPool, RuntimeError) as error:
                self._free(lane)
                future.set_exception(error)
                continue
            inner.add_done_callback(partial(self._done, lane, future))

    def _free(self, lane: int) -> None:
        with self._lock:
            self._busy[lane] -= 1

    def _done(self, lane: int, future: Future[Any], inner: Future[Any]) -> None:
        self._free(lane)
        error = inner.exception()
        if error is None:
            future.set_result(inner.result())
        else:
            future.set_exception(error)
        self._feed()

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Let the processes end."""
        if cancel_futures:
            with self._lock:
                waiting, self._waiting = self._waiting, deque()
            for future, _ in waiting:
                future.cancel()
        for lane in self.lanes:
            lane.shutdown(wait=wait, cancel_futures=cancel_futures)


class SerialExecutor(Executor):
    """Runs each call at once, in this process."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run the call and return its finished future."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


def default_workers() -> int:
    """Return the number of processors that this process may use."""
    affinity = getattr(os, "sched_getaffinity", None)  # not on Windows and macOS
    return max(1, len(affinity(0)) if affinity else os.cpu_count() or 1)


@dataclass
class _Held:
    """An executor that stages share, once one of them needs it."""

    closing: ExitStack
    executor: Executor | None = None


_HELD: dict[tuple[int, str | None], _Held] = {}


@contextmanager
def held_executor(workers: int, scheduler: str | None = None) -> Iterator[None]:
    """Let everything within share one pool or cluster client, opened at the first need.

    Starting a pool costs seconds: its processes import the libraries anew.
    """
    key = (workers, scheduler)
    if key in _HELD:
        yield
        return
    with ExitStack() as closing:
        _HELD[key] = _Held(closing)
        try:
            yield
        finally:
            del _HELD[key]


@contextmanager
def open_executor(workers: int, scheduler: str | None = None) -> Iterator[Executor]:
    """Give an executor: the one that is held, else a new one that is closed at the end.

    Parameters
    ----------
    workers
        Processes; 1 stays in this process. Ignored with a scheduler.
    scheduler
        Address of a Dask scheduler, such as ``tcp://10.0.0.5:8786``.

    Raises
    ------
    ChamberdriftError
        If the scheduler can't be reached, or the cluster extra is not installed.
    """
    held = _HELD.get((workers, scheduler))
    if held is None:
        with _new_executor(workers, scheduler) as executor:
            yield executor
        return
    if held.executor is None:
        held.executor = held.closing.enter_context(_new_executor(workers, scheduler))
    yield held.executor


@contextmanager
def _new_executor(workers: int, scheduler: str | None) -> Iterator[Executor]:
    if scheduler is not None:
        with _cluster(scheduler) as executor:
            yield executor
    elif workers <= 1:
        with SerialExecutor() as executor:
            yield executor
    else:
        with Lanes(workers) as executor:
            yield executor


def limit_threads() -> None:
    """Keep numerical libraries to one thread; called before they are loaded."""
    for name in THREAD_VARIABLES:
        os.environ[name] = "1"


def run_chunked(
    function: Callable[[Item], Result],
    items: Sequence[Item],
    *,
    workers: int = 1,
    scheduler: str | None = None,
    chunk: int = 8,
    cut_over: int = 16,
) -> Iterator[Result]:
    """Apply a function to each item and give the results in the order of the items.

    Parameters
    ----------
    function
        A function of a module (workers import it by name).
    items
        What to work on; small values such as paths and ids, since each travels.
    chunk
        Items a task.
    cut_over
        Fewer items than this run in this process, unless a scheduler is named.

    Raises
    ------
    ChamberdriftError
        If a worker process died, most often for lack of memory.
    """
    if scheduler is None and (workers <= 1 or len(items) < cut_over):
        yield from map(function, items)
        return
    chunks = [items[i : i + chunk] for i in range(0, len(items), chunk)]
    with open_executor(workers, scheduler) as executor:
        ahead = IN_FLIGHT_PER_WORKER * (workers if scheduler is None else _width(executor))
        waiting: deque[Future[list[Result]]] = deque()
        try:
            for part in chunks:
                waiting.append(executor.submit(_each, function, part))
                if len(waiting) >= ahead:
                    yield from waiting.popleft().result()
            while waiting:
                yield from waiting.popleft().result()
        except BrokenProcessPool:
            raise died(workers) from None
        finally:
            for future in waiting:
                future.cancel()


def died(workers: int) -> ChamberdriftError:
    """Return what to say where a worker process died."""
    return ChamberdriftError(
        "a worker process died, most often for lack of memory; nothing was published. "
        f"Run again with fewer workers than --workers {workers}."
    )


def _each(function: Callable[[Item], Result], part: Sequence[Item]) -> list[Result]:
    return [function(item) for item in part]


def _width(executor: Executor) -> int:
    return max(1, int(getattr(executor, "width", 1)))


@contextmanager
def _cluster(scheduler: str) -> Iterator[Executor]:
    try:
        distributed: Any = importlib.import_module("distributed")
    except ImportError:
        raise ChamberdriftError(
            "--scheduler needs the cluster extra, which is not installed; "
            "install it with: pip install distributed."
        ) from None
    try:
        client = distributed.Client(scheduler, timeout=CONNECT_TIMEOUT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise ChamberdriftError(
            f"the scheduler {scheduler} can't be reached ({reason}); start one with "
            "'dask scheduler', or run without --scheduler."
        ) from None
    try:
        if not client.scheduler_info().get("workers"):
            raise ChamberdriftError(
                f"the scheduler {scheduler} has no workers; start one with "
                f"'dask worker {scheduler}'."
            )
        executor = client.get_executor(pure=False, retries=3)
        executor.client = client
        executor.width = sum(w["nthreads"] for w in client.scheduler_info()["workers"].values())
        with executor:
            yield executor
    finally:
        client.close()
