"""What accepted exports settled for others of their unit and layout.

Every value that was ever told is kept, so that the outcome does not depend on
the order of arrival: a fact holds while all exports agree on it.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import TYPE_CHECKING, Any, Final

from .ingest.reading import Facts, Known

if TYPE_CHECKING:
    from .intake_task import Outcome
    from .store import Snapshot, Txn

BUCKETS: Final = 16
"""Documents that the fleet's facts are spread over, so that a night writes few of them."""

Told = dict[str, dict[str, dict[str, list[Any]]]]
"""Unit, layout, name of the fact: values told, sorted."""


@dataclass
class FactLedger:
    """Everything that exports told."""

    told: Told = field(default_factory=dict)
    _changed: set[str] = field(default_factory=set)

    @classmethod
    def load(cls, snapshot: Snapshot) -> FactLedger:
        """Read what is known."""
        told: Told = {}
        for document in snapshot.states([f"facts-{i:02d}" for i in range(BUCKETS)]).values():
            told.update(document)
        return cls(told)

    def facts(self) -> Facts:
        """Return the facts that all exports agree on."""
        known = {}
        for unit, layouts in self.told.items():
            for layout, values in layouts.items():
                agreed = {n: v[0] for n, v in values.items() if len(v) == 1}
                if agreed:
                    known[(unit, layout)] = Known(**agreed)
        return Facts(known)

    def learn(self, outcomes: Sequence[Outcome]) -> bool:
        """Take over what accepted exports told; return whether anything is new."""
        new = False
        for outcome in outcomes:
            if outcome.kind != "accepted":
                continue
            for unit, known in outcome.learned.items():
                for name, value in asdict(known).items():
                    if value is None:
                        continue
                    layouts = self.told.setdefault(unit, {})
                    values = layouts.setdefault(outcome.layout_key, {}).setdefault(name, [])
                    if value not in values:
                        values.append(value)
                        values.sort()
                        self._changed.add(_bucket(unit))
                        new = True
        return new

    def write(self, txn: Txn) -> None:
        """Put what changed into the transaction."""
        if not self._changed:
            return
        names = {f.name for f in fields(Known)}
        documents: dict[str, dict[str, Any]] = {b: {} for b in sorted(self._changed)}
        for unit, layouts in self.told.items():
            if (bucket := _bucket(unit)) in documents:
                documents[bucket][unit] = {
                    k: {n: v for n, v in values.items() if n in names}
                    for k, values in layouts.items()
                }
        txn.put_states(documents)


def facts_keys(units: Iterable[str]) -> list[str]:
    """Return the documents that hold the facts of some units."""
    return sorted({_bucket(u) for u in units})


def _bucket(unit: str) -> str:
    return f"facts-{zlib.crc32(unit.encode('utf-8')) % BUCKETS:02d}"
