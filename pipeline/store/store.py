"""A store: a folder or a bucket that holds all of a fleet's data."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from ...shared.errors import StoreError, reason_of
from . import log
from .entries import Commit
from .keys import commit_path
from .location import LocalLocation, Location, open_location
from .lock import Lock, acquire
from .snapshot import Snapshot
from .txn import Txn

NO_ROOM = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES})
"""Failures of writing that the user can do something about."""


class Store:
    """Reads and writes one store. Made by ``Store.open``."""

    def __init__(self, place: Location) -> None:
        self.place = place
        self._lock: Lock | None = None
        self._begun: list[Txn] = []

    @classmethod
    def open(cls, location: str | os.PathLike[str], *, create: bool = False) -> Store:
        """Open a store.

        Parameters
        ----------
        location
            A folder, or an address that pyarrow or fsspec knows, such as ``s3://bucket/path``.
        create
            Make an empty store where there is none.

        Raises
        ------
        StoreError
            If there is no store and ``create`` is false, or it can't be made.
        """
        place = open_location(location)
        store = cls(place)
        try:
            log.newest(place)
        except StoreError:
            if not create or place.names("commits"):
                raise
            store._make()
        except OSError as error:
            raise StoreError(
                f"the store {place.text} can't be read: {reason_of(error)}. Name the folder of a "
                "store, and see that this user may read it."
            ) from error
        return store

    @staticmethod
    def present(location: str | os.PathLike[str]) -> bool:
        """Tell whether a store is at a location."""
        try:
            log.newest(open_location(location))
        except (StoreError, OSError):  # what can't be read is told where it is opened
            return False
        return True

    def _make(self) -> None:
        first = Commit(1, 0, datetime.now(UTC).isoformat(timespec="milliseconds"), "store made", 0)
        try:
            self.place.create(commit_path(1), log.dump_commit(first))
        except FileExistsError:
            pass  # another run made it at the same time
        except OSError as error:
            raise StoreError(
                f"no store can be made at {self.place.text}: {reason_of(error)}"
            ) from error

    @property
    def location(self) -> str:
        """The store's address."""
        return self.place.text

    @property
    def single_writer(self) -> bool:
        """True where the place can't create a file exclusively: then only one machine at a
        time may write, which nothing but the user can see to."""
        return not self.place.exclusive

    @contextmanager
    def lock(self) -> Iterator[Lock]:
        """Hold the store's lock; needed for ``begin``.

        Raises
        ------
        StoreBusyError
            If another run holds it.
        """
        if self._lock is not None:
            yield self._lock
            return
        lock = acquire(self.place)
        self._lock = lock
        try:
            if lock.taken_over:
                self._fence(lock)
            yield lock
        except OSError as error:
            if error.errno not in NO_ROOM or not self._inside(error.filename):
                raise
            commits = [txn.published for txn in self._begun if txn.published]
            said = (
                f"commit {commits[-1]} stands" if commits else "nothing of this run was published"
            )
            raise StoreError(
                f"the store {self.place.text} can't be written ({reason_of(error)}); {said}: "
                "make room or check permissions, then run it again"
            ) from error
        finally:
            begun, self._begun, self._lock = self._begun, [], None
            try:
                for txn in begun:
                    txn.abort()
            finally:
                lock.release()

    def _inside(self, path: object) -> bool:
        """Tell whether a file that an error names may lie in the store; unnamed ones may."""
        if not isinstance(path, (str, os.PathLike)) or not isinstance(self.place, LocalLocation):
            return True
        return os.path.abspath(path).startswith(os.path.join(self.place.text, ""))

    def _fence(self, lock: Lock) -> None:
        """Take the number of the commit that the former holder would write."""
        note = f"lock taken over from {lock.taken_over}"
        Txn(self.place, lock, self.snapshot()).commit(note)

    def snapshot(self, commit: int | None = None) -> Snapshot:
        """Return the store as it is now, or as it was at a commit."""
        return Snapshot(self.place, log.load(self.place, commit))

    def begin(self, snapshot: Snapshot | None = None) -> Txn:
        """Begin a transaction on the newest snapshot; the lock must be held.

        Raises
        ------
        StoreError
            If the lock is not held.
        """
        if self._lock is None:
            raise StoreError("take the store's lock before a transaction: with store.lock(): …")
        txn = Txn(self.place, self._lock, snapshot or self.snapshot())
        self._begun.append(txn)
        return txn

    # files beside the log

    def write_report(self, date: str, name: str, data: bytes) -> str:
        """Write a report under ``reports/<date>/``; return its path below the store."""
        path = f"reports/{date}/{name}"
        self.place.write(path, data)
        return path
