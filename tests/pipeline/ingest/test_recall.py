"""A table that is recalled is the table that a search would find."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

import pytest
from chamberdrift.pipeline.ingest import assemble, recall
from chamberdrift.shared.config import Config

from .shapes import all_shapes
from .shapes_common import BERLIN, HEAD, C, iso
from .test_fuzz import mutate
from .truth import Shape, attempt, cycle, lines, rows_of, zoned

SHAPES = [s for s in all_shapes() if len(s.data) > 6000][::3]


@pytest.fixture(autouse=True)
def nothing_known() -> Iterator[None]:
    """Begin and end with an empty memory."""
    recall.forget()
    yield
    recall.forget()


def told(data: bytes, name: str, config: Config) -> Any:
    """Return everything that a reading or a refusal says, but for the evidence."""
    reading, error = attempt(data, name, config)
    if error is not None:
        return error.cause, error.message, error.toml
    assert reading is not None
    return (
        reading.table().to_pydict(),
        reading.layout,
        reading.unit_ids,
        reading.rows_read,
        reading.dropped_by_reason,
        reading.toml,
    )


@pytest.mark.parametrize("shape", SHAPES, ids=[s.name for s in SHAPES])
def test_read_again_it_says_the_same(shape: Shape) -> None:
    first = told(shape.data, shape.file, shape.config)
    assert told(shape.data, shape.file, shape.config) == first


def test_many_layouts_are_recalled(monkeypatch: pytest.MonkeyPatch) -> None:
    hits = []

    def counted(*a: Any) -> Any:
        found = recall.recall(*a)
        hits.append(found is not None)
        return found

    monkeypatch.setattr(assemble, "recall", counted)
    again = []
    for shape in SHAPES:
        attempt(shape.data, shape.file, shape.config)
        hits.clear()
        attempt(shape.data, shape.file, shape.config)
        again.append(any(hits))
    # Not recalled: quoted, aligned and long tables, words of many kinds, three places.
    assert sum(again) >= len(SHAPES) // 2  # measured: 91 of 134


def other(seed: int) -> bytes:
    """Return an export like the plain one, of another day, spoilt or with a turn of its own."""
    rng = random.Random(seed)
    c = cycle(f"2024-05-{rng.randrange(10, 28)}T08:00:00", setpoint=rng.choice((121.0, 134.0)))
    places = rng.choice((1, 1, 1, 2, 3))
    mark = rng.choice((".", ".", ","))
    rows = rows_of(
        c,
        BERLIN,
        lambda w, t, p, q: (
            f"{w:%Y-%m-%d %H:%M:%S};{f'{t:.1f}'.replace('.', mark)};"
            f"{f'{p:.{places}f}'.replace('.', mark)}"
        ),
    )
    head = rng.choice((HEAD, HEAD, HEAD.replace("°C", "°F"))).replace(",", ";")
    data = lines(rows, head).encode()
    return mutate(data, rng) if rng.random() < 0.7 else data


@pytest.mark.parametrize("seed", range(60))
def test_an_export_like_one_before_is_read_as_if_it_were_the_first(seed: int) -> None:
    data, config = other(seed), zoned()
    alone = told(data, "north/S-12.csv", config)
    recall.forget()
    told(
        lines([r.replace(",", ";") for r in iso()], HEAD.replace(",", ";")).encode(),
        "x.csv",
        config,
    )
    told(other(seed + 1), "north/S-12.csv", config)
    assert told(data, "north/S-12.csv", config) == alone


def test_a_preamble_that_differs_in_digits_is_read_anew() -> None:
    def export(unit: str) -> bytes:
        return lines(iso(), f"Unit: {unit}", HEAD).encode()

    for unit in ("S-11", "S-12"):
        reading, _ = attempt(export(unit), "x.csv", zoned())
        assert reading is not None
        assert reading.unit_ids == (unit,)
    assert len(C.t) == 360


def test_roles_of_a_count_go_by_how_it_counts() -> None:
    head = "Time (s),Temperature (°C),Pressure (kPa abs)"
    channels = [row.split(",", 1)[1] for row in iso()]
    counted = [f"{10 * k},{rest}" for k, rest in enumerate(channels)]
    since_1970 = [f"{int(ms) // 1000},{rest}" for ms, rest in zip(C.ms, channels, strict=True)]
    start = "Start: 2024-05-21 10:00:00"
    config = zoned(BERLIN)
    elapsed = lines(counted, start, head).encode()
    epoch = lines(since_1970, start, head).encode()
    for data in (elapsed, epoch, elapsed, epoch):
        reading, error = attempt(data, "S-1.csv", config)
        assert error is None
        assert reading is not None
        assert reading.table()["time"].cast("int64").to_pylist() == C.ms.tolist()
