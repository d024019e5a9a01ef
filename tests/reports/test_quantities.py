"""Units, numbers, dates and ticks as people read them."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from chamberdrift.reports.moments import Clock, clock
from chamberdrift.reports.options import ReportOptions
from chamberdrift.reports.quantities import (
    FEATURE_PART,
    FEATURE_WORDS,
    days_left,
    duration,
    feature_unit,
    feature_words,
    fixed,
    number,
    residual_unit,
    shown_unit,
    with_unit,
)
from chamberdrift.reports.ticks import date_ticks, day_of, number_ticks, tick_text
from chamberdrift.shared.config import Config, Defaults, Site
from chamberdrift.shared.parts import PARTS
from chamberdrift.shared.schema import CYCLES

IMPERIAL = ReportOptions(temperature_unit="°F", pressure_unit="psi")
NAN = float("nan")


def test_fahrenheit_and_psi() -> None:
    # NIST SP 811 (2008), appendix B.8: t/°F = 1.8 t/°C + 32; 1 psi = 6.894757 kPa.
    assert shown_unit("°C", IMPERIAL).show(121.0) == pytest.approx(249.8)
    assert shown_unit("°C", IMPERIAL).show(134.0) == pytest.approx(273.2)
    assert shown_unit("kPa", IMPERIAL).show(101.325) == pytest.approx(14.69595, rel=1e-6)
    assert shown_unit("kPa/min", IMPERIAL).show(0.13) == pytest.approx(0.13 / 6.894757, rel=1e-6)
    # A difference of temperatures has no offset.
    assert shown_unit("K", IMPERIAL).show(2.0) == pytest.approx(3.6)
    assert shown_unit("K/min", IMPERIAL).label == "°F/min"
    assert shown_unit("°C", IMPERIAL).show_change(2.0) == pytest.approx(3.6)


def test_bar() -> None:
    unit = shown_unit("kPa", ReportOptions(pressure_unit="bar"))
    assert unit.show(205.0) == pytest.approx(2.05)


def test_shares_are_shown_in_per_cent() -> None:
    assert feature_unit("heater_duty", ReportOptions()).show(0.55) == pytest.approx(55.0)


def test_residuals_judged_within_the_cycle_have_their_own_unit() -> None:
    assert feature_unit("exposure_mean_c", ReportOptions()).label == "°C"
    assert residual_unit("exposure_mean_c", ReportOptions()).label == "K"
    assert residual_unit("heater_duty", ReportOptions()).label == "%"


def test_every_named_feature_is_a_column_and_every_part_a_part() -> None:
    assert set(FEATURE_WORDS) <= set(CYCLES.names)
    assert set(FEATURE_PART) <= set(CYCLES.names)
    assert set(FEATURE_PART.values()) <= set(PARTS)


def test_an_unnamed_feature_reads_as_words() -> None:
    assert feature_words("drain_delay_s") == "Drain delay"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"),
        (121.456, "121"),
        (4.4, "4.40"),
        (0.01234, "0.0123"),
        (-2.5, "−2.50"),
        (12345.0, "12 345"),
        (NAN, "–"),
        (None, "–"),
        (math.inf, "–"),
    ],
)
def test_numbers_have_three_figures_and_unknown_ones_a_dash(
    value: float | None, text: str
) -> None:
    assert number(value) == text


def test_fixed_decimals_never_say_minus_nought() -> None:
    assert fixed(-0.04, 1) == "0.0"
    assert fixed(-0.06, 1) == "−0.1"
    assert with_unit("–", "K") == "–"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (45.0, "45 s"),
        (210.0, "3 min 30 s"),
        (1800.0, "30 min"),
        (9000.0, "2 h 30 min"),
        (-3.0, "−3 s"),
        (864000.0, "10.0 d"),
        (NAN, "–"),
    ],
)
def test_durations(seconds: float, text: str) -> None:
    assert duration(seconds) == text


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ((12.0, 8.0, 20.0), "12 d (8–20)"),
        ((120.0, 80.0, NAN), "120 d (80–over 365)"),
        ((0.5, 0.0, 1.0), "under 1 d (0–1)"),
        ((NAN, 200.0, NAN), "over 200 d"),
        ((NAN, NAN, NAN), "–"),
        ((9.0, NAN, NAN), "9 d"),
    ],
)
def test_days_left(values: tuple[float, float, float], text: str) -> None:
    assert days_left(*values) == text


@pytest.mark.parametrize(
    ("style", "text"),
    [
        ("words", "5 Nov 2026"),
        ("iso", "2026-11-05"),
        ("day_first", "05/11/2026"),
        ("month_first", "11/05/2026"),
    ],
)
def test_dates_in_the_readers_style(style: str, text: str) -> None:
    config = Config()
    at = clock(config, None, ReportOptions(date_style=style))
    assert at.date(pd.Timestamp("2026-11-05 23:30", tz="UTC")) == text


def test_times_in_the_sites_zone_across_its_clock_change() -> None:
    # Central European Time ends summer time at 01:00 UTC on the last Sunday of October.
    site = Site("s", "Europe/Paris")
    at = clock(Config(sites=(site,)), site, ReportOptions())
    assert at.moment(pd.Timestamp("2026-10-25 00:30", tz="UTC")) == "25 Oct 2026 02:30"
    assert at.moment(pd.Timestamp("2026-10-25 01:30", tz="UTC")) == "25 Oct 2026 02:30"
    assert at.moment(pd.Timestamp("2026-10-25 02:30", tz="UTC")) == "25 Oct 2026 03:30"


def test_which_zone_counts() -> None:
    site = Site("s", "Asia/Tokyo")
    config = Config(sites=(site,), defaults=Defaults(zone="Europe/Paris"))
    assert clock(config, site, ReportOptions(zone="America/Lima")).name == "America/Lima"
    assert clock(config, site, ReportOptions()).name == "Asia/Tokyo"
    assert clock(config, None, ReportOptions()).name == "Europe/Paris"
    assert clock(Config(), None, ReportOptions()).name == "UTC"
    assert clock(Config(), Site("x", "No/Where"), ReportOptions()).name == "UTC"


def test_number_ticks_are_round() -> None:
    assert number_ticks(0.0, 1.0, 5) == pytest.approx([0.0, 0.25, 0.5, 0.75, 1.0])
    assert number_ticks(3.9, 6.6, 5) == pytest.approx([4.0, 5.0, 6.0])
    assert tick_text(0.25, 0.25) == "0.25"
    assert tick_text(-2.0, 1.0) == "−2"
    assert tick_text(-0.0, 0.5) == "0.0"


@pytest.mark.parametrize("days", [1, 3, 20, 90, 400, 1100, 4000])
def test_date_ticks_have_room(days: int) -> None:
    at: Clock = clock(Config(), None, ReportOptions())
    end = day_of(pd.Timestamp("2026-11-25", tz="UTC"))
    places, labels = date_ticks(end - days, end, at, 370.0)
    assert 1 <= len(places) <= 9
    assert len(labels) == len(places)
    assert all(end - days <= p <= end for p in places)


def test_a_unit_that_fails_already_has_no_days_left() -> None:
    assert days_left(0.0, 0.0, 0.0) == "failing now"
    assert days_left(0.4, 0.0, 1.0) == "under 1 d (0–1)"
