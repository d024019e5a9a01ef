"""The run's log: JSON lines in a file, plain lines on stderr when asked for.

The standard library's loggers below ``chamberdrift`` are used, so that any
module may write to it. Credentials in addresses are taken out before a line is
written.
"""

from __future__ import annotations

import json
import logging
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from ..shared.errors import reason_of
from .shown import visible

ROOT = "chamberdrift"

_IN_ADDRESS = re.compile(r"([a-z][a-z0-9+.-]*://)[^/@\s]+@", re.IGNORECASE)
_NAMED = re.compile(
    r"((?:access_key|secret_key|secret|session_token|token|password)[\w-]*=)[^&\s'\"]+",
    re.IGNORECASE,
)


def redact(text: str) -> str:
    """Return the text without user names, keys and passwords in addresses."""
    return _NAMED.sub(r"\1***", _IN_ADDRESS.sub(r"\1***@", text))


def log_event(
    event: str, message: str, *, level: int = logging.INFO, shown: bool = False, **fields: Any
) -> None:
    """Write one entry to the run's log.

    Parameters
    ----------
    event
        Short name by which entries are found, such as ``"ingest"``.
    message
        One sentence.
    shown
        True where the user has read it on stderr already.
    fields
        Further values of the JSON line; what JSON can't hold becomes text.
    """
    extra = {"event": event, "fields": fields, "shown": shown}
    logging.getLogger(ROOT).log(level, "%s", message, extra=extra)


class JsonLines(logging.Formatter):
    """One JSON object a line: time, level, event, message, further fields."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        moment = datetime.fromtimestamp(record.created, UTC)
        entry: dict[str, Any] = {
            "time": moment.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "event": getattr(record, "event", record.name),
            "message": record.getMessage(),
        }
        entry.update(getattr(record, "fields", {}))
        return redact(json.dumps(entry, ensure_ascii=False, default=str))


class PlainLines(logging.Formatter):
    """The message alone, for people."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line."""
        return visible(redact(f"{record.levelname.lower()}: {record.getMessage()}"))


class LogFile(logging.FileHandler):
    """A log file; trouble with it is said once on stderr, and never ends the run."""

    def __init__(self, path: str) -> None:
        super().__init__(path, encoding="utf-8", errors="backslashreplace")
        self.troubled = False

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - logging's name
        """Say once that a line could not be written."""
        self._trouble(sys.exc_info()[1])

    def close(self) -> None:
        """Close the file, though its last lines may be lost."""
        try:
            super().close()
        except OSError as error:
            self._trouble(error)

    def _trouble(self, error: BaseException | None) -> None:
        if self.troubled:
            return
        self.troubled = True
        why = reason_of(error) if isinstance(error, OSError) else str(error)
        print(f"warning: the log {self.baseFilename} can't be written: {why}", file=sys.stderr)


@contextmanager
def run_log(path: str | None = None, *, verbose: bool = False) -> Iterator[None]:
    """Send the run's log to a file (JSON lines, appended) and, when verbose, to stderr.

    Raises
    ------
    OSError
        If the file can't be written.
    """
    logger = logging.getLogger(ROOT)
    handlers: list[logging.Handler] = []
    if path:
        file = LogFile(path)
        file.setFormatter(JsonLines())
        handlers.append(file)
    stream = logging.StreamHandler(sys.stderr)
    stream.setFormatter(PlainLines())
    stream.addFilter(lambda record: not getattr(record, "shown", False))
    stream.setLevel(logging.INFO if verbose else logging.WARNING)
    handlers.append(stream)
    before = logger.level, logger.propagate
    logger.setLevel(logging.INFO)
    logger.propagate = False
    for handler in handlers:
        logger.addHandler(handler)
    try:
        yield
    finally:
        for handler in handlers:
            logger.removeHandler(handler)
            handler.close()
        logger.setLevel(before[0])
        logger.propagate = before[1]
