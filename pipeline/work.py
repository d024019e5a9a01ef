"""What the stages of one locked run share."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from .run_log import log_event

if TYPE_CHECKING:
    import pandas as pd

    from ..shared.config import Config
    from .store import Snapshot, Store, Txn

CLUSTER_PARTS: Final = 16
"""Tasks that judging is split into on a cluster (no source; its width may change)."""

Progress = Callable[[str, int, int], None]
"""Called with the stage, the number done and the number in all."""


@dataclass
class Work:
    """One run: what it works on, and what it has to tell."""

    store: Store
    config: Config
    snapshot: Snapshot
    txn: Txn
    as_of: pd.Timestamp
    recorded_at: pd.Timestamp
    workers: int = 1
    scheduler: str | None = None
    progress: Progress | None = None
    explained: list[tuple[str, str, str]] = field(default_factory=list)
    """Stage, item, why it ran."""
    failures: list[str] = field(default_factory=list)
    """One sentence for each item that failed alone."""
    warnings: list[str] = field(default_factory=list)
    rejudge: dict[str, int] = field(default_factory=dict)
    """Units whose cycles changed in this run: the earliest end among these [ms]."""
    seconds: dict[str, float] = field(default_factory=dict)
    changed: bool = False
    """Something is to be published."""

    @property
    def parts(self) -> int:
        """Into how many tasks work over units is split."""
        return self.workers if self.scheduler is None else max(CLUSTER_PARTS, self.workers)

    def explain(self, stage: str, item: str, why: str) -> None:
        """Note why an item runs."""
        self.explained.append((stage, item, why))

    def report(self, stage: str, done: int, total: int) -> None:
        """Tell how far a stage is."""
        if self.progress is not None:
            self.progress(stage, done, total)

    def fail(self, stage: str, item: str, error: str) -> None:
        """Note an item that failed; the others go on."""
        error = " ".join(error.split())
        self.failures.append(f"{stage} of {item}: {error}")
        log_event("failure", f"{stage} of {item} failed: {error}", stage=stage, item=item)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Measure a stage and log its end."""
        begun = time.perf_counter()
        yield
        self.seconds[name] = round(time.perf_counter() - begun, 3)
        log_event(name, f"{name} took {self.seconds[name]} s", seconds=self.seconds[name])
