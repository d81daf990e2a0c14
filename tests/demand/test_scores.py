"""Scores of distributions, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from rebuildstats.demand import scores


def test_pinball_of_one_quantile() -> None:
    pmf = np.array([0.0, 0.0, 1.0])  # certainly 2
    assert scores.pinball(pmf, 5.0, [0.9]) == pytest.approx(0.9 * 3)
    assert scores.pinball(pmf, 1.0, [0.9]) == pytest.approx(0.1 * 1)


def test_crps_of_a_certain_count_is_the_distance_and_of_a_coin_is_by_hand() -> None:
    assert scores.crps(np.array([0.0, 0.0, 1.0]), 5.0) == pytest.approx(3.0)
    assert scores.crps(np.array([0.0, 0.0, 1.0]), 0.0) == pytest.approx(2.0)
    assert scores.crps(np.array([0.5, 0.5]), 1.0) == pytest.approx(0.25)
    assert scores.crps(np.array([1.0]), -2.0) == pytest.approx(2.0)


def test_crps_equals_its_form_by_expectations() -> None:
    # Gneiting & Raftery 2007, eq. 21: E|X - y| - E|X - X'| / 2
    pmf = stats.poisson.pmf(np.arange(40), 4.0)
    k = np.arange(40)
    expected = np.abs(k - 6) @ pmf - 0.5 * (pmf @ np.abs(k[:, None] - k[None, :]) @ pmf)
    assert scores.crps(pmf, 6.0) == pytest.approx(expected, abs=1e-9)


def test_the_transform_of_the_right_distribution_is_uniform() -> None:
    rng = np.random.default_rng(1)
    pmf = stats.poisson.pmf(np.arange(60), 1.5)
    values = rng.poisson(1.5, 4000)
    u = [scores.transform(pmf, float(v), float(rng.random())) for v in values]
    assert stats.kstest(u, "uniform").pvalue > 0.001
    assert scores.transform(pmf, -1.0, 0.5) == 0.0
    assert scores.transform(pmf, 1000.0, 0.5) == 1.0


def test_cover() -> None:
    pmf = stats.poisson.pmf(np.arange(60), 10.0)
    assert scores.covered(pmf, 10.0) == 1.0
    assert scores.covered(pmf, 25.0) == 0.0
