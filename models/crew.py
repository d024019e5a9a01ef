"""Who judges: this process, or several that each keep some units from month to month.

Units meet only in what a month's references are fitted from and in what a site shares. So
each process keeps its units for a whole run, cycles and states and all, and what travels
between is small.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Protocol


class Held(Protocol):
    """Things that are kept where they were made."""

    def each(self, function: Callable[[Any, Any], Any], asked: Sequence[Any]) -> list[Any]:
        """Call ``function(thing, one of asked)`` where each thing is; it may change the thing.

        Returns what the calls return, in the order of the things.
        """

    def close(self) -> None:
        """Let go of the things."""


class Crew(Protocol):
    """Where work is done."""

    @property
    def parts(self) -> int:
        """How many things should be kept."""

    def hold(self, function: Callable[[Any], Any], items: Sequence[Any]) -> Held:
        """Make ``function(item)`` of each item and keep it."""

    def map(self, function: Callable[[Any], Any], items: Sequence[Any]) -> Iterable[Any]:
        """Call ``function(item)`` of each item, in any place, with results in order."""


class HeldHere:
    """Things in this process."""

    def __init__(self, things: list[Any]) -> None:
        self.things = things

    def each(self, function: Callable[[Any, Any], Any], asked: Sequence[Any]) -> list[Any]:
        """Call one after the other."""
        return [function(t, a) for t, a in zip(self.things, asked, strict=True)]

    def close(self) -> None:
        """Let go of the things."""
        self.things = []


class Alone:
    """Everything in this process."""

    parts = 1

    def hold(self, function: Callable[[Any], Any], items: Sequence[Any]) -> Held:
        """Make things here."""
        return HeldHere([function(item) for item in items])

    def map(self, function: Callable[[Any], Any], items: Sequence[Any]) -> Iterable[Any]:
        """Call one after the other."""
        return map(function, items)
