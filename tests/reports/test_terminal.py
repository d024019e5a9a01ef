"""Plain text for a terminal: fits a screen, safe to pipe, readable without colour."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from chamberdrift.reports import ReportOptions, show_text, summary_text
from chamberdrift.reports.terminal import LINES, WIDTH, spark

NAME = "Otter Creek 2"
FORBIDDEN = re.compile(r"\b(pass(ed|es)?|sterile|releas\w*|fail(ed)?)\b", re.IGNORECASE)


@pytest.mark.parametrize(("units", "flagged"), [(1, 0), (1, 1), (12, 5), (80, 80)])
def test_summary_fits_one_screen(builder: Any, units: int, flagged: int) -> None:
    view = builder.fleet_view(units, cycles=3, flagged=flagged)
    text = summary_text(view)
    lines = text.splitlines()
    assert len(lines) <= LINES
    assert max(map(len, lines)) <= WIDTH
    assert text.endswith("\n")
    assert not FORBIDDEN.search(text)
    assert f"{units} unit" in lines[0]


@pytest.mark.parametrize("lines", [6, 8, 12, 23])
def test_summary_keeps_to_the_lines_it_is_given(builder: Any, lines: int) -> None:
    view = builder.fleet_view(80, cycles=3, flagged=80)
    text = summary_text(view, lines=lines)
    assert len(text.splitlines()) == lines
    assert "more in the fleet report" in text
    assert ("exports set aside: 2" in text) == (lines >= 8)


def test_a_long_zone_moves_the_reach_of_the_data_to_its_own_line(builder: Any) -> None:
    zone = "America/Argentina/Buenos_Aires"
    text = summary_text(builder.fleet_view(12, cycles=3), options=ReportOptions(zone=zone))
    assert max(map(len, text.splitlines())) <= WIDTH
    assert f"({zone})\ndata through 24 Nov 2026 15:10" in text


@pytest.mark.parametrize("width", [20, 40, 60, 79, 100, 200])
def test_show_keeps_to_the_terminals_width(builder: Any, width: int) -> None:
    view = builder.unit_view(NAME, cycles=60, drift=1.0, flags=[builder.flag(NAME)])
    text = show_text(view, width=width)
    longest = max(map(len, text.splitlines()))
    assert longest <= min(max(width, 40), 110)
    assert longest > min(max(width, 40), 110) - 12
    assert "▁" in text


def test_show_says_nothing_twice(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=60, drift=1.0, flags=[builder.flag(NAME)])
    lines = [line.strip() for line in show_text(view).splitlines() if len(line) > 30]
    assert len(lines) == len(set(lines))
    assert show_text(view).count("since 16 Nov 2026") == 1


def test_summary_says_what_it_leaves_out(builder: Any) -> None:
    view = builder.fleet_view(80, cycles=3, flagged=80)
    text = summary_text(view)
    counted = {s: int((view.flags["severity"] == s).sum()) for s in ("stop", "service", "watch")}
    assert f"open flags: {counted['stop']} stop, {counted['service']} service" in text
    listed = len(re.findall(r"^(stop|service) ", text, re.MULTILINE))
    rest = counted["stop"] + counted["service"] - listed
    assert f"... and {rest} more in the fleet report" in text
    assert f"... and {rest} more: chamberdrift table flags" in summary_text(view, drawn=False)
    few = summary_text(builder.fleet_view(12, cycles=3))
    assert few.index("\nstop ") < few.index("\nservice ")


def test_summary_names_silent_units_and_exports_set_aside(builder: Any) -> None:
    text = summary_text(builder.fleet_view(12, cycles=3))
    assert "no data: 1 (Harbour 03)" in text
    assert "exports set aside: 2 (lakeside/old logger 0.csv" in text


def test_show_has_state_flags_and_sparks(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=60, drift=1.0, flags=[builder.flag(NAME)])
    text = show_text(view)
    for words in (
        f"Unit {NAME}",
        "  Would look alike: vent path",
        "  Bring: door seal; cleaning kit",
        "[service] door seal, since 16 Nov 2026, 12 days (8–20) left",
        "Heat loss over heat capacity rose from 4.4 to 5.9 K/min",
        "Heat loss over heat capacity        ▁",
        "flag id: Otter Creek 2-door_seal-1",
    ):
        assert words in text
    assert max(map(len, text.splitlines())) <= WIDTH + 2
    assert "\x1b" not in text


def test_show_in_ascii(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=60, drift=1.0, flags=[builder.flag(NAME)])
    text = show_text(view, ascii_only=True)
    assert text.isascii()
    assert "12 days (8-20)" in text
    assert "?" not in text


def test_show_in_other_units(builder: Any) -> None:
    view = builder.unit_view(NAME, cycles=60, drift=1.0, flags=[builder.flag(NAME)])
    assert "°F/min" in show_text(view, options=ReportOptions(temperature_unit="°F"))


def test_show_without_data_or_flags(builder: Any) -> None:
    text = show_text(builder.unit_view(NAME, cycles=0))
    assert "No open flag." in text
    assert "No cycle has been found in its data." in text
    assert "Trends" not in text


def test_control_characters_of_names_do_not_reach_the_terminal(builder: Any) -> None:
    name = "bad\x1b[2Jname\r\nsecond\u202e"
    view = builder.unit_view(name, cycles=3, flags=[builder.flag(name)])
    for text in (show_text(view), summary_text(builder.fleet_view(2, cycles=2))):
        assert "\x1b" not in text
        assert "\r" not in text
        assert "\u202e" not in text
    assert "bad [2Jname second" in show_text(view)


def test_sparks_by_hand() -> None:
    assert spark(np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0])) == "▁▂▃▄▅▆▇█"
    assert spark(np.array([0.0, np.nan, 7.0])) == "▁ █"
    assert spark(np.array([3.0, 3.0])) == "▄▄"
    assert spark(np.array([np.nan])) == ""
    assert spark(np.array([0.0, 7.0]), ascii_only=True) == "_#"


def test_deferral_is_shown(builder: Any) -> None:
    import pandas as pd

    view = builder.unit_view(NAME, cycles=5, flags=[builder.flag(NAME)])
    until = pd.Series([view.as_of + pd.Timedelta(days=4)]).astype("datetime64[ms, UTC]")
    table = pd.DataFrame(
        {"flag_id": [f"{NAME}-door_seal-1"], "until": until, "reason": ["part on order"]}
    )
    text = show_text(replace(view, deferrals=table))
    assert "Deferred until 29 Nov 2026: part on order" in text
