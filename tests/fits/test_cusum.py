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
    # R package spc; Lucas & Crosier / Montgomery recall 168 and 465 for the two-sided half
    assert cusum.normal_cusum_run_length(limit, 0.5, mean) == pytest.approx(length, abs=1e-3 if mean == 0 else 1e-4)


def test_the_sum_never_falls_below_nothing():
    assert list(cusum.upper_cusum([-1.0, 2.0, -0.5, -3.0, 1.0])) == [0, 2, 1.5, 0, 1]


def test_start_is_found():
    rng = np.random.default_rng(5)
    late = []
    for _ in range(60):
        hazard = np.full(120, 0.1)
        events = rng.poisson(np.where(np.arange(120) >= 70, 0.5, 0.1))
        late.append(cusum.likeliest_start(events, hazard).first - 70)
    assert abs(np.median(late)) <= 2
    assert np.mean(np.abs(late) <= 12) > 0.85


def test_a_spell_that_ended_is_found():
    rng = np.random.default_rng(6)
    hazard = np.full(150, 0.1)
    events = rng.poisson(np.where((np.arange(150) >= 60) & (np.arange(150) < 100), 0.8, 0.1))
    spell = cusum.likeliest_spell(events, hazard)
    assert abs(spell.first - 60) <= 8
    assert abs(spell.last - 99) <= 8
    assert spell.ratio > 3
    assert cusum.likeliest_spell([], []).last == -1
    assert cusum.likeliest_start([0, 0], [1.0, 1.0]).gain == 0


def test_hazard_weight_is_the_poisson_likelihood_ratio():
    from scipy import stats

    weight = cusum.hazard_weight(3, 0.7, 2.0)
    assert weight == pytest.approx(stats.poisson.logpmf(3, 1.4) - stats.poisson.logpmf(3, 0.7))
