"""Times that Arrow reads are those that reading them as text gives, or are read as text."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from chamberdrift.pipeline.ingest import read_export, stamps, table_rows
from chamberdrift.pipeline.ingest.raw import Raw
from chamberdrift.pipeline.ingest.recall import forget
from chamberdrift.shared.config import Config, Defaults

from .shapes_common import BERLIN, C
from .truth import num, rows_of

CONFIG = Config(defaults=Defaults(zone=BERLIN))
HEAD = "Time,Temperature (°C),Pressure (kPa abs)"
Change = Callable[[list[str]], list[str]]


def _rows(offset: str = "") -> list[str]:
    return rows_of(
        C, BERLIN, lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S}{offset},{num(t)},{num(p)}"
    )


def _swap(row: int, old: str, new: str) -> Change:
    def change(rows: list[str]) -> list[str]:
        return [r.replace(old, new, 1) if k == row else r for k, r in enumerate(rows)]

    return change


def _put(row: int, text: str) -> Change:
    return lambda rows: [*rows[:row], text, *rows[row:]]


CASES: dict[str, tuple[str, Change, bool]] = {
    "plain": ("", list, True),
    "offset": ("+02:00", list, True),
    "in UTC": ("Z", list, True),
    "another offset in one row": ("+02:00", _swap(200, "+02:00", "+01:00"), False),
    "no offset in one row": ("+02:00", _swap(200, "+02:00", ""), False),
    "a clock to the minute": ("", _swap(60, ":00,", ","), False),
    "a date alone": ("", _put(200, "2024-05-21,21.0,101.3"), False),
    "a fraction": ("", _swap(200, ",", ".5,"), False),
    "24 o'clock": ("", _put(200, "2024-05-20 24:00:00,21.0,101.3"), False),
    "the thirtieth of February": ("", _put(200, "2024-02-30 10:00:00,21.0,101.3"), False),
    "a clock of 1970": ("", _put(0, "1970-01-01 00:00:05,21.0,101.3"), False),
    "an empty time": ("", _put(200, ",21.0,101.3"), False),
    "a header again": ("", _put(200, HEAD), False),
    "a note": ("", _put(200, "door opened at 10:15:00"), False),
    "a word for a number": ("", _put(200, "2024-05-21 10:33:21,error,101.3"), False),
}


@pytest.mark.parametrize("case", CASES)
def test_what_arrow_reads_is_what_the_text_says(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    offset, change, taken = CASES[case]
    data = "\n".join([HEAD, *change(_rows(offset)), ""]).encode()
    used: list[bool] = []
    whole = table_rows.read_rows

    def watched(*args: Any) -> Raw:
        raw = whole(*args)
        used.append(raw.stamp is not None)
        return raw

    def read() -> tuple[Any, ...]:
        forget()
        reading = read_export(data, name="S-1.csv", config=CONFIG)
        return (
            reading.table().to_pylist(),
            reading.dropped_by_reason,
            reading.evidence,
            reading.toml,
            reading.line_map.row.tolist() if reading.line_map else None,
        )

    monkeypatch.setattr(table_rows, "read_rows", watched)
    fast = read()
    assert used[-1] is taken
    monkeypatch.setattr(table_rows, "stamp_of", lambda *args: None)
    assert read() == fast
    assert not used[-1]
    assert len(fast[0]) >= len(C.t) - 1


@pytest.mark.parametrize("text", [b"Z", b"+02:00", b"-03:30"])
def test_offsets_are_counted_as_they_are_written(text: bytes) -> None:
    row = b"2024-05-21 10:00:00" + text + b",+12.3,-4.5\n"
    other = b"2024-05-21 10:00:00+01:00,1,2\n"
    for data in (row, row * 50, row * 3 + other * 2 + row, other, text, b"", row * 2 + text):
        assert stamps._times_in(data, text) == data.count(text)
