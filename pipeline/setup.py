"""Set a store up: the answers to open questions, its units and sites."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from ..shared.config_file import nearest, parse_config
from ..shared.config_template import commented_config, set_key, table_text
from ..shared.errors import ConfigError
from .plain_csv import csv_rows
from .settings import decoded, set_in_list, settings_name, settings_text, write_settings
from .shown import shell_word

SITE_COLUMNS: Final = {"site_name": "name", "zone": "zone", "altitude_m": "altitude_m"}
UNIT_COLUMNS: Final = (
    "site",
    "type",
    "volume_l",
    "power_w",
    "mains_v",
    "air_removal",
    "programs",
)
NUMBERS: Final = ("altitude_m", "volume_l", "power_w", "mains_v")
COLUMNS: Final = ("unit_id", *UNIT_COLUMNS, *SITE_COLUMNS, "logger")


@dataclass(frozen=True)
class SetUp:
    """What was set up."""

    store: str
    settings: str
    """Where the configuration stands."""
    made: bool
    """The store was made by this call."""
    changed: dict[str, Any]
    lines: tuple[str, ...] = ()

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values."""
        return {
            "store": self.store,
            "settings": self.settings,
            "made": self.made,
            "changed": self.changed,
        }

    def text(self) -> str:
        """Return the result in words."""
        return "\n".join(self.lines)


def init_store(location: str, answers: Mapping[str, Any], *, settings: str | None = None) -> SetUp:
    """Make a store with a commented configuration, or set answers in one that is there.

    Parameters
    ----------
    location
        Folder or address.
    answers
        Keys of ``[defaults]`` and their values.
    settings
        A configuration file to take over instead of the store's own.

    Raises
    ------
    ConfigError
        If an answer or the file is wrong; nothing is made or changed then.
    """
    from .store import Store

    _check_answers(answers)
    given = None if settings is None else decoded(Path(settings).read_bytes(), settings)
    if given is not None:
        parse_config(given, settings or "")
    made = not Store.present(location)
    store = Store.open(location, create=True)
    with store.lock():
        text = settings_text(store.place) if given is None else given
        if text is None:
            text = commented_config(answers)
        else:
            for key, value in answers.items():
                text = set_key(text, ("defaults", key), value)
        write_settings(store.place, text)
    name = settings_name(store.place)
    lines = [f"Made a store at {location}." if made else f"The store at {location} is there."]
    if given is not None:
        lines.append(f"Took the configuration over from {settings}.")
    lines += [f"Set {key} = {_as_written(value)} in {name}." for key, value in answers.items()]
    if not made and "altitude_m" in answers:
        lines.append("The next night reads gauge exports again that were read without it.")
    if not answers and given is None:
        lines.append(f"Its configuration, with every setting explained, is {name}.")
    lines.append(f"Next: chamberdrift nightly INBOX --store {shell_word(location)}")
    return SetUp(location, name, made, dict(answers), tuple(lines))


OPTIONS: Final = {
    "altitude_m": "--altitude",
    "day_first": "--day-first",
    "clock_24h": "--clock-24h",
}
"""Options of ``init`` that are not called as the key that they set."""


def _check_answers(answers: Mapping[str, Any]) -> None:
    """Let the configuration's own rules judge the answers, named as they were given."""
    mistakes = []
    for key, value in answers.items():
        try:
            parse_config(commented_config({key: value}))
        except ConfigError as error:
            option = OPTIONS.get(key, "--" + key.replace("_", "-"))
            said = re.sub(r"^[^:]+: ", "", str(error).splitlines()[0])
            mistakes.append(said.replace(f"{key} of defaults", option))
    if mistakes:
        raise ConfigError("\n".join(mistakes))


def _as_written(value: Any) -> str:
    """Return a value as the configuration file shows it."""
    return str(value).lower() if isinstance(value, bool) else str(value)


def import_units_file(location: str, file: str) -> SetUp:
    """Take units, their sites and loggers over from a CSV file.

    Raises
    ------
    ConfigError
        Naming every line with a mistake; nothing is written then.
    """
    from .store import Store

    rows = read_unit_rows(Path(file).read_bytes(), Path(file).name)
    made = not Store.present(location)
    store = Store.open(location, create=True)
    with store.lock():
        text = settings_text(store.place)
        text = commented_config() if text is None else text
        before = parse_config(text, settings_name(store.place))
        after = write_settings(store.place, add_units(text, rows))
    lines = (
        f"Units read from {file}: {len(rows)}, of which new: "
        f"{len(after.units) - len(before.units)}; new sites: "
        f"{len(after.sites) - len(before.sites)}.",
        f"They stand in {settings_name(store.place)}.",
        *(
            f"Logger {logger} is named for {', '.join(units)}, so it is assigned to none of them: "
            "its exports must name the unit, in the names of columns, in a column, above the "
            "table or in the file's name."
            for logger, units in shared_loggers(rows).items()
        ),
    )
    changed = {"units": [r["unit_id"] for r in rows], "sites": len(after.sites)}
    return SetUp(location, settings_name(store.place), made, changed, lines)


def shared_loggers(rows: list[dict[str, Any]]) -> dict[str, list[str]]:
    """Return the loggers that several units name, with those units: recorders of many channels."""
    units: dict[str, list[str]] = {}
    for row in rows:
        if row.get("logger"):
            units.setdefault(row["logger"], []).append(row["unit_id"])
    return {logger: own for logger, own in units.items() if len(own) > 1}


def add_units(text: str, rows: list[dict[str, Any]]) -> str:
    """Return the configuration's text with the units, sites and loggers of the rows."""
    sites: dict[str, dict[str, Any]] = {}
    for row in rows:
        if row.get("site"):
            site = sites.setdefault(row["site"], {})
            site.update({key: row[c] for c, key in SITE_COLUMNS.items() if c in row})
    text = set_in_list(text, "site", "id", sites)
    units: dict[str, dict[str, Any]] = {
        row["unit_id"]: {c: row[c] for c in UNIT_COLUMNS if c in row} for row in rows
    }
    text = set_in_list(text, "unit", "id", units)
    known = {(a.logger, a.unit) for a in parse_config(text).assignments}
    shared = shared_loggers(rows)
    pairs = [(row.get("logger", ""), row["unit_id"]) for row in rows]
    added = [
        "\n" + table_text("assignment", {"logger": logger, "unit": unit})
        for logger, unit in pairs
        if logger and logger not in shared and (logger, unit) not in known
    ]
    return text + "".join(added)


def read_unit_rows(data: bytes, name: str) -> list[dict[str, Any]]:
    """Read the lines of a CSV of units: a dict a unit, empty cells left out.

    Raises
    ------
    ConfigError
        Naming every mistake by line.
    """
    lines = csv_rows(data)
    if not any(c.strip() for _, cells in lines for c in cells):
        columns = ",".join(COLUMNS)
        raise ConfigError(f"{name} is empty; its first line names the columns: {columns}.")
    header = [h.strip().lower() for h in lines[0][1]]
    mistakes = [f"{name}, line 1: {m}" for m in _header_mistakes(header)]
    rows: list[dict[str, Any]] = []
    seen: dict[str, int] = {}
    sites: dict[tuple[str, str], tuple[Any, int]] = {}
    for number, cells in lines[1:] if not mistakes else []:
        if not any(c.strip() for c in cells):
            continue
        found = dict(zip(header, (c.strip() for c in cells), strict=False))
        row, wrong = _row({k: v for k, v in found.items() if v})
        wrong += _row_mistakes(row)
        unit = row.get("unit_id", "")
        if unit in seen:
            wrong.append(f"unit {unit!r} is there twice (first at line {seen[unit]}).")
        seen.setdefault(unit, number)
        for column in SITE_COLUMNS:
            key = (row.get("site", ""), column)
            if column in row and key in sites and sites[key][0] != row[column]:
                value, line = sites[key]
                wrong.append(f"{column} of site {key[0]!r} is {value} at line {line}.")
            elif column in row:
                sites.setdefault(key, (row[column], number))
        mistakes += [f"{name}, line {number}: {m}" for m in wrong]
        rows.append(row)
    if not rows and not mistakes:
        mistakes.append(f"{name}: no units in it; the first line is {','.join(COLUMNS)}.")
    if mistakes:
        raise ConfigError("\n".join(mistakes))
    return rows


def _header_mistakes(header: list[str]) -> list[str]:
    if "unit_id" not in header:
        near = nearest("unit_id", header)
        hint = f"rename {near!r}" if near else "add it"
        return [f"column unit_id is missing; {hint}."]
    wrong = []
    for column in header:
        if column and column not in COLUMNS:
            near = nearest(column, COLUMNS)
            hint = f"did you mean {near!r}?" if near else f"known are {', '.join(COLUMNS)}."
            wrong.append(f"no column is called {column!r}; {hint}")
    return wrong


def _row(cells: dict[str, str]) -> tuple[dict[str, Any], list[str]]:
    row: dict[str, Any] = {}
    wrong = []
    for column, cell in cells.items():
        if column in NUMBERS:
            try:
                row[column] = float(cell.replace(",", "."))
            except ValueError:
                wrong.append(f"{column} is {cell!r}; it must be a number.")
        else:
            row[column] = tuple(cell.replace(",", " ").split()) if column == "programs" else cell
    if "unit_id" not in row:
        wrong.append("unit_id is empty.")
    if "site" not in row and any(c in row for c in SITE_COLUMNS):
        wrong.append("zone, altitude_m and site_name belong to a site; fill in site.")
    return row, wrong


def _row_mistakes(row: dict[str, Any]) -> list[str]:
    """Let the configuration's own rules judge one row."""
    if not row.get("unit_id"):
        return []
    try:
        parse_config(add_units("", [row]), "row")
    except ConfigError as error:
        place = re.compile(r"^(?:row|chamberdrift\.toml)(?:, line \d+)?: ")
        return [place.sub("", m) for m in str(error).splitlines()]
    return []
