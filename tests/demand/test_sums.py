"""Exact sums: against printed values, enumeration and scipy."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from rebuildstats.demand import sums

EXACT = 1e-12  # rounding of the transform


def test_chances_of_five_trials_as_worked_by_hand() -> None:
    # D3: p .1 .2 .3 .4 .5, exact decimals (R, scipy and convolution agree)
    assert sums.poisson_binomial([0.1, 0.2, 0.3, 0.4, 0.5]) == pytest.approx(
        [0.1512, 0.3714, 0.3274, 0.1274, 0.0214, 0.0012], abs=EXACT
    )


def test_unequal_chances() -> None:
    # D3b: terminating decimals, computed with R's poibin and convolution
    pmf = sums.poisson_binomial([0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 0.9])
    expected = [0.03318084, 0.34654905, 0.44801206, 0.15254455, 0.01879080, 0.00090631, 0.00001630, 0.00000009]
    assert pmf == pytest.approx(expected, abs=EXACT)
    assert sums.mean_of(pmf) == pytest.approx(1.78)
    assert sums.sd_of(pmf) ** 2 == pytest.approx(0.667)


def test_transform_equals_adding_trials_one_by_one() -> None:
    p = np.random.default_rng(1).random(200)
    assert sums.poisson_binomial(p) == pytest.approx(sums.poisson_binomial_by_steps(p), abs=EXACT)


def test_transform_equals_enumeration() -> None:
    p = np.array([0.15, 0.4, 0.77, 0.02])
    pmf = np.zeros(5)
    for hits in itertools.product([0, 1], repeat=4):
        pmf[sum(hits)] += np.prod([q if h else 1 - q for q, h in zip(p, hits, strict=True)])
    assert sums.poisson_binomial(p) == pytest.approx(pmf, abs=EXACT)


def test_equal_chances_are_binomial_and_none_is_zero() -> None:
    assert sums.poisson_binomial(np.full(30, 0.3)) == pytest.approx(stats.binom.pmf(np.arange(31), 30, 0.3), abs=EXACT)
    assert sums.poisson_binomial([]) == pytest.approx([1.0])
    assert sums.poisson_binomial([1.0, 1.0, 0.0]) == pytest.approx([0, 0, 1, 0], abs=EXACT)


@pytest.mark.parametrize("wrong", [[1.2], [-0.1], [np.nan]])
def test_what_is_no_chance_is_refused(wrong: list[float]) -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        sums.poisson_binomial(wrong)


def test_compound_poisson() -> None:
    # D4: lam 2, sizes 1 2 3 with .5 .3 .2 (actuar's Panjer recursion and convolution)
    expected = [
        0.135335283237, 0.135335283237, 0.148868811560, 0.157891163776, 0.124734019383, 0.098569197957, 0.072953236291,
        0.048702442443, 0.031816170443,
    ]  # fmt: skip
    assert sums.compound_poisson(2.0, [0.0, 0.5, 0.3, 0.2], 9) == pytest.approx(expected, abs=1e-10)
    pmf = sums.compound_poisson(2.0, [0.0, 0.5, 0.3, 0.2], 80)
    assert sums.mean_of(pmf) == pytest.approx(3.4)
    assert sums.sd_of(pmf) ** 2 == pytest.approx(7.0)


def test_stuttering_poisson() -> None:
    # D4b: lam 1.5, geometric rho .4 (recursion and convolution)
    expected = [0.2231301601, 0.2008171441, 0.1706945725, 0.1315352294, 0.0948609985, 0.0651586367, 0.0430943802]
    assert sums.stuttering_poisson(1.5, 0.4, 7) == pytest.approx(expected, abs=1e-9)
    pmf = sums.stuttering_poisson(1.5, 0.4, 120)
    assert (sums.mean_of(pmf), sums.sd_of(pmf) ** 2) == pytest.approx((2.5, 5.8333333))


def test_horse_kicks_are_poisson() -> None:
    # D8: R's vcd HorseKicks (109 65 22 3 1 corps-years), expected counts of the fitted Poisson
    counts = np.array([109, 65, 22, 3, 1])
    mean = float(counts @ np.arange(5)) / 200
    assert mean == pytest.approx(0.61)
    expected = 200 * sums.negative_binomial(mean, mean, 5)
    assert expected == pytest.approx([108.670174, 66.288806, 20.218086, 4.111011, 0.626929], abs=1e-5)


def test_negative_binomial_has_the_mean_and_variance_asked_for() -> None:
    pmf = sums.negative_binomial(3.0, 9.0, 400)
    assert (sums.mean_of(pmf), sums.sd_of(pmf) ** 2) == pytest.approx((3.0, 9.0))


def test_quantiles_are_the_smallest_counts_that_reach_the_level() -> None:
    pmf = np.array([0.05, 0.45, 0.25, 0.25])
    assert sums.quantiles_of(pmf, [0.05, 0.051, 0.5, 0.75, 0.99]) == [0, 1, 1, 2, 3]


def test_sum_of_two_counts_is_the_convolution_at_every_size() -> None:
    rng = np.random.default_rng(2)
    for size in (5, 400):
        a, b = rng.dirichlet(np.ones(size)), rng.dirichlet(np.ones(size))
        assert sums.add(a, b) == pytest.approx(np.convolve(a, b), abs=1e-14)


def test_cutting_keeps_all_but_the_far_end() -> None:
    pmf = stats.poisson.pmf(np.arange(200), 4.0)
    short = sums.cut(pmf)
    assert short.size < 40
    assert short.sum() == pytest.approx(1.0)
    assert sums.mean_of(short) == pytest.approx(4.0, abs=1e-6)
