"""Units and references that lines above the table state."""

from __future__ import annotations

import re
from dataclasses import replace

from . import header_words as vocabulary
from .header_words import tokens, words
from .refuse import quoted, refusal
from .roles import Channel
from .statements import Statement
from .units_found import Mark, marks_in, read_mark, reference_in, split_header


def preamble_units(
    channels: tuple[Channel, ...], statements: list[Statement]
) -> tuple[Channel, ...]:
    """Fill in units and references that the preamble states."""
    result = []
    for channel in channels:
        if channel.kind in {"temperature", "pressure"}:
            if not channel.unit:
                channel = _unit_from(channel, statements)
            if channel.kind == "pressure" and channel.name == "pressure_kpa":
                said = _reference_from(channel, statements)
                if not channel.reference:
                    channel = said
                elif said.reference != channel.reference:
                    # Header and preamble disagree: then neither settles it.
                    channel = replace(channel, reference="", reference_why="")
        result.append(channel)
    return tuple(result)


def refuse_other_units(channels: tuple[Channel, ...], inner: list[Statement], name: str) -> None:
    """Refuse a table among whose rows lines state another unit or reference.

    Parameters
    ----------
    inner
        What lines among and below the rows say.

    Raises
    ------
    ExportRefusedError
        With cause ``units_differ``.
    """
    if not inner:
        return
    for channel in channels:
        if channel.kind not in {"temperature", "pressure"} or not channel.unit:
            continue
        bare = replace(channel, unit="", reference="", unit_why="", reference_why="")
        said = _unit_from(bare, inner, several=True)
        if channel.name == "pressure_kpa":
            said = replace(said, reference=_reference_from(bare, inner).reference)
        units = set(said.unit.split()) - {channel.unit}
        other = said.reference and channel.reference and said.reference != channel.reference
        if units or other:
            raise refusal(
                "units_differ",
                name,
                f"column {quoted(channel.header)} is in {channel.unit} {channel.reference}, but "
                f"{said.unit_why or said.reference_why} "
                f"({' '.join((said.unit, said.reference)).strip()})",
                "export it in one unit, each record in a file of its own",
            )


def _unit_from(channel: Channel, statements: list[Statement], *, several: bool = False) -> Channel:
    pattern = vocabulary.TEMPERATURE if channel.kind == "temperature" else vocabulary.PRESSURE
    found: dict[Mark, int] = {}
    for s in statements:
        key = s.key_words
        whole = words(s.key + " " + s.value)
        about = pattern.search(key) or words(channel.header) == key
        general = bool(tokens(s.key) & vocabulary.UNIT_WORD) or key in {
            "units",
            "unit",
            "einheiten",
            "unites",
            "unidades",
        }
        if not about and not general and not (not key and pattern.search(whole)):
            continue
        if vocabulary.NOT_A_READING.search(key) or vocabulary.ATMOSPHERE.search(key):
            continue
        marks = [m for m in [read_mark(s.value), *marks_in(s.value)] if m is not None]
        if not marks:
            rest, mark = split_header(s.value)
            if mark is not None and len(rest) < 40 and not re.search(r"\d", rest):
                marks = [mark]
        for mark in marks:
            if mark.kind == channel.kind:
                found.setdefault(mark, s.line)
    units = {m.unit for m in found}
    if several and len(units) > 1:
        return replace(
            channel, unit=" ".join(sorted(units)), unit_why="lines among the rows say so"
        )
    if len(units) != 1:
        return channel
    mark, line = next(iter(found.items()))
    why = f"line {line} says so"
    return replace(
        channel,
        unit=mark.unit,
        unit_why=why,
        reference=channel.reference or mark.reference,
        reference_why=channel.reference_why or (why if mark.reference else ""),
    )


def _reference_from(channel: Channel, statements: list[Statement]) -> Channel:
    said: dict[str, int] = {}
    for s in statements:
        whole = words(s.key + " " + s.value)
        if not (
            vocabulary.PRESSURE.search(whole) or re.search(r"\breference\b|\bbezug", words(s.key))
        ):
            continue
        if vocabulary.ATMOSPHERE.search(whole) and not re.search(r"gauge|absolut|relativ", whole):
            continue
        if vocabulary.NOT_A_READING.search(words(s.key)):
            continue
        mark = read_mark(s.value)
        reference = mark.reference if mark is not None and mark.kind == "pressure" else ""
        reference = reference or reference_in(s.key + " " + s.value)
        if reference and reference != "both":
            said.setdefault(reference, s.line)
    if len(said) == 1:
        reference, line = next(iter(said.items()))
        return replace(channel, reference=reference, reference_why=f"line {line} says so")
    return channel
