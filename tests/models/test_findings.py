"""What is asked of a signature before anybody is called: significance and size."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.diagnosis import match
from chamberdrift.models.findings import Findings, drift_row
from chamberdrift.models.lifecycle import Ledger
from chamberdrift.models.scores import WATCH_T, eligible, score_rows
from chamberdrift.models.signatures import (
    DIRECTIONS,
    DROOPS,
    HEAT,
    LESS_TO_HEAT,
    NUISANCE_DIRECTIONS,
    OWN_SENSOR,
    SERVICE_FLOOR,
    SIGNATURES,
)
from chamberdrift.models.signs import INDEX, SCATTER, SIGNS, WANDER

K = len(SIGNATURES)
HEATER = next(k for k, s in enumerate(SIGNATURES) if s.mode == "element weak")


@pytest.mark.parametrize(
    ("t", "size", "support", "called"),
    [
        (4.1, 1.05, 2, True),
        (4.1, 0.95, 2, False),  # barely certain: at its floor only
        (8.1, 0.55, 2, True),  # certain by twice as much: at half of it
        (8.1, 0.45, 2, False),
        (3.85, 1.05, 2, False),
        (3.85, 1.05, 3, True),  # three signs that agree
        (4.7, 1.05, 1, False),  # one alone
        (4.9, 1.05, 1, True),
    ],
)
def test_what_is_asked_for_a_visit(t: float, size: float, support: int, called: bool) -> None:
    answer = eligible(
        np.full(K, t), size * SERVICE_FLOOR, np.full(K, support, dtype=np.int64), "service"
    )
    assert bool(answer[HEATER]) is called


def test_a_pressure_channel_and_a_share_of_cycles_call_at_their_floor_only() -> None:
    answer = eligible(
        np.full(K, 12.0), 0.95 * SERVICE_FLOOR, np.full(K, 4, dtype=np.int64), "service"
    )
    left = [
        s
        for k, (s, called) in enumerate(zip(SIGNATURES, answer, strict=True))
        if not called and k not in DROOPS  # these hang on what heating shows
    ]
    assert {s.part for s in left if "boiling" not in s.changes} == {"pressure_sensor"}
    assert [s.mode for s in left if "boiling" in s.changes] == ["trap"]


def test_a_week_of_weather_on_a_gauge_channel_is_no_air() -> None:
    """2 kPa of atmosphere that was taken as usual: 0.3 K at 121 °C (dp/dT of saturation)."""
    delta = np.zeros((1, len(SIGNS)))
    delta[0, INDEX["saturation"]] = -0.3
    delta[0, INDEX["equilibration"]] = 3.0
    delta[0, INDEX["boil"]] = 0.54
    t = match(delta, (WANDER**2)[None, :]).t[0]
    air = [k for k, s in enumerate(SIGNATURES) if s.part == "air_removal"]
    assert float(t[air].max()) < WATCH_T


@pytest.mark.parametrize(("sign", "called"), [("air_inlet", True), ("evacuation", False)])
def test_one_sign_is_enough_where_nothing_else_moves_it(sign: str, called: bool) -> None:
    alone = next(k for k, s in enumerate(SIGNATURES) if set(s.changes) == {sign})
    answer = eligible(
        np.full(K, 4.2), 1.05 * SERVICE_FLOOR, np.full(K, 1, dtype=np.int64), "service"
    )
    assert bool(answer[alone]) is called


def raised(moved: dict[str, float], cycles: int = 6) -> list[tuple[str, str]]:
    """Return parts and severities that charts of these moves raise."""
    delta = np.full(len(SIGNS), np.nan)
    for name in ("loss", "heat_rate", "heat_rate_pressurised", "heat_up", "seat", "saturation"):
        delta[INDEX[name]] = 0.0
    for name, value in moved.items():
        delta[INDEX[name]] = value
    both, variance = np.tile(delta, (1, 2, 1)), np.tile(WANDER**2, (1, 2, 1))
    found = score_rows(both, variance, np.array([True]))
    ledger, findings = Ledger("u"), Findings()
    for i in range(cycles):
        drift_row(
            findings,
            ledger,
            1.0 + i / 2.0,
            found.t[0],
            found.size[0],
            found.support[0],
            lambda k: (delta, WANDER**2),
            lambda k, size, severity, t: {"layer": "drift"},
            lambda k: k,
            lambda k: True,
            frozenset(),
        )
    return [(e.part, e.severity) for e in ledger.standing_all()]


PLATEAU = {"plateau": -0.4, "overshoot": -0.4, "dip": -0.35}


def test_a_plateau_that_sinks_alone_is_a_sensor() -> None:
    assert raised({**PLATEAU, "period": 0.0, "spread": 0.0}) == [("temperature_sensor", "service")]


def test_a_plateau_that_sinks_while_the_swing_quickens_is_lost_steam() -> None:
    """Losses half as large again: pauses end sooner, heating under pressure slows by a sixth.

    No sensor slows heating or shortens a pause.
    """
    lost = {"loss": 0.35, "period": -0.25, "heat_rate_pressurised": -0.17, "seat": 0.12}
    assert raised({**PLATEAU, **lost})[0] == ("door_seal", "service")


def test_a_plateau_whose_top_sinks_twice_as_far_while_heating_slows_is_a_weak_element() -> None:
    weak = {"plateau": -0.3, "overshoot": -0.5, "dip": 0.0, "spread": -0.15, "period": 0.05}
    slow = {"heat_rate": -0.16, "heat_rate_pressurised": -0.25, "heat_up": 0.2, "seat": 0.2}
    assert raised({**weak, **slow})[0] == ("heater", "service")


def test_temperature_that_sinks_less_than_saturation_is_lost_steam() -> None:
    """Plateau 0.3 K down and 0.3 K further above Tsat(p): the pressure sank by 4 kPa.

    A sensor that is off leaves T and p in step; air keeps T below Tsat(p).
    """
    sunk = {"plateau": -0.3, "overshoot": -0.3, "dip": -0.3, "saturation": 0.3, "superheat": 0.25}
    boiler = dict.fromkeys(
        ("loss", "heat_rate", "heat_rate_pressurised", "heat_up", "seat"), np.nan
    )
    assert raised({**boiler, **sunk}) == [("door_seal", "service")]
    # Where a saw-tooth shows that losses stayed, none was lost.
    assert ("door_seal", "service") not in raised(sunk)


def test_a_drooping_plateau_counts_only_where_heating_shows_a_part() -> None:
    t, size = np.full(K, 12.0), 2.0 * SERVICE_FLOOR
    many = np.full(K, 6, dtype=np.int64)
    seal = next(k for k in DROOPS if SIGNATURES[k].part == "door_seal")
    assert eligible(t, size, many, "service")[seal]
    t[list(HEAT)] = 1.0
    assert not eligible(t, size, many, "service")[seal]
    assert eligible(t, size, many, "service")[OWN_SENSOR]


def test_a_share_of_the_floor_is_asked_of_a_unit_near_its_limit() -> None:
    given = (np.full(K, 4.2), 0.6 * SERVICE_FLOOR, np.full(K, 2, dtype=np.int64), "service")
    assert not eligible(*given)[HEATER]
    assert eligible(*given, 0.5)[HEATER]


@pytest.mark.parametrize(("scatter", "called"), [(0.02, True), (0.10, False)])
def test_a_load_is_never_lighter_than_none(scatter: float, called: bool) -> None:
    """Rates 16 % up: low water, unless the unit's loads differ by as much from cycle to cycle."""
    water = LESS_TO_HEAT[1]
    delta = np.tile(DIRECTIONS[water] * 0.16, (1, 2, 1))
    delta[:, :, INDEX["closing"]] = np.nan
    variance = np.tile(WANDER**2, (1, 2, 1))
    scale = np.where(NUISANCE_DIRECTIONS[0] != 0.0, scatter, SCATTER)[None, :]
    found = score_rows(delta, variance, np.array([True]), scale)
    able = eligible(found.t, found.size, found.support, "service")[0]
    assert bool(able[water]) is called
    heavier = score_rows(-delta, variance, np.array([True]), scale)
    plain = score_rows(-delta, variance, np.array([True]))
    assert (heavier.t == plain.t).all()


@pytest.mark.parametrize("compared", [True, False])
def test_a_flag_recovers_by_cycles_that_show_it_healthy_and_by_no_others(compared: bool) -> None:
    ledger, none = Ledger("u"), np.zeros(K)
    ledger.raise_flag("controller", "service", 0.0, {"layer": "drift"})
    for i in range(60):
        drift_row(
            Findings(),
            ledger,
            1.0 + i / 2.0,
            none,
            none,
            np.zeros(K, dtype=np.int64),
            lambda k: (np.zeros(len(SIGNS)), WANDER**2),
            lambda k, size, severity, t: {},
            lambda k: k,
            lambda k: True,
            frozenset(),
            compared=compared,
        )
    assert (ledger.standing("controller") is None) is compared
