"""Exports that were set aside: grouped by what they lack, retried once it is known."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from ..shared.config import Config
from ..shared.version import VERSION
from .ingest.reading import Facts
from .shown import shell_word

if TYPE_CHECKING:
    import pandas as pd

ANSWERS: Final[Mapping[str, str]] = {
    "zone": "--zone AREA/CITY",
    "day_month": "--day-first (or --month-first)",
    "clock_hours": "--clock-24h",
    "pressure_reference": "--pressure-reference absolute (or vented_gauge, sealed_gauge)",
    "temperature_unit": "--temperature-unit °C (or °F, K)",
    "pressure_unit": "--pressure-unit kPa (or another)",
    "altitude": "--altitude METRES",
}
"""Causes that one setting of the whole store can answer."""

NO_EXPORTS: Final = frozenset({"not_an_export"})
"""Causes by which a file is no export at all: set aside once, and never asked about."""
SHOWN_EXPORTS: Final = 3
FIRST: Final = frozenset({"unit_contradiction"})


@dataclass(frozen=True)
class RefusalGroup:
    """Exports refused for the same lack: one question, one command."""

    cause: str
    count: int
    question: str
    toml: str
    command: str
    """What answers it for all of them, where one setting can; else empty."""
    message: str
    """The first export's message, in full."""
    exports: tuple[str, ...]
    """The first few that its question is about, by name."""
    asked: int = 0
    """How many the question is about; the others lack the like in files of another layout."""


def group_refusals(refused: pd.DataFrame, store: str) -> tuple[RefusalGroup, ...]:
    """Group refused exports by what they lack.

    Those that seem to contradict what their unit's other exports say go first: they may be a
    failing unit's, or its logger's; then the largest group.

    Parameters
    ----------
    refused
        Rows of the ``refused`` table.
    store
        The store's address, for the command.
    """
    # A note or an empty record is accounted for, and nothing is open about it.
    refused = refused[~refused["cause"].isin(list(NO_EXPORTS))]
    groups = []
    # the same lack may be worded with other names in it; causes that no question
    # settles are told apart only by the cause
    for cause, rows in refused.groupby("cause", sort=True):
        rows = rows.sort_values(["export", "sha256"])
        answer = ANSWERS.get(str(cause), "")
        if not answer:  # question, setting and name must be of the same exports
            texts = rows["toml"].fillna("").astype(object)
            rows, every = rows[texts == texts.value_counts(sort=True).index[0]], len(rows)
        else:
            every = len(rows)
        first = rows.iloc[0]
        groups.append(
            RefusalGroup(
                cause=str(cause),
                count=every,
                question=first["question"] if isinstance(first["question"], str) else "",
                toml=first["toml"] if isinstance(first["toml"], str) else "",
                command=f"chamberdrift init {answer} --store {shell_word(store)}"
                if answer
                else "",
                message=str(first["message"]),
                exports=tuple(str(e) for e in rows["export"].head(SHOWN_EXPORTS)),
                asked=len(rows),
            )
        )
    return tuple(sorted(groups, key=lambda g: (g.cause not in FIRST, -g.count, g.cause)))


def reading_digest(config: Config, facts: Facts) -> str:
    """Return a digest of everything that may change how an export is read.

    An export in quarantine is tried again when this differs from the digest that
    it was refused with.
    """
    parts = (
        config.sites,
        config.units,
        config.earlier_sites,
        config.assignments,
        config.layouts,
        config.defaults,
        VERSION,
        sorted(facts.known.items()),
    )
    return hashlib.sha256(repr(parts).encode("utf-8", "surrogateescape")).hexdigest()[:16]
