"""The matched filter against dense algebra, and every signature against itself."""

from __future__ import annotations

import numpy as np
import pytest
from chamberdrift.models.diagnosis import conditional, match
from chamberdrift.models.scores import eligible, remainder
from chamberdrift.models.signatures import (
    DIRECTIONS,
    DRAWN_IN,
    LATE_END,
    NUISANCE_DIRECTIONS,
    NUISANCE_SD,
    NUISANCES,
    SERVICE_FLOOR,
    SIGNATURE_PARTS,
    SIGNATURES,
    signs_of_part,
)
from chamberdrift.models.signs import INDEX, NAMES, WANDER
from chamberdrift.shared.parts import MODES, PARTS

VARIANCE = 2.0 * WANDER**2


def dense(variance: np.ndarray) -> np.ndarray:
    full = np.diag(variance) + NUISANCE_DIRECTIONS.T @ np.diag(NUISANCE_SD**2) @ (
        NUISANCE_DIRECTIONS
    )
    return np.linalg.inv(full)


def test_sizes_and_scores_match_generalised_least_squares() -> None:
    rng = np.random.default_rng(1)
    delta = rng.normal(size=(4, len(NAMES))) * WANDER
    found = match(delta, np.tile(VARIANCE, (4, 1)))
    inverse = dense(VARIANCE)
    for k, d in enumerate(DIRECTIONS):
        for i in range(4):
            size = d @ inverse @ delta[i] / (d @ inverse @ d)
            assert found.size[i, k] == pytest.approx(size, rel=1e-8)
            assert found.t[i, k] == pytest.approx(size * np.sqrt(d @ inverse @ d), rel=1e-8)
    np.testing.assert_allclose(found.chi2, [x @ inverse @ x for x in delta])


def test_conditional_residuals_match_the_inverse_covariance() -> None:
    delta = np.random.default_rng(2).normal(size=(1, len(NAMES)))
    inverse = dense(VARIANCE)
    want = inverse @ delta[0] / np.sqrt(np.diag(inverse))
    np.testing.assert_allclose(conditional(delta, VARIANCE[None, :])[0], want)


def test_a_row_does_not_depend_on_its_batch() -> None:
    rng = np.random.default_rng(3)
    delta = rng.normal(size=(50, len(NAMES)))
    delta[rng.random(delta.shape) < 0.2] = np.nan
    variance = np.tile(VARIANCE, (50, 1))
    whole = match(delta, variance)
    for i in (0, 17, 49):
        alone = match(delta[i : i + 1], variance[i : i + 1])
        assert np.array_equal(alone.t[0], whole.t[i])


@pytest.mark.parametrize("k", range(len(SIGNATURES)))
def test_each_signature_explains_itself_best(k: int) -> None:
    delta = DIRECTIONS[k] * SERVICE_FLOOR[k] * 2.5
    found = match(delta[None, :], VARIANCE[None, :])
    t = np.abs(found.t[0])
    # A late end is a filter's or a vent's by the program, not by the signs, and air a seal's or a
    # trap's by whether a leak test is run.
    same = next((group for group in (LATE_END, DRAWN_IN) if k in group), (k,))
    assert SIGNATURE_PARTS[int(t.argmax())] in {SIGNATURE_PARTS[i] for i in same}
    assert found.size[0, k] == pytest.approx(SERVICE_FLOOR[k] * 2.5, rel=1e-6)


@pytest.mark.parametrize("k", range(len(SIGNATURES)))
def test_the_opposite_of_a_one_sided_fault_is_not_that_fault(k: int) -> None:
    if SIGNATURES[k].two_sided:
        pytest.skip("goes both ways")
    found = match(-DIRECTIONS[k][None, :], VARIANCE[None, :])
    assert found.t[0, k] < 0


@pytest.mark.parametrize("nuisance", [n.name for n in NUISANCES])
def test_a_usual_nuisance_is_no_fault(nuisance: str) -> None:
    n = next(i for i, x in enumerate(NUISANCES) if x.name == nuisance)
    delta = NUISANCE_DIRECTIONS[n] * NUISANCE_SD[n] * 2.0
    for sign in (1.0, -1.0):
        found = match(sign * delta[None, :], VARIANCE[None, :])
        t = np.abs(found.t[0])
        many = np.full(len(t), 2)
        assert not eligible(t, found.size[0], many, "service").any(), dict(
            zip(SIGNATURE_PARTS, t.round(1).tolist(), strict=True)
        )


def test_unseen_signs_are_left_out() -> None:
    delta = DIRECTIONS[0] * 0.3
    hidden = delta.copy()
    hidden[[INDEX[n] for n in ("power", "duty", "loss", "current_duty", "period")]] = np.nan
    full = match(delta[None, :], VARIANCE[None, :])
    part = match(hidden[None, :], VARIANCE[None, :])
    assert part.size[0, 0] == pytest.approx(full.size[0, 0], rel=1e-6)
    assert 0 < part.t[0, 0] < full.t[0, 0]
    nothing = match(np.full((1, len(NAMES)), np.nan), VARIANCE[None, :])
    assert (nothing.t == 0).all()


def test_a_pressure_fault_needs_the_open_reading_to_be_told_from_air() -> None:
    k = SIGNATURE_PARTS.index("pressure_sensor")
    delta = DIRECTIONS[k] * 6.0
    delta[INDEX["open_pressure"]] = np.nan
    assert match(delta[None, :], VARIANCE[None, :]).t[0, k] == 0.0


def test_what_is_left_after_one_fault_names_the_second() -> None:
    first, second = 0, next(i for i, s in enumerate(SIGNATURES) if s.mode == "blocked")
    delta = DIRECTIONS[first] * 0.3 + DIRECTIONS[second] * 0.5
    left = remainder(delta, VARIANCE, [(first, 0.3)])
    assert left is not None
    assert int(left[0].argmax()) == second
    assert remainder(DIRECTIONS[first] * 0.3, VARIANCE, [(first, 0.3)]) is None


def test_signatures_speak_the_schemas_words() -> None:
    for s in SIGNATURES:
        assert s.part in PARTS
        assert s.mode == "" or s.mode in MODES[s.part]
        assert set(s.changes) <= set(NAMES)
        assert 0 < s.watch_floor < s.service_floor
    assert INDEX["power"] in signs_of_part("heater")
    assert signs_of_part("unknown") == []
