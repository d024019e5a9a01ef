"""Spoilt and hostile exports: accounted for or refused, never anything else.

Bytes of good exports are mutated at random (flips, cuts, repeats, insertions of
bytes that matter to a reader), lines are shuffled, dropped and glued, and texts
are made from nothing. For each: the rows read are kept or dropped by a reason,
times are in order, values are ones that a chamber can have; or it is refused
with a cause, and that cause is never the one of an unforeseen error.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from chamberdrift.shared.config import Config, Defaults
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from .shapes import all_shapes
from .truth import Shape, attempt

SEEDS = all_shapes()
MATTERS = [
    b"\x00",
    b"\n",
    b"\r",
    b"\r\n",
    b",",
    b";",
    b"\t",
    b'"',
    b"'",
    b"-",
    b"+",
    b".",
    b":",
    b" ",
    b"/",
    b"\xff",
    b"\xfe",
    b"\xef\xbb\xbf",
    b"\x80",
    b"\xc3",
    b"9" * 30,
    b"1e400",
    b"NaN",
    b"=1+2",
    b"@SUM(A1)",
    b"\x1b[31m",
    b"\x1f\x8b",
    b"PK\x03\x04",
    b"99/99/9999",
    b"0000-00-00",
    b"24:00:00",
    b"-999",
    b"\xe2\x84\x83",
    b"%s",
    b"{}",
    b"[[",
    b"C:\\",
    b"../../x",
    b"CON",
]
CONFIGS = (
    Config(),
    Config(defaults=Defaults(zone="Europe/Berlin")),
    Config(
        defaults=Defaults(
            zone="Europe/Berlin",
            day_first=True,
            pressure_reference="absolute",
            temperature_unit="°C",
            pressure_unit="kPa",
        )
    ),
)


def mutate(data: bytes, rng: random.Random) -> bytes:
    """Spoil some bytes or lines of an export."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 3, 8, 40))):
        what = rng.randrange(9)
        at = rng.randrange(len(out) + 1)
        if rng.random() < 0.5:
            at = min(at, rng.randrange(600))
        if what == 0 and out:
            out[at % len(out)] = rng.randrange(256)
        elif what == 1:
            out[at:at] = rng.choice(MATTERS)
        elif what == 2:
            del out[at : at + rng.choice((1, 2, 10, 300))]
        elif what == 3:
            out[at:at] = out[at : at + rng.choice((5, 40, 400))]
        elif what == 4:
            del out[rng.randrange(len(out) + 1) :]
        elif what == 5:
            old, new = rng.choice(MATTERS), rng.choice(MATTERS)
            out = bytearray(bytes(out).replace(old, new, rng.choice((1, 5, -1))))
        elif what == 6:
            lines = bytes(out).split(b"\n")
            rng.shuffle(lines)
            out = bytearray(b"\n".join(lines))
        elif what == 7:
            lines = bytes(out).split(b"\n")
            a, b = sorted((rng.randrange(len(lines) + 1), rng.randrange(len(lines) + 1)))
            lines[a:b] = [rng.choice(lines) for _ in range(rng.randrange(4))]
            out = bytearray(b"\n".join(lines))
        else:
            out[at:at] = bytes(rng.randrange(256) for _ in range(rng.choice((1, 4, 64))))
    return bytes(out)


def endure(data: bytes, name: str, config: Config) -> str:
    """Read bytes and check what must hold for any; return the outcome."""
    reading, error = attempt(data, name, config)
    if error is not None:
        assert error.cause
        assert error.cause != "not_understood", error.message
        assert "\n" not in error.message
        assert error.message.isprintable()
        return error.cause
    assert reading is not None
    assert reading.rows_read == reading.rows_kept + reading.rows_dropped
    table = reading.table()
    assert len(table) == reading.samples > 0
    frame = table.to_pandas()
    assert frame["time"].notna().all()
    assert not frame.duplicated(["unit_id", "time"]).any()
    for _, rows in frame.groupby("unit_id"):
        assert rows["time"].is_monotonic_increasing
    t = frame["temperature_c"].dropna()
    assert ((t >= -60) & (t <= 400)).all()
    p = frame["pressure_kpa"].dropna()
    assert ((p >= -0.5) & (p <= 1000)).all()
    assert np.isfinite(t).all()
    assert all(1 <= len(u.encode()) <= 64 and u.isprintable() for u in reading.unit_ids)
    assert reading.line_map is not None
    lines = reading.line_map.lines_of(len(table) - 1)
    assert 1 <= lines[1] <= lines[2]
    return "read"


def spoil_many(cases: int, seed: int) -> dict[str, int]:
    """Spoil exports of all shapes and count outcomes."""
    rng = random.Random(seed)
    outcomes: dict[str, int] = {}
    for _ in range(cases):
        shape: Shape = rng.choice(SEEDS)
        config = rng.choice((shape.config, *CONFIGS))
        data = mutate(shape.data, rng)
        outcome = endure(data, shape.file, config)
        outcomes[outcome] = outcomes.get(outcome, 0) + 1
    return outcomes


def test_spoilt_exports_are_accounted_for_or_refused() -> None:
    outcomes = spoil_many(500, seed=1)
    assert outcomes["read"] > 100
    assert len(outcomes) > 5


@pytest.mark.slow
def test_twenty_thousand_spoilt_exports() -> None:
    outcomes = spoil_many(20_000, seed=2)
    assert outcomes["read"] > 4_000


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=400), st.sampled_from(CONFIGS))
def test_any_bytes(data: bytes, config: Config) -> None:
    endure(data, "S-1.csv", config)


CELL = st.one_of(
    st.sampled_from(
        [
            "",
            "121.3",
            "121,3",
            "1.013",
            "1,013",
            "-999",
            "OL",
            "nan",
            "=1+1",
            "2024-05-01 10:00:00",
            "01/02/2024",
            "10:00",
            "10:00:00 PM",
            "1714557600",
            "45413.4",
            "°C",
            "kPa",
            "bar(g)",
            "Temp °C",
            "Zeit",
            "Druck",
            "Unit",
            "CON",
            "../..",
            "\x00",
            "é",
            "　",
            "١٢",
        ]
    ),
    st.text(max_size=8),
    st.floats(width=32).map(str),
)


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.lists(st.lists(CELL, min_size=1, max_size=6), min_size=1, max_size=30),
    st.sampled_from([",", ";", "\t", "|", "  "]),
    st.sampled_from(["utf-8", "utf-16", "utf-8-sig"]),
    st.sampled_from(CONFIGS),
)
def test_any_cells(rows: list[list[str]], delimiter: str, encoding: str, config: Config) -> None:
    text = "\n".join(delimiter.join(row) for row in rows)
    endure(text.encode(encoding, "replace"), "S-1.csv", config)
