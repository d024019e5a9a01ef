"""Published programs, bands and limits, as read or from memory."""

from __future__ import annotations

import pytest
from chamberdrift.shared import programs
from chamberdrift.shared.config import Limits
from chamberdrift.shared.programs import Program, shortest_published_hold


@pytest.mark.parametrize(
    ("removal", "setpoint", "minutes"),
    [
        # Central Sterilising Club (UK), table 10.2, citing the Medical Research Council's
        # working party: 134/3, 126/10, 121/15; 132/4 for the USA; 115/30 from an old codex.
        ("unknown", 134.0, 3.0),
        ("unknown", 126.0, 10.0),
        ("unknown", 121.0, 15.0),
        ("unknown", 132.0, 4.0),
        ("unknown", 115.0, 30.0),
        # CDC Guideline 2008, table 7: prevacuum 132 °C 4 min.
        ("prevacuum", 132.0, 4.0),
    ],
)
def test_shortest_published_holds(removal: str, setpoint: float, minutes: float) -> None:
    """Least hold times as published."""
    hold = shortest_published_hold(removal, setpoint)
    assert hold is not None
    assert hold.hold_min == minutes
    assert hold.source
    assert not hold.checked  # none was checked against the standard itself


def test_cdc_gravity_holds() -> None:
    """CDC Guideline 2008, table 7, wrapped instruments: 121 °C 30 min, 132 °C 15 min."""
    rows = {(h.air_removal, h.setpoint_c, h.hold_min) for h in programs.HOLD_TIMES}
    assert ("gravity", 121.0, 30.0) in rows
    assert ("gravity", 132.0, 15.0) in rows


def test_limits_as_shipped() -> None:
    """EN 13060 band 0..+4 K and EN 285 2 K (from memory); 1.3 mbar/min (secondary pages)."""
    limits = Limits()
    assert limits.band_width_k == 4.0
    assert limits.saturation_k == 2.0
    assert limits.leak_kpa_per_min == pytest.approx(0.13)
    for source in (programs.BAND_SOURCE, programs.LEAK_SOURCE):
        assert "not checked" in source


def test_program_names_are_read_and_written_alike() -> None:
    """Names are read and written alike; another form is refused."""
    assert Program.parse("prevacuum-134x3.5") == Program("prevacuum", 134.0, 3.5)
    assert Program.parse("unknown-126x10").name == "unknown-126x10"
    with pytest.raises(ValueError, match="gravity-121x30"):
        Program.parse("121 for 30")
    assert shortest_published_hold("gravity", 118.0) is None
