"""Kill a process at a chosen step on the disk."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path
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


def kill_each(
    folder: Path,
    base: Path,
    total: int,
    seed: int,
    count: int,
    night: Callable[[Path], object],
    judge: Callable[[Path], tuple[str, list[str]]],
) -> dict[str, Any]:
    """Kill nights on copies of a store at chosen steps; return what was left each time.

    ``judge`` runs in a process of its own: it sees the store before, after or between two
    nights ("mixed"), runs the next night, and names what is wrong then.
    """
    rng = random.Random(seed)
    points = [rng.randint(1, total) for _ in range(count)]
    if count >= total:
        points[:total] = range(1, total + 1)
    outcome: dict[str, Any] = {"steps": total, "killed": 0, "before": 0, "after": 0, "wrong": []}
    result, root = folder / "result.json", folder / "run"
    for point in points:
        shutil.rmtree(root, ignore_errors=True)
        shutil.copytree(base, root, copy_function=shutil.copy2)

        def killed_night(point: int = point) -> None:
            Steps(point).install()
            night(root)

        outcome["killed"] += in_child(killed_night) == -signal.SIGKILL
        if in_child(lambda: result.write_text(json.dumps(judge(root)))):
            outcome["wrong"].append([point, "the next run failed"])
            continue
        state, problems = json.loads(result.read_text())
        outcome[state] = outcome.get(state, 0) + 1
        if problems or state == "mixed":
            outcome["wrong"].append([point, state, problems])
    return outcome
