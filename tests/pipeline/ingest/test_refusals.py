"""Every question can be answered by the TOML that comes with it."""

from __future__ import annotations

import dataclasses
import io
import zipfile
from typing import Any

import pytest
from chamberdrift.pipeline.ingest import Facts, read_export
from chamberdrift.shared.config import Config, Defaults, LayoutPin, Site, Unit
from chamberdrift.shared.config_file import parse_config
from chamberdrift.shared.errors import ExportRefusedError
from chamberdrift.shared.steam import p_sat_kpa

from .shapes import EARLY, HEAD, all_shapes, iso
from .truth import Cycle, Shape, attempt, cycle, lines, rows_of, zoned

REFUSED = [s for s in all_shapes() if s.cause]
READ = [s for s in all_shapes() if not s.cause]


def refusal(shape: Shape, config: Config) -> ExportRefusedError:
    with pytest.raises(ExportRefusedError) as caught:
        read_export(shape.data, name=shape.file, config=config)
    return caught.value


def merged(config: Config, more: Config) -> Config:
    """Add what a TOML snippet says to a configuration."""
    changes = {
        f.name: getattr(more.defaults, f.name)
        for f in dataclasses.fields(Defaults)
        if getattr(more.defaults, f.name) != f.default
    }
    return dataclasses.replace(
        config,
        defaults=dataclasses.replace(config.defaults, **changes),
        layouts=more.layouts + config.layouts,
        assignments=config.assignments + more.assignments,
        units=config.units + more.units,
    )


@pytest.mark.parametrize("shape", REFUSED, ids=[s.name for s in REFUSED])
def test_a_refusal_says_what_where_and_what_to_do(shape: Shape) -> None:
    error = refusal(shape, shape.config)
    assert error.message.startswith(shape.file)
    assert error.message.endswith(".")
    assert "; " in error.message
    if error.toml:
        assert error.question.endswith(("?", ")"))
        parse_config(error.toml)


@pytest.mark.parametrize("shape", REFUSED, ids=[s.name for s in REFUSED])
def test_the_toml_settles_the_question(shape: Shape) -> None:
    config = shape.config
    error = refusal(shape, config)
    if not error.toml:
        pytest.skip("no setting answers this one")
    for _ in range(4):
        config = merged(config, parse_config(error.toml))
        _, again = attempt(shape.data, shape.file, config)
        if again is None:
            return
        assert again.cause != error.cause, again.message
        error = again
        if not error.toml:
            return
    raise AssertionError(f"still refused: {error.message}")


@pytest.mark.parametrize("shape", READ, ids=[s.name for s in READ])
def test_the_pin_of_a_reading_gives_the_same_reading(shape: Shape) -> None:
    reading = read_export(shape.data, name=shape.file, config=shape.config)
    pinned = merged(shape.config, parse_config(reading.toml))
    again = read_export(shape.data, name=shape.file, config=pinned)
    assert again.table().equals(reading.table())


def test_four_hundred_exports_ask_one_question() -> None:
    data = lines(iso(), HEAD).encode()
    errors = set()
    for k in range(400):
        with pytest.raises(ExportRefusedError) as caught:
            read_export(data, name=f"north/U-{k:03d}_20240521.csv", config=Config())
        errors.add((caught.value.cause, caught.value.question, caught.value.toml))
    assert len(errors) == 1
    cause, question, toml = errors.pop()
    assert cause == "zone"
    assert question
    read_export(data, name="north/U-000.csv", config=parse_config(toml))


def test_other_exports_of_the_layout_settle_day_and_month() -> None:
    def export(c: Cycle) -> bytes:
        rows = rows_of(c, "Europe/Berlin", lambda w, t, p, q: f"{w:%d/%m/%Y %H:%M:%S},{t},{p}")
        return lines(rows, HEAD).encode()

    clear = read_export(export(cycle("2024-05-21T08:00:00")), name="S-12/1.csv", config=zoned())
    facts = Facts().learn("S-12", clear.layout_key, clear.learned["S-12"])
    open_one = export(EARLY)
    with pytest.raises(ExportRefusedError):
        read_export(open_one, name="S-12/2.csv", config=zoned())
    reading = read_export(open_one, name="S-12/2.csv", config=zoned(), facts=facts)
    assert reading.first_time is not None
    assert reading.first_time.isoformat() == "2024-05-04T08:00:00+00:00"
    assert any("other exports" in e.why for e in reading.evidence)


@pytest.mark.parametrize("folder", ["AC [1]", "all*", "what?"])
def test_an_answer_holds_for_folders_whose_names_look_like_patterns(folder: str) -> None:
    rows = [f"{k * 10},{r.partition(',')[2]}" for k, r in enumerate(iso())]
    data = lines(rows, "Elapsed (s)," + HEAD.partition(",")[2]).encode()
    name = f"{folder}/S-12_a.csv"
    _, refused = attempt(data, name, zoned())
    assert refused is not None
    answered = merged(zoned(), parse_config(refused.toml))
    reading, _ = attempt(data, name, answered)
    assert reading is not None
    assert not any(lay.match == f"{folder}/*.csv" for lay in answered.layouts)


@pytest.mark.parametrize("pinned", ["utf-16", "UTF16", "utf_16"])
@pytest.mark.parametrize("order", ["le", "be"])
def test_a_pinned_family_of_encodings_follows_the_mark(pinned: str, order: str) -> None:
    data = "\ufeff".join(["", lines(iso(), HEAD)]).encode(f"utf-16-{order}")
    pin = dataclasses.replace(zoned(), layouts=(LayoutPin("*", encoding=pinned),))
    reading, _ = attempt(data, "S-12.csv", pin)
    assert reading is not None
    assert reading.rows_kept == len(iso())


def test_a_start_is_pinned_for_its_export_alone() -> None:
    rows = [f"{k * 10},{r.partition(',')[2]}" for k, r in enumerate(iso())]
    head = "Elapsed (s)," + HEAD.partition(",")[2]
    _, refused = attempt(lines(rows, head).encode(), "north/S-12_0001.csv", zoned())
    assert refused is not None
    answered = merged(zoned(), parse_config(refused.toml))
    assert attempt(lines(rows, head).encode(), "north/S-12_0001.csv", answered)[0] is not None
    other = attempt(lines(rows, head).encode(), "north/S-12_0002.csv", answered)[1]
    assert other is not None
    assert other.cause == "start_time"
    wide = dataclasses.replace(
        zoned(), layouts=(LayoutPin("north/*", start_time="2024-01-31 10:00:00"),)
    )
    stated = lines(rows, "Start: 2024-05-21 10:00:00", head).encode()
    clash = attempt(stated, "north/S-12_0002.csv", wide)[1]
    assert clash is not None
    assert clash.cause == "layout"


def test_a_pinned_unit_never_mixes_rows_of_several() -> None:
    pin = dataclasses.replace(zoned(), layouts=(LayoutPin("*", unit_id="S-9"),))
    head = f"{HEAD},Unit ID"
    one = lines([f"{r},U-1" for r in iso()], head).encode()
    reading, _ = attempt(one, "x.csv", pin)
    assert reading is not None
    assert reading.unit_ids == ("S-9",)
    rows = [f"{r},U-{1 + k // 180}" for k, r in enumerate(iso())]
    _, refused = attempt(lines(rows, head).encode(), "x.csv", pin)
    assert refused is not None
    assert refused.cause == "layout"


def test_a_units_question_covers_no_more_than_what_is_open() -> None:
    data = lines(iso(), "Unit: S-12", HEAD).encode()
    units = (Unit("S-12"), Unit("S-13"))
    config = Config(defaults=Defaults(zone="Europe/Berlin"), units=units)
    with pytest.raises(ExportRefusedError) as caught:
        read_export(data, name="S-13/a.csv", config=config)
    (pin,) = parse_config(caught.value.toml).layouts
    assert (pin.match, pin.unit_id) == ("S-13/a.csv", "S-12")
    bare = lines(iso(), HEAD).encode()
    config = Config(defaults=Defaults(zone="Europe/Berlin"), sites=(Site("north"),))
    with pytest.raises(ExportRefusedError) as caught:
        read_export(bare, name="north/temp_20240521.csv", config=config)
    (pin,) = parse_config(caught.value.toml).layouts
    assert pin.match == "north/temp*.csv"


def test_an_archives_unit_is_pinned_by_the_archives_name() -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        archive.writestr("log.csv", lines(iso(), HEAD))
    config = Config(defaults=Defaults(zone="Europe/Berlin"))
    with pytest.raises(ExportRefusedError) as caught:
        read_export(packed.getvalue(), name="export.zip", config=config)
    answered = merged(config, parse_config(caught.value.toml))
    reading = read_export(packed.getvalue(), name="export.zip", config=answered)
    assert reading.unit_ids == ("unit-1",)


def test_one_file_among_others_that_were_read_is_pinned_alone() -> None:
    c = cycle()
    head = "Time,Temperature (°C),Pressure (bar abs)"
    wrong = rows_of(
        c, "Etc/UTC", lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{t:.1f},{p / 1000:.4f}"
    )
    right = rows_of(
        c, "Etc/UTC", lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{t:.1f},{p / 100:.4f}"
    )
    config = Config(defaults=Defaults(zone="Etc/UTC"))
    good = read_export(lines(right, head).encode(), name="S-1/0001.csv", config=config)
    facts = Facts().learn("S-1", good.layout_key, good.learned["S-1"])
    for known, match in ((Facts(), "S-1/*.csv"), (facts, "S-1/0002.csv")):
        with pytest.raises(ExportRefusedError) as caught:
            read_export(
                lines(wrong, head).encode(), name="S-1/0002.csv", config=config, facts=known
            )
        assert caught.value.cause == "unit_contradiction"
        assert parse_config(caught.value.toml).layouts[0].match == match


def test_a_failing_chamber_is_no_question_where_others_proved_the_stated_units() -> None:
    """Read as gauge psi its hot samples lie 12 K below saturation, as another unit they agree."""
    c = cycle()
    head = "Time,Temperature (°C),Pressure (psi gauge)"

    def export(air_k: float) -> bytes:
        def row(w: Any, t: float, p: float, q: float) -> str:
            steam = float(p_sat_kpa(t + air_k)) if t > 100.0 else 101.3
            warm = max(t, 62.0)  # opened and loaded hot: no cold samples settle it
            return f"{w:%Y-%m-%d %H:%M:%S},{warm:.1f},{(steam - 101.3) / 6.894757:.3f}"

        return lines(rows_of(c, "Etc/UTC", row), head).encode()

    config = Config(defaults=Defaults(zone="Etc/UTC"))
    good = read_export(export(0.0), name="S-1/0001.csv", config=config)
    assert good.learned["S-1"].steam
    failing = export(12.0)
    facts = Facts().learn("S-1", good.layout_key, good.learned["S-1"])
    with pytest.raises(ExportRefusedError) as caught:
        read_export(failing, name="S-1/0002.csv", config=config)
    assert caught.value.cause == "unit_contradiction"
    read = read_export(failing, name="S-1/0002.csv", config=config, facts=facts)
    assert read.unit_ids == ("S-1",)
    assert any(e.decision == "agreement with steam" for e in read.evidence)
    assert not read.learned["S-1"].steam
