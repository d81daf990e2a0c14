"""The scan for a bad spell: its p-value holds, its end is found, what can't be told stays untold."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.fits.scan import LEAST, NO_SPELL, gain, scan, tail


def test_gain_is_the_binomial_likelihood_ratio():
    from scipy import stats

    observed, expected, total = 12.0, 5.0, 40.0
    wanted = stats.binom.logpmf(12, 40, 12 / 40) - stats.binom.logpmf(12, 40, 5 / 40)
    assert gain(np.array([observed]), np.array([expected]), total)[0] == pytest.approx(wanted)
    assert gain(np.array([3.0]), np.array([5.0]), total)[0] == 0


def test_gain_of_a_small_part_is_the_poisson_ratio():
    assert gain(np.array([10.0]), np.array([4.0]), 1e9)[0] == pytest.approx(10 * np.log(2.5) - 6, abs=1e-4)
    assert gain(np.array([10.0]), np.array([4.0]), np.inf)[0] == pytest.approx(10 * np.log(2.5) - 6, abs=1e-12)


@pytest.mark.parametrize("expected", [2.0, 15.0])
def test_sound_groups_are_seldom_suspected(expected):
    rng = np.random.default_rng(3)
    share = np.full(100, expected / 100)
    p = np.array([scan(rng.poisson(share).astype(float), share, 1e6).p_value for _ in range(1500)])
    # the bound was read from simulation (tests/benchmarks/scan_tail.py); 1.5 allows for the simulation's own chance
    for level in (0.05, 0.01):
        assert (p <= level).mean() <= 1.5 * level + 0.002


def test_a_bad_spell_is_found_with_its_end():
    rng = np.random.default_rng(4)
    ends = []
    for _ in range(40):
        share = np.full(150, 0.1)
        observed = rng.poisson(np.where((np.arange(150) >= 60) & (np.arange(150) < 110), 0.6, 0.1)).astype(float)
        spell = scan(observed, share, 1e6)
        assert spell.p_value < 1e-3
        ends.append(spell.last)
    assert abs(np.median(ends) - 109) <= 3


def test_fewer_failures_than_make_a_spell():
    share = np.full(50, 1e-4)
    observed = np.zeros(50)
    observed[10 : 10 + LEAST - 1] = 1
    assert scan(observed, share, 100.0) == NO_SPELL
    assert tail(0.0, 1.0) <= tail(0.0, 30.0) <= 1
