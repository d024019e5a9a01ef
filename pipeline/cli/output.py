"""Print results on stdout, progress on stderr."""

from __future__ import annotations

import json
import math
import os
import shutil
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, is_dataclass
from datetime import date, datetime
from typing import Any

import click

from ..shown import visible
from ..work import Progress
from .options import Run


def emit(run: Run, data: Any, text: str) -> None:
    """Print a result: as JSON when asked for, else its text, which steers no terminal."""
    click.echo(to_json(data) if run.as_json else visible(text))


def to_json(data: Any) -> str:
    """Write plain values, dataclasses, times and numbers that are not finite (null) as JSON."""
    return json.dumps(plain(data), ensure_ascii=False, indent=2, allow_nan=False)


def plain(value: Any) -> Any:
    """Return the value in the types that JSON has."""
    if is_dataclass(value) and not isinstance(value, type):
        value = asdict(value)
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [
            plain(v) for v in (sorted(value) if isinstance(value, (set, frozenset)) else value)
        ]
    if value is None or isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, (datetime, date)):
        text = value.isoformat()
        return None if text == "NaT" else text.replace("+00:00", "Z")
    if hasattr(value, "item"):
        return plain(value.item())
    return None if str(value) in ("NaT", "<NA>") else str(value)


def explain(run: Run, reasons: Iterable[tuple[str, str, str]]) -> None:
    """Print why each item ran, when asked for: stage, item, reason."""
    if run.explain:
        for stage, item, why in reasons:
            click.echo(visible(f"{stage}: {item}: {why}"), err=True)


def width() -> int:
    """Return the width to wrap text to: the terminal's, or 80 when there is none."""
    return min(120, shutil.get_terminal_size((80, 24)).columns)


def called_as() -> str:
    """Return how to call the program in this terminal: by its path where its name alone fails."""
    path = sys.argv[0]
    if os.path.basename(path).startswith("chamberdrift") and shutil.which("chamberdrift") is None:
        return path
    return "chamberdrift"


@contextmanager
def progress_bar() -> Iterator[Progress | None]:
    """Give a progress callback that draws on stderr, or None where that is no terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    line = _Line()
    try:
        yield line.update
    finally:
        line.clear()


class _Line:
    """One line that is written over; plain ASCII, so that any terminal shows it."""

    def __init__(self) -> None:
        self.shown = ""
        self.colour = "NO_COLOR" not in os.environ and os.environ.get("TERM") != "dumb"

    def update(self, stage: str, done: int, total: int) -> None:
        share = min(1.0, done / total) if total else 0.0
        filled = round(24 * share)
        bar = "#" * filled + "." * (24 - filled)
        text = f"{stage:<10} [{bar}] {done} of {total}"[: max(20, width() - 1)]
        if text != self.shown:
            shown = click.style(text, dim=True) if self.colour else text
            click.echo("\r" + " " * len(self.shown) + "\r" + shown, err=True, nl=False)
            self.shown = text

    def clear(self) -> None:
        if self.shown:
            click.echo("\r" + " " * len(self.shown) + "\r", err=True, nl=False)
