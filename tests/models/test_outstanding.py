"""Cycles that stand out by themselves, and the signs of a cycle's end and of its boiling."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from chamberdrift.models.outstanding import count, outstanding
from chamberdrift.models.reference import fit_reference
from chamberdrift.models.sign_values import resolution_matrix, sign_matrix
from chamberdrift.models.signatures import DIRECTIONS, SIGNATURES, WATCH_FLOOR
from chamberdrift.models.signs import INDEX, SCATTER, WANDER
from chamberdrift.shared.schema import CYCLES

PUMP = next(k for k, s in enumerate(SIGNATURES) if s.mode == "pump")


def test_a_cycle_stands_out_by_size_significance_and_two_signs() -> None:
    variance = np.tile((SCATTER**2 + WANDER**2) / 4.0, (3, 1))
    residual = np.stack([DIRECTIONS[PUMP] * WATCH_FLOOR[PUMP] * f for f in (3.0, 0.9, 3.0)])
    found = outstanding(residual, variance, np.array([True, True, False]))
    assert found.signature.tolist() == [PUMP, -1, -1]
    assert abs(found.size[0] - 3.0 * WATCH_FLOOR[PUMP]) < 1e-6
    alone = np.zeros((1, residual.shape[1]))
    alone[0, INDEX["air_inlet"]] = 3.0
    assert outstanding(alone, variance[:1], np.array([True])).signature.tolist() == [-1]


def test_single_cycles_need_less_of_a_floor_than_a_mean_does() -> None:
    """A swing 0.3 K wider on either side is below the floor of a mean, 0.4 K; air is not."""
    swing = next(k for k, s in enumerate(SIGNATURES) if s.part == "controller")
    air = next(k for k, s in enumerate(SIGNATURES) if s.part == "air_removal")
    variance = np.tile((SCATTER**2 + WANDER**2) / 16.0, (2, 1))
    residual = np.stack([DIRECTIONS[swing] * 0.3, DIRECTIONS[air] * 0.4])
    found = outstanding(residual, variance, np.array([True, True]))
    assert found.signature.tolist() == [swing, -1]


def test_four_of_ten_cycles_on_two_days_call() -> None:
    def calls(at: list[tuple[float, int]]) -> list[int]:
        recent: list[list[float]] = []
        out = []
        for now, place in at:
            recent, cycles = count(recent, now, place, PUMP)
            out.append(cycles)
        return out

    assert calls([(1.1, 1), (1.3, 3), (2.1, 6), (2.3, 8)]) == [0, 0, 0, 4]
    assert calls([(1.1, 1), (1.2, 2), (1.3, 3), (1.4, 4)])[-1] == 0  # one day
    assert calls([(1.1, 1), (2.2, 5), (3.3, 9), (4.4, 14)])[-1] == 0  # one in five


def cycles(**columns: object) -> pd.DataFrame:
    n = 2
    base = {"cycle_id": ["a", "b"], "unit_id": ["u"] * n, "kind": ["sterilization"] * n}
    start = pd.Series(pd.to_datetime(["2026-01-05", "2026-01-06"], utc=True))
    return CYCLES.conform(
        pd.DataFrame({**base, "started_at": start, "ended_at": start, **columns})
    )


def test_a_cycles_end_is_one_span_only_without_pressure() -> None:
    frame = cycles(closing_s=[900.0, 930.0], pressure_max_kpa=[np.nan, 310.0])
    end = sign_matrix(frame)[:, INDEX["closing"]]
    assert end[0] == 900.0
    assert np.isnan(end[1])


def test_a_heat_up_that_was_seen_pauses_at_boiling_or_not() -> None:
    frame = cycles(heat_rate_k_per_min=[9.0, np.nan], boil_plateau_c=[np.nan, np.nan])
    assert sign_matrix(frame)[0, INDEX["boiling"]] == 0.0
    assert np.isnan(sign_matrix(frame)[1, INDEX["boiling"]])
    frame = cycles(heat_rate_k_per_min=[9.0, 9.0], boil_plateau_c=[100.2, np.nan])
    assert sign_matrix(frame)[:, INDEX["boiling"]].tolist() == [1.0, 0.0]


def test_a_hold_counts_against_its_program_where_it_is_seen_whole_and_finely() -> None:
    hold = {"program": ["gravity-121x20", "gravity-126x10"], "exposure_s": [1218.0, 606.0]}
    at = INDEX["hold"]
    seen = sign_matrix(cycles(**hold, sample_interval_s=[2.0, 2.0], gap_s=[2.0, 2.0]))[:, at]
    np.testing.assert_allclose(seen, np.log([1.015, 1.01]))
    coarse = cycles(**hold, sample_interval_s=[10.0, 10.0], gap_s=[10.0, 10.0])
    assert np.isfinite(sign_matrix(coarse)[:, at]).tolist() == [True, False]
    lost = cycles(**hold, sample_interval_s=[2.0, 2.0], gap_s=[2.0, 30.0])
    assert np.isfinite(sign_matrix(lost)[:, at]).tolist() == [True, False]


def test_swings_that_samples_hide_are_no_noise() -> None:
    def seen(noise_k: float, spread_k: float, interval_s: float) -> bool:
        frame = cycles(
            noise_k=[noise_k, noise_k],
            exposure_sd_c=[spread_k, spread_k],
            sample_interval_s=[interval_s, interval_s],
        )
        return bool(np.isfinite(sign_matrix(frame)[0, INDEX["noise"]]))

    assert not seen(1.4, 0.95, 30.0)
    assert not seen(0.3, 0.95, 30.0)  # whatever is read, or the unit's usual were the least read
    assert seen(1.4, 0.95, 2.0)
    assert seen(0.4, 0.1, 30.0)


def test_a_time_too_short_for_its_sampling_is_at_most_what_that_shows() -> None:
    frame = cycles(
        exhaust_s=[29.0, 117.0],
        heat_rate_pressurised_k_per_min=[57.0, 7.0],
        sample_interval_s=[20.0, 20.0],
    )
    signs = sign_matrix(frame)
    np.testing.assert_allclose(signs[:, INDEX["exhaust"]], np.log([50.0, 117.0]))
    rate = np.exp(signs[:, INDEX["heat_rate_pressurised"]])
    np.testing.assert_allclose(rate, [14.0 / 50.0 * 60.0, 7.0])
    error = resolution_matrix(frame)[:, INDEX["exhaust"]]
    np.testing.assert_allclose(error, [20.0 / 50.0, 20.0 / 117.0])


def test_what_sampling_hides_teaches_the_fleet_no_scatter() -> None:
    rng = np.random.default_rng(1)
    group = np.repeat(np.arange(20), 12)
    signs = np.full((group.size, len(SCATTER)), np.nan)
    at = INDEX["exhaust"]
    signs[:, at] = 0.1 * rng.standard_normal(group.size)
    clear = signs[: group.size // 2]
    signs[group.size // 2 :, at] = np.log(50.0)  # the other units' are hidden
    none, levels = np.full((group.size, 5), np.nan), np.zeros((20, len(SCATTER)))
    both = fit_reference("2026-03", signs, none, group, levels)
    alone = fit_reference("2026-03", clear, none[: len(clear)], group[: len(clear)], levels)
    assert both.scatter[at] == pytest.approx(alone.scatter[at])
    assert both.wander[at] == pytest.approx(WANDER[at])


def test_the_shorter_run_of_a_saw_tooth_sets_what_its_slopes_are_worth() -> None:
    frame = cycles(
        sawtooth_period_s=[30.0, 30.0],
        heater_duty=[1.0 / 3.0, 2.0 / 3.0],
        loss_over_capacity_k_per_min=[4.0, 4.0],
        sample_interval_s=[5.0, 5.0],
    )
    error = resolution_matrix(frame)[:, INDEX["loss"]]
    np.testing.assert_allclose(error, [5.0 / 20.0, 5.0 / 10.0])
