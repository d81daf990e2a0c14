"""Published and worked stock examples, each put to the general routine that the product uses for it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from rebuildstats.stock.job_fill import Jobs
from rebuildstats.stock.pipeline import (
    chance_of_none,
    economic_lot,
    expected_backorders,
    level_at,
    ready_chance,
    simulate_pipeline,
)
from rebuildstats.stock.search import cheapest, network_of

# Expected backorders of Poisson pipelines, levels 0 to 5 (Sherbrooke 2004, Optimal Inventory Modeling of Systems,
# ch. 2; the book's values from memory, recomputed in R and Python). Palm 1938: only the mean lead time matters.
BACKORDERS = {
    1.0: [1, 0.367879, 0.103638, 0.023337, 0.004349, 0.000689],
    2.0: [2, 1.135335, 0.541341, 0.218018, 0.075141, 0.022488],
    5.0: [5, 4.006738, 3.047166, 2.171818, 1.436844, 0.877337],
}


def poisson(mean, top=120):
    return stats.poisson.pmf(np.arange(top), mean)


@pytest.mark.parametrize("mean", BACKORDERS)
def test_backorders_of_a_poisson_pipeline(mean):
    assert [expected_backorders(poisson(mean), s) for s in range(6)] == pytest.approx(BACKORDERS[mean], abs=1e-6)


@pytest.mark.parametrize("spread", ["fixed", "exponential", "two values"])
def test_palms_theorem_holds_in_the_simulated_pipeline_whatever_the_lead_time_s_shape(spread):
    rng = np.random.default_rng(11)
    draws, days, rate, mean = 400, 300.0, 0.1, 20.0
    n = rng.poisson(rate * days, draws)
    draw = np.repeat(np.arange(draws), n)
    day = rng.uniform(0, days, len(draw))
    lead = {
        "fixed": np.full(len(draw), mean),
        "exponential": rng.exponential(mean, len(draw)),
        "two values": rng.choice([5.0, 35.0], len(draw)),
    }[spread]
    ones = np.ones(len(draw))
    zero = np.zeros(len(draw), np.int64)
    state = simulate_pipeline(draw, zero, day, ones, lead, draws=draws, items=1, days=days)
    pmf = state.of(0)
    assert pmf.sum() == pytest.approx(1.0)
    assert state.of(0) @ np.arange(len(pmf)) == pytest.approx(lead.sum() / (draws * days))
    # 12,000 wants: the mean pipeline is off by 1.3 % for chance alone (one standard error), backorders by less
    assert [expected_backorders(pmf, s) for s in range(5)] == pytest.approx(BACKORDERS[2.0][:5], abs=0.08)
    # Poisson arrivals see time averages (Wolff 1982), so the wants see the same pipeline
    assert np.mean(state.before < 3) == pytest.approx(ready_chance(pmf, 3), abs=0.02)


# Newsvendor, price 7, cost 5: ratio 2/7 (normal(50, 20): 38.68, Wikipedia's example, from memory; others recomputed).
@pytest.mark.parametrize(
    ("law", "expected"),
    [
        (stats.norm(50, 20), 38.681024),
        (stats.uniform(50, 30), 58.571429),
        (stats.lognorm(0.2, scale=50), 44.649059),
    ],
)
def test_newsvendor_quantity_is_the_quantile_of_the_cost_ratio(law, expected):
    price, cost = 7.0, 5.0
    support = np.arange(round((expected - 0.05) * 1e6), round((expected + 0.05) * 1e6)) / 1e6
    assert level_at((price - cost) / price, law.cdf(support), support) == pytest.approx(expected, abs=2e-6)


# Erlang's loss formula (recursion in R, scipy; the engineering value A = 4.46 from Erlang tables, from memory).
@pytest.mark.parametrize(
    ("servers", "load", "blocked"),
    [(1, 1, 0.5), (3, 1, 0.0625), (5, 2, 0.0366972477), (10, 5, 0.0183845703)],
)
def test_erlang_loss_is_the_chance_of_none_when_wants_are_met_elsewhere(servers, load, blocked):
    assert chance_of_none(poisson(load), servers, fetched_elsewhere=True) == pytest.approx(blocked, abs=1e-8)


def test_the_load_that_ten_carry_at_one_percent_blocked():
    load = optimize.brentq(lambda a: chance_of_none(poisson(a), 10, fetched_elsewhere=True) - 0.01, 1, 9, xtol=1e-12)
    assert load == pytest.approx(4.461177, abs=1e-6)


def test_economic_order_quantity():
    # Wikipedia's example, from memory: demand 10000, ordering 40, holding 4 + 2 % of the price 50
    best = economic_lot(yearly=10000, unit_cost=50, order_cost=40, holding=4 + 0.02 * 50)
    assert (best.lot, best.yearly_cost) == (400, 502000)


def test_whole_packs_take_the_neighbour_of_the_square_root_that_costs_less():
    best = economic_lot(yearly=10000, unit_cost=50, order_cost=40, holding=5, pack=300)
    costs = {lot: 500000 + 40 * 10000 / lot + 5 * lot / 2 for lot in range(300, 3000, 300)}
    assert best.lot == min(costs, key=costs.get)
    assert best.yearly_cost == pytest.approx(costs[best.lot])


# Repair kit (Smith, Chambers & Shlifer 1980, Management Science 26:11; Graves 1982): each job needs part i with chance
# p_i, independently, and the kit is restocked between jobs. Worked by hand: all eight need-sets with their chances.
NEED, HOLD = np.array([0.3, 0.2, 0.1]), np.array([4.0, 2.0, 5.0])


def repair_kit():
    sets = [(a, b, c) for a in (0, 1) for b in (0, 1) for c in (0, 1)]
    weight = np.array([np.prod(np.where(s, NEED, 1 - NEED)) for s in sets])
    lines = [(j, i) for j, s in enumerate(sets) for i in range(3) if s[i]]
    job, item = np.array(lines).T
    return Jobs(HOLD, weight, np.zeros(8, int), job, item, np.ones(len(job), int))


@pytest.mark.parametrize(
    ("kit", "fill"),
    [
        ((), 0.504),
        ((3,), 0.56),
        ((2,), 0.63),
        ((2, 3), 0.70),
        ((1,), 0.72),
        ((1, 3), 0.80),
        ((1, 2), 0.90),
        ((1, 2, 3), 1.0),
    ],
)
def test_job_fill_of_a_repair_kit(kit, fill):
    levels = np.array([i + 1 in kit for i in range(3)], int)
    assert repair_kit().fill(levels) == pytest.approx(fill, abs=1e-9)


def test_the_kit_grows_by_holding_cost_per_log_chance():
    order = np.argsort(HOLD / -np.log(1 - NEED))
    assert HOLD / -np.log(1 - NEED) == pytest.approx([11.214693, 8.962840, 47.456108], abs=1e-6)
    for size in range(4):
        wanted = np.zeros(3, int)
        wanted[order[:size]] = 1
        found = cheapest(repair_kit(), repair_kit().fill(wanted))
        assert found.levels.tolist() == wanted.tolist()


def test_the_relaxed_question_has_the_same_kits_at_its_corners():
    network, levels_at = network_of(repair_kit())
    # at a price of 1 / 10 per job: part 2 pays (.126 of jobs for 2), part 1 pays beside it (.27 for 4), part 3 does not
    at, value = network.solve(0.06)
    levels = levels_at(at)
    assert levels.tolist() == [1, 1, 0]
    assert value == pytest.approx(0.9 - 0.06 * 6, abs=1e-6)
