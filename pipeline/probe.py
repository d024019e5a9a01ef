"""How one export would be read, and why; nothing is stored."""

from __future__ import annotations

import textwrap
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..shared.config import Config
from ..shared.errors import ChamberdriftError, ExportRefusedError
from .shown import shell_word

SAMPLES_SHOWN = 3


@dataclass(frozen=True)
class Probe:
    """What the reader found."""

    file: str
    name: str
    """The name that patterns and unit ids are matched against."""
    layout: str = ""
    evidence: tuple[tuple[str, str, str], ...] = ()
    """What was decided, which value, and why."""
    units: tuple[str, ...] = ()
    rows_read: int = 0
    rows_kept: int = 0
    dropped: dict[str, int] = field(default_factory=dict)
    first_time: str = ""
    last_time: str = ""
    samples: list[dict[str, Any]] = field(default_factory=list)
    toml: str = ""
    cause: str = ""
    message: str = ""
    question: str = ""
    command: str = ""

    @property
    def refused(self) -> bool:
        """Whether the export would be set aside."""
        return bool(self.cause)

    def as_dict(self) -> dict[str, Any]:
        """Return the result as plain values."""
        return {
            "file": self.file,
            "name": self.name,
            "outcome": "quarantined" if self.refused else "accepted",
            "layout": self.layout,
            "evidence": [{"decision": d, "value": v, "why": w} for d, v, w in self.evidence],
            "unit_ids": list(self.units),
            "rows_read": self.rows_read,
            "rows_kept": self.rows_kept,
            "dropped_by_reason": self.dropped,
            "first_time": self.first_time,
            "last_time": self.last_time,
            "first_samples": self.samples,
            "toml": self.toml,
            "cause": self.cause,
            "message": self.message,
            "question": self.question,
            "command": self.command,
        }

    def text(self, width: int = 80) -> str:
        """Return the result in words, wrapped to a width."""
        lines = [f"{self.file}, as {self.name}"]
        if self.refused:
            lines += ["", *textwrap.wrap(f"It would be set aside. {self.message}", width)]
            lines += ["", *textwrap.wrap(self.question, width)] if self.question else []
            lines += [f"  {self.command}"] if self.command else []
        else:
            units = ", ".join(self.units)
            lines.append(
                f"It would be taken in: {self.rows_kept} of {self.rows_read} rows, {units},"
            )
            lines.append(f"from {self.first_time} to {self.last_time}.")
            lines += [f"  left out, {why}: {count} rows" for why, count in self.dropped.items()]
        if self.evidence:
            until = " before it was refused" if self.refused else ""
            lines += ["", f"What was decided{until}, and why:"]
            label = max(len(d) for d, _, _ in self.evidence)
            for decision, value, why in self.evidence:
                head = f"  {decision:<{label}}  {value}"
                said = f"{head}  ({why})" if why else head
                lines += textwrap.wrap(
                    said, width, subsequent_indent=" " * (label + 4), break_long_words=False
                )
        if self.samples:
            lines += ["", "First samples, in UTC:"]
            for row in self.samples:
                lines.append("  " + ", ".join(f"{k} {v}" for k, v in row.items()))
        if self.toml:
            what = "answer" if self.refused else "pin"
            lines += ["", f"To {what} it, add to STORE/chamberdrift.toml:"]
            lines += [f"  {line}" for line in self.toml.strip().splitlines()]
        return "\n".join(lines)


def probe_export(file: str, location: str | None = None, *, inbox: str | None = None) -> Probe:
    """Read an export without storing anything.

    Parameters
    ----------
    file
        Its path.
    location
        A store, whose configuration and other exports settle what is open.
    inbox
        The folder that the export's name is taken below; else the name is that of the
        file, and its folder's where that is a site.

    Raises
    ------
    ChamberdriftError
        If the file can't be read at all.
    """
    from .ingest import read_export
    from .quarantine import ANSWERS

    path = Path(file)
    if not path.is_file():
        raise ChamberdriftError(f"no file at {file}; name one export.")
    config, facts = _knowledge(location)
    name = _name(path, config, inbox)
    try:
        reading = read_export(
            path, name=name, config=config, facts=facts, today_days=int(time.time() // 86400.0)
        )
        table = reading.table()
    except ExportRefusedError as error:
        answer = ANSWERS.get(error.cause, "")
        store = shell_word(location or "STORE")
        command = f"chamberdrift init {answer} --store {store}" if answer else ""
        return Probe(
            file,
            name,
            cause=error.cause,
            message=error.message,
            question=error.question,
            toml=error.toml,
            command=command,
            evidence=error.evidence,
        )
    return Probe(
        file,
        name,
        layout=reading.layout,
        evidence=tuple((e.decision, e.value, e.why) for e in reading.evidence),
        units=tuple(reading.unit_ids),
        rows_read=reading.rows_read,
        rows_kept=reading.rows_kept,
        dropped=dict(reading.dropped_by_reason),
        first_time=_iso(reading.first_time),
        last_time=_iso(reading.last_time),
        samples=_first_samples(table),
        toml=reading.toml,
    )


def _knowledge(location: str | None) -> tuple[Config, Any]:
    if location is None:
        return Config(), None
    from .intake_rows import Account
    from .moment import now
    from .settings import read_settings
    from .store import Store

    store = Store.open(location)
    return read_settings(store.place), Account.of(store.snapshot(), [], now()).facts


def _name(path: Path, config: Config, inbox: str | None) -> str:
    if inbox is not None:
        try:
            return path.resolve().relative_to(Path(inbox).resolve()).as_posix()
        except ValueError:
            raise ChamberdriftError(f"{path} does not lie below {inbox}.") from None
    parent = path.resolve().parent.name
    return f"{parent}/{path.name}" if config.site(parent) else path.name


def _first_samples(table: Any) -> list[dict[str, Any]]:
    rows = []
    for row in table.slice(0, SAMPLES_SHOWN).to_pylist():
        shown = {k: v for k, v in row.items() if v is not None and k not in ("source", "unit_id")}
        shown = {k: v for k, v in shown.items() if v != ""}
        rows.append({k: _cell(k, v) for k, v in shown.items()})
    return rows


def _cell(name: str, value: Any) -> Any:
    if name == "time":
        return _iso(value)
    return round(value, 3) if isinstance(value, float) else value


def _iso(moment: Any) -> str:
    return "" if moment is None else moment.isoformat().replace("+00:00", "Z")
