"""Read ``chamberdrift.toml`` and name every mistake with line and remedy."""

from __future__ import annotations

import codecs
import difflib
import re
import tomllib
from collections.abc import Iterable
from datetime import UTC, date, datetime, time
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from .config import (
    Assignment,
    Budgets,
    Clock,
    Config,
    Correction,
    Defaults,
    EarlierSite,
    LayoutPin,
    Limits,
    Reports,
    ServiceInterval,
    Site,
    Unit,
)
from .config_keys import COLUMN_ROLES, Key, Section
from .config_sections import SECTION_BY_NAME, SECTIONS
from .errors import ConfigError
from .programs import Program
from .toml_lines import Path, key_lines, line_of

FILE_NAME = "chamberdrift.toml"

_KIND_WORDS = {
    "text": 'text in quotes, such as "north"',
    "number": "a number",
    "integer": "a whole number",
    "flag": "true or false",
    "time": "a time, such as 2026-05-01T08:00:00+02:00",
    "texts": 'a list of texts, such as ["gravity-121x30"]',
    "pairs": 'a table of texts, such as { "Probe 1" = "temperature_c" }',
}


def parse_config(text: str, name: str = FILE_NAME) -> Config:
    """Read a configuration.

    Parameters
    ----------
    text
        The TOML document.
    name
        What to call the file in messages.

    Raises
    ------
    ConfigError
        Naming every mistake: file, line, what was found and the remedy.
    """
    text = text.removeprefix("\ufeff")
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(_decode_message(name, text, error)) from None
    reader = _Reader(document, key_lines(text), name)
    config = reader.config()
    if reader.mistakes:
        reader.mistakes.sort()
        raise ConfigError("\n".join(message for _, message in reader.mistakes))
    return config


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known name that is most like ``word``, or None where none is like it."""
    names = list(known)
    lowered = {n.lower(): n for n in names}
    match = difflib.get_close_matches(word.lower(), list(lowered), n=1, cutoff=0.5)
    return lowered[match[0]] if match else None


def check_zone(zone: str) -> str | None:
    """Return None for a known IANA zone, else a sentence that names the nearest."""
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        known = available_timezones()
        last = {n.rsplit("/", 1)[-1]: n for n in sorted(known, reverse=True)}
        near = nearest(zone, known) or last.get(nearest(zone, last) or "")
        hint = f"did you mean {near!r}?" if near else "use a name such as 'Europe/Oslo' or 'UTC'."
        return f"{zone!r} is no zone of the IANA list; {hint}"
    return None


class _Reader:
    """One pass over a document that collects mistakes instead of stopping at one."""

    def __init__(self, document: dict[str, Any], lines: dict[Path, int], name: str) -> None:
        self.document = document
        self.lines = lines
        self.name = name
        self.mistakes: list[tuple[int, str]] = []

    def mistake(self, path: Path, sentence: str) -> None:
        line = line_of(self.lines, path)
        where = f"{self.name}, line {line}" if line else self.name
        self.mistakes.append((line or 0, f"{where}: {sentence}"))

    def config(self) -> Config:
        for key in self.document:
            if key not in SECTION_BY_NAME:
                self.unknown_table(key)
        sites = tuple(Site(**values) for _, values in self.repeated("site"))
        unit_rows = self.repeated("unit")
        assignment_rows = self.repeated("assignment")
        defaults = Defaults(**self.single("defaults"))
        self.unique("site", [s.id for s in sites])
        self.unique("unit", [values["id"] for _, values in unit_rows])
        zones = self.zones(sites, unit_rows, defaults.zone)
        units = tuple(Unit(**self.timed(p, v, zones.get(v["id"]))) for p, v in unit_rows)
        assignments = tuple(
            Assignment(**self.timed(p, v, zones.get(v["unit"], defaults.zone)))
            for p, v in assignment_rows
        )
        earlier_rows = self.repeated("earlier_site")
        earlier = tuple(
            EarlierSite(**self.timed(p, v, zones.get(v["unit"], defaults.zone)))
            for p, v in earlier_rows
        )
        correction_rows = self.repeated("correction")
        corrections = tuple(
            Correction(**self.timed(p, v, zones.get(v.get("unit", ""), defaults.zone)))
            for p, v in correction_rows
        )
        clock_rows = self.repeated("clock")
        clocks = tuple(
            Clock(**self.timed(p, v, zones.get(v.get("unit", ""), defaults.zone)))
            for p, v in clock_rows
        )
        named = [*assignment_rows, *earlier_rows, *correction_rows, *clock_rows]
        self.references(sites, unit_rows, named)
        self.corrections(corrections, [p for p, _ in correction_rows])
        self.clocks(clocks, [p for p, _ in clock_rows])
        self.spans(assignments, [p for p, _ in assignment_rows])
        intervals = []
        for path, values in self.repeated("service_interval"):
            if values.get("days") is None and values.get("cycles") is None:
                self.mistake(
                    path, "a service_interval needs days, cycles or both; add days = 365."
                )
            intervals.append(ServiceInterval(**values))
        return Config(
            sites=sites,
            units=units,
            assignments=assignments,
            layouts=tuple(LayoutPin(**values) for _, values in self.repeated("layout")),
            earlier_sites=earlier,
            corrections=corrections,
            clocks=clocks,
            defaults=defaults,
            limits=Limits(**self.single("limits")),
            budgets=Budgets(**self.single("budgets")),
            reports=Reports(**self.single("reports")),
            service_intervals=tuple(intervals),
            **self.single("schedule"),
        )

    def unknown_table(self, key: str) -> None:
        holders = [s for s in SECTIONS if any(k.name == key for k in s.keys)]
        if holders:
            box = f"[[{holders[0].name}]]" if holders[0].repeated else f"[{holders[0].name}]"
            self.mistake((key, 0), f"{key!r} belongs below {box}; move the line there.")
            return
        near = nearest(key, SECTION_BY_NAME)
        hint = f"did you mean {near!r}?" if near else f"known are: {', '.join(SECTION_BY_NAME)}."
        self.mistake((key, 0), f"no table is called {key!r}; {hint}")

    def single(self, name: str) -> dict[str, Any]:
        section = SECTION_BY_NAME[name]
        table = self.document.get(name, {})
        if isinstance(table, list):
            self.mistake((name, 0), f"{name} stands once; write [{name}] instead of [[{name}]].")
            return {}
        if not isinstance(table, dict):
            self.mistake((name,), f"{name} is a table; write [{name}] and its keys below it.")
            return {}
        return self.values(section, table, (name,)) or {}

    def repeated(self, name: str) -> list[tuple[Path, dict[str, Any]]]:
        section = SECTION_BY_NAME[name]
        rows = self.document.get(name, [])
        if isinstance(rows, dict):
            self.mistake((name,), f"{name} may stand more than once; write [[{name}]].")
            return []
        if not isinstance(rows, list):
            self.mistake((name,), f"{name} is a table; write [[{name}]] and its keys below it.")
            return []
        found: list[tuple[Path, dict[str, Any]]] = []
        for index, row in enumerate(rows):
            path = (name, index)
            if not isinstance(row, dict):
                self.mistake(path, f"{name} holds tables; write [[{name}]] and its keys below it.")
                continue
            values = self.values(section, row, path)
            if values is not None:
                found.append((path, values))
        return found

    def values(self, section: Section, table: dict[str, Any], path: Path) -> dict[str, Any] | None:
        known = {k.name: k for k in section.keys}
        out: dict[str, Any] = {}
        for name, value in table.items():
            if name not in known:
                near = nearest(name, known)
                hint = f"did you mean {near!r}?" if near else f"known are: {', '.join(known)}."
                self.mistake((*path, name), f"{section.name} has no key {name!r}; {hint}")
                continue
            key = known[name]
            good, converted = self.value(section, key, value, (*path, name))
            if good:
                out[key.target] = converted
        lacking = [k for k in section.keys if k.required and k.target not in out]
        for key in lacking:
            if key.name not in table:
                self.mistake(
                    path, f"{section.name} lacks {key.name!r}; add {key.name} = {key.example}."
                )
        return None if lacking else out

    def value(self, section: Section, key: Key, value: Any, path: Path) -> tuple[bool, Any]:
        label = f"{key.name} of {section.name}"
        kind = _kind_of(value)
        fits = kind == key.kind or (key.kind == "number" and kind == "integer")
        if key.kind == "time" and kind == "text":
            try:
                value, fits = datetime.fromisoformat(value), True
            except ValueError:
                fits = False
        if not fits:
            shown = value if not isinstance(value, str) else repr(value)
            self.mistake(
                path, f"{label} is {str(shown)[:60]}; it must be {_KIND_WORDS[key.kind]}."
            )
            return False, None
        problem = _problem(key, value)
        if problem:
            self.mistake(path, f"{label}: {problem}")
            return False, None
        if key.kind == "number":
            value = float(value)
        elif key.kind == "texts":
            value = tuple(value)
        elif key.kind == "pairs":
            value = tuple(value.items())
        return True, value

    def unique(self, name: str, ids: list[str]) -> None:
        seen: dict[str, int] = {}
        for index, row in enumerate(ids):
            if row in seen:
                first = line_of(self.lines, (name, seen[row], "id"))
                self.mistake(
                    (name, index, "id"),
                    f"{name} {row!r} is there twice (first at line {first}); "
                    "remove one or give it another id.",
                )
            seen.setdefault(row, index)

    def zones(
        self,
        sites: tuple[Site, ...],
        units: list[tuple[Path, dict[str, Any]]],
        default: str | None,
    ) -> dict[str, str | None]:
        by_site = {s.id: s.zone for s in sites}
        return {v["id"]: by_site.get(v.get("site", "")) or default for _, v in units}

    def timed(self, path: Path, values: dict[str, Any], zone: str | None) -> dict[str, Any]:
        out = dict(values)
        for name, value in values.items():
            if isinstance(value, date):  # datetime is a kind of date
                moment = value if isinstance(value, datetime) else datetime.combine(value, time())
                key = {"start": "from", "end": "to"}.get(name, name)
                if moment.tzinfo is None and zone is None:
                    self.mistake(
                        (*path, key),
                        f"{key} is {moment.isoformat()} without an offset, and no zone is known; "
                        f"write {moment.isoformat()}+00:00 or give the site a zone.",
                    )
                    moment = moment.replace(tzinfo=UTC)
                elif moment.tzinfo is None:
                    moment = moment.replace(tzinfo=ZoneInfo(str(zone)))
                try:
                    out[name] = moment.astimezone(UTC)
                except OverflowError:
                    self.mistake(
                        (*path, key), f"{key} is in the year {moment.year}; correct the year."
                    )
                    out[name] = moment.replace(tzinfo=UTC)
        return out

    def references(
        self,
        sites: tuple[Site, ...],
        units: list[tuple[Path, dict[str, Any]]],
        others: list[tuple[Path, dict[str, Any]]],
    ) -> None:
        site_ids = [s.id for s in sites]
        for path, values in (*units, *others):
            site = values.get("site")
            if site is not None and site not in site_ids:
                self.unknown_reference((*path, "site"), "site", site, site_ids)
        unit_ids = [values["id"] for _, values in units]
        for path, values in others:
            unit = values.get("unit")
            if unit_ids and unit is not None and unit not in unit_ids:
                self.unknown_reference((*path, "unit"), "unit", unit, unit_ids)

    def unknown_reference(self, path: Path, kind: str, value: str, known: list[str]) -> None:
        near = nearest(value, known)
        hint = f"did you mean {near!r}? Else add" if near else "add"
        self.mistake(path, f'no {kind} is called {value!r}; {hint} [[{kind}]] id = "{value}".')

    def corrections(self, corrections: tuple[Correction, ...], paths: list[Path]) -> None:
        for path, c in zip(paths, corrections, strict=True):
            if not c.logger and not c.unit:
                self.mistake(path, "correction names no logger and no unit; add one of them.")
            if c.add_k is None and c.add_kpa is None:
                self.mistake(path, "correction adds nothing; add add_k, add_kpa or both.")
            if c.start and c.end and c.start >= c.end:
                self.mistake((*path, "to"), "to is not later than from; swap or correct them.")

    def clocks(self, clocks: tuple[Clock, ...], paths: list[Path]) -> None:
        for path, c in zip(paths, clocks, strict=True):
            if c.start and c.end and c.start >= c.end:
                self.mistake((*path, "to"), "to is not later than from; swap or correct them.")

    def spans(self, assignments: tuple[Assignment, ...], paths: list[Path]) -> None:
        low, high = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)
        for i, a in enumerate(assignments):
            if a.start and a.end and a.start >= a.end:
                self.mistake((*paths[i], "to"), "to is not later than from; swap or correct them.")
            for j, b in enumerate(assignments[:i]):
                alike = not a.channel or not b.channel or a.channel == b.channel
                same = a.logger == b.logger and alike
                apart = (a.end or high) <= (b.start or low) or (b.end or high) <= (a.start or low)
                if same and a.unit != b.unit and not apart:
                    first = line_of(self.lines, paths[j])
                    self.mistake(
                        paths[i],
                        f"logger {a.logger!r} is assigned to {b.unit!r} (line {first}) and to "
                        f"{a.unit!r} at the same time; give them from and to.",
                    )


def _kind_of(value: Any) -> str:
    if isinstance(value, bool):
        return "flag"
    if isinstance(value, str):
        return "text"
    if isinstance(value, int):
        return "integer"
    if isinstance(value, float):
        return "number"
    if isinstance(value, date):
        return "time"
    if isinstance(value, list):
        return "texts" if all(isinstance(v, str) for v in value) else "list"
    if isinstance(value, dict):
        return "pairs" if all(isinstance(v, str) for v in value.values()) else "table"
    return "other"


def _problem(key: Key, value: Any) -> str | None:
    """Return what is wrong with a value of the right kind, or None."""
    if key.choices and value not in key.choices:
        near = nearest(value, key.choices)
        hint = f"did you mean {near!r}?" if near else "choose one of these."
        choices = ", ".join(repr(c) for c in key.choices)
        return f"{value!r} is not one of {choices}; {hint}"
    if key.kind in ("number", "integer"):
        low = key.low if key.low is not None else float("-inf")
        high = key.high if key.high is not None else float("inf")
        if not low <= value <= high:
            return f"{value:g} is outside {low:g} to {high:g}; write a number in that range."
    if key.kind == "text" and not value and key.required:
        return f"it is empty; write {key.example}."
    return _named_problem(key.check, value) if key.check else None


def _named_problem(check: str, value: Any) -> str | None:
    if check == "zone":
        return check_zone(value)
    if check == "unit_id" and not 1 <= len(value.encode()) <= 64:
        return f"an id has 1 to 64 bytes, this one has {len(value.encode())}; shorten it."
    if check == "encoding":
        try:
            codecs.lookup(value)
        except LookupError:
            return f"{value!r} is no known text encoding; use 'utf-8', 'utf-16' or 'cp1252'."
    if check == "program":
        for name in value:
            try:
                Program.parse(name)
            except ValueError as error:
                return f"{error}."
    if check == "channel":
        for header, role in value.items():
            if role not in COLUMN_ROLES:
                near = nearest(role, COLUMN_ROLES)
                hint = f"did you mean {near!r}?" if near else f"known: {', '.join(COLUMN_ROLES)}."
                return f"column {header!r} is called {role!r}; {hint}"
    return None


def _decode_message(name: str, text: str, error: tomllib.TOMLDecodeError) -> str:
    """Turn the parser's message into a sentence with file, line and remedy."""
    message = str(error)
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    what = re.sub(r"\s*\(at .*\)$", "", message)
    line = int(found[1]) if found else max(1, len(text.splitlines()))
    if not found and "overwrite" not in what:
        return f"{name}, line {line}: {what}; close the quote or bracket that is still open."
    shown = text.splitlines()[line - 1].strip() if line <= len(text.splitlines()) else ""
    remedy = _syntax_remedy(shown, what)
    return f"{name}, line {line}: {what}, at {shown[:60]!r}; {remedy}"


def _syntax_remedy(line: str, what: str) -> str:
    bare = re.match(r"^([A-Za-z_]+)\s*=\s*([A-Za-z][^\"'#]*)$", line)
    if "overwrite" in what or "twice" in what or "Cannot declare" in what:
        return "the key or table is there twice: remove one."
    if bare:
        return f'text stands in quotes: {bare[1]} = "{bare[2].strip()}".'
    if re.match(r"^[A-Za-z_]+\s*=\s*\d+,\d+", line):
        return "decimals have a point, not a comma."
    if re.match(r"^[A-Za-z_]+\s*:", line):
        return "a key and its value are joined by =, not by a colon."
    return 'a line is key = value, or [table], or [[table]]; text stands in "quotes".'
