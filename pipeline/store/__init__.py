"""Immutable files and a commit log."""

from .precedence import Export
from .snapshot import Snapshot, TraceTask
from .store import Store
from .txn import Txn

__all__ = ["Export", "Snapshot", "Store", "TraceTask", "Txn"]
