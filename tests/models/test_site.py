"""The mains proxy: only what a site's units share, and only from days before."""

from __future__ import annotations

import numpy as np
from chamberdrift.models.signs import INDEX, NAMES
from chamberdrift.models.site import FIRST_CYCLES, PowerMemory, site_proxy, unit_power


def member(shift: float, from_day: float, seed: int, days: int = 40) -> tuple:
    rng = np.random.default_rng(seed)
    day = np.repeat(np.arange(float(days)), 3)
    signs = np.full((day.size, len(NAMES)), np.nan)
    moved = np.where(day >= from_day, shift, 0.0)
    signs[:, INDEX["power"]] = moved + 0.02 * rng.standard_normal(day.size)
    memory = PowerMemory()
    return memory, day, unit_power(memory, signs, ["p"] * day.size)


def test_a_shared_fall_is_taken_as_the_mains() -> None:
    common = site_proxy([member(-0.2, 20.0, s) for s in range(3)])
    day = np.repeat(np.arange(40.0), 3)
    assert abs(common[0][day < 20]).max() < 0.02
    assert (common[0][day > 24] < -0.15).all()
    # The day itself does not enter.
    assert abs(common[0][day == 20]).max() < 0.02


def test_one_or_two_of_three_are_not_the_site() -> None:
    for weak in (1, 2):
        parts = [member(-0.3 if i < weak else 0.0, 20.0, i) for i in range(3)]
        assert all(abs(c).max() < 0.05 for c in site_proxy(parts))


def test_two_units_are_no_site() -> None:
    parts = [member(-0.2, 20.0, s) for s in range(2)]
    assert all((c == 0).all() for c in site_proxy(parts))


def test_first_cycles_say_nothing() -> None:
    _, _, power = member(0.0, 99.0, 1)
    assert np.isnan(power[:FIRST_CYCLES]).all()
    assert np.isfinite(power[FIRST_CYCLES:]).all()


def test_going_on_from_memory_equals_one_go() -> None:
    whole = site_proxy([member(-0.2, 20.0, s) for s in range(3)])
    rng_parts = []
    for s in range(3):
        rng = np.random.default_rng(s)
        day = np.repeat(np.arange(40.0), 3)
        signs = np.full((day.size, len(NAMES)), np.nan)
        signs[:, INDEX["power"]] = np.where(day >= 20, -0.2, 0.0) + 0.02 * rng.standard_normal(
            day.size
        )
        rng_parts.append((PowerMemory(), day, signs))
    pieces = []
    for low, high in ((0, 15), (15, 22), (22, 40)):
        night = []
        for memory, day, signs in rng_parts:
            at = (day >= low) & (day < high)
            again = PowerMemory.from_json(memory.to_json())
            memory.first, memory.recent = again.first, again.recent
            night.append((memory, day[at], unit_power(memory, signs[at], ["p"] * int(at.sum()))))
        pieces.append(site_proxy(night))
    for u in range(3):
        assert np.array_equal(np.concatenate([p[u] for p in pieces]), whole[u])
