"""Write ``chamberdrift.toml``: the commented file, and single changes that keep comments."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Mapping
from dataclasses import MISSING, fields
from datetime import UTC, datetime
from typing import Any

from .config import Config
from .config_keys import Key, Section
from .config_sections import SECTION_BY_NAME, SECTIONS
from .toml_lines import Path, key_lines

_INTRO = """\
Configuration of a chamberdrift store.

A line that begins with # is a comment. To set a value, remove the # and the
space after it. Everything here may stay as it is: what an export states goes
before what its layout says, then its site, then [defaults].
"""


def commented_config(answers: Mapping[str, Any] | None = None) -> str:
    """Return a configuration in which every key is explained.

    Parameters
    ----------
    answers
        Values of ``[defaults]`` to set; the other keys are written as comments.
    """
    lines = [f"# {line}".rstrip() for line in _INTRO.splitlines()]
    for section in SECTIONS:
        lines += ["", *_comment(section.meaning)]
        if section.repeated:
            lines += _example(section)
            continue
        lines.append(f"[{section.name}]")
        for key in section.keys:
            lines += _comment(_explained(key))
            value = (answers or {}).get(key.name) if section.name == "defaults" else None
            if value is None:
                lines.append(f"# {key.name} = {_shown_default(section, key)}")
            else:
                lines.append(f"{key.name} = {toml_value(value)}")
    return "\n".join(lines) + "\n"


def render_config(config: Config) -> str:
    """Return a configuration as TOML, without comments and without defaults."""
    base = Config()
    blocks: list[str] = []
    singles = {
        "defaults": config.defaults,
        "limits": config.limits,
        "budgets": config.budgets,
        "reports": config.reports,
    }
    for name, value in singles.items():
        blocks += _block(f"[{name}]", SECTION_BY_NAME[name], value, getattr(base, name))
    blocks += _block("[schedule]", SECTION_BY_NAME["schedule"], config, base)
    lists = {
        "site": config.sites,
        "unit": config.units,
        "assignment": config.assignments,
        "layout": config.layouts,
        "earlier_site": config.earlier_sites,
        "correction": config.corrections,
        "clock": config.clocks,
        "service_interval": config.service_intervals,
    }
    for name, rows in lists.items():
        for row in rows:
            blocks += _block(f"[[{name}]]", SECTION_BY_NAME[name], row, None)
    return "\n".join(blocks)


def table_text(name: str, values: Mapping[str, Any]) -> str:
    """Return one ``[[name]]`` block with the given keys; None is left out."""
    lines = [f"{k} = {toml_value(v)}" for k, v in values.items() if v is not None]
    return "\n".join([f"[[{name}]]", *lines]) + "\n"


def set_key(text: str, path: Path, value: Any) -> str:
    """Return the text with one key set, comments kept.

    Parameters
    ----------
    text
        The TOML document.
    path
        Table and key, such as ``("defaults", "zone")`` or ``("unit", 3, "site")``.
        A table that is lacking is added at the end; a list's entry must exist.
    """
    *table, key = path
    lines = text.splitlines()
    numbers = key_lines(text)
    new = f"{key} = {toml_value(value)}"
    if path in numbers:
        at = numbers[path] - 1
        tail = re.search(r"\s+#[^\"']*$", lines[at])
        lines[at] = new + (tail[0] if tail else "")
        return "\n".join(lines) + "\n"
    if tuple(table) not in numbers:
        return "\n".join([*lines, "", f"[{table[0]}]", new]) + "\n"
    first = numbers[tuple(table)]
    last = min((n for p, n in numbers.items() if n > first and p[: len(table)] != tuple(table)),
               default=len(lines) + 1)  # fmt: skip
    for at in range(first, last - 1):
        if lines[at].startswith("# [["):
            break  # the commented examples of lists begin here
        if re.match(rf"^#\s*{re.escape(str(key))}\s*=", lines[at]):
            lines[at] = new
            return "\n".join(lines) + "\n"
    return "\n".join([*lines[:first], new, *lines[first:]]) + "\n"


def toml_value(value: Any) -> str:
    """Write one value in TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        moment = value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
        return moment.isoformat(timespec="seconds").replace("+00:00", "Z")
    if isinstance(value, Mapping):
        value = tuple(value.items())
    if isinstance(value, (tuple, list)):
        if value and not isinstance(value[0], str):
            pairs = ", ".join(f"{_quoted(k)} = {toml_value(v)}" for k, v in value)
            return f"{{ {pairs} }}"
        return f"[{', '.join(_quoted(v) for v in value)}]"
    if isinstance(value, (int, float)):
        return repr(value)
    return _quoted(str(value))


def _quoted(text: str) -> str:
    # JSON escapes are TOML escapes, but for the delete character.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> list[str]:
    return textwrap.wrap(text, 88, initial_indent="# ", subsequent_indent="# ")


def _explained(key: Key) -> str:
    text = key.meaning
    if key.choices:
        text += f" ({', '.join(key.choices)})"
    return f"{text}. Source: {key.source}" if key.source else text


def _shown_default(section: Section, key: Key) -> str:
    holder: Any = Config if section.name == "schedule" else section.type
    for f in fields(holder):
        if f.name == key.target and f.default is not MISSING and f.default is not None:
            return toml_value(f.default)
    return key.example


def _example(section: Section) -> list[str]:
    lines = [f"# [[{section.name}]]"]
    width = max(len(f"{k.name} = {k.example}") for k in section.keys)
    for key in section.keys:
        entry = f"{key.name} = {key.example}"
        choices = f" ({', '.join(key.choices)})" if 0 < len(key.choices) <= 4 else ""
        lines.append(f"# {entry:<{min(width, 44)}}  # {key.meaning}{choices}")
    return lines


def _block(header: str, section: Section, value: Any, base: Any) -> list[str]:
    lines = []
    for key in section.keys:
        own = getattr(value, key.target)
        if own is None or own in ("", ()):
            continue
        if base is not None and own == getattr(base, key.target):
            continue
        lines.append(f"{key.name} = {toml_value(own)}")
    return [header, *lines, ""] if lines else []
