"""Risk-adjusted sums against the papers' weights and run lengths."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.fits import cusum


def _chance(score):
    return 1 / (1 + np.exp(-(-3.68 + 0.077 * score)))


def test_steiner_weights():
    # Steiner, Cook, Farewell & Treasure 2000: logit p = -3.68 + .077 Parsonnet, odds ratio 2 (coefficients read;
    # weights R and Python)
    assert _chance(0) == pytest.approx(0.0246024, abs=1e-6)
    assert cusum.risk_adjusted_weight([0, 1], _chance(0), 2) == pytest.approx([-0.0243047, 0.6688425], abs=1e-6)
    assert _chance(50) == pytest.approx(0.5423979, abs=1e-6)
    assert cusum.risk_adjusted_weight([0, 1], _chance(50), 2) == pytest.approx([-0.4333383, 0.2598089], abs=1e-6)
    assert cusum.risk_adjusted_weight([0, 1], _chance(0), 0.5) == pytest.approx([0.0123775, -0.6807697], abs=1e-6)


def test_rigdon_and_fricker():
    # Rigdon & Fricker 2015 p. 225-226: -3.67 + .077 x 19, odds ratio 1/2, survives
    p = 1 / (1 + np.exp(-(-3.67 + 0.077 * 19)))
    assert cusum.risk_adjusted_weight(0, p, 0.5) == pytest.approx(0.0508322, abs=5e-6)


@pytest.mark.parametrize(
    ("limit", "mean", "length"), [(4, 0, 335.3676), (4, 1, 8.38320), (5, 0, 930.8870), (5, 1, 10.37598)]
)
def test_run_lengths(limit, mean, length):
    # R package spc; Lucas & Crosier / Montgomery recall 168 and 465 for the two-sided half: 167.6838, 465.4435
    assert cusum.normal_cusum_run_length(limit, 0.5, mean) == pytest.approx(length, abs=1e-3 if mean == 0 else 1e-4)


def test_the_sum_never_falls_below_nothing():
    assert list(cusum.upper_cusum([-1.0, 2.0, -0.5, -3.0, 1.0])) == [0, 2, 1.5, 0, 1]


def dated(rng, start, *, sound=0.1, ratio=5.0, steps=150):
    hazard = np.full(steps, sound)
    events = rng.poisson(np.where(np.arange(steps) >= start, sound * ratio, sound))
    return cusum.date_onset(events, hazard, steps - 1, reach=4)


def test_a_start_is_dated_at_least_as_well_as_by_the_last_zero_and_its_limits_cover():
    rng = np.random.default_rng(5)
    starts = rng.integers(20, 120, 300)
    found = [dated(rng, s) for s in starts]
    ours, zeros = (np.array([getattr(f, name) for f in found]) for name in ("first", "zero"))
    near, near_zero = (np.mean(np.abs(x - starts) <= 4) for x in (ours, zeros))
    assert near >= near_zero
    assert near > 0.7
    assert abs(np.median(ours - starts)) <= 1
    covered = np.mean([f.lower <= s <= f.upper for f, s in zip(found, starts, strict=True)])
    # even starts were drawn while a part of the prior stands for another one: 90 % limits cover nearly so often
    assert covered >= 0.85


def test_bad_from_the_first_exposure_is_dated_to_it():
    rng = np.random.default_rng(6)
    first = [dated(rng, 0).first for _ in range(40)]
    assert np.mean(np.array(first) <= 4) > 0.9  # within the reach of 4 steps
    assert np.mean(np.array(first) == 0) > 0.5


def test_nothing_is_dated_before_the_first_exposure_or_after_the_end():
    events, hazard = np.zeros(30), np.zeros(30)
    events[14], hazard[10:] = 3, 0.2
    found = cusum.date_onset(events, hazard, 20)
    assert 10 <= found.lower <= found.first <= found.upper <= 20
    assert cusum.date_onset([0, 0], [0.0, 0.0], 1) == cusum.Onset(0, 0, 0, 0)


def test_the_last_zero_is_where_the_sum_last_stood_at_nothing():
    events, hazard = np.array([0, 1, 0, 0, 0, 2, 1, 2]), np.full(8, 0.5)
    found = cusum.date_onset(events, hazard, 7)
    sums = cusum.upper_cusum(cusum.hazard_weight(events, hazard, 6 / 4))
    assert found.zero == int(np.flatnonzero(sums <= 0)[-1]) + 1 == 5


def test_hazard_weight_is_the_poisson_likelihood_ratio():
    from scipy import stats

    weight = cusum.hazard_weight(3, 0.7, 2.0)
    assert weight == pytest.approx(stats.poisson.logpmf(3, 1.4) - stats.poisson.logpmf(3, 0.7))
