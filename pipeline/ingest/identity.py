"""Whose export it is: from a column, the preamble, or the file's and folder's name."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from ...shared.config import Config
from ...shared.errors import ExportRefusedError
from . import header_words as vocabulary
from .cells import kind_of
from .clock_text import MONTHS, understand, word_set
from .header_words import words
from .refuse import layout_toml, quoted, refusal, toml_text
from .statements import Statement
from .units_found import read_mark

GENERIC: Final = word_set(
    "export exports exported log logs logger data datalog datalogger cycle cycles run report "
    "trace traces record records recording history table csv txt tsv temp temperature "
    "pressure measurements messung messdaten daten protokoll charge chargen zyklus donnees "
    "datos dati dados gegevens inbox new copy kopie copie download downloads upload raw final "
    "part teil file results batch day daily week month of the and utc gmt local am pm no nr "
    "samples readings sample test all units fleet merged combined"
)
SUFFIXES: Final = (".gz", ".zip", ".csv", ".tsv", ".txt", ".dat", ".log", ".asc", ".prn")
_SUFFIXED: Final = re.compile("(?:" + "|".join(map(re.escape, SUFFIXES)) + ")+$", re.IGNORECASE)
_TAIL: Final = re.compile(r"[-_.]+(?:" + "|".join(sorted(GENERIC)) + r")\d*$", re.IGNORECASE)
_HEAD: Final = re.compile(r"^(?:" + "|".join(sorted(GENERIC)) + r")\d*[-_.]+", re.IGNORECASE)
_INTERVAL: Final = re.compile(r"\d{1,4}(?:s|sec|m|min|h|hz)", re.IGNORECASE)
_DATE_PART: Final = re.compile(
    r"(?<!\d)(?:(?:19|20)\d{2}[-_.]?(?:W\d{2}|Q[1-4]|0[1-9]|1[0-2])(?:[-_.]?(?:0[1-9]|[12]\d|3[01]))?"
    r"|\d{1,2}([-_.])\d{1,2}\1(?:19|20)\d{2}"
    r"|(?:KW|W|wk|week)[-_ ]?\d{1,2}[-_. ]20\d{2}|(?:0[1-9]|1[0-2])[-_.]20\d{2})"
    r"(?=\D|\d{6}\b|\d{4}\b|$)"
)
"""Where a date stands in a name."""
_WEEK_OR_MONTH: Final = re.compile(
    r"(?:^|(?<=[\s_(]))(?:(?:KW|W|wk|week)[-_ ]?\d{1,2}[-_. ]20\d{2}"
    r"|20\d{2}[-_ ]?(?:KW|wk|week)[-_ ]?\d{1,2}|(?:0[1-9]|1[0-2])[-_.]20\d{2})(?!\d)",
    re.IGNORECASE,
)
_LABELS: Final = word_set(
    "unit device autoclave sterilizer steriliser machine equipment geraet gerat autoklav "
    "appareil equipo"
)


@dataclass(frozen=True)
class Identity:
    """The unit and logger of an export without a unit column, and the evidence."""

    unit_id: str
    logger_id: str
    why: str


def valid_id(text: str) -> bool:
    """Say whether text can be a unit's id: 1 to 64 bytes, printable."""
    return (
        1 <= len(text.encode("utf-8", "surrogatepass")) <= 64
        and text.isprintable()
        and bool(text.strip())
    )


def identify(
    name: str,
    statements: list[Statement],
    config: Config,
    pinned: str | None,
    inside: str = "",
    column: tuple[str, str] | None = None,
) -> Identity:
    """Find the unit of an export that has no unit column.

    Parameters
    ----------
    column
        The configured unit that columns are named for, and such a column's name.

    Raises
    ------
    ExportRefusedError
        With cause ``unit_id`` where nothing names the unit, or candidates disagree.
    """
    logger = _one_logger(statements)
    if pinned:
        return Identity(pinned, logger, "pinned in the layout")
    known = {u.id.casefold(): u.id for u in config.units}
    named = _stated_units(statements)
    if not named:
        # A configured unit's id is one under any word, in any language.
        named = _known_units(statements, known)
    loggers = {a.logger for a in config.assignments}
    # A serial that is assigned to a unit is a logger's, whatever word stands before it.
    assigned = [s for s in named if s.value in loggers]
    if assigned and not logger:
        logger = assigned[0].value
    if not logger and loggers:
        other = _mentioned(statements, loggers)
        logger = other.value if other is not None else ""
    named = [s for s in named if s.value not in loggers or s.value.casefold() in known]
    values = list(dict.fromkeys(known.get(s.value.casefold(), s.value) for s in named))
    if len(values) > 1:
        ours = [v for v in values if v.casefold() in known]
        if len(ours) == 1:
            values = ours
    mention = None
    if not any(v.casefold() in known for v in values):
        mention = _mentioned(statements, known.values())
    # What is stated as the unit's id stands, unless it is the id and more.
    if mention is not None and (not values or _stands_in(mention.value, values[0])):
        values, named = [mention.value], [mention]
    if len(values) > 1:
        listed = ", ".join(quoted(v) for v in values)
        raise _ask(
            name,
            f"the text above the table names several units: {listed}",
            values[0],
            named[0].line,
        )
    pieces = _path_pieces(f"{name}/{inside}") if known else []
    in_path = [known[p] for p in pieces if p in known]
    in_path = list(dict.fromkeys(in_path))
    mapped = list(
        dict.fromkeys(a.unit for a in config.assignments if a.logger == logger and logger)
    )
    if column is not None:
        alike = _alike_in_path(pieces, config)
        said = values or mapped or in_path or alike
        if said and column[0] not in said:
            raise _ask(
                name,
                f"column {quoted(column[1])} is named for the unit {quoted(column[0])}, but "
                + (
                    f"line {named[0].line} names the unit {quoted(said[0])}"
                    if values
                    else f"logger {quoted(logger)} is assigned to {quoted(said[0])}"
                    if mapped
                    else f"the file's path names {quoted(said[0])}"
                ),
                column[0],
                named[0].line if values else None,
            )
        if not values and not mapped:
            return Identity(column[0], logger, f"column {quoted(column[1])} is named for it")
    if values:
        chosen = values[0]
        if in_path and chosen not in in_path:
            raise _ask(
                name,
                f"line {named[0].line} names the unit {quoted(chosen)}, the file's path "
                f"{quoted(in_path[0])}",
                chosen,
                named[0].line,
            )
        if mapped and chosen not in mapped:
            raise _ask(
                name,
                f"line {named[0].line} names the unit {quoted(chosen)}, but logger "
                f"{quoted(logger)} "
                f"is assigned to {quoted(mapped[0])}",
                chosen,
                named[0].line,
            )
        if not valid_id(chosen):
            raise _ask(
                name,
                f"the unit id {quoted(chosen)} is empty, too long or not printable",
                "unit-1",
                named[0].line,
            )
        return Identity(
            chosen, logger, f"line {named[0].line} says {quoted(named[0].key)}: {quoted(chosen)}"
        )
    if mapped:
        if in_path and not set(in_path) <= set(mapped):
            raise _ask(
                name,
                f"logger {quoted(logger)} is assigned to {quoted(mapped[0])}, but the file's path "
                f"names {quoted(in_path[0])}",
                mapped[0],
                None,
            )
        return Identity("", logger, f"logger {quoted(logger)} is assigned to a unit")
    if len(in_path) == 1:
        return Identity(in_path[0], logger, "the file's path names a configured unit")
    if len(in_path) > 1:
        raise _ask(
            name,
            f"the file's path names several units: {', '.join(map(quoted, in_path))}",
            in_path[0],
            None,
        )
    alike = _alike_in_path(pieces, config) if pieces else []
    if len(alike) == 1:
        return Identity(
            alike[0], logger, "the file's path names a configured unit, but for its marks"
        )
    return _from_name(name, logger, config, inside)


def _alike_in_path(pieces: list[str], config: Config) -> list[str]:
    """Return configured units that a path names but for marks such as ``/``, which it can't hold.

    Only ids with a letter and a digit, and none that another unit's is alike to.
    """
    alike = bare_ids(tuple(unit.id for unit in config.units))
    found = [alike[b] for b in map(bare_id, pieces) if b in alike]
    return list(dict.fromkeys(found))


@lru_cache(maxsize=4)
def bare_ids(ids: tuple[str, ...]) -> dict[str, str]:
    """Return units' ids by their letters and digits alone, where they have both, each once."""
    found: dict[str, list[str]] = {}
    for unit_id in ids:
        found.setdefault(bare_id(unit_id), []).append(unit_id)
    return {
        b: own[0]
        for b, own in found.items()
        if len(own) == 1 and re.search(r"[^\W\d_]", b) and re.search(r"\d", b)
    }


def bare_id(text: str) -> str:
    """Return letters and digits alone, in lower case."""
    return re.sub(r"[\W_]+", "", text.casefold())


def _ask(
    name: str, found: str, example: str, line: int | None, *, alone: bool = True
) -> Exception:
    """Return the refusal of an export whose unit is open.

    Where candidates disagree the answer holds for this export ``alone``: the others of its
    folder may be whose they say they are.
    """
    return refusal(
        "unit_id",
        name,
        found,
        "say which unit it is in a [[layout]]"
        + (" (widen its match where that holds for more exports)" if alone else "")
        + ", or assign its logger to a unit",
        line=line,
        question="Which unit do these exports belong to?",
        toml=layout_toml(name, f"unit_id = {toml_text(example)}", alone=alone, alike=True),
    )


def _bare_value(statement: Statement) -> str:
    return statement.value.strip().strip('"').strip(",;").strip()


def _stated_units(statements: list[Statement]) -> list[Statement]:
    found = []
    for s in statements:
        key = s.key_words
        value = _bare_value(s)
        if not key or not value or len(key) > 50 or not vocabulary.UNIT_ID.search(key):
            continue
        if vocabulary.NOT_AN_ID.search(key) or vocabulary.LOGGER.search(key):
            continue
        if read_mark(value) is not None or kind_of(value) in {"mark", "moment", "dot", "comma"}:
            continue
        if (
            any(read_mark(p) is not None for p in re.split(r"[,;/ ]+", value) if len(p) > 1)
            and len(value) < 16
        ):
            continue
        if kind_of(value) == "null" or key.startswith("units"):
            continue
        found.append(Statement(s.key, value, s.line))
    return found


def _known_units(statements: list[Statement], known: dict[str, str]) -> list[Statement]:
    """Return statements whose value is a configured unit's id and holds a letter.

    A bare number may be a count or a serial.
    """
    found = []
    for s in statements:
        value = _bare_value(s)
        if value.casefold() in known and re.search(r"[^\W\d_]", value) and s.key_words:
            found.append(Statement(s.key, value, s.line))
    return found


def _mentioned(statements: list[Statement], names: Iterable[str]) -> Statement | None:
    """Return the only one of some names that stands among other words above the table.

    Such as two pairs on one line that blanks part. Names of a letter and a digit at least:
    others may be words. None where several stand there.
    """
    found: dict[str, Statement] = {}
    texts = [(s, " ".join((s.key, s.value, *s.more))) for s in statements]
    for name in dict.fromkeys(names) if texts else ():
        for s, text in texts:
            if _stands_in(name, text) and re.search(r"[^\W\d_]", name) and re.search(r"\d", name):
                found.setdefault(name, Statement(text, name, s.line))
    return next(iter(found.values())) if len(found) == 1 else None


def _stands_in(name: str, text: str) -> bool:
    """Say whether a name stands in a text by itself, whatever its case."""
    return name.casefold() in text.casefold() and bool(
        re.search(rf"(?<!\w){re.escape(name)}(?!\w)", text, re.IGNORECASE)
    )


def _one_logger(statements: list[Statement]) -> str:
    loggers, serials = [], []
    for s in statements:
        key = s.key_words
        value = _bare_value(s)
        if (
            not key
            or not value
            or len(value.encode("utf-8", "replace")) > 64
            or not value.isprintable()
        ):
            continue
        if vocabulary.UNIT_ID.search(key) and not vocabulary.LOGGER.search(key):
            continue
        if vocabulary.LOGGER.search(key) and not re.search(
            r"type|model|firmware|version|software|interval|time|zone|battery|status", key
        ):
            loggers.append(
                (value, bool(vocabulary.SERIAL.search(key) or re.search(r"\b(id|no|nr)\b", key)))
            )
        elif vocabulary.SERIAL.search(key):
            serials.append(value)
    exact = [v for v, sure in loggers if sure]
    pool = exact or serials or [v for v, _ in loggers]
    return pool[0] if len(set(pool)) == 1 else ""


def unit_in_name(name: str, config: Config) -> str | None:
    """Return the unit that a path alone names, or None."""
    known = {u.id.casefold(): u.id for u in config.units}
    named = list(dict.fromkeys(known[p] for p in _path_pieces(name) if p in known))
    if named:
        return named[0] if len(named) == 1 else None
    try:
        return _from_name(name, "", config, "").unit_id
    except ExportRefusedError:
        return None


def _path_pieces(name: str) -> list[str]:
    """Return runs of a path's parts in lower case, by which a configured unit may be named."""
    found = []
    for part in name.replace("\\", "/").split("/"):
        stem = _stem(part)
        pieces = re.split(r"([_\s.,;()\[\]-]+)", stem)
        for a in range(0, len(pieces), 2):
            for b in range(a + 1, min(len(pieces), a + 12) + 1, 2):
                text = "".join(pieces[a:b]).casefold()
                if text:
                    found.append(text)
    return found


def _stem(leaf: str) -> str:
    return _SUFFIXED.sub("", leaf)


def _from_name(name: str, logger: str, config: Config, inside: str) -> Identity:
    leaf = name.replace("\\", "/").rsplit("/", 1)[-1]
    # Where the archive's own name says nothing, a name in it may.
    whole = f"{name}/{inside}" if inside and not strip_name(_stem(leaf)) else name
    parts = [p for p in whole.replace("\\", "/").split("/") if p not in {"", ".", ".."}]
    sites = {s.id.casefold() for s in config.sites} | {
        s.name.casefold() for s in config.sites if s.name
    }
    for place, part in enumerate(reversed(parts)):
        is_file = place == 0 or part.lower().endswith(SUFFIXES)
        stem = _stem(part) if is_file else part
        own = strip_name(stem, folder=not is_file)
        if is_file and (also := _with_number(stem, own)):
            raise refusal(
                "unit_id",
                name,
                f"its name may mean the unit {quoted(also)}, or the unit {quoted(own)} and a "
                "running number",
                f"enter the units as [[unit]], or pin unit_id = {quoted(own)} in a [[layout]]",
                question=f"Is {quoted(also)} a unit's name?",
                toml=f"[[unit]]\nid = {toml_text(also)}",
            )
        if own and own.casefold() not in sites and valid_id(own):
            where = "file's" if place == 0 else "folder's"
            return Identity(own, logger, f"the {where} name, date and sequence taken off")
    raise _ask(
        name,
        "nothing names the unit: no column, no line above the table, not the file's or "
        "folder's name",
        "unit-1",
        None,
        alone=False,
    )


def _with_number(stem: str, own: str) -> str:
    """Return the name with the number that may be the unit's, where nothing tells, or nothing.

    ``AC 3.csv`` is the third unit or its third export; ``AC_0003.csv`` counts exports.
    """
    found = re.fullmatch(rf"{re.escape(own)}[_ ]([1-9]\d?)", stem.strip())
    return stem.strip() if own and found and not re.search(r"\d", own) else ""


def strip_name(stem: str, *, folder: bool = False) -> str:
    """Return what is left of a name without its date, time, sequence and generic parts.

    A number behind a name that has none is the unit's where a folder has that name,
    or where it stands before a date; else it counts exports.
    """
    dates = _DATE_PART.search(stem)
    before_date = dates.start() if dates else 0
    text = re.sub(r"\(\d+\)|\[\d+\]", " ", stem)
    text = re.sub(
        r"(?<!\d)(?:19|20)\d{2}[-_.]?(?:0[1-9]|1[0-2])[-_.]?(?:0[1-9]|[12]\d|3[01])"
        r"(?:[T_\-. ]?(?:[01]\d|2[0-3])[-_.h:]?[0-5]\d(?:[-_.m:]?[0-5]\d)?Z?)?(?!\d)",
        " ",
        text,
    )
    text = re.sub(r"(?<!\d)\d{1,2}([-_.])\d{1,2}\1(?:19|20)\d{2}(?!\d)", " ", text)
    text = _WEEK_OR_MONTH.sub(" ", text)
    text = re.sub(r"(?<!\d)(?:19|20)\d{2}[-_.]?(?:W\d{2}|Q[1-4]|0[1-9]|1[0-2])(?!\d)", " ", text)
    dated = text != stem
    parts = re.split(r"([_\s,;()\[\]]+|(?<=\s)-|-(?=\s))", text)
    pieces = parts[0::2]
    kept: list[str] = []
    place = 0
    for k, piece in enumerate(pieces):
        own_number = (
            (folder or place < before_date)
            and re.fullmatch(r"\d{1,3}", piece) is not None
            and not any(c.isdigit() for c in "".join(kept))
        )
        place += len(piece) + (len(parts[2 * k + 1]) if 2 * k + 1 < len(parts) else 0)
        piece = piece.strip("-_. ")
        low = words(piece).replace(" ", "")
        bare = re.sub(r"\d+$", "", low)
        before = words(pieces[k - 1]) if k else ""
        drop = (
            not piece
            or low in GENERIC
            or low in MONTHS
            or (bare in GENERIC and bare not in {"no", "nr", "test", "am", "pm"} and low != bare)
            or (dated and re.fullmatch(r"\d{6}|\d{4}", piece) is not None)
            or (dated and bool(kept) and _INTERVAL.fullmatch(piece) is not None)
            or (
                piece.isdigit()
                and bool(kept)
                and kept[-1].casefold() not in _LABELS
                and not own_number
            )
            or (piece.isdigit() and before in GENERIC)
            or (re.fullmatch(r"\d{8,14}", piece) is not None and understand(piece) is not None)
        )
        if not drop:
            if kept:
                # Pieces that stood side by side keep what stood between them.
                gap = parts[2 * k - 1] if words(kept[-1]) == before else "_"
                # Where a date stood between them, one mark is left of those around it.
                gap = gap.strip()[0] if gap.strip() != gap and gap.strip() else gap
                kept.append(gap)
            kept.append(piece)
    # A hyphenated generic tail or head (s-12-export) goes too.
    result = "".join(kept)
    while "-" in result or "." in result or "_" in result:
        shorter = _HEAD.sub("", _TAIL.sub("", result))
        if shorter == result:
            break
        result = shorter
    result = result.strip("-_. ")
    if result.casefold() in _LABELS or not result:
        return ""
    # Digits alone are a sequence, not an id; a configured one is known by its path before.
    if result.isdigit() or (dated and len(result) == 1):
        return ""
    return result
