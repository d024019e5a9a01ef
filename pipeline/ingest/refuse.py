"""One way to refuse an export: what was found, where, and what answers it."""

from __future__ import annotations

import glob
import re

from ...shared.errors import ExportRefusedError


def refusal(
    cause: str,
    name: str,
    found: str,
    remedy: str,
    *,
    line: int | None = None,
    question: str = "",
    toml: str = "",
) -> ExportRefusedError:
    """Build the refusal of one export.

    Parameters
    ----------
    cause
        Short machine-readable cause: the key by which refusals are grouped.
    name
        The export's name.
    found, remedy
        What was found, and what to do about it: clauses without a final stop.
    line
        One-based line where it was found, where there is one.
    question, toml
        The question that a person can answer and the configuration that says it.
    """
    where = printable(name) if line is None else f"{printable(name)}, line {line}"
    return ExportRefusedError(
        cause, f"{where}: {printable(found)}; {printable(remedy)}.", question=question, toml=toml
    )


def unforeseen(name: str, error: Exception) -> ExportRefusedError:
    """Build the refusal for an error that nobody thought of: a mistake in this program."""
    if isinstance(error, OSError):
        return refusal(
            "unreadable",
            name,
            f"the file can't be read ({printable(str(error), 120)})",
            "check the share and the file's permissions; the next run tries again",
        )
    return refusal(
        "not_understood",
        name,
        f"reading stopped at something unforeseen "
        f"({type(error).__name__}: {printable(str(error), 120)})",
        "send this file to the maintainers; it is kept in quarantine",
    )


def printable(text: str, limit: int = 300) -> str:
    """Return text on one line without control characters, cut at ``limit`` characters."""
    if text.isprintable() and len(text) <= limit:
        return text
    clean = "".join(c if c.isprintable() else " " for c in text)
    return clean if len(clean) <= limit else clean[: limit - 1] + "…"


def quoted(text: str, limit: int = 60) -> str:
    """Return text from an export as a short quotation."""
    return f'"{printable(text.strip(), limit)}"'


def toml_text(text: str) -> str:
    """Return text as a TOML basic string."""
    if text.isprintable() and '"' not in text and "\\" not in text:
        return f'"{text}"'
    escaped = "".join(
        "\\" + c if c in '"\\' else c if c.isprintable() else f"\\u{ord(c):04x}" for c in text
    )
    return f'"{escaped}"'


def layout_toml(name: str, *lines: str, alone: bool = False, alike: bool = False) -> str:
    """Return a ``[[layout]]`` entry for exports that lie beside this one.

    Parameters
    ----------
    lines
        What it pins.
    alone
        That this very export is meant: a start, say, is no other's.
    alike
        That of the exports beside it those are meant whose names begin with the same word.
    """
    if alone:
        match = glob.escape(name.replace("\\", "/"))
        return "\n".join(["[[layout]]", f"match = {toml_text(match)}", *lines])
    folder, _, leaf = name.replace("\\", "/").rpartition("/")
    suffix = "".join("." + part for part in leaf.split(".")[1:][-2:] if len(part) <= 5)
    # Files at the top of the inbox may be anyone's: there the name's own beginning counts.
    start = re.match(r"[A-Za-z]+(?:[-_ ]?\d{1,4}(?!\d))?", leaf)
    own = "" if folder or start is None or len(start[0]) < 3 else start[0]
    if folder and alike and (word := re.match(r"[^\W\d_]{3,}", leaf)):
        own = word[0]
    # Names may hold brackets, which mean something in patterns.
    pattern = glob.escape(folder + "/" if folder else "") + own + "*" + glob.escape(suffix)
    return "\n".join(["[[layout]]", f"match = {toml_text(pattern)}", *lines])
