"""Two loggers at one unit: their values stand side by side only where their clocks allow it.

Truth is a made cycle: temperature is the saturation temperature of its pressure (IAPWS-IF97
region 4), so one clock for both gives no deviation from saturation.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from chamberdrift.pipeline.logger_pairs import (
    STATE,
    Pair,
    all_pairs,
    clocks_of,
    in_words,
    lags_s,
    paired,
    words,
)
from chamberdrift.pipeline.night import run_extract, run_night
from chamberdrift.pipeline.settings import read_settings, settings_text, write_settings
from chamberdrift.pipeline.status import show_unit, store_status
from chamberdrift.pipeline.store import Store
from chamberdrift.pipeline.views import traces
from chamberdrift.shared.config import Clock, Config
from chamberdrift.shared.config_file import parse_config
from chamberdrift.shared.config_template import render_config
from chamberdrift.shared.errors import ConfigError
from chamberdrift.shared.schema import TRACES
from chamberdrift.shared.steam import p_sat_kpa, t_sat_c

START = pd.Timestamp("2026-03-03T06:00:00")
CYCLE_S = 2.5 * 3600.0
POINTS_S = [0.0, 900.0, 1800.0, 2400.0, 4200.0, 4500.0, 5400.0, 9000.0]
POINTS_C = [22.0, 22.0, 99.0, 122.5, 122.5, 100.5, 60.0, 22.0]


def made(at_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Temperature and pressure of a unit that runs one cycle in two and a half hours."""
    celsius = np.interp(np.mod(at_s, CYCLE_S), POINTS_S, POINTS_C)
    return celsius, np.maximum(p_sat_kpa(celsius), 100.0)


def write(
    folder: Path, name: str, at_s: np.ndarray, shown_s: np.ndarray, *columns: tuple[str, int]
) -> None:
    """Write an export whose rows were taken at some times and show others."""
    folder.mkdir(parents=True, exist_ok=True)
    celsius, kpa = made(at_s)
    shown = START + pd.to_timedelta(shown_s, unit="s")
    lines = ["Time UTC," + ",".join(head for head, _ in columns)]
    values = [(celsius, kpa)[which] for _, which in columns]
    for i, stamp in enumerate(shown.strftime("%Y-%m-%d %H:%M:%S")):
        lines.append(stamp + "".join(f",{v[i]:.2f}" for v in values))
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")


T = ("Temperature (°C)", 0)
P = ("Pressure (kPa abs)", 1)


def two_loggers(
    folder: Path, ahead_s: float, *, step_s: float = 7.0, cycles: int = 4, first: int = 0
) -> None:
    """Write a file of each logger; the pressure logger's clock is ahead."""
    span = np.array([first, first + cycles]) * CYCLE_S
    warm = np.arange(span[0], span[1], 5.0)
    steam = np.arange(span[0] + (0.0 if step_s == 5.0 else 3.0), span[1], step_s)
    write(folder, f"ST-07_temperature_{first}.csv", warm, warm, T)
    write(folder, f"ST-07_pressure_{first}.csv", steam, steam + ahead_s, P)


def night(tmp_path: Path, day: int = 9) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Run a night; return the unit's cycles and the warnings."""
    as_of = pd.Timestamp(f"2026-03-{day:02d}T00:00:00Z").to_pydatetime()
    done = run_night(str(tmp_path / "in"), str(tmp_path / "store"), as_of=as_of, draw=False)
    cycles = Store.open(str(tmp_path / "store")).snapshot().table("cycles", units=["ST-07"])
    return cycles, done.warnings


@pytest.mark.parametrize("lag", [-600.0, -42.0, 0.0, 42.0, 600.0])
def test_a_lag_is_read_from_heat_ups(lag: float) -> None:
    warm, steam = np.arange(0.0, 4 * CYCLE_S, 5.0), np.arange(1.0, 4 * CYCLE_S, 7.0)
    celsius, kpa = made(warm)[0], made(steam)[1]
    found = lags_s(warm, celsius, steam + lag, t_sat_c(kpa))
    assert len(found) == 4
    assert found == pytest.approx(lag, abs=2.0)


def test_pulses_are_no_heat_ups() -> None:
    at = np.arange(0.0, 3600.0, 2.0)
    celsius = 100.0 + 18.0 * np.abs(np.sin(at / 60.0))  # up to 118, a minute above 112 at most
    assert not len(lags_s(at, celsius, at, celsius))


@pytest.mark.parametrize("step_s", [5.0, 7.0])
def test_clocks_that_differ_keep_pressure_away_until_it_is_told(
    tmp_path: Path, step_s: float
) -> None:
    # 60 s on a step of 5 s: rows of equal time become one, with values of two moments
    two_loggers(tmp_path / "in", 60.0, step_s=step_s)
    cycles, warnings = night(tmp_path)
    assert len(cycles) == 4
    assert cycles["saturation_deviation_k"].isna().all()
    assert cycles["exhaust_s"].isna().all()
    said = [w for w in warnings if "two loggers" in w]
    assert len(said) == 1
    assert "60 s ahead" in said[0]
    assert '[[clock]] / unit = "ST-07" / add_s = -60' in said[0]
    status = store_status(str(tmp_path / "store"))
    assert [w for w in status.warnings if "two loggers" in w] == said
    assert "60 s ahead" in show_unit(str(tmp_path / "store"), "ST-07").text()

    stored = Store.open(str(tmp_path / "store")).snapshot().trace("ST-07")
    place = Store.open(str(tmp_path / "store")).place
    lines = said[0].partition("times: ")[2].partition(" (add_s")[0].replace(" / ", "\n")
    write_settings(place, (settings_text(place) or "") + f"\n{lines}\n")
    cycles, warnings = night(tmp_path, 10)
    assert not [w for w in warnings if "two loggers" in w]
    assert cycles["saturation_deviation_k"].to_numpy() == pytest.approx(0.0, abs=0.02)
    # 80 to 20 % of the gauge pressure at the end of exposure, from the drawn exhaust
    grid = np.arange(4200.0, 4500.0, 0.1)
    over = (made(grid)[1] - 100.0) / (made(np.array([4000.0]))[1][0] - 100.0)
    drawn = grid[np.argmax(over < 0.2)] - grid[np.argmax(over < 0.8)]
    assert cycles["exhaust_s"].to_numpy() == pytest.approx(drawn, abs=6.0)
    after = Store.open(str(tmp_path / "store")).snapshot()
    pd.testing.assert_frame_equal(after.trace("ST-07"), stored)  # stored as recorded
    config = read_settings(place)
    shown = traces(after, config, "ST-07")(str(cycles["cycle_id"].iloc[1]))
    # a straight line between two samples 7 s apart is up to 0.8 kPa off where exposure begins
    expected = np.maximum(p_sat_kpa(shown["temperature_c"].to_numpy()), 100.0)
    assert shown["pressure_kpa"].to_numpy() == pytest.approx(expected, abs=0.9)
    assert "Moved: -60 s added" in show_unit(str(tmp_path / "store"), "ST-07").text()


@pytest.mark.parametrize("step_s", [5.0, 7.0])
def test_clocks_that_agree_are_used_without_a_question(tmp_path: Path, step_s: float) -> None:
    two_loggers(tmp_path / "in", 0.0, step_s=step_s)
    cycles, warnings = night(tmp_path)
    assert not [w for w in warnings if "two loggers" in w]
    assert len(cycles) == 4
    assert cycles["saturation_deviation_k"].to_numpy() == pytest.approx(0.0, abs=0.02)


def test_too_few_heat_ups_say_so_and_wait(tmp_path: Path) -> None:
    two_loggers(tmp_path / "in", 0.0, cycles=2)
    cycles, warnings = night(tmp_path, 4)
    assert cycles["saturation_deviation_k"].isna().all()
    assert any("fewer than 3 heat-ups" in w for w in warnings)
    two_loggers(tmp_path / "in", 0.0, cycles=2, first=2)
    cycles, warnings = night(tmp_path, 5)
    assert len(cycles) == 4
    assert cycles["saturation_deviation_k"].notna().all()  # the earlier ones too
    assert not any("two loggers" in w for w in warnings)


@pytest.mark.parametrize(("ahead_s", "told"), [(0.0, False), (-90.0, True)])
def test_nights_and_one_run_find_the_same(tmp_path: Path, ahead_s: float, told: bool) -> None:
    for way in ("once", "nightly"):
        store = tmp_path / way / "store"
        Store.open(str(store), create=True)
        if told:
            (store / "chamberdrift.toml").write_text('[[clock]]\nunit = "ST-07"\nadd_s = 90\n')
    for first in range(4):
        two_loggers(tmp_path / "nightly" / "in", ahead_s, cycles=1, first=first)
        two_loggers(tmp_path / "once" / "in", ahead_s, cycles=1, first=first)
        parts, _ = night(tmp_path / "nightly", 9)
    whole, _ = night(tmp_path / "once", 9)
    assert len(whole) == 4
    assert whole["saturation_deviation_k"].notna().all()
    pd.testing.assert_frame_equal(parts, whole)


def test_a_drift_after_it_was_settled_is_said(tmp_path: Path) -> None:
    two_loggers(tmp_path / "in", 0.0)
    night(tmp_path, 4)
    two_loggers(tmp_path / "in", 75.0, cycles=6, first=5)
    _, warnings = night(tmp_path, 6)
    assert any("75 s after temperature" in w for w in warnings)


def test_one_logger_with_both_channels_is_left_as_it_is(tmp_path: Path) -> None:
    at = np.arange(0.0, 4 * CYCLE_S, 5.0)
    write(tmp_path / "in", "ST-07_20260303.csv", at, at, T, P)
    write(tmp_path / "in", "ST-07_20260304.csv", at[500:700], at[500:700], T)  # sent again
    cycles, warnings = night(tmp_path)
    assert len(cycles) == 4
    assert not [w for w in warnings if "two loggers" in w]
    assert cycles["saturation_deviation_k"].to_numpy() == pytest.approx(0.0, abs=0.02)
    assert not all_pairs(Store.open(str(tmp_path / "store")).snapshot().state(STATE))


def test_a_trace_of_one_export_comes_back_unchanged() -> None:
    at = np.arange(0.0, CYCLE_S, 5.0)
    celsius, kpa = made(at)
    frame = pd.DataFrame(
        {
            "unit_id": "A",
            "time": (START.tz_localize("UTC") + pd.to_timedelta(at, unit="s")).astype(
                "datetime64[ms, UTC]"
            ),
            "temperature_c": np.where(at > 5000.0, np.nan, celsius),
            "pressure_kpa": kpa,
            "source": "x",
        }
    )
    trace = TRACES.conform(frame)
    out, pair = paired(trace, (Clock(30.0),))
    assert out is not trace or pair is None
    pd.testing.assert_frame_equal(out, trace)
    assert pair is None


def test_an_entry_that_names_the_unit_wins() -> None:
    config = Config(clocks=(Clock(5.0), Clock(-60.0, "A")))
    assert [c.add_s for c in clocks_of(config, "A")] == [-60.0]
    assert [c.add_s for c in clocks_of(config, "B")] == [5.0]


def test_it_is_written_and_read_back() -> None:
    begin = pd.Timestamp("2026-03-01T00:00:00Z").to_pydatetime()
    config = Config(clocks=(Clock(-42.0, "A", begin, None, "read at the bench"),))
    assert parse_config(render_config(config)).clocks == config.clocks
    text = in_words(config.clocks[0])
    assert text.startswith("-42 s added to the times of its pressure logger from 2026-03-01")


@pytest.mark.parametrize(
    ("toml", "found"),
    [
        ('unit = "A"', "add_s"),
        ("add_s = 1e9", "outside"),
        ("add_s = 1\nfrom = 2026-03-02T00:00:00Z\nto = 2026-03-01T00:00:00Z", "later"),
    ],
)
def test_a_mistake_is_named(toml: str, found: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_config(f"[[clock]]\n{toml}\n")
    assert found in str(caught.value)


def test_lags_that_scatter_are_said_to() -> None:
    said = words("A", Pair("differ", 80.0, 200.0, 80.0, 3))
    assert "unsteadily" in said


@pytest.mark.parametrize(("apart_k", "said"), [(0.0, 0), (-4.0, 1)])
def test_two_probes_in_one_channel_are_said(tmp_path: Path, apart_k: float, said: int) -> None:
    at = np.arange(0.0, 2 * CYCLE_S, 5.0)
    write(tmp_path / "in", "ST-07_20260303.csv", at, at, T)
    write(tmp_path / "in", "b.csv", at[:-1] + 2.0, at[:-1] + 2.0, T)
    head, *rows = (tmp_path / "in" / "b.csv").read_text(encoding="utf-8").splitlines()
    cells = [r.split(",") for r in rows]
    moved = [head, *(f"{when},{float(value) + apart_k:.2f}" for when, value in cells)]
    (tmp_path / "in" / "b.csv").unlink()
    (tmp_path / "in" / "ST-07_20260304.csv").write_text("\n".join(moved) + "\n", encoding="utf-8")
    _, warnings = night(tmp_path, 4)
    found = [w for w in warnings if "one channel" in w]
    assert len(found) == said
    assert all("temperature2_c" in w for w in found)


def test_a_second_logger_that_is_met_later_has_all_looked_at_anew(tmp_path: Path) -> None:
    at = np.arange(0.0, 2 * CYCLE_S, 5.0)
    write(tmp_path / "in", "ST-07_20260303.csv", at, at, T)
    night(tmp_path, 4)
    two_loggers(tmp_path / "in", 60.0, cycles=4, first=3)
    cycles, warnings = night(tmp_path, 5)
    assert len(cycles) == 6
    assert any("60 s ahead" in w for w in warnings)
    assert run_extract(str(tmp_path / "store")).units == ("ST-07",)
    assert run_extract(str(tmp_path / "store")).units == ()
    again = Store.open(str(tmp_path / "store")).snapshot().table("cycles", units=["ST-07"])
    pd.testing.assert_frame_equal(again, cycles)
