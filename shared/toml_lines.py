"""Where each key of a TOML text stands, since the standard parser does not say.

A parsed document has no line numbers; this scans the text beside it. Keys inside
an inline table or an array that runs over lines are found at the line of the
key that holds them.
"""

from __future__ import annotations

import re
from collections import Counter

Path = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""^\s*((?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+)(?:\s*\.\s*(?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+))*)\s*=""")  # fmt: skip  # noqa: E501
_PART = re.compile(r'"([^"]*)"|\'([^\']*)\'|([A-Za-z0-9_-]+)')


def key_lines(text: str) -> dict[Path, int]:
    """Return the one-based line of every table header and key.

    Parameters
    ----------
    text
        A TOML document that the parser accepts.

    Returns
    -------
    dict
        From a path such as ``("unit", 0, "volume_l")`` to its line. The n-th
        ``[[unit]]`` header has the path ``("unit", n)``.
    """
    found: dict[Path, int] = {}
    counts: Counter[Path] = Counter()
    table: Path = ()
    inside = ""  # what must close before a new key can begin
    for number, line in enumerate(text.splitlines(), start=1):
        if inside:
            inside = _open_after(line, inside)
            continue
        header = _HEADER.match(line)
        if header:
            table = _parts(header[2])
            if header[1] == "[[":
                index = counts[table]
                counts[table] += 1
                table = (*table, index)
            found.setdefault(table, number)
            continue
        key = _KEY.match(line)
        if key:
            found.setdefault((*table, *_parts(key[1])), number)
            inside = _open_after(line[key.end() :], "")
    return found


def line_of(lines: dict[Path, int], path: Path) -> int | None:
    """Return the line of a path, or of the nearest table that holds it."""
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


def _parts(dotted: str) -> Path:
    return tuple(a or b or c for a, b, c in _PART.findall(dotted))


def _open_after(line: str, inside: str) -> str:
    """Return what is still open at the end of a line: brackets or a long string."""
    at = 0
    while at < len(line):
        if inside in ('"""', "'''"):
            end = line.find(inside, at)
            if end < 0:
                return inside
            at, inside = end + 3, ""
            continue
        rest = line[at:]
        if rest.startswith(('"""', "'''")):
            # Long strings inside arrays are not used by this configuration.
            inside, at = rest[:3], at + 3
        elif rest[0] in "\"'":
            end = _string_end(line, at)
            at = end + 1
        elif rest[0] == "#":
            break
        else:
            if rest[0] in "[{":
                inside += rest[0]
            elif rest[0] in "]}":
                inside = inside[:-1]
            at += 1
    return inside


def _string_end(line: str, start: int) -> int:
    quote = line[start]
    at = start + 1
    while at < len(line) and line[at] != quote:
        at += 2 if quote == '"' and line[at] == "\\" else 1
    return at
