"""Ids that people type: the one that was meant, or a sentence that helps to find it."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from typing import Final

from ..shared.errors import ChamberdriftError
from .shown import shell_word

LIKE: Final = 0.75
"""Likeness from which an id may have been meant: one wrong character in five (no source)."""
OFFERED: Final = 3


def likely_ids(word: str, known: Iterable[str]) -> list[str]:
    """Return the known ids that may have been meant, likeliest first.

    Ids that differ only in case, separators or leading zeros go first, and alone.
    """
    ids = sorted(set(known))
    same = [i for i in ids if _plain(i) == _plain(word)]
    if same:
        return same[:OFFERED]
    lowered = {i.lower(): i for i in ids}
    near = difflib.get_close_matches(word.lower(), list(lowered), n=OFFERED, cutoff=LIKE)
    return [lowered[n] for n in near]


def not_known(
    kind: str, word: str, known: Iterable[str], *, table: str, location: str
) -> ChamberdriftError:
    """Return the error for an id that is not known.

    Parameters
    ----------
    kind
        What it should be, such as ``"unit"``.
    table
        The table that lists them all.
    location
        The store, for the command that shows the table.
    """
    near = likely_ids(word, known)
    seen = f"all are listed by: chamberdrift table {table} --store {shell_word(location)}"
    if near:
        return ChamberdriftError(f"no {kind} is called {word!r}; did you mean {offer(near)}?")
    return ChamberdriftError(f"no {kind} is called {word!r}; {seen}")


def offer(names: list[str]) -> str:
    """Return names as a choice: ``'a', 'b' or 'c'``."""
    quoted = [repr(n) for n in names]
    return " or ".join([", ".join(quoted[:-1]), quoted[-1]] if len(quoted) > 1 else quoted)


def _plain(word: str) -> str:
    parts = re.findall(r"\d+|[^\W\d_]+", word.casefold())
    return "".join(p.lstrip("0") or "0" if p.isdigit() else p for p in parts)
