"""From a stored sample back to the export and the lines that it came from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..shared.config import Config
from ..shared.errors import ChamberdriftError, ExportRefusedError

if TYPE_CHECKING:
    import pandas as pd

    from .store import Store


@dataclass(frozen=True)
class Origin:
    """Where the value of one channel of one sample came from."""

    channel: str
    value: float
    """As it was recorded and stored."""
    export: str
    """Path below the inbox."""
    sha256: str
    member: str
    """The file within an archive, else the export's own name."""
    first_line: int | None
    """One-based; None when the export is no longer there or reads differently now."""
    last_line: int | None
    note: str = ""
    correction: str = ""
    """What is added to it before cycles are found, in words; empty for nothing."""


def origins(
    store: Store, inbox: str, config: Config, unit_id: str, time: pd.Timestamp
) -> tuple[Origin, ...]:
    """Return the origin of each channel of a unit's sample at a time.

    The export is looked for below the inbox and read once more; a file whose bytes
    are no longer those that were taken in is not believed.

    Raises
    ------
    ChamberdriftError
        If the store has no sample of the unit at that time.
    """
    from .store.precedence import CHANNELS

    snapshot = store.snapshot()
    row = snapshot.trace(unit_id, time, time, provenance=True)
    if not len(row):
        raise ChamberdriftError(f"unit {unit_id} has no sample at {time.isoformat()}")
    sample = row.iloc[0]
    pairs = _pairs(sample["channel_sources"])
    exports = _exports(snapshot, {str(sample["source"]), *pairs.values()})
    found = []
    lines: dict[str, tuple[str, int | None, int | None, str]] = {}
    for channel in CHANNELS:
        value = sample[channel]
        if value != value:  # null
            continue
        source = pairs.get(channel, str(sample["source"]))
        names, sha256 = exports.get(source, ((), source))
        if source not in lines:
            lines[source] = _lines(inbox, config, names, sha256, unit_id, sample["time"])
        member, first, last, note = lines[source]
        name = names[0] if names else ""
        added = _added(config, unit_id, row, channel)
        found.append(Origin(channel, float(value), name, sha256, member, first, last, note, added))
    return tuple(found)


def _added(config: Config, unit_id: str, sample: pd.DataFrame, channel: str) -> str:
    from ..reports.corrected import in_words
    from .corrections import corrections_of, holds

    return "; ".join(
        in_words(c)
        for c in corrections_of(config, unit_id)
        if (channel == c.channel and c.add_k is not None)
        or (channel == "pressure_kpa" and c.add_kpa is not None)
        if holds(c, sample["time"], sample["logger_id"]).all()
    )


def _pairs(text: Any) -> dict[str, str]:
    if not isinstance(text, str) or not text:
        return {}
    return dict(pair.split("=", 1) for pair in text.split(","))


def _exports(snapshot: Any, sources: set[str]) -> dict[str, tuple[tuple[str, ...], str]]:
    """Return, by source, the names under which the export was seen and its sha256."""
    intake = snapshot.table("intake", columns=["export", "sha256", "outcome"])
    intake = intake[intake["sha256"].str[:16].isin(sources)].sort_values(["outcome", "export"])
    found: dict[str, tuple[tuple[str, ...], str]] = {}
    for sha256, rows in intake.groupby("sha256"):
        names = tuple(str(e) for e in rows["export"])
        found[str(sha256)[:16]] = (names, str(sha256))
    return found


def _lines(
    inbox: str, config: Config, names: tuple[str, ...], sha256: str, unit_id: str, time: Any
) -> tuple[str, int | None, int | None, str]:
    import hashlib

    from .ingest import read_export
    from .store.location import open_location

    place = open_location(inbox)
    for name in names:
        try:
            data = place.read(name)
        except OSError:
            continue
        if hashlib.sha256(data).hexdigest() != sha256:
            continue
        try:
            reading = read_export(data, name=names[0], config=config, sha256=sha256)
            index = _position(reading, unit_id, time)
        except ExportRefusedError as error:
            return names[0], None, None, f"it would be refused now: {error.message}"
        if index is None or reading.line_map is None:
            return names[0], None, None, "it is read in another way now than when it was taken in"
        member, first, last = reading.line_map.lines_of(index)
        return member, first, last, ""
    return (names[0] if names else ""), None, None, "the export is no longer in the inbox"


def _position(reading: Any, unit_id: str, time: Any) -> int | None:
    """Return the index of a unit's sample among all samples of a reading."""
    import pyarrow as pa
    import pyarrow.compute as pc

    from .store.specs import to_ms

    at = pa.scalar(to_ms(time))
    start = 0
    found = None
    for table in reading.tables:  # to the end: the line map is complete only then
        if found is None:
            same_time = pc.equal(table.column("time").cast(pa.int64()), at)
            same = pc.and_(same_time, pc.equal(table.column("unit_id"), unit_id))
            index = pc.index(same, True).as_py()
            if index >= 0:
                found = start + int(index)
        start += len(table)
    return found
