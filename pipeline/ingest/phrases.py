"""Header text as plain words, and patterns that look for words of the trade in it."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache

from .clock_text import plain


class Phrases:
    """Patterns of which one must be found; what was found in a text is remembered.

    Exports of one logger repeat their headers, and trying dozens of patterns at
    each place of a text is the dearest part of looking at one.
    """

    def __init__(self, *patterns: str) -> None:
        # Texts are looked at without accents; words of other scripts are written here with them.
        compiled = re.compile("|".join(p if p.isascii() else plain(p) for p in patterns))
        self.findall: Callable[[str], list[str]] = compiled.findall
        self.search: Callable[[str], re.Match[str] | None] = lru_cache(maxsize=4096)(
            compiled.search
        )


def parted(text: str) -> str:
    """Return text with blanks where words are glued by underscores or by capitals."""
    return re.sub(
        r"_+|(?<=[a-z0-9])(?=[A-Z][a-z])|(?<=[a-z]{2})(?=[A-Z])|(?<=[A-Z]{2})(?=[A-Z][a-z])",
        " ",
        text,
    )


@lru_cache(maxsize=4096)
def words(text: str) -> str:
    """Return header text in lower case, without accents, words parted by single blanks."""
    text = parted(text)
    return re.sub(r"[^\w/#+]+", " ", plain(text)).replace("_", " ").strip()


@lru_cache(maxsize=4096)
def tokens(text: str) -> frozenset[str]:
    """Return the set of words of a header text."""
    return frozenset(re.split(r"[ /+]+", words(text))) - {""}
