"""Immutable files and a commit log.

``commits/<n>.json``
    What commit ``n`` added and withdrew, created only if absent; one line a file.
    ``commits/newest`` is a hint. ``commits/checkpoints`` and ``commits/lists`` hold
    the live files as of a commit, split by month and part of the fleet.
``traces/unit=<key>/month=<YYYY-MM>/<hash>.parquet``
    One unit's samples of a stretch of time. Files of a unit never overlap in time.
    The footer tells what decides between the exports that are in it.
``cycles``, ``judgements``, ``flags``, ``journal``, ``residuals``, ``service``, ``intake``
    Layers of a table, ``<order>-<level>-<hash>.parquet``: rows of many units, and in the
    footer the cuts that hide older rows of a unit. Read them through ``Snapshot.table``.
``states``, ``seen``, ``refused``
    The same for small documents, for what is known of the inbox, and for what is in
    ``quarantine/<sha256>/``.
``lock/<number>.json``
    The holder of the store; the highest number counts.

A file that no commit names means nothing: it is left by a run that was killed, or was
replaced less than an hour ago.
"""

from .precedence import Export
from .snapshot import Snapshot, TraceTask
from .store import Store
from .txn import Txn

__all__ = ["Export", "Snapshot", "Store", "TraceTask", "Txn"]
