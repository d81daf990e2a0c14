"""What the coming lead time wants, bookings on their day, shelf lives, lots."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from rebuildstats.errors import UsageError
from rebuildstats.stock.goals import Budget, JobFill, PartFill
from rebuildstats.stock.lots import economic_lots
from rebuildstats.stock.outlook import look_ahead
from rebuildstats.stock.plan import plan_for, plan_order
from rebuildstats.stock.shelf_life import UNLIMITED, most_in_date
from rebuildstats.stock.soon import on_booked_days
from tests.stock.shop import AS_OF, futures, sampled, shop

DRAWS, DAYS = 200, 365
GEAR = {"part": "gear", "unit_cost": 40.0, "lead_time_days": 30}


def steady(seed=3, rate=24, **more):
    return sampled(np.random.default_rng(seed), {"gear": 0.5}, teardowns_a_year=rate, draws=DRAWS, days=DAYS, **more)


def booked_soon(count, day):
    """Every future's further teardowns of booked units on one day, each needing a gear."""
    rows = [(d, float(day), 1000 + k, f"B{k}", "K20", "", "gear", 1) for d in range(DRAWS) for k in range(count)]
    return futures(rows)


def test_pieces_wanted_in_the_coming_lead_time_are_those_of_its_days_and_no_others():
    rows = [(d, day, k, "U", "K20", "", "gear", 2) for d in range(10) for k, day in enumerate((3.0, 20.0, 200.0))]
    ahead = look_ahead(futures(rows), shop(parts=[{**GEAR, "lead_time_days": 10}]), draws=10, days=DAYS)
    assert ahead.soon.mean.tolist() == [2.0]
    assert ahead.soon.quantile(0.95).tolist() == [2.0]
    spread = shop(parts=[{**GEAR, "lead_time_days": 20, "lead_time_sd_days": 10}])
    ahead = look_ahead(futures(rows), spread, draws=10, days=DAYS)
    # a gamma lead time of mean 20 and spread 10 (scipy): longer than 3 days almost surely, than 20 in 43 of 100
    late = stats.gamma(4, scale=5)
    assert ahead.soon.mean[0] == pytest.approx(2 * (late.sf(3) + late.sf(20)), abs=0.06)


def test_a_steady_demand_keeps_the_level_of_the_year():
    ahead = look_ahead(steady(), shop(parts=[GEAR]), draws=DRAWS, days=DAYS)
    plan = plan_for(JobFill(0.9), ahead)
    assert plan.today.tolist() == plan.levels.tolist()
    # Poisson wants, 12 a year, for 30 days (the 95 % point from scipy)
    assert plan.lines["lead_time_mean"][0] == pytest.approx(12 * 30 / 365, abs=0.2)
    assert abs(plan.lines["lead_time_q95"][0] - stats.poisson.ppf(0.95, 12 * 30 / 365)) <= 1


def test_booked_teardowns_within_the_lead_time_raise_today_s_level_and_later_ones_do_not():
    planned = [{"plan": f"P{k}", "due_on": "2026-04-20", "unit": f"B{k}"} for k in range(5)]
    wanted = pd.concat([steady(), booked_soon(5, 12.0)], ignore_index=True)
    usual = plan_order(steady(), shop(parts=[GEAR]), PartFill(0.9), draws=DRAWS, days=DAYS)
    soon = plan_order(wanted, shop(parts=[GEAR], planned=planned), PartFill(0.9), draws=DRAWS, days=DAYS)
    assert soon.lines["lead_time_mean"][0] == pytest.approx(5 + usual.lines["lead_time_mean"][0], abs=0.3)
    assert soon.lines["order_up_to"][0] >= usual.lines["order_up_to"][0] + 4
    assert soon.lines["booked"][0] == 5
    assert "5 booked teardowns fall" in soon.lines["reason"][0]
    late = [{**p, "due_on": "2026-11-20"} for p in planned]
    wanted = pd.concat([steady(), booked_soon(5, 233.0)], ignore_index=True)
    later = plan_order(wanted, shop(parts=[GEAR], planned=late), PartFill(0.9), draws=DRAWS, days=DAYS)
    assert later.lines["order_up_to"][0] <= usual.lines["order_up_to"][0] + 1
    assert later.lines["booked"][0] == 0


def test_a_budget_is_kept_although_the_coming_lead_time_wants_more():
    wanted = pd.concat([steady(), booked_soon(8, 12.0)], ignore_index=True)
    for money in (80.0, 200.0, 10_000.0):
        plan = plan_order(wanted, shop(parts=[GEAR]), Budget(money), draws=DRAWS, days=DAYS)
        assert plan.money <= money
    assert plan.lines["order_up_to"][0] > plan.levels[0]


def test_a_part_on_no_shelf_is_ordered_ahead_when_a_booking_makes_its_want_likely():
    dear = {**GEAR, "unit_cost": 40_000.0}
    cheap = {"part": "seal", "unit_cost": 1.0, "lead_time_days": 10}
    rng = np.random.default_rng(8)
    jobs = sampled(rng, {"seal": 1.0, "gear": 0.02}, teardowns_a_year=60, draws=DRAWS, days=DAYS)
    without = plan_order(jobs, shop(parts=[dear, cheap]), JobFill(0.8), draws=DRAWS, days=DAYS)
    with_one = plan_order(
        pd.concat([jobs, booked_soon(1, 12.0)], ignore_index=True), shop(parts=[dear, cheap]), JobFill(0.8),
        draws=DRAWS, days=DAYS,
    )  # fmt: skip
    assert without.buy_to_order == ["gear"]
    assert with_one.lines.set_index("part").loc["gear", ["level_all_year", "order_up_to"]].tolist() == [0, 1]


def test_a_booked_unit_s_teardown_comes_on_its_day_and_no_other_moves():
    rows = [
        (0, 3.2, 0, "B1", "K20", "", "gear", 1),  # 4 April: the month of the booking
        (1, 29.4, 0, "B1", "K20", "", "gear", 1),  # 30 April
        (2, 40.0, 0, "B1", "K20", "", "gear", 1),  # in May
        (3, 3.2, 0, "U2", "K20", "", "gear", 1),
    ]
    planned = shop(parts=[], planned=[{"plan": "P", "due_on": "2026-04-17", "unit": "B1"}]).planned
    moved = on_booked_days(futures(rows), planned, pd.Timestamp(AS_OF))
    assert moved["day"].tolist() == [16.5, 16.5, 40.0, 3.2]
    assert moved.drop(columns="day").equals(futures(rows).drop(columns="day"))


def test_a_shelf_life_caps_the_level_at_what_is_used_in_time():
    # 2 gears a year: Poisson(2 x life in years) are used within the life; scipy's 10 % point
    jobs = steady(rate=4)
    plain = look_ahead(jobs, shop(parts=[GEAR]), draws=DRAWS, days=DAYS)
    assert plain.most.tolist() == [UNLIMITED]
    for years in (1, 3, 5):
        life = np.array([365.0 * years])
        assert abs(most_in_date(plain.wants, life)[0] - stats.poisson.ppf(0.1, 2 * years)) <= 1
    short = shop(parts=[{**GEAR, "lead_time_days": 180, "shelf_life_days": 365}])
    capped = plan_order(jobs, short, PartFill(0.99), draws=DRAWS, days=DAYS)
    free = plan_order(jobs, shop(parts=[{**GEAR, "lead_time_days": 180}]), PartFill(0.99), draws=DRAWS, days=DAYS)
    assert capped.lines["order_up_to"][0] <= stats.poisson.ppf(0.1, 2) + 1
    assert free.lines["order_up_to"][0] >= 3


def test_what_would_go_out_of_date_is_bought_to_order_and_a_pack_too_large_is_said():
    stale = shop(parts=[{**GEAR, "shelf_life_days": 30}])
    plan = plan_order(steady(rate=2), stale, JobFill(0.9), draws=DRAWS, days=DAYS)
    assert plan.buy_to_order == ["gear"]
    assert "it would go out of date" in plan.frame()["reason"][0]
    pack = shop(parts=[{**GEAR, "pack_size": 50, "shelf_life_days": 730}])
    line = plan_order(steady(), pack, JobFill(0.9), draws=DRAWS, days=DAYS).frame().iloc[0]
    # 50 pieces, some 24 of them used in two years
    assert line["out_of_date"] == pytest.approx(50 - 24, abs=2)
    assert "would go out of date before they are used" in line["reason"]


def test_graded_parts_have_a_shelf_each_and_one_grade_never_serves_another():
    rng = np.random.default_rng(5)
    rows = []
    for d in range(DRAWS):
        for k in range(rng.poisson(40)):
            grade = "A" if rng.random() < 0.8 else "B"
            rows.append((d, float(rng.uniform(0, DAYS)), k, f"U{k}", "K20", "", f"ring{grade}", 1))
    rings = shop(parts=[{**GEAR, "part": "ringA"}, {**GEAR, "part": "ringB"}])
    plan = plan_order(futures(rows), rings, JobFill(0.9), draws=DRAWS, days=DAYS)
    level = plan.lines.set_index("part")["order_up_to"]
    assert level["ringA"] > level["ringB"] >= 1
    only_a = np.where(plan.ahead.items.table["part"] == "ringA", 99, 0)
    assert plan.ahead.jobs.fill(only_a) == pytest.approx(0.8, abs=0.02)


def test_the_lot_that_costs_least_keeps_to_packs_least_quantities_and_shelf_lives():
    jobs = sampled(np.random.default_rng(1), {"gear": 1.0}, teardowns_a_year=100, draws=DRAWS, days=DAYS)
    ahead = look_ahead(jobs, shop(parts=[GEAR]), draws=DRAWS, days=DAYS)
    yearly = ahead.wants.mean_rate()[0] * 365
    row = economic_lots(ahead, order_cost=25.0, holding=0.2).iloc[0]
    # Harris 1913: the square root of 2 x 25 x yearly / (0.2 x 40)
    assert row["lot"] == pytest.approx(np.sqrt(2 * 25 * yearly / 8), abs=0.51)
    assert row["yearly_cost"] == pytest.approx(25 * yearly / row["lot"] + 8 * row["lot"] / 2, abs=0.01)
    assert row["saving"] == pytest.approx(row["least_lot_cost"] - row["yearly_cost"], abs=0.011)
    packs = shop(parts=[{**GEAR, "pack_size": 10, "min_order": 35}])
    row = economic_lots(look_ahead(jobs, packs, draws=DRAWS, days=DAYS), order_cost=25.0, holding=0.2).iloc[0]
    assert row["lot"] == 40
    assert "sells no fewer" in row["reason"]
    short = shop(parts=[{**GEAR, "shelf_life_days": 60}])
    row = economic_lots(look_ahead(jobs, short, draws=DRAWS, days=DAYS), order_cost=25.0, holding=0.2).iloc[0]
    assert row["lot"] == pytest.approx(stats.poisson.ppf(0.1, yearly * 60 / 365), abs=1)
    assert "would go out of date" in row["reason"]
    for costs in ({"order_cost": 0, "holding": 0.2}, {"order_cost": 5, "holding": float("inf")}):
        with pytest.raises(UsageError):
            economic_lots(ahead, **costs)


def test_a_level_covers_also_what_is_wanted_before_the_next_order_can_come():
    planned = [{"plan": f"P{k}", "due_on": "2026-05-04", "unit": f"B{k}"} for k in range(5)]
    wanted = pd.concat([steady(), booked_soon(5, 33.0)], ignore_index=True)
    usual = plan_order(steady(), shop(parts=[GEAR]), PartFill(0.9), draws=DRAWS, days=DAYS)
    # day 34 lies beyond the 30 days of an order placed today, and within those of the one a week later
    plan = plan_order(wanted, shop(parts=[GEAR], planned=planned), PartFill(0.9), draws=DRAWS, days=DAYS)
    assert plan.lines["lead_time_mean"][0] == pytest.approx(usual.lines["lead_time_mean"][0], abs=0.3)
    assert plan.lines["order_up_to"][0] >= usual.lines["order_up_to"][0] + 4


def test_a_part_that_only_the_counter_sells_is_said_to_hold_no_teardown():
    rng = np.random.default_rng(2)
    jobs = sampled(rng, {"seal": 1.0}, teardowns_a_year=40, draws=DRAWS, days=DAYS, sales_a_year={"gear": 4})
    plan = plan_order(
        jobs, shop(parts=[GEAR, {"part": "seal", "unit_cost": 1.0}]), JobFill(0.9), draws=DRAWS, days=DAYS
    )
    reason = plan.frame().set_index("part").loc["gear", "reason"]
    assert "no teardown waits for it" in reason
    assert "over the counter" in reason
    assert "would spare" not in reason
