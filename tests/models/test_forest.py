"""The isolation forest against its paper, and its p-values against healthy cycles."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from chamberdrift.models.forest import SUBSYSTEMS, Pool, fit_forest, make_pool
from chamberdrift.models.isolation import grow
from chamberdrift.models.signs import INDEX, NAMES

WIDTH = len(NAMES)


def blocks(seed: int, units: int = 12, rows: int = 150) -> tuple[list[str], list[np.ndarray]]:
    rng = np.random.default_rng(seed)
    return [f"u{i}" for i in range(units)], [rng.normal(size=(rows, WIDTH)) for _ in range(units)]


@pytest.fixture(scope="module")
def forest() -> object:
    found = fit_forest(
        "2026-03", "tabletop", make_pool("tabletop", *blocks(1, units=40, rows=100))
    )
    assert found is not None
    return found


def test_scores_follow_liu_ting_and_zhou_2008() -> None:
    # Two distinct points, two samples a tree: each is isolated at depth 1 = c(2), so the
    # paper's score 2^(-E[h]/c) is exactly one half; x = {0, 1, 10} with three samples has
    # E[h] = 1.9, 2.0, 1.1 and c(3) = 1.2074 by the paper's logarithm for H.
    from sklearn.ensemble import IsolationForest

    two = IsolationForest(n_estimators=50, max_samples=2, random_state=0).fit([[0.0], [1.0]])
    np.testing.assert_allclose(two.score_samples([[0.0], [1.0]]), [-0.5, -0.5])
    three = IsolationForest(n_estimators=2000, max_samples=3, random_state=0).fit(
        [[0.0], [1.0], [10.0]]
    )
    c3 = 2.0 * (math.log(2.0) + 0.5772156649) - 4.0 / 3.0
    want = [-(2.0 ** (-h / c3)) for h in (1.9, 2.0, 1.1)]
    np.testing.assert_allclose(three.score_samples([[0.0], [1.0], [10.0]]), want, atol=6e-3)


@pytest.mark.parametrize(("rows", "width"), [(200, 6), (256, 1), (1500, 9), (700, 28)])
def test_trees_are_those_of_the_library_to_the_bit(rows: int, width: int) -> None:
    from sklearn.ensemble import IsolationForest

    rng = np.random.default_rng(rows + width)
    healthy = np.round(rng.standard_normal((rows, width)), 3)
    healthy[rng.random(rows) < 0.4, width // 2] = 0.0  # a sign that was often not seen
    fresh = 2.0 * rng.standard_normal((1000, width))
    seed = 4_000_000_000 + rows
    theirs = IsolationForest(n_estimators=32, max_samples=min(256, rows), random_state=seed)
    ours = grow(healthy, 32, min(256, rows), seed)
    want = theirs.fit(healthy).score_samples(fresh)
    assert len(np.unique(want)) > 100
    assert np.array_equal(ours.scores(fresh), want)
    assert np.array_equal(pickle.loads(pickle.dumps(ours)).scores(fresh), want)


def test_p_values_are_uniform_on_healthy_cycles_of_other_units(forest: object) -> None:
    fresh = np.random.default_rng(99).normal(size=(4000, WIDTH))
    for name, p in forest.p_values(fresh).items():  # type: ignore[attr-defined]
        for level in (0.01, 0.05, 0.1, 0.5):
            share = float((p <= level).mean())
            slack = 4.0 * math.sqrt(level * (1 - level) / 1200.0)
            assert abs(share - level) < slack, (name, level, share)


def test_the_least_p_is_one_over_the_held_out_rows(forest: object) -> None:
    far = np.full((1, WIDTH), 10.0)
    p = forest.p_values(far)["all"][0]  # type: ignore[attr-defined]
    assert p == forest.least_p  # type: ignore[attr-defined]
    assert p == pytest.approx(1.0 / (len(forest.reference["all"]) + 1))  # type: ignore[attr-defined]


def test_the_small_subsystem_sees_one_sign_better_than_all(forest: object) -> None:
    rows = np.random.default_rng(5).normal(size=(300, WIDTH))
    rows[:, INDEX["exhaust"]] += 5.0
    p = forest.p_values(rows)  # type: ignore[attr-defined]
    assert np.median(p["flow"]) < np.median(p["all"])


def test_several_signs_at_once_are_seen(forest: object) -> None:
    rows = np.random.default_rng(6).normal(size=(200, WIDTH))
    rows[:, [INDEX[n] for n in SUBSYSTEMS["heat"]]] += 3.0
    assert float((forest.p_values(rows)["heat"] < 0.01).mean()) > 0.8  # type: ignore[attr-defined]


def test_units_not_cycles_are_split() -> None:
    names, rows = blocks(2, units=6, rows=60)
    for i, block in enumerate(rows):
        block[:] = i
    pool = make_pool("t", names, rows)
    assert not set(np.unique(pool.fit)) & set(np.unique(pool.held))
    assert len(pool.fit) + len(pool.held) == 360


def test_too_few_units_or_rows_give_no_forest() -> None:
    assert fit_forest("2026-03", "t", make_pool("t", ["a"], [np.zeros((900, WIDTH))])) is None
    assert fit_forest("2026-03", "t", make_pool("t", *blocks(3, units=8, rows=5))) is None


def test_the_same_pool_gives_the_same_forest_after_json() -> None:
    import json

    from chamberdrift.models.plain import plain

    pool = make_pool("t", *blocks(4, rows=80))
    pool.fit[0, 0] = np.nan
    again = Pool.from_json(json.loads(json.dumps(plain(pool.to_json()), allow_nan=False)))
    rows = np.random.default_rng(8).normal(size=(40, WIDTH))
    one, two = fit_forest("2026-03", "t", pool), fit_forest("2026-03", "t", again)
    assert one is not None
    assert two is not None
    for name, p in one.p_values(rows).items():
        assert np.array_equal(p, two.p_values(rows)[name])
