"""The search for levels against full enumeration, its known traps, its bound and its growth."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from rebuildstats.stock import search
from rebuildstats.stock.job_fill import Jobs
from rebuildstats.stock.relaxed import around_target
from rebuildstats.stock.search import Board, cheapest, network_of, richest

# The mark on small instances: within 0.2 % of the optimum's cost (after Bijvank, Koole & Vis 2010, EJOR 204:76).
NEAR = 0.002


def jobs_of(needs, cost):
    """Jobs from a list of {item: least level}."""
    lines = [(j, i, n) for j, need in enumerate(needs) for i, n in need.items()]
    job, item, level = np.array(lines).T
    return Jobs(np.array(cost, float), np.ones(len(needs)), np.zeros(len(needs), int), job, item, level)


def small_instance(seed, items, jobs=200):
    rng = np.random.default_rng(seed)
    popular = rng.dirichlet(np.full(items, 0.7)) + 1e-4
    needs = []
    for _ in range(jobs):
        size = min(1 + rng.poisson(1.5), items)
        chosen = rng.choice(items, size=size, replace=False, p=popular / popular.sum())
        needs.append({int(i): 1 + min(int(rng.poisson(popular[i] * items * 0.8)), 3) for i in chosen})
    return jobs_of(needs, np.round(rng.lognormal(3, 1, items), 2))


def enumerated(jobs):
    """Money and job fill rate of every set of levels."""
    tops = [int(jobs.line_need[jobs.line_item == i].max(initial=0)) for i in range(len(jobs.cost))]
    grid = np.array(list(itertools.product(*[range(t + 1) for t in tops])))
    good = np.ones((len(grid), len(jobs.weight)), bool)
    for job, item, need in zip(jobs.line_job, jobs.line_item, jobs.line_need, strict=True):
        good[:, job] &= grid[:, item] >= need
    return grid @ jobs.cost, good.mean(axis=1)


@pytest.mark.parametrize("seed", range(3))  # of 3, 4 and 5 parts
def test_least_money_and_best_fill_against_full_enumeration(seed):
    jobs = small_instance(seed, items=3 + seed % 3)
    money, fill = enumerated(jobs)
    for target in (0.3, 0.6, 0.9, 0.95):
        best = money[fill >= target - 1e-12].min()
        found = cheapest(jobs, target, trials=60)
        assert found.fill >= target - 1e-12
        assert best - 1e-9 <= found.money <= best * (1 + NEAR)
        assert found.bound <= best + 1e-6
        rich = richest(jobs, best, trials=30)
        reachable = fill[money <= best + 1e-9].max()
        assert rich.money <= best + 1e-9
        assert rich.fill == pytest.approx(reachable, abs=NEAR)
        assert rich.bound >= reachable - 1e-9


def test_two_cheap_parts_that_only_help_together_are_bought_together():
    # 60 jobs need a and b (1 each), 40 need c (30): alone a and b fill nothing, so a blind greedy buys c first
    jobs = jobs_of([{0: 1, 1: 1}] * 60 + [{2: 1}] * 40, [1, 1, 30])
    assert cheapest(jobs, 0.6).money == 2
    assert richest(jobs, 2).fill == pytest.approx(0.6)
    assert richest(jobs, 30).fill == pytest.approx(0.6)


def test_a_kit_of_six_parts_is_bought_whole_or_not_at_all():
    kit = dict.fromkeys(range(6), 1)
    jobs = jobs_of([kit] * 50 + [{6: 1}] * 50, [1] * 6 + [10])
    assert cheapest(jobs, 0.5).levels.tolist() == [1, 1, 1, 1, 1, 1, 0]
    assert richest(jobs, 5.5, trials=100).money == 0  # five of the six would fill nothing: nothing is bought for it
    assert richest(jobs, 9, trials=100).fill == pytest.approx(0.5)


def test_a_dear_start_that_opens_cheap_steps_is_seen():
    # every job needs the dear part; nothing else counts without it
    jobs = jobs_of([{0: 1, 1 + k % 4: 1} for k in range(80)] + [{5: 1}] * 20, [100, 1, 1, 1, 1, 90])
    assert cheapest(jobs, 0.8).levels.tolist() == [1, 1, 1, 1, 1, 0]


def test_free_parts_and_jobs_that_need_nothing():
    jobs = Jobs(
        np.array([0.0, 5.0]), np.ones(4), np.zeros(4, int), np.array([0, 1]), np.array([0, 1]), np.array([2, 1])
    )
    found = cheapest(jobs, 0.75)
    assert found.levels.tolist() == [2, 0]
    assert found.money == 0
    assert cheapest(jobs, 0.5).levels.tolist() == [0, 0]
    assert richest(jobs, 0).fill == pytest.approx(0.75)


def test_tallies_stay_what_a_fresh_count_gives():
    jobs = small_instance(3, items=6)
    board = Board(jobs)
    rng = np.random.default_rng(0)
    for _ in range(200):
        item = int(rng.integers(6))
        board.move(item, int(rng.integers(board.top()[item] + 1)))
    kept = board.gain.copy(), board.loss.copy(), board.filled, board.money
    board.set_all(board.at)
    assert kept[0] == pytest.approx(board.gain, abs=1e-9)
    assert kept[1] == pytest.approx(board.loss, abs=1e-9)
    assert kept[2:] == pytest.approx((board.filled, board.money))
    assert board.filled == pytest.approx(jobs.filled(board.levels()).sum())
    assert board.money == pytest.approx(jobs.money(board.levels()))


def test_the_bound_of_the_relaxed_question_holds_and_its_corners_are_efficient():
    jobs = small_instance(5, items=5)
    money, fill = enumerated(jobs)
    network, levels_at = network_of(jobs)
    for target in (0.4, 0.7, 0.9):
        hull = around_target(network, target * jobs.total)
        assert hull.bound <= money[fill >= target - 1e-12].min() + 1e-6
        for at in (hull.below, hull.above):
            levels = levels_at(at)
            assert money[fill >= jobs.fill(levels) - 1e-12].min() == pytest.approx(jobs.money(levels))


def shop_of(parts, jobs=4000, families=20, lines=8, seed=0):
    """Families of parts, each job of one family and needing about `lines` of its parts."""
    rng = np.random.default_rng(seed)
    cost = np.round(rng.lognormal(3.5, 1.3, parts), 2)
    groups = np.array_split(rng.permutation(parts), families)
    chances = [rng.beta(0.5, 4, len(g)) for g in groups]
    chances = [np.minimum(c * lines / c.sum(), 1) for c in chances]
    job, item, need = [], [], []
    for j, f in enumerate(rng.integers(families, size=jobs)):
        hit = rng.random(len(groups[f])) < chances[f]
        job.append(np.full(hit.sum(), j))
        item.append(groups[f][hit])
        need.append(1 + rng.poisson(3 * chances[f][hit]))
    return Jobs(cost, np.ones(jobs), np.zeros(jobs, int), *(np.concatenate(x) for x in (job, item, need)))


def test_a_large_parts_list_is_solved_to_within_a_percent_of_the_bound():
    found = cheapest(shop_of(1000), 0.9)
    assert found.fill >= 0.9 - 1e-9
    assert found.money <= found.bound * 1.01


def test_the_work_grows_as_the_needs_do(monkeypatch):
    """Four times the parts and jobs: as many looks at all items, and as many moves for each need. A search that went on
    longer for every item it has would take four times as many.
    """
    done = {"looks": 0, "moves": 0}
    move, look = Board.move, Board._best

    def counted_move(board, item, to):
        done["moves"] += abs(to - int(board.at[item]))
        move(board, item, to)

    def counted_look(board, *given):
        done["looks"] += 1
        return look(board, *given)

    monkeypatch.setattr(Board, "move", counted_move)
    monkeypatch.setattr(Board, "_best", counted_look)
    monkeypatch.setattr(search, "_CLOSE", -1.0)  # near the bound is near enough, but not here: every start is run
    looks, moves_a_need = [], []
    for parts in (125, 500):
        done.update(looks=0, moves=0)
        jobs = shop_of(parts, jobs=parts * 4)
        cheapest(jobs, 0.9, trials=5)
        looks.append(done["looks"])
        moves_a_need.append(done["moves"] / Board(jobs).top().sum())
    assert looks[1] < 1.5 * looks[0]
    assert moves_a_need[1] < 1.5 * moves_a_need[0]
