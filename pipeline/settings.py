"""The store's ``chamberdrift.toml``: read, changed in place, written whole."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from ..shared.config import Config
from ..shared.config_file import FILE_NAME, parse_config
from ..shared.config_template import set_key, table_text
from ..shared.errors import ConfigError

if TYPE_CHECKING:
    from .store.location import Location


def settings_text(place: Location) -> str | None:
    """Return the text of the store's configuration, or None where there is none.

    Raises
    ------
    ConfigError
        If it is no UTF-8 text.
    """
    try:
        data = place.read(FILE_NAME)
    except FileNotFoundError:
        return None
    return decoded(data, settings_name(place))


def decoded(data: bytes, name: str) -> str:
    """Return a configuration's bytes as text.

    Raises
    ------
    ConfigError
        If they are no UTF-8; the message names file and line.
    """
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise ConfigError(
            f"{name}, line {line}: a character is not UTF-8; save the file as UTF-8 text."
        ) from None


def settings_name(place: Location) -> str:
    """Return what to call the configuration in messages."""
    return f"{place.text.rstrip('/')}/{FILE_NAME}"


def read_settings(place: Location) -> Config:
    """Return the store's configuration; the default one where there is no file.

    Raises
    ------
    ConfigError
        Naming every mistake with file and line.
    """
    text = settings_text(place)
    return Config() if text is None else parse_config(text, settings_name(place))


def write_settings(place: Location, text: str) -> Config:
    """Write the store's configuration after checking it, so that it outlives a power cut.

    Raises
    ------
    ConfigError
        If the text holds a mistake; nothing is written then.
    """
    config = parse_config(text, settings_name(place))
    place.write(FILE_NAME, text.encode("utf-8"))
    place.sync([FILE_NAME])
    return config


def set_in_list(text: str, name: str, key: str, entries: Mapping[str, Mapping[str, Any]]) -> str:
    """Return the text with keys of some ``[[name]]`` entries set, comments kept.

    Parameters
    ----------
    key
        The key that tells entries apart.
    entries
        By its value, what is set; None leaves a key as it is. An entry that is not there
        is added at the end.
    """
    import tomllib

    rows = tomllib.loads(text).get(name, [])
    where = {row.get(key): i for i, row in reversed(list(enumerate(rows)))}
    added = []
    for value, changes in entries.items():
        at = where.get(value)
        if at is None:
            added.append(table_text(name, {key: value, **changes}))
            continue
        for changed, to in changes.items():
            if to is not None and rows[at].get(changed) != to:
                text = set_key(text, (name, at, changed), to)
    if not added:
        return text
    gap = "" if not text or text.endswith("\n\n") else "\n"
    return text + gap + "\n".join(added)
