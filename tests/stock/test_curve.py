"""Money against held jobs: the curve, and where the shop stands beside it."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.stock.curve import habit_levels, shelf_levels
from rebuildstats.stock.goals import JobFill
from rebuildstats.stock.plan import plan_order
from rebuildstats.stock.search import cheapest
from tests.stock.shop import AS_OF, sampled, shop

CHANCES = {"seal": 1.0, "bearing": 0.4, "race": 0.4, "gear": 0.15, "shaft": 0.04}


@pytest.fixture(scope="module")
def plan():
    rng = np.random.default_rng(12)
    wanted = sampled(rng, CHANCES, teardowns_a_year=50, draws=120, days=365, shelf="yard")
    return plan_order(
        wanted,
        shop(
            parts=[
                {"part": p, "unit_cost": c, "lead_time_days": 30}
                for p, c in zip(CHANCES, (2.0, 40.0, 45.0, 300.0, 2000.0), strict=True)
            ],
            stock=[
                {"part": "seal", "site": "yard", "counted_on": "2026-03-10", "on_hand": 5},
                {"part": "shaft", "site": "yard", "counted_on": "2026-03-10", "on_hand": 2},
            ],
            issued_parts=[{"issued_on": "2026-03-20", "part": "seal", "quantity": 2, "site": "yard"}],
            orders=[
                {"order": "1", "part": "seal", "site": "yard", "ordered_on": "2026-03-05", "quantity": 6},
                {"order": "2", "part": "seal", "site": "yard", "ordered_on": "2026-03-25", "quantity": 4},
            ],
        ),
        JobFill(0.8),
        draws=120,
        days=365,
    )


def test_each_further_step_costs_more_money_and_holds_fewer_jobs(plan):
    curve = plan.exchange_curve()
    assert len(curve) >= 6
    assert (np.diff(curve["money"]) > 0).all()
    assert (np.diff(curve["job_fill"]) > 0).all()
    assert (curve["job_fill_lower"] <= curve["job_fill"]).all()
    assert curve["held_jobs"].iloc[0] == pytest.approx(plan.ahead.jobs_a_year * (1 - curve["job_fill"].iloc[0]))
    step = -np.diff(curve["money"]) / np.diff(curve["held_jobs"])
    assert curve["step_cost"].to_numpy()[1:] == pytest.approx(step)


def test_no_plan_beats_the_curve_by_more_than_sampling(plan):
    curve = plan.exchange_curve()
    for target in (0.5, 0.75, 0.9):
        found = cheapest(plan.ahead.jobs.of_draws(~plan.ahead.held_out), target)
        at = plan.ahead.jobs.of_draws(plan.ahead.held_out).fill(found.levels)
        assert found.money >= 0.8 * np.interp(at - 0.05, curve["job_fill"], curve["money"])


def test_today_s_shelf_is_what_lies_and_comes(plan):
    at = plan.ahead.items.table.set_index("part").index
    levels = dict(zip(at, shelf_levels(plan.ahead.items), strict=True))
    assert levels == {"seal": 5 - 2 + 10, "shaft": 2, "bearing": 0, "race": 0, "gear": 0}


def test_the_habit_is_where_the_shop_s_own_orders_took_its_position(plan):
    at = plan.ahead.items.table.set_index("part").index
    levels = dict(zip(at, habit_levels(plan.ahead.items, plan.ahead.history, AS_OF), strict=True))
    # position today 13; after the second order 13, after the first 13 - 4 + 2 = 11: the middle of both
    assert levels["seal"] == 12
    assert levels["shaft"] == 2


def test_marks_say_what_the_same_money_could_do(plan):
    marks = plan.marks().set_index("label")
    assert list(marks.index) == ["today's shelf", "today's habit", "this plan"]
    shelf = marks.loc["today's shelf"]
    assert shelf["money"] == pytest.approx(13 * 2.0 + 2 * 2000.0)
    assert shelf["same_money_fill"] > shelf["job_fill"] + 0.3  # two shafts for 4,000 fill next to nothing
    assert shelf["same_fill_money"] < shelf["money"]
    assert marks.loc["this plan", "job_fill"] == pytest.approx(plan.job_fill.rate)
