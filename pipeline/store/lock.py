"""One writer at a time, with a number that fences off a holder that comes back late.

``lock/<number>.json`` is created only if absent; the highest number holds the
store. Whoever takes over a stale lock first publishes an empty commit, so that
the commit which the former holder would write exists already.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from ...shared.errors import LockLostError, StoreBusyError, StoreError, reason_of
from .location import Location

BEAT_S = 30.0
"""Seconds between signs of life (no source)."""
STALE_S = 600.0
"""Without a sign of life for so long, a holder elsewhere is taken for dead (no source)."""
HUNG_S = 3600.0
"""The same for a process that still runs on this machine, such as after a suspend."""


@dataclass
class Lock:
    """The lock that this process holds."""

    place: Location
    number: int
    taken_over: str = ""
    """Who held the stale lock that was taken over, else empty."""
    _stop: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    def held(self) -> bool:
        """Tell whether this is still the highest lock."""
        numbers = _numbers(self.place)
        return bool(numbers) and numbers[-1] == self.number and _mine(self.place, self.number)

    def check(self) -> None:
        """Raise LockLostError unless this is still the highest lock."""
        if not self.held():
            raise LockLostError(
                f"another run took over the lock of {self.place.text}: "
                "nothing of this run was published; run it again"
            )

    def start(self) -> None:
        """Start giving signs of life."""
        self._thread = threading.Thread(target=self._beat, name="lock", daemon=True)
        self._thread.start()

    def _beat(self) -> None:
        while not self._stop.wait(BEAT_S):
            with contextlib.suppress(OSError):
                if _mine(self.place, self.number):
                    self.place.write(_path(self.number), _body(released=False))

    def release(self) -> None:
        """Give the lock back; the number stays, so that numbers only grow."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        with contextlib.suppress(OSError):
            if _mine(self.place, self.number):
                self.place.write(_path(self.number), _body(released=True))
            for number in _numbers(self.place):
                if number < self.number:
                    self.place.delete(_path(number))


def acquire(place: Location) -> Lock:
    """Take the store's lock.

    Raises
    ------
    StoreBusyError
        If another run holds it; the message names it.
    StoreError
        If the store can't be written.
    """
    numbers = _numbers(place)
    last = numbers[-1] if numbers else 0
    holder = _read(place, last) if last else None
    taken_over = ""
    if holder is not None and not holder.get("released"):
        if not _stale(holder):
            raise StoreBusyError(_busy(place, holder))
        taken_over = _name(holder)
    elif last and holder is None:
        taken_over = "a run that was killed while it took the lock"
    try:
        place.create(_path(last + 1), _body(released=False))
    except FileExistsError:
        raise StoreBusyError(_busy(place, _read(place, last + 1) or {})) from None
    except OSError as error:
        raise StoreError(
            f"the store {place.text} can't be written ({reason_of(error)}): "
            "check its permissions and the space left"
        ) from error
    lock = Lock(place, last + 1, taken_over)
    lock.start()
    return lock


def _path(number: int) -> str:
    return f"lock/{number:010d}.json"


def _numbers(place: Location) -> list[int]:
    return sorted(int(n[:-5]) for n in place.names("lock") if n[:-5].isdigit())


def _read(place: Location, number: int) -> dict[str, Any] | None:
    try:
        data = json.loads(place.read(_path(number)))
    except (FileNotFoundError, ValueError):
        return None
    return data if isinstance(data, dict) else None


def _mine(place: Location, number: int) -> bool:
    holder = _read(place, number)
    return (
        holder is not None
        and holder.get("where") == _where()
        and holder.get("process") == os.getpid()
        and holder.get("process_started") == _process_started(os.getpid())
    )


def _body(*, released: bool) -> bytes:
    return json.dumps(
        {
            "host": socket.gethostname(),
            "where": _where(),
            "process": os.getpid(),
            "process_started": _process_started(os.getpid()),
            "seen_at": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "released": released,
        }
    ).encode("utf-8")


def _where() -> str:
    """Return what tells apart machines, their boots and their process tables."""
    parts = [socket.gethostname()]
    with contextlib.suppress(OSError), open("/proc/sys/kernel/random/boot_id") as file:
        parts.append(file.read().strip())
    with contextlib.suppress(OSError):
        parts.append(os.readlink("/proc/self/ns/pid"))
    return " ".join(parts)


def _process_started(process: int) -> str:
    """Return when a process began, in ticks since boot, or nothing where it isn't told."""
    try:
        with open(f"/proc/{process}/stat", encoding="utf-8", errors="replace") as file:
            return file.read().rpartition(")")[2].split()[19]
    except (OSError, IndexError):
        return ""


def _alive(process: int, started: str) -> bool:
    if os.name == "nt":  # there, a signal of 0 would end the process
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        pass
    now = _process_started(process)
    return not (started and now and started != now)


def _age_s(holder: dict[str, Any]) -> float:
    try:
        seen = datetime.fromisoformat(str(holder["seen_at"])).timestamp()
    except (KeyError, ValueError):
        return float("inf")
    return time.time() - seen


def _stale(holder: dict[str, Any]) -> bool:
    if holder.get("where") == _where() and isinstance(holder.get("process"), int):
        if not _alive(holder["process"], str(holder.get("process_started", ""))):
            return True
        return _age_s(holder) > HUNG_S
    return _age_s(holder) > STALE_S


def _name(holder: dict[str, Any]) -> str:
    return (
        f"process {holder.get('process', '?')} on {holder.get('host', '?')}, "
        f"last seen {holder.get('seen_at', '?')}"
    )


def _busy(place: Location, holder: dict[str, Any]) -> str:
    return (
        f"another run holds the lock of {place.text}: {_name(holder)}. "
        "Wait for it to end; a run that died is recognised by itself"
    )
