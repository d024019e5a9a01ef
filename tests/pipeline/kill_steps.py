"""Kill a process at a chosen step on the disk."""

from __future__ import annotations

import os
import signal
import sys
from typing import Any

from chamberdrift.pipeline.store.location import LocalLocation


class Steps:
    """Counts steps on the disk; kills the process at one of them."""

    def __init__(self, last: int) -> None:
        self.last = last
        self.done = 0

    def step(self) -> bool:
        self.done += 1
        return self.done == self.last

    def install(self) -> None:
        for name in ("replace", "link", "unlink", "fsync", "makedirs"):
            self.wrap(name)
        write_whole = LocalLocation.write

        def write(place: LocalLocation, path: str, data: Any) -> None:
            if self.step():
                torn = place.full(path) + ".torn.tmp"
                os.makedirs(os.path.dirname(torn), exist_ok=True)
                with open(torn, "wb") as file:
                    file.write(memoryview(data)[: max(1, len(memoryview(data)) // 2)])
                os.rename(torn, os.path.join(os.path.dirname(torn), ".torn.tmp"))
                os.kill(os.getpid(), signal.SIGKILL)
            write_whole(place, path, data)

        setattr(LocalLocation, "write", write)  # noqa: B010

    def wrap(self, name: str) -> None:
        original = getattr(os, name)

        def counted(*args: Any, **kwargs: Any) -> Any:
            if self.step():
                os.kill(os.getpid(), signal.SIGKILL)
            return original(*args, **kwargs)

        setattr(os, name, counted)


def in_child(work: Any) -> int:
    """Run something in a forked process; return its exit status (negative: the signal)."""
    child = os.fork()
    if child == 0:
        try:
            work()
        except BaseException as error:
            print(repr(error), file=sys.stderr)
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
