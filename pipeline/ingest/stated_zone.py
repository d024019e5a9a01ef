"""The zone that an export states, in its time's header or outside its table."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Final

from . import header_words as vocabulary
from .clock_text import ABBREVIATIONS, is_offset, parse_offset, understand
from .dates import DAY_MS
from .header_words import parted, words
from .refuse import layout_toml, quoted, refusal
from .roles import TimePlan
from .statements import Statement
from .zones import find_zone, offset_in_text, offset_name, pinnable_zone, transitions


@dataclass(frozen=True)
class StatedZone:
    """The zone that an export states: a name that ``find_zone`` knows, and why."""

    name: str
    why: str
    abbreviation: str = ""
    places: str = ""
    """Places whose clocks are named beside the offset: they may have summer time."""


_NAMED_ZONE: Final = re.compile(
    r"time ?zone|\btz\b|zeitzone|fuseau|zona horaria|fuso orario|fuso horario|tijdzone"
    r"|\b(?:utc|gmt) ?offset|\boffset (?:from|to|zu) (?:utc|gmt)"
)
_UTC_OFFSET: Final = re.compile(r"\b(?:utc|gmt)\b.*\boffset|\boffset\b.*\b(?:utc|gmt)\b")
_WRONG_CLOCK: Final = re.compile(
    r"drift|correct|korrekt|adjust|deviat|abweich|error|fehler|\bsync|^clock offset"
)
"""Keys that tell how far a clock is off, not which one it keeps."""
_PLACES: Final = re.compile(
    r"^\W*(?:UTC|GMT)\s*(?:[+−-]\s?\d{1,2}(?::?\d{2})?)?[)\]\s:,-]+([A-Z][^\W\d].*)$"
)
_NO_PLACES: Final = re.compile(
    r"(?i:universal|greenwich|fix|fest|\bno\b|ohne|without|sans|\bsin\b|dst|saving|winter|local"
    r"|\btime ?zone|all year|constant)|\b[A-Z]{3,4}\b"
)


def summer_time_off(statements: list[Statement]) -> Statement | None:
    """Return the statement that the clock keeps no summer time, or None."""
    for s in statements:
        if vocabulary.SUMMER.search(s.key_words) and re.search(
            r"\b(?:off|no|nein|non|nao|false|0|inactive|inaktiv|disabled|aus|uit|nee)\b",
            s.value.lower(),
        ):
            return s
    return None


def stated_zone(
    time: TimePlan, marks: tuple[str, ...], statements: list[Statement], name: str
) -> StatedZone | None:
    """Return the zone that the time's header or the preamble states, or None.

    Raises
    ------
    ExportRefusedError
        With cause ``zone`` where statements disagree or can be meant two ways.
    """
    found: dict[str, StatedZone] = {}
    for k, header in zip(time.columns, time.headers, strict=False):
        for text in (header, marks[k] if k < len(marks) else ""):
            zone = _zone_in(text, loose=False)
            if zone:
                found.setdefault(
                    zone[0], StatedZone(zone[0], f"the time's header says {quoted(text)}", zone[1])
                )
    local = [h for h in time.headers if re.search(r"\b(?:local|lokal|locale|lokale)\b", words(h))]
    if found and local and len(time.headers) > 1:
        raise refusal(
            "zone",
            name,
            f"one column of the time states a zone and another is local: "
            f"{', '.join(quoted(h) for h in time.headers)}",
            "export date and time in one zone",
            question="In which zone are the times written?",
            toml=layout_toml(name, f'zone = "{pinnable_zone(next(iter(found))) or "Etc/UTC"}"'),
        )
    summer = None
    for s in statements:
        key = s.key_words
        if _WRONG_CLOCK.search(key) and not vocabulary.SUMMER.search(key):
            continue
        if vocabulary.SUMMER.search(key):
            if re.search(
                r"\b(?:on|yes|ja|oui|si|sim|true|1|active|aktiv|enabled|ein)\b", s.value.lower()
            ):
                summer = s
            continue
        if (
            vocabulary.CREATED.search(key)
            or vocabulary.START.search(key)
            or vocabulary.END.search(key)
        ):
            continue
        whole = f"{s.key} {s.value}" if key else s.value
        alone = not key and re.fullmatch(
            r"\s*(?:UTC|GMT)\s*(?:[+-]\s?\d{1,2}(?::?\d{2})?)?\s*", s.value
        )
        timely = (
            alone
            or vocabulary.ZONE.search(key)
            or re.search(
                r"\b(?:times?|timestamps?|zeiten|zeit|heures?|horas?|ore|orari|tijden|clock|uhr)\b",
                whole.lower(),
            )
        )
        if not timely:
            continue
        zone = _zone_in(s.value, loose=bool(vocabulary.ZONE.search(key)))
        if _UTC_OFFSET.search(key) and (zone is None or not re.search(r"[A-Z+−-]", s.value)):
            zone = _offset_said(s.key, s.value)
        if zone and not (
            key and not vocabulary.ZONE.search(key) and understand(s.value) is not None
        ):
            if (
                re.search(r"(?:daylight|dst|summer|sommerzeit)", s.value.lower())
                and not re.search(r"\b(?:no|not|without|ohne|keine?)\b", s.value.lower())
                and zone[0] != "UTC"
            ):
                summer = summer or s
            why = f"line {s.line} says {quoted(whole)}"
            found.setdefault(zone[0], StatedZone(zone[0], why, zone[1], _places(s.value)))
        elif (
            _NAMED_ZONE.search(key)
            and not zone
            and not re.search(
                r"local|lokal|locale|ort|site|\bauto|none|not set|^\W*$", s.value.lower()
            )
        ):
            raise refusal(
                "zone",
                name,
                f"{quoted(whole)} names a zone that is not known by that name",
                "pin its IANA name in a [[layout]]",
                line=s.line,
                question="In which zone (an IANA name) are the times written?",
                toml=layout_toml(name, 'zone = "Etc/UTC"'),
            )
    if len(found) > 1:
        listed = ", ".join(f"{z.name} ({z.why})" for z in found.values())
        raise refusal(
            "zone",
            name,
            f"the export states several zones: {listed}",
            "pin the right one in a [[layout]]",
            question="In which zone are the times written?",
            toml=layout_toml(name, f'zone = "{pinnable_zone(next(iter(found))) or "Etc/UTC"}"'),
        )
    zone_found = next(iter(found.values()), None)
    if zone_found is not None and summer is not None and "/" not in zone_found.name:
        raise refusal(
            "zone",
            name,
            f"{zone_found.why}, and {quoted(summer.key + ' ' + summer.value)}: "
            "whether the offset includes summer time is not said",
            "pin the zone in a [[layout]]",
            line=summer.line,
            question="In which zone (an IANA name) are the times written?",
            toml=layout_toml(name, 'zone = "Etc/UTC"'),
        )
    return zone_found


@lru_cache(maxsize=1024)
def _zone_in(text: str, *, loose: bool) -> tuple[str, str] | None:
    """Return a zone's name and, where it is one, the abbreviation in a text."""
    iana = re.search(r"\b([A-Z][A-Za-z_]+(?:/[A-Za-z0-9_+-]+){1,2})\b", text)
    if iana and find_zone(iana[1]) is not None:
        return iana[1], ""
    offset = offset_in_text(text)
    if offset is not None:
        return offset, ""
    for word in re.findall(r"\b[A-Z]{3,4}\b", parted(text)):
        if word in ABBREVIATIONS:
            return offset_name(ABBREVIATIONS[word][0]), word
    if loose and text.strip():
        bare = re.fullmatch(r"\s*([+-]\s?\d{1,2}(?::?\d{2})?)\s*(?:h|hours?)?\s*", text)
        if bare:
            minutes = parse_offset(bare[1].replace(" ", ""))
            if minutes is not None:
                return offset_name(minutes), ""
        if "/" in text and find_zone(text.strip()) is not None:
            return text.strip(), ""
        if re.fullmatch(r"\s*(?:utc|gmt|z|zulu)\s*", text.lower()):
            return "UTC", ""
    return None


def _offset_said(key: str, value: str) -> tuple[str, str] | None:
    """Return the offset that a line named for it states as a count or without a sign, or None.

    A bare count of at most 14 is of hours; a greater one needs its unit.
    """
    count = re.fullmatch(r"\s*([+−-]?)\s?(\d{1,4})\s*([a-z]*)\s*", value.lower())
    if count is None:
        clock = re.fullmatch(r"\s*(\d{1,2}:\d{2})(?::00)?\s*", value)
        minutes = parse_offset("+" + clock[1]) if clock else None
        return None if minutes is None else (offset_name(minutes), "")
    size = int(count[2])
    unit = count[3] or "".join(re.findall(r"[\[(]\s*(h|min|s)\w*\s*[)\]]", key.lower())[:1])
    if unit.startswith("min") or unit == "m":
        minutes = size
    elif unit.startswith("s"):
        minutes = size // 60 if size % 60 == 0 else -1
    elif size <= 14 and (not unit or unit.startswith("h")):
        minutes = size * 60
    else:
        return None
    minutes = -minutes if count[1] in {"-", "−"} else minutes
    return (offset_name(minutes), "") if is_offset(minutes) else None


def _places(text: str) -> str:
    """Return the places, or the kind of time, that stand behind a UTC offset, else nothing.

    ``(UTC+01:00) Amsterdam, Berlin`` and ``GMT Standard Time`` are names of clocks that change
    in summer, whatever offset stands in them.
    """
    found = _PLACES.match(text.strip())
    if found is None or _NO_PLACES.search(found[1]):
        return ""
    return found[1].strip()


@lru_cache(maxsize=256)
def ever_keeps(name: str, minutes: int, begins: datetime) -> bool:
    """Say whether a zone's clocks show an offset [min] then or at any time of that year.

    A zone that nobody knows is not judged.
    """
    zone = find_zone(name)
    if zone is None:
        return True
    moments = [begins, *(begins.replace(month=month, day=1) for month in (1, 4, 7, 10))]
    offsets = {(m.astimezone(zone).utcoffset() or timedelta()) for m in moments}
    return timedelta(minutes=minutes) in offsets


def abbreviation_fits(abbreviation: str, low_ms: int, high_ms: int) -> bool:
    """Say whether an abbreviation's offset holds there at all of a file's times."""
    minutes, region = ABBREVIATIONS[abbreviation]
    zone = find_zone(region)
    if zone is None:
        return False
    first, last = low_ms // DAY_MS - 1, high_ms // DAY_MS + 2
    if transitions(zone, first, last):
        return False
    moment = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=low_ms)).astimezone(zone)
    return int((moment.utcoffset() or timedelta()).total_seconds()) == minutes * 60
