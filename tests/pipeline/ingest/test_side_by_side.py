"""Columns named for units: one unit's, or several units' side by side in one table."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.pipeline.ingest import read_export
from chamberdrift.shared.config import Assignment, Config, Defaults, LayoutPin, Unit
from chamberdrift.shared.config_file import parse_config
from chamberdrift.shared.errors import ExportRefusedError

from .shapes import C
from .test_refusals import merged
from .truth import Cycle, lines, num, rows_of

UTC = Defaults(zone="Etc/UTC")
OTHER = Cycle(C.ms, C.t[::-1].copy(), C.p[::-1].copy(), C.load[::-1].copy())
"""What stands beside the cycle: the same backwards."""
HEAD = "Timestamp,HB 3 Temp [°C],HB 3 Pressure [kPa abs],HB 4 Temp [°C],HB 4 Pressure [kPa abs]"
NAME = "hobart/pair_20240521.csv"


def known(*ids: str) -> Config:
    return Config(defaults=UTC, units=tuple(Unit(u) for u in ids))


def rows() -> list[str]:
    """In turns the first unit's sample, the second one's, and both."""
    times = rows_of(C, "Etc/UTC", lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S}")
    out = []
    for k, time in enumerate(times):
        one = f"{num(C.t[k])},{num(C.p[k])}" if k % 3 != 1 else ","
        two = f"{num(OTHER.t[k])},{num(OTHER.p[k])}" if k % 3 != 0 else ","
        out.append(f"{time},{one},{two}")
    return out


def pair(*head: str) -> bytes:
    return lines(rows(), *(head or (HEAD,))).encode()


def refused(data: bytes, config: Config, name: str = NAME) -> ExportRefusedError:
    with pytest.raises(ExportRefusedError) as caught:
        read_export(data, name=name, config=config)
    return caught.value


@pytest.mark.parametrize(
    "head",
    [
        (HEAD,),
        (HEAD.replace("HB 3 ", "HB_3_").replace("HB 4 ", "HB_4_"),),
        (
            "Timestamp,Temp HB 3 [°C],Pressure HB 3 [kPa abs],"
            "Temp HB 4 [°C],Pressure HB 4 [kPa abs]",
        ),
        (
            ",HB 3,,HB 4,",
            "Timestamp,Temp [°C],Pressure [kPa abs],Temp [°C],Pressure [kPa abs]",
        ),
    ],
)
def test_two_known_units_side_by_side_are_read_as_two(head: tuple[str, ...]) -> None:
    data = pair(*head)
    reading = read_export(data, name=NAME, config=known("HB 3", "HB 4", "HB 30", "HB"))
    assert reading.unit_ids == ("HB 3", "HB 4")
    frame = reading.table().to_pandas()
    every = np.arange(len(C.ms))
    for unit, truth, own in (("HB 3", C, every % 3 != 1), ("HB 4", OTHER, every % 3 != 0)):
        mine = frame[frame["unit_id"] == unit]
        assert np.array_equal(mine["time"].astype("int64"), truth.ms[own])
        np.testing.assert_allclose(mine["temperature_c"], truth.t[own], atol=0.051)
        np.testing.assert_allclose(mine["pressure_kpa"], truth.p[own], atol=0.051)


def test_a_line_that_serves_two_units_counts_once_for_each_and_leads_back() -> None:
    data = pair()
    reading = read_export(data, name=NAME, config=known("HB 3", "HB 4"))
    both = len(C.ms[2::3])
    assert reading.rows_read == len(C.ms) + both
    assert reading.rows_kept == reading.samples == reading.rows_read
    assert reading.dropped_by_reason == {}
    frame = reading.table().to_pandas()
    text = data.decode().splitlines()
    for row in (0, 1, 7, len(frame) // 2 + 1, len(frame) - 1):
        assert reading.line_map is not None
        name, first, last = reading.line_map.lines_of(row)
        assert (name, first) == (NAME, last)
        assert text[first - 1].startswith(f"{frame['time'][row]:%Y-%m-%d %H:%M:%S}")
        assert num(float(frame["temperature_c"][row])) in text[first - 1]


def test_rows_of_neither_and_feet_count_once() -> None:
    extra = ["2024-05-21 23:00:00,,,,", "end of record", "never,1,2,3,4"]
    reading = read_export(
        lines(rows() + extra, HEAD).encode(), name=NAME, config=known("HB 3", "HB 4")
    )
    dropped = reading.dropped_by_reason
    assert dropped["no_value"] == 1
    assert reading.rows_read == reading.rows_kept + sum(dropped.values())
    assert sum(dropped.values()) == 1 + 1 + 2  # the spoilt time stands in both units' row


def test_units_that_are_not_known_are_asked_for_and_entering_them_answers() -> None:
    data = pair()
    for config in (known(), known("HB 3")):
        error = refused(data, config)
        assert error.cause == "channels"
        assert "HB 4" in error.question
        again = read_export(data, name=NAME, config=merged(config, parse_config(error.toml)))
        assert again.unit_ids == ("HB 3", "HB 4")


def test_sensors_of_one_chamber_are_no_units() -> None:
    for first, second in (
        ("T1", "T2"),
        ("Probe 1", "Probe 2"),
        ("CH1", "CH2"),
        ("Load 1", "Load 2"),
    ):
        head = f"Timestamp,{first} Temp [°C],{second} Temp [°C]"
        data = lines([",".join(r.split(",")[:3]) for r in rows()], head).encode()
        error = refused(data, known(first, second))
        assert error.cause == "channels"
        assert "sterilizers" not in error.question


def test_the_other_units_columns_may_be_ignored() -> None:
    ignored = (("HB 4 Temp [°C]", "ignore"), ("HB 4 Pressure [kPa abs]", "ignore"))
    pin = LayoutPin(match="hobart/*.csv", columns=ignored)
    config = Config(defaults=UTC, units=known("HB 3", "HB 4").units, layouts=(pin,))
    assert read_export(pair(), name=NAME, config=config).unit_ids == ("HB 3",)


def test_one_unit_pinned_for_two_units_columns_is_refused() -> None:
    pin = LayoutPin(match="hobart/*.csv", unit_id="HB 3")
    config = Config(defaults=UTC, units=known("HB 3", "HB 4").units, layouts=(pin,))
    assert refused(pair(), config).cause == "layout"


def test_a_path_or_text_that_names_another_unit_disagrees() -> None:
    config = known("HB 3", "HB 4", "HB 5")
    assert refused(pair(), config, "HB 5/x.csv").cause == "unit_id"
    assert refused(pair("Unit: HB 5", HEAD), config).cause == "unit_id"
    assert read_export(pair(), name="HB 4/x.csv", config=config).unit_ids == ("HB 3", "HB 4")


def test_a_reading_that_is_named_for_neither_unit_is_asked_about() -> None:
    head = HEAD.replace("HB 3 Pressure", "Pressure").replace("HB 4 Pressure", "Current")
    head = head.replace("Current [kPa abs]", "Supply [V]")
    error = refused(pair(head), known("HB 3", "HB 4"))
    assert error.cause == "channels"
    assert "none of the units" in error.message


def fahrenheit(header: str) -> bytes:
    row = rows_of(C, "Etc/UTC", lambda w, t, p, q: f"{w:%Y-%m-%d %H:%M:%S},{num(t * 1.8 + 32)}")
    return lines(row, f"Date/Time,{header}").encode()


def test_a_known_units_id_in_a_columns_name_names_the_unit() -> None:
    config = known("CO-104", "CO-105")
    for header in ("CO-104 Temp (°F)", "Temp CO-104 (°F)", "co104_temp (°F)"):
        reading = read_export(fahrenheit(header), name="leadville/temp_2024.csv", config=config)
        assert reading.unit_ids == ("CO-104",)
        assert any("is named for it" in e.why for e in reading.evidence)


def test_a_columns_name_that_disagrees_is_asked_about() -> None:
    data = fahrenheit("CO-104 Temp (°F)")
    assert refused(data, known("CO-104", "CO-105"), "CO-105/x.csv").cause == "unit_id"
    moved = Config(
        defaults=UTC,
        units=known("CO-104", "CO-105").units,
        assignments=(Assignment("L-7", "CO-105"),),
    )
    above = b"Logger serial number: L-7\n" + data
    assert refused(above, moved, "x/2024.csv").cause == "unit_id"


def test_a_column_of_a_unit_beside_it_that_is_not_known_is_not_taken_for_its_own() -> None:
    row = [
        ",".join((r.split(",")[0], num(t), num(p)))
        for r, t, p in zip(rows(), C.t, C.p, strict=True)
    ]
    data = lines(row, "Timestamp,HB 3 Temp [°C],HB 4 Pressure [kPa abs]").encode()
    error = refused(data, known("HB 3"))
    assert (error.cause, "HB 4" in error.question) == ("channels", True)
