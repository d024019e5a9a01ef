"""Processes that keep what they work on from one call to the next: a pool's, or a cluster's.

A pool's process keeps a thing in its memory; where the process dies, the run ends with a
message, as anywhere. On a cluster each call's outcome is a task that rests on the one before,
and stays at its worker: where that one is lost, the scheduler makes the thing again from what
it was made of, call after call.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any, Final

from ..models.crew import Held
from .executor import Lanes, died, open_executor, run_chunked

RETRIES: Final = 3
"""Times that a cluster tries a call again whose worker was lost."""

_KEPT: dict[str, Any] = {}
"""In a pool's process: what it keeps, by name."""
_NUMBER = itertools.count()


@dataclass(frozen=True)
class Processes:
    """A crew of a pool's or a cluster's processes."""

    workers: int
    scheduler: str | None
    parts: int

    def hold(self, function: Callable[[Any], Any], items: Sequence[Any]) -> Held:
        """Make ``function(item)`` of each item in a process of its own, and keep it there."""
        closing = ExitStack()
        executor = closing.enter_context(open_executor(self.workers, self.scheduler))
        if isinstance(executor, Lanes):
            return _InPool(executor, closing, function, items)
        return _OnCluster(executor, closing, function, items)

    def map(self, function: Callable[[Any], Any], items: Sequence[Any]) -> Iterable[Any]:
        """Call ``function(item)`` of each item, in any process."""
        return run_chunked(
            function, items, workers=self.workers, scheduler=self.scheduler, chunk=1, cut_over=2
        )


class _InPool:
    """Things in the memories of a pool's processes."""

    def __init__(
        self,
        pool: Lanes,
        closing: ExitStack,
        function: Callable[[Any], Any],
        items: Sequence[Any],
    ) -> None:
        self.pool, self.closing = pool, closing
        self.names = [f"{os.getpid()}/{next(_NUMBER)}" for _ in items]
        self._all(_make, [(name, function, i) for name, i in zip(self.names, items, strict=True)])

    def each(self, function: Callable[[Any, Any], Any], asked: Sequence[Any]) -> list[Any]:
        """Call where the things are."""
        return self._all(_use, [(n, function, a) for n, a in zip(self.names, asked, strict=True)])

    def close(self) -> None:
        """Let go of the things."""
        try:
            self._all(_drop, [(name,) for name in self.names])
        finally:
            self.closing.close()

    def _all(self, call: Callable[..., Any], arguments: Sequence[tuple[Any, ...]]) -> list[Any]:
        lanes = self.pool.lanes
        try:
            calls = [lanes[i % len(lanes)].submit(call, *a) for i, a in enumerate(arguments)]
            return [c.result() for c in calls]
        except BrokenProcessPool:
            raise died(len(lanes)) from None


def _make(name: str, function: Callable[[Any], Any], item: Any) -> None:
    _KEPT[name] = function(item)


def _use(name: str, function: Callable[[Any, Any], Any], asked: Any) -> Any:
    return function(_KEPT[name], asked)


def _drop(name: str) -> None:
    _KEPT.pop(name, None)


class _OnCluster:
    """Things that are outcomes of a cluster's tasks."""

    def __init__(
        self,
        executor: Executor,
        closing: ExitStack,
        function: Callable[[Any], Any],
        items: Sequence[Any],
    ) -> None:
        self.client: Any = executor.client  # type: ignore[attr-defined]
        self.closing = closing
        self.last = [self._submit(_first, function, item) for item in items]

    def each(self, function: Callable[[Any, Any], Any], asked: Sequence[Any]) -> list[Any]:
        """Call where the things are."""
        self.last = [
            self._submit(_next, before, function, a)
            for before, a in zip(self.last, asked, strict=True)
        ]
        found: list[Any] = self.client.gather([self._submit(_told, one) for one in self.last])
        return found

    def close(self) -> None:
        """Let go of the things."""
        self.last = []
        self.closing.close()

    def _submit(self, call: Callable[..., Any], *arguments: Any) -> Any:
        return self.client.submit(call, *arguments, pure=False, retries=RETRIES)


def _first(function: Callable[[Any], Any], item: Any) -> tuple[Any, Any]:
    return function(item), None


def _next(
    before: tuple[Any, Any], function: Callable[[Any, Any], Any], asked: Any
) -> tuple[Any, Any]:
    return before[0], function(before[0], asked)


def _told(outcome: tuple[Any, Any]) -> Any:
    return outcome[1]
