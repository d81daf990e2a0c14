"""False discovery rate and shrinkage."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.fits.discovery import adjusted, shrink_ratios

# Benjamini & Hochberg 1995 (scipy false_discovery_control docstring; R p.adjust)
P = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1]
Q = [
    0.0015,
    0.003,
    0.0095,
    0.035625,
    0.0603,
    0.06385714,
    0.06385714,
    0.0645,
    0.0765,
    0.486,
    0.58118182,
    0.714875,
    0.75323077,
    0.81321429,
    1,
]


def test_their_own_example():
    assert np.allclose(adjusted(P), Q, atol=1e-8)
    assert (adjusted(P) < 0.05).sum() == 4
    assert (adjusted(P, "by") < 0.05).sum() == 3
    shuffled = np.random.default_rng(0).permutation(15)
    assert np.allclose(adjusted(np.array(P)[shuffled]), np.array(Q)[shuffled], atol=1e-8)
    assert len(adjusted([])) == 0


def test_small_groups_are_pulled_more():
    observed, expected = np.array([2.0, 40.0, 10.0, 11.0, 9.0, 12.0]), np.array([0.5, 10.0, 10.0, 10.0, 10.0, 10.0])
    shrunk = shrink_ratios(observed, expected)
    assert shrunk.amount[0] > shrunk.amount[1]
    assert 1 < shrunk.ratio[0] < 4
    assert shrunk.ratio[1] == pytest.approx(4, rel=0.25)
    assert ((shrunk.lower < shrunk.ratio) & (shrunk.ratio < shrunk.upper)).all()


def test_intervals_of_shrunk_ratios_cover_on_average():
    rng, inside = np.random.default_rng(3), []
    for _ in range(60):
        truth = rng.gamma(4.0, 0.25, 25)
        expected = rng.uniform(0.5, 6, 25)
        shrunk = shrink_ratios(rng.poisson(truth * expected), expected)
        inside.append(((shrunk.lower <= truth) & (truth <= shrunk.upper)).mean())
    assert 0.84 <= np.mean(inside) <= 0.96


def test_nothing_seen():
    assert np.allclose(shrink_ratios([0, 0], [0, 0]).ratio, 1)
