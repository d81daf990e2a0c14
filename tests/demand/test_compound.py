"""The pieces of a fleet: against enumeration, plain convolution and, as a check only, drawn futures."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import stats

from rebuildstats.demand import compound
from rebuildstats.demand.sums import mean_of, poisson_binomial, sd_of

ONE = np.ones(1)


def once(teardown: list[float], *takes: compound.Take) -> compound.Stream:
    return compound.Stream(np.array(teardown), takes, True)


def take(chance: list[float], n: int = 1, together: float = 0.0, quantity: float = 1.0) -> compound.Take:
    return compound.Take(np.array(chance), n, together, quantity)


def padded(pmf: np.ndarray, size: int) -> np.ndarray:
    return np.concatenate([pmf, np.zeros(max(0, size - pmf.size))])[:size]


def test_certain_replacement_of_one_is_the_teardowns_themselves() -> None:
    w = [0.1, 0.35, 0.8, 0.02]
    pmf = compound.mixed_pmf([once(w, take([1.0] * 4))], ONE)
    assert padded(pmf, 5) == pytest.approx(poisson_binomial(w), abs=1e-9)


def test_several_positions_and_pieces_by_enumeration() -> None:
    w, q, n, quantity = [0.3, 0.6], [0.5, 0.2], 2, 3
    pmf = compound.mixed_pmf([once(w, take(q, n, 0.0, quantity))], ONE)
    expected = np.zeros(13)
    for come in itertools.product([0, 1], repeat=2):
        for replaced in itertools.product(range(n + 1), repeat=2):
            if any(k and not c for k, c in zip(replaced, come, strict=True)):
                continue
            chance = 1.0
            for i in range(2):
                chance *= w[i] if come[i] else 1 - w[i]
                chance *= stats.binom.pmf(replaced[i], n, q[i]) if come[i] else 1.0
            expected[quantity * sum(replaced)] += chance
    assert padded(pmf, 13) == pytest.approx(expected, abs=1e-9)


def test_two_components_of_one_job_take_the_part_together() -> None:
    # one teardown, chance .4, takes 1 + 2 pieces or nothing: never 1, 2 alone
    pmf = compound.mixed_pmf([once([0.4], take([1.0]), take([1.0], quantity=2.0))], ONE)
    assert padded(pmf, 4) == pytest.approx([0.6, 0.0, 0.0, 0.4], abs=1e-9)


def test_repeated_teardowns_are_compound_poisson() -> None:
    # D4: lam 2, sizes 1 2 3 with .5 .3 .2, the sizes as three kinds of repeated teardown
    streams = [
        compound.Stream(np.array([2.0 * share]), (take([1.0], quantity=float(size)),), False)
        for size, share in ((1, 0.5), (2, 0.3), (3, 0.2))
    ]
    pmf = compound.mixed_pmf(streams, ONE)
    assert pmf[:4] == pytest.approx([0.135335283237, 0.135335283237, 0.148868811560, 0.157891163776], abs=1e-10)
    assert (mean_of(pmf), sd_of(pmf) ** 2) == pytest.approx((3.4, 7.0))


def test_positions_of_one_unit_go_together_as_a_beta_binomial() -> None:
    pmf = compound.positions_pmf(np.array([0.3]), 4, 0.25)[0]
    assert pmf == pytest.approx(stats.betabinom.pmf(np.arange(5), 4, 0.9, 2.1), abs=1e-12)
    apart = compound.positions_pmf(np.array([0.3]), 4, 0.0)[0]
    assert apart == pytest.approx(stats.binom.pmf(np.arange(5), 4, 0.3), abs=1e-12)


def test_mixing_over_draws_is_the_mean_of_the_draws_distributions() -> None:
    rng = np.random.default_rng(5)
    w, q = rng.uniform(0.01, 0.6, 40), rng.uniform(0.1, 0.9, 40)
    multipliers = rng.gamma(25.0, 1 / 25.0, 200)
    mixed = compound.mixed_pmf([compound.Stream(w, (compound.Take(q, 2, 0.1, 1.0),), True)], multipliers)
    each = [
        compound.mixed_pmf([compound.Stream(-np.expm1(c * np.log1p(-w)), (compound.Take(q, 2, 0.1, 1.0),), True)], ONE)
        for c in multipliers
    ]
    size = mixed.size
    plain = np.mean([padded(e, size) for e in each], axis=0)
    # nine nodes of the multiplier in straight lines: off by less than a thousandth of probability anywhere
    assert np.abs(np.cumsum(mixed) - np.cumsum(plain)).max() < 1e-3
    assert mean_of(mixed) == pytest.approx(mean_of(plain), rel=1e-3)
    assert sd_of(mixed) == pytest.approx(sd_of(plain), rel=2e-3)


def test_parameter_uncertainty_widens_the_sum() -> None:
    stream = once([0.1] * 200, take([0.5] * 200))
    plug_in = compound.mixed_pmf([stream], ONE)
    mixed = compound.mixed_pmf([stream], np.random.default_rng(1).gamma(20.0, 1 / 20.0, 400))
    assert sd_of(mixed) ** 2 == pytest.approx(sd_of(plug_in) ** 2 + 100.0 / 20.0, rel=0.1)


def test_a_large_fleet_in_cells_is_the_fleet_itself() -> None:
    rng = np.random.default_rng(6)
    w, q = rng.beta(0.5, 6.0, 3000), rng.beta(2.0, 3.0, 3000)
    pmf = compound.mixed_pmf([compound.Stream(w, (compound.Take(q, 1, 0.0, 1.0),), True)], ONE)
    exact = poisson_binomial(w * q)
    assert np.abs(np.cumsum(padded(pmf, 400)) - np.cumsum(padded(exact, 400))).max() < 1e-3
    assert mean_of(pmf) == pytest.approx(float((w * q).sum()), rel=1e-9)


def test_drawn_futures_agree() -> None:
    rng = np.random.default_rng(7)
    w, q = rng.uniform(0.05, 0.7, 30), rng.uniform(0.1, 0.9, 30)
    pmf = compound.mixed_pmf([compound.Stream(w, (compound.Take(q, 3, 0.3, 2.0),), True)], ONE)
    p = rng.beta(q * (1 / 0.3 - 1), (1 - q) * (1 / 0.3 - 1), (40_000, 30))
    drawn = (2 * rng.binomial(3, p) * (rng.random((40_000, 30)) < w)).sum(axis=1)
    assert mean_of(pmf) == pytest.approx(drawn.mean(), rel=0.01)
    assert sd_of(pmf) == pytest.approx(drawn.std(), rel=0.02)
    assert np.cumsum(pmf)[int(np.quantile(drawn, 0.95))] == pytest.approx(0.95, abs=0.02)


def test_pieces_in_multiples_are_counted_in_multiples() -> None:
    pmf = compound.mixed_pmf([once([0.5, 0.5], take([1.0, 1.0], quantity=6.0))], ONE)
    assert padded(pmf, 13)[[0, 6, 12]] == pytest.approx([0.25, 0.5, 0.25], abs=1e-9)
    assert compound.common_step([4.0, 6.0]) == 2
    assert compound.common_step([0.5, 2.0]) == 1


def test_half_a_piece_is_a_chance_of_one() -> None:
    pmf = compound.mixed_pmf([once([1.0], take([1.0], quantity=1.5))], ONE)
    assert padded(pmf, 3) == pytest.approx([0.0, 0.5, 0.5], abs=1e-6)


def test_nothing_expected_is_a_certain_zero() -> None:
    assert compound.mixed_pmf([], ONE).tolist() == [1.0]
    assert compound.mixed_pmf([once([0.0], take([1.0]))], ONE).tolist() == [1.0]


def test_the_mean_alone_is_that_of_the_distribution() -> None:
    rng = np.random.default_rng(3)
    chance = rng.uniform(0.05, 0.9, 12)
    streams = [
        once(list(rng.uniform(0.05, 0.9, 12)), take(list(chance), 2, 0.3, 3.0), take(list(chance))),
        compound.Stream(rng.uniform(0, 0.4, 12), (take(list(chance)),), False),
    ]
    cells, draws = compound.cells_of(streams), rng.gamma(9.0, 1 / 9.0, 200)
    # what is left between them is reading log transforms in straight lines between multipliers
    assert compound.mean_of_cells(cells, draws) == pytest.approx(mean_of(compound.pmf_of_cells(cells, draws)), rel=5e-3)
    assert compound.mean_of_cells(cells, ONE) == pytest.approx(compound.expected_pieces(cells), rel=1e-12)
