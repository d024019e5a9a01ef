"""No call that only some systems have, unless the code asks first or catches its lack."""

from __future__ import annotations

import ast
import errno
import os
from pathlib import Path

import pytest
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.store.location import LocalLocation

ROOT = Path(__file__).parent.parent
LAYERS = ("pipeline", "reports", "models", "features", "shared", "fixtures")
MODULES = {"fcntl", "pwd", "grp", "resource", "termios", "tty", "msvcrt", "winreg", "posix"}
CALLS = {
    "getuid", "geteuid", "getgid", "fork", "forkpty", "kill", "killpg", "setsid", "getpgid",
    "mkfifo", "uname", "getloadavg", "chown", "fchmod", "sched_getaffinity", "statvfs",
}  # fmt: skip
GUARDED = {"pipeline/store/lock.py": {"kill"}, "pipeline/intake_spool.py": {"fcntl"}}
"""Where the code asks for the system first, or does without."""


def test_no_module_or_call_of_one_system_only() -> None:
    found = []
    for layer in LAYERS:
        for path in (ROOT / layer).rglob("*.py"):
            name = path.relative_to(ROOT).as_posix()
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Import):
                    unguarded = MODULES - GUARDED.get(name, set())
                    found += [(name, a.name) for a in node.names if a.name in unguarded]
                if isinstance(node, ast.ImportFrom) and node.module in MODULES:
                    found.append((name, str(node.module)))
                if (
                    isinstance(node, ast.Attribute)
                    and isinstance(node.value, ast.Name)
                    and node.value.id in ("os", "signal")
                    and (node.attr in CALLS or node.attr.startswith("SIG"))
                    and node.attr not in GUARDED.get(name, ())
                ):
                    found.append((name, node.attr))
    assert found == []


def test_text_files_are_opened_with_an_encoding() -> None:
    """Else Windows reads and writes them in the encoding of its region."""
    found = []
    for layer in LAYERS:
        for path in (ROOT / layer).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if not isinstance(node, ast.Call):
                    continue
                called = getattr(node.func, "id", getattr(node.func, "attr", ""))
                named = {k.arg for k in node.keywords}
                if called in ("read_text", "write_text") and "encoding" not in named:
                    found.append(f"{path.name}:{node.lineno}")
                if called == "open" and isinstance(node.func, ast.Name):
                    mode = [a.value for a in node.args[1:2] if isinstance(a, ast.Constant)]
                    if "encoding" not in named and not (mode and "b" in str(mode[0])):
                        found.append(f"{path.name}:{node.lineno}")
    assert [f for f in found if not f.startswith("lock.py")] == []  # /proc is Linux's


def test_a_filesystem_without_hard_links_takes_a_store(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_link(*_: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", no_link)
    store = Store.open(str(tmp_path / "s"), create=True)
    with store.lock():
        txn = store.begin(store.snapshot())
        txn.put_state("x", {"a": 1})
        txn.commit("one")
    assert Store.open(str(tmp_path / "s")).snapshot().state("x") == {"a": 1}
    with pytest.raises(FileExistsError):
        LocalLocation(str(tmp_path / "s")).create("commits/0000000001.json", b"{}")


def test_windows_ways_with_files_are_met(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """There, a file can be synced only if it may be written, and not removed while open."""
    place = LocalLocation(str(tmp_path))
    place.write("a", b"1")
    opened: list[int] = []
    real = os.open

    def watched(path: str, flags: int, *rest: int) -> int:
        opened.append(flags)
        return real(path, flags, *rest)

    def in_use(_: object) -> None:
        raise PermissionError(errno.EACCES, "in use")

    with monkeypatch.context() as patch:
        patch.setattr(os, "open", watched)
        patch.setattr(os, "unlink", in_use)
        with pytest.raises(PermissionError):
            place.delete("a")
        patch.setattr(os, "name", "nt")
        place._sync_file(place.full("a"))
        place.delete("a")
    assert opened == [os.O_RDWR]
    assert place.exists("a")
