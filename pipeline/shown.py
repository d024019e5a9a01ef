"""Text on its way to a terminal: nothing that steers it, commands that can be copied."""

from __future__ import annotations

import os
import re
import shlex
from typing import Final

STEERING: Final = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]"  # all but tab and end of line
)
"""Characters that move a terminal's cursor, colour or rename it, or turn the order of letters."""


def visible(text: str) -> str:
    """Return text in which characters that would steer a terminal are written as escapes."""
    return STEERING.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)


def shell_word(text: str) -> str:
    """Return text as one word of this system's shell, in quotes where it needs them."""
    if os.name == "nt":
        return f'"{text}"' if re.search(r"[^\w@%+=:,./\\-]", text) else text
    return shlex.quote(text)
