"""Long tables, one reading a row, to samples with a column a channel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow.compute as pc
from numpy.typing import NDArray

from .channels import assign_names, channel_kind, placement
from .clock import RowTimes
from .convert import Counts, Owner, Part, place_in_utc, to_schema_unit
from .header_words import words
from .order import is_descending
from .plausibility import spoilt, time_order
from .refuse import quoted, refusal
from .roles import Channel
from .statements import Statement
from .units_found import Mark, read_mark, reference_in, split_header

Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
Float = NDArray[np.float64]

MAX_LABELS = 64


@dataclass(frozen=True)
class Labels:
    """Channels of a long table: the code of each row, and the channel of each code."""

    codes: NDArray[np.int32]
    channels: tuple[Channel, ...]
    """``column`` holds the label's code."""
    unused: tuple[str, ...]


def encode(column: Any) -> tuple[NDArray[np.int32], list[str]]:
    """Return codes (n,) and distinct texts of a text column."""
    coded = pc.dictionary_encode(column)
    codes = coded.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int32)
    texts = [(t or "").strip() for t in coded.dictionary.to_pylist()]
    return codes, texts


def find_labels(
    labels: Any, marks: Any | None, statements: list[Statement], name: str, line: int | None
) -> Labels:
    """Find the channels of a long table.

    Parameters
    ----------
    labels
        Text column that names each row's channel.
    marks
        Text column of unit marks, or None.

    Raises
    ------
    ExportRefusedError
        With cause ``channels`` or ``units_differ``.
    """
    codes, texts = encode(labels)
    if len(texts) > MAX_LABELS:
        raise refusal(
            "channels",
            name,
            f"the channel column holds {len(texts)} different names",
            "pin the layout's columns",
            line=line,
        )
    # Spellings that differ only in blanks or case are one channel.
    canonical: dict[str, int] = {}
    mapped = np.zeros(max(len(texts), 1), np.int32)
    for k, text in enumerate(texts):
        mapped[k] = canonical.setdefault(" ".join(text.casefold().split()), k)
    codes = np.where(codes >= 0, mapped[np.maximum(codes, 0)], -1).astype(np.int32)
    mark_codes, mark_texts = (None, []) if marks is None else encode(marks)
    found: list[tuple[Channel, str]] = []
    unused: list[str] = []
    for k in sorted(set(canonical.values())):
        text = texts[k]
        described = _described(text, statements)
        rest, mark = split_header(described)
        why = f"the channel's name says {quoted(text)}" if mark else ""
        if mark_codes is not None:
            own = {
                read_mark(mark_texts[c])
                for c in np.unique(mark_codes[codes == k])
                if c >= 0 and mark_texts[c]
            }
            own_marks = {m for m in own if m is not None}
            references = {m.reference for m in own_marks} - {""}
            if len({m.unit for m in own_marks}) > 1 or len(references) > 1:
                raise refusal(
                    "units_differ",
                    name,
                    f"channel {quoted(text)} has values in "
                    f"{', '.join(sorted(f'{m.unit} {m.reference}'.strip() for m in own_marks))}",
                    "export it in one unit, absolute or gauge throughout",
                    line=line,
                )
            if own_marks:
                beside = max(own_marks, key=lambda m: m.reference)
                if mark is None or mark.kind != beside.kind:
                    mark, why = beside, "the unit column says so"
                elif not mark.reference and beside.reference:
                    mark = Mark(mark.unit, mark.kind, beside.reference)
        low = words(rest)
        kind = channel_kind(low, mark)
        where = placement(low)
        if kind == "place":
            kind = "temperature"
        if kind in {"", "other"}:
            unused.append(text)
            continue
        reference = mark.reference if mark else ""
        if kind == "pressure" and not reference:
            said = reference_in(described)
            reference = "" if said == "both" else said
        unit, factor = (mark.unit, 1.0) if mark else ("", 1.0)
        if unit == "mA":
            unit, factor = "A", 0.001
        found.append(
            (
                Channel("", kind, text, k, unit, reference, why, why if reference else "", factor),
                where,
            )
        )
    channels = assign_names(found, unused, name, line)
    return Labels(codes, tuple(channels), tuple(unused))


def _described(text: str, statements: list[Statement]) -> str:
    own = words(text)
    for s in statements:
        if s.key_words == own and own and len(s.value) < 60:
            return f"{text} {s.value}"
    return text


def convert_long(
    owner: Owner,
    times: RowTimes,
    rows: Int,
    lines: Int,
    labels: Labels,
    channels: tuple[Channel, ...],
    written: Float,
    words_mask: Bool,
    counts: Counts,
    member: str,
    name: str,
) -> Part | None:
    """Turn one unit's rows of a long table into samples.

    A row read is one reading; a sample gathers the readings of one moment. Of
    two readings of a channel at one moment the first is kept.
    """
    ms, line, code = times.ms[rows], lines[rows], labels.codes[rows]
    start = times.start[rows] if times.start is not None else None
    value_of, error_of = written[rows], (words_mask[rows] if len(words_mask) else None)
    if is_descending(ms):
        ms, line, code, value_of = ms[::-1], line[::-1], code[::-1], value_of[::-1]
        error_of = error_of[::-1] if error_of is not None else None
        start = start[::-1] if start is not None else None
    utc, alive, _ = place_in_utc(owner, times.utc, ms, counts, name, start)
    n = len(ms)
    known = np.zeros(n, bool)
    picks: dict[str, Int] = {}
    for channel in channels:
        here = np.flatnonzero((code == channel.column) & alive)
        known[here] = True
        picks[channel.name] = here
    counts.drop("other_channel", int((alive & ~known).sum()))
    moment, place = _moments(utc, alive & known)
    if len(moment) == 0:
        for channel in channels:
            counts.drop("no_value", len(picks[channel.name]))
        return None
    mine: dict[str, Float] = {}
    gauge_of: Float | float | None = None
    first = np.full(len(moment), np.iinfo(np.int64).max, np.int64)
    last = np.zeros(len(moment), np.int64)
    air_here: Float | None = None
    kept = np.zeros(n, bool)
    order = sorted(channels, key=lambda c: c.name != "atmosphere_kpa")
    for channel in order:
        here = picks[channel.name]
        raw = value_of[here]
        value = to_schema_unit(channel, raw)
        if channel.name == "pressure_kpa" and channel.reference != "absolute":
            gauge_of = owner.atmosphere.kpa
            if air_here is not None and channel.reference != "sealed_gauge":
                gauge_of = air_here
                value = value + air_here[place[here]]
            else:
                value = value + (gauge_of if gauge_of is not None else np.nan)
        bad = spoilt(channel.name, value, raw, time_order(utc[here]))
        if error_of is not None and error_of[here].any():
            bad["sensor_error"] = error_of[here]
        good = np.isfinite(value)
        if channel is channels[0]:
            counts.main_cells += len(here)
        for reason, mask in bad.items():
            mask = mask & (good | (reason == "sensor_error"))
            counts.drop(reason, int(mask.sum()))
            good &= ~mask
            if channel is channels[0]:
                counts.main_spoilt += int(mask.sum())
        wordless = np.isnan(raw)
        if "sensor_error" in bad:
            wordless &= ~bad["sensor_error"]
        counts.drop("no_value", int((wordless & ~good).sum()))
        stray = ~good & ~wordless
        for mask in bad.values():
            stray &= ~mask
        counts.drop("no_value", int(stray.sum()))
        here, value, raw = here[good], value[good], raw[good]
        at = place[here]
        column = np.full(len(moment), np.nan)
        # Written backwards, so that the first reading of a moment stays.
        column[at[::-1]] = value[::-1]
        owner_row = np.full(len(moment), -1, np.int64)
        owner_row[at[::-1]] = here[::-1]
        again = owner_row[at] != here
        if again.any():
            same = column[at] == value
            counts.drop("duplicate", int((again & same).sum()))
            counts.drop("duplicate_time", int((again & ~same).sum()))
        kept[here[~again]] = True
        if channel.name == "atmosphere_kpa":
            # A barometer read less often holds until it is read again.
            filled = np.where(np.isnan(column), 0, np.arange(len(column)))
            filled = np.maximum.accumulate(filled)
            air_here = column[filled]
        else:
            mine[channel.name] = column
            np.minimum.at(first, at[~again], line[here[~again]])
            np.maximum.at(last, at[~again], line[here[~again]])
    measured = np.zeros(len(moment), bool)
    for column in mine.values():
        measured |= np.isfinite(column)
    counts.kept += int(kept.sum())
    keep = np.flatnonzero(measured)
    if len(keep) == 0:
        return None
    if not any(c.name == "pressure_kpa" for c in channels):
        gauge_of = None
    whole = len(keep) == len(moment)
    if isinstance(gauge_of, np.ndarray) and not whole:
        gauge_of = gauge_of[keep]
    assumed = (
        owner.atmosphere.assumed and gauge_of is not None and not isinstance(gauge_of, np.ndarray)
    )
    return Part(
        owner.unit_id,
        owner.logger_id,
        moment if whole else moment[keep],
        mine if whole else {k: v[keep] for k, v in mine.items()},
        gauge_of,
        assumed,
        member,
        first if whole else first[keep],
        last if whole else last[keep],
    )


def _moments(utc: Int, alive: Bool) -> tuple[Int, Int]:
    """Return distinct times in order, and for each row the number of its time."""
    live = utc if bool(alive.all()) else utc[alive]
    if len(live) == 0:
        return live, np.zeros(len(utc), np.int64)
    steps = np.diff(live)
    if bool((steps >= 0).all()):
        own = np.concatenate(([0], np.cumsum(steps > 0)))
        moment = live[np.concatenate(([True], steps > 0))]
    else:
        moment, own = np.unique(live, return_inverse=True)
    place = np.zeros(len(utc), np.int64)
    place[alive] = own
    return moment, place
