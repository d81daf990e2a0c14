"""The fast pipeline and the fill rates against plain versions that can be read at a glance."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.stock.job_fill import Jobs, fill_rate, sample_wants
from rebuildstats.stock.pipeline import chance_of_none, expected_backorders, ready_chance, simulate_pipeline
from tests.stock.shop import futures, sampled


def plain_before(draw, item, day, quantity, lead, days):
    """Pieces outstanding before each event, counted one by one: every copy of the circle of `days` in turn."""
    before = np.zeros(len(day))
    for i in range(len(day)):
        for j in range(len(day)):
            if draw[i] != draw[j] or item[i] != item[j] or lead[j] <= 0:
                continue
            turns = int(np.ceil(lead[j] / days)) + 1
            for turn in range(-turns, 1):
                at = day[j] + turn * days
                earlier = at < day[i] or (at == day[i] and j < i)
                if earlier and at + lead[j] > day[i] + 1e-9:
                    before[i] += quantity[j]
    return before


@pytest.mark.parametrize("seed", range(6))
def test_outstanding_pieces_are_those_counted_one_by_one(seed):
    rng = np.random.default_rng(seed)
    n, draws, items, days = 60, 2, 3, 30.0
    draw, item = rng.integers(draws, size=n), rng.integers(items, size=n)
    day = rng.integers(0, 30, n).astype(float) if seed % 2 else rng.uniform(0, 30, n)
    quantity = rng.integers(1, 4, n).astype(float)
    lead = rng.integers(0, 80, n).astype(float)  # none at all, and longer than the circle
    state = simulate_pipeline(draw, item, day, quantity, lead, draws=draws, items=items, days=days)
    assert state.before == pytest.approx(plain_before(draw, item, day, quantity, lead, days))


def test_the_time_spent_at_each_level_is_that_of_a_fine_clock():
    rng = np.random.default_rng(3)
    n, days = 40, 50.0
    day, lead = rng.uniform(0, days, n), rng.uniform(0, 70, n)
    quantity = rng.integers(1, 3, n).astype(float)
    zero = np.zeros(n, np.int64)
    pmf = simulate_pipeline(zero, zero, day, quantity, lead, draws=1, items=1, days=days).of(0)
    clock = np.arange(0, days, 0.001) + 0.0005
    level = np.zeros(len(clock))
    for d, length, q in zip(day, lead, quantity, strict=True):
        for turn in range(-2, 1):
            level += q * ((clock >= d + turn * days) & (clock < d + turn * days + length))
    seen = np.bincount(level.astype(int), minlength=len(pmf)) / len(clock)
    assert pmf == pytest.approx(seen[: len(pmf)], abs=2e-3)
    assert pmf @ np.arange(len(pmf)) == pytest.approx((quantity * lead).sum() / days)


def test_an_item_that_a_future_never_wants_stands_at_nothing_there():
    one = np.zeros(1, np.int64)
    state = simulate_pipeline(one, one, np.array([5.0]), np.ones(1), np.array([10.0]), draws=4, items=2, days=100.0)
    assert state.of(0) == pytest.approx([1 - 10 / 400, 10 / 400])
    assert state.of(1) == pytest.approx([1.0])


def test_levels_for_a_part_fill_are_the_least():
    rng = np.random.default_rng(7)
    frame = sampled(rng, {"a": 0.5, "b": 0.1}, teardowns_a_year=80, draws=20, days=365, quantity={"a": 3})
    item = frame["part"].map({"a": 0, "b": 1}).fillna(-1).to_numpy(np.int64)
    wants, jobs = sample_wants(frame, item, [np.eye(31)[30], np.eye(61)[60]], draws=20, days=365.0)
    for share in (0.3, 0.8, 0.95, 0.999):
        levels = wants.levels_for(share)
        for i in range(2):
            fills = [wants.piece_fill(np.where(np.arange(2) == i, s, 0))[i] for s in range(levels[i] + 1)]
            assert fills[-1] >= share
            assert all(f < share for f in fills[:-1])
    assert len(jobs.weight) == len(frame[["draw", "teardown"]].drop_duplicates())


def test_a_job_needs_what_is_outstanding_and_its_own_pieces_together():
    # day 0: job 0 takes 2; day 5: job 1 takes 1 twice (two lines of one part) while those 2 are still on their way
    rows = [
        (0, 0.0, 0, "U", "K", "", "a", 2),
        (0, 5.0, 1, "U", "K", "", "a", 1),
        (0, 5.0, 1, "U", "K", "", "a", 1),
        (0, 40.0, None, "U", "K", "", "a", 1),
        (0, 60.0, 2, "U", "K", "", None, 1),
    ]
    frame = futures(rows)
    item = np.array([0, 0, 0, 0, -1])
    wants, jobs = sample_wants(frame, item, [np.eye(11)[10]], draws=1, days=100.0)
    assert dict(zip(jobs.line_job, jobs.line_need, strict=True)) == {0: 2, 1: 4}
    assert jobs.fill(np.array([3])) == pytest.approx(2 / 3)  # the third needs nothing
    assert wants.quantity.sum() == 5
    assert wants.piece_fill(np.array([3]))[0] == pytest.approx((2 + 1 + 1) / 5)


def test_quantities_that_are_no_whole_number_need_the_next_level():
    frame = futures([(0, 1.0, 0, "U", "K", "", "oil", 2.5)])
    _, jobs = sample_wants(frame, np.array([0]), [np.eye(3)[2]], draws=1, days=50.0)
    assert jobs.line_need.tolist() == [3]


def test_the_interval_of_a_job_fill_rate_covers_it_as_often_as_it_says():
    rng = np.random.default_rng(8)
    hits = 0
    for _ in range(300):
        # futures differ: each has its own chance (mean 0.8), 40 draws of about 20 jobs
        chance = rng.beta(8, 2, 40)
        n = rng.poisson(20, 40)
        draw = np.repeat(np.arange(40), n)
        short = np.flatnonzero(rng.random(len(draw)) > chance[draw])
        jobs = Jobs(np.ones(1), np.ones(len(draw)), draw, short, np.zeros(len(short), int), np.ones(len(short), int))
        got = fill_rate(jobs, np.zeros(1, int))
        hits += got.lower <= 0.8 <= got.upper
    assert 0.85 <= hits / 300 <= 0.95


def test_small_answers_of_the_level_formulas():
    pmf = np.array([0.5, 0.3, 0.2])
    assert expected_backorders(pmf, 0) == pytest.approx(0.7)
    assert ready_chance(pmf, 1) == pytest.approx(0.5)
    assert chance_of_none(pmf, 0) == 1.0
    assert chance_of_none(pmf, 3) == pytest.approx(0.0)
    assert chance_of_none(pmf, 1, fetched_elsewhere=True) == pytest.approx(0.3 / 0.8)


def test_rows_in_any_order_give_the_same_rates():
    rng = np.random.default_rng(9)
    frame = sampled(rng, {"a": 0.7, "b": 0.3}, teardowns_a_year=60, draws=5, days=200)
    mixed = frame.sample(frac=1, random_state=1)
    fills = []
    for each in (frame, mixed):
        item = each["part"].map({"a": 0, "b": 1}).fillna(-1).to_numpy(np.int64)
        wants, jobs = sample_wants(each, item, [np.eye(21)[20]] * 2, draws=5, days=200.0)
        fills.append((jobs.fill(np.array([4, 2])), *wants.piece_fill(np.array([4, 2]))))
    assert fills[0] == pytest.approx(fills[1])
