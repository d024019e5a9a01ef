"""One exception tree: everything that a user should read as a message.

The command line prints ``str(error)`` as one line and uses ``exit_code``. A
message says what was found, where, and what to do next.
"""

from __future__ import annotations

import os


class ChamberdriftError(Exception):
    """Root of all errors that are meant for the user."""

    exit_code = 1


def reason_of(error: OSError) -> str:
    """Return why the system refused, in its own words: ``Permission denied``."""
    return os.strerror(error.errno) if error.errno else error.strerror or type(error).__name__


class ConfigError(ChamberdriftError):
    """The configuration file holds a mistake; the message names file and line."""


class SchemaError(ChamberdriftError):
    """A table does not match its schema; all violations are named at once."""


class StoreError(ChamberdriftError):
    """The store can't be read or written as asked."""


class StoreBusyError(StoreError):
    """Another run holds the store's lock."""

    exit_code = 5


class LockLostError(StoreError):
    """The lock was taken over by another run; nothing was published."""

    exit_code = 5


class ExportRefusedError(ChamberdriftError):
    """An export can't be read safely.

    Parameters
    ----------
    cause
        Short machine-readable cause, equal for exports refused for the same
        lack, such as ``"zone"``, ``"pressure_reference"``, ``"day_month"``.
    message
        One sentence: file, line, what was found, and the remedy.
    question
        The question that a person can answer, where one would settle it.
    toml
        The configuration line that answers the question, else empty.
    """

    def __init__(self, cause: str, message: str, *, question: str = "", toml: str = "") -> None:
        super().__init__(message)
        self.evidence: tuple[tuple[str, str, str], ...] = ()
        """What was decided before the refusal: decision, value, why."""
        self.cause = cause
        self.message = message
        self.question = question
        self.toml = toml
