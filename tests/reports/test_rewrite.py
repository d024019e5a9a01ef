"""Sentences in other units.

Check values: the definitions °F = 1.8 °C + 32 and 1 psi = 6.894757 kPa, 1 bar = 100 kPa.
"""

from __future__ import annotations

import re

import pytest
from chamberdrift.reports.options import ReportOptions
from chamberdrift.reports.rewrite import in_units
from hypothesis import given
from hypothesis import strategies as st

US = ReportOptions(temperature_unit="°F", pressure_unit="psi")
BAR = ReportOptions(pressure_unit="bar")


@pytest.mark.parametrize(
    ("written", "shown"),
    [
        ("lower limit 121 °C", "lower limit 249.8 °F"),
        ("held at 120.4 °C, below 121 °C", "held at 248.7 °F, below 249.8 °F"),
        (
            "the time from 102 to 110 °C rose from 70 to 118 s",
            "the time from 215.6 to 230 °F rose from 70 to 118 s",
        ),
        (
            "Heat-up rate above 105 °C fell from 4.34 to 3.19 K/min in 17 days",
            "Heat-up rate above 221 °F fell from 7.81 to 5.74 °F/min in 17 days",
        ),
        ("down by 0.22 K in 15 days", "down by 0.40 °F in 15 days"),
        ("more than the ±0.5 K of the channel", "more than the ±0.9 °F of the channel"),
        ("from -0.20 to 0.30 K", "from -0.36 to 0.54 °F"),
        ("from −0.20 to 0.30 K", "from −0.36 to 0.54 °F"),
        ("the band of 121 to 125 °C", "the band of 249.8 to 257 °F"),
        ("between 120.9 and 121.3 °C", "between 249.6 and 250.3 °F"),
        (
            "leak rate 0.200 kPa/min is above 0.13 kPa/min",
            "leak rate 0.0290 psi/min is above 0.019 psi/min",
        ),
        (
            "Pressure reached 304 kPa absolute, the relief limit is 280 kPa.",
            "Pressure reached 44.1 psi absolute, the relief limit is 40.6 psi.",
        ),
        ("Evacuation time, 100 to 30 kPa", "Evacuation time, 14.5 to 4.4 psi"),
        ("Time from 102 to 110 °C (seal seating)", "Time from 215.6 to 230 °F (seal seating)"),
        ("0.5 s/K", "0.3 s/°F"),
        ("60–100 °C", "140–212 °F"),
        ("0 K", "0 °F"),
        ("0 °C", "32 °F"),
    ],
)
def test_by_hand(written: str, shown: str) -> None:
    assert in_units(written, US) == shown


@pytest.mark.parametrize(
    "text",
    [
        "gravity-121x30",
        "12 kelvin",
        "Kit of 3 Ks",
        "section 4 K-type",
        "in 3 days; 29 % longer; 230 V; 56 s; 10 of 15 cycles",
        "2 kPascal",
        "AB12 K9",
    ],
)
def test_what_is_no_quantity_stays(text: str) -> None:
    assert in_units(text, US) == text


def test_bar_leaves_temperatures_alone() -> None:
    assert (
        in_units("220 kPa at 123.2 °C, 0.13 kPa/min", BAR)
        == "2.20 bar at 123.2 °C, 0.0013 bar/min"
    )


def test_the_stored_units_change_nothing() -> None:
    text = "from 4.34 to 3.19 K/min at 121 °C and 220 kPa"
    assert in_units(text, ReportOptions()) == text


@given(st.decimals(-50, 400, places=2, allow_nan=False, allow_infinity=False))
def test_any_temperature_converts_within_its_last_digit(value: object) -> None:
    shown = in_units(f"at {value} °C", US)
    found = re.fullmatch(r"at (-?\d+\.\d+) °F", shown)
    assert found is not None
    assert float(found[1]) == pytest.approx(float(str(value)) * 1.8 + 32.0, abs=0.0051)


@given(st.text(max_size=60))
def test_any_text_is_taken(text: str) -> None:
    assert in_units(text, ReportOptions()) == text
    assert isinstance(in_units(text, US), str)


def test_every_check_and_feature_name_has_no_metric_left() -> None:
    from chamberdrift.models.bench import bench_check
    from chamberdrift.reports.bench import CHECKS
    from chamberdrift.reports.quantities import FEATURE_WORDS
    from chamberdrift.shared.parts import PARTS

    texts = [*FEATURE_WORDS.values(), *(c.do for part in CHECKS.values() for c in part)]
    texts += [bench_check(part, "") for part in PARTS]
    for text in texts:
        assert not re.search(r"\d\s*(°C|K|kPa)\b", in_units(text, US)), text
