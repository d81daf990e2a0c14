"""The order: its columns and what each figure means."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.stock.goals import Budget, JobFill, PartFill
from rebuildstats.stock.lines import COLUMNS
from rebuildstats.stock.plan import plan_order
from rebuildstats.stock.suppose import EVERY, Change, WhatIf, what_if_of
from tests.stock.shop import futures, sampled, shop

DAYS, DRAWS = 400, 60


@pytest.fixture(scope="module")
def wanted():
    rng = np.random.default_rng(1)
    chances = {"seal": 1.0, "bearing": 0.4, "gear": 0.1, "housing": 0.02}
    return sampled(
        rng, chances, teardowns_a_year=60, draws=DRAWS, days=DAYS, quantity={"seal": 2}, shelf="yard",
        sales_a_year={"seal": 12},
    )  # fmt: skip


@pytest.fixture(scope="module")
def yard():
    return shop(
        parts=[
            {"part": "seal", "unit_cost": 4.0, "pack_size": 5, "lead_time_days": 14, "supplier": "Norton"},
            {"part": "bearing", "unit_cost": 90.0, "lead_time_days": 30, "supplier": "Norton"},
            {"part": "gear", "unit_cost": 600.0, "lead_time_days": 60, "min_order": 2},
            {"part": "housing", "unit_cost": 9000.0, "lead_time_days": 120},
            {"part": "washer", "unit_cost": 0.2},
        ],
        stock=[
            {"part": "seal", "site": "yard", "counted_on": "2026-03-01", "on_hand": 10, "on_order": 2},
            {"part": "washer", "site": "yard", "counted_on": "2026-03-01", "on_hand": 7},
        ],
        issued_parts=[
            {"issued_on": "2026-03-01", "part": "seal", "quantity": 3, "site": "yard"},
            {"issued_on": "2026-03-02", "part": "seal", "quantity": 4, "site": "yard"},
            {"issued_on": "2026-03-03", "part": "seal", "quantity": 1, "kind": "credit", "site": "yard"},
        ],
        orders=[
            {"order": "1", "part": "seal", "site": "yard", "ordered_on": "2026-02-01", "quantity": 5,
             "received_on": "2026-03-05", "received_quantity": 5},
            {"order": "2", "part": "seal", "site": "yard", "ordered_on": "2026-03-20", "quantity": 5},
        ],
    )  # fmt: skip


@pytest.fixture(scope="module")
def plan(wanted, yard):
    return plan_order(wanted, yard, JobFill(0.9), draws=DRAWS, days=DAYS)


def line(plan, part):
    return plan.frame().set_index("part").loc[part]


def test_columns_begin_with_the_contract_and_one_line_stands_for_each_part(plan):
    frame = plan.frame()
    assert tuple(frame.columns[: len(COLUMNS)]) == COLUMNS
    assert sorted(frame["part"]) == ["bearing", "gear", "housing", "seal", "washer"]
    assert frame["reason"].str.len().min() > 20


def test_on_hand_is_the_count_less_issues_after_it_plus_credits_and_receipts(plan):
    assert line(plan, "seal")["on_hand"] == 10 - 4 + 1 + 5
    assert line(plan, "seal")["on_order"] == 5 + 2


def test_the_level_is_one_above_the_reorder_point_and_the_order_comes_in_whole_packs(plan):
    frame = plan.frame()
    assert (frame["order_up_to"] == frame["reorder_point"] + 1).all()
    seal = line(plan, "seal")
    assert seal["order_now"] % 5 == 0
    assert seal["order_now"] == 5 * np.ceil(max(seal["order_up_to"] - 19, 0) / 5)
    assert line(plan, "bearing")["order_now"] == line(plan, "bearing")["order_up_to"]
    assert plan.money == pytest.approx((frame["order_up_to"] * frame["unit_cost"]).sum())


def test_wants_of_the_lead_time(plan):
    # 60 teardowns x 2 seals + 12 sales a year, over the lead time
    seal = line(plan, "seal")
    assert seal["lead_time_mean"] == pytest.approx(132 / 365 * seal["lead_time_days"], rel=0.05)
    assert seal["lead_time_q95"] >= seal["lead_time_mean"]


def test_the_promise_is_kept_on_the_futures_that_chose_nothing(plan):
    assert plan.job_fill.rate >= 0.9 - 0.002
    assert plan.job_fill.lower <= plan.job_fill.rate <= plan.job_fill.upper
    assert plan.job_fill.draws == DRAWS // 2
    assert plan.bound <= plan.money * (1 + 1e-9)


def test_what_is_too_dear_is_named_as_bought_to_order(plan):
    assert plan.buy_to_order == ["housing"]
    assert line(plan, "housing")["reason"].startswith("Buy to order")
    assert "too dear" in line(plan, "housing")["reason"]
    assert line(plan, "housing")["reorder_point"] == -1


def test_what_a_small_budget_leaves_out_is_not_called_slow(wanted, yard):
    small = plan_order(wanted, yard, Budget(100), draws=DRAWS, days=DAYS).frame()
    left = small[small["why_not_stocked"] != ""]
    assert "bearing" in set(left["part"])  # two teardowns of five need it
    assert (left.loc[left["jobs_a_year"] > 0, "why_not_stocked"] == "the money spares more waits elsewhere").all()


def test_part_fill_serves_the_share_of_pieces_with_the_least_levels(wanted, yard):
    plan = plan_order(wanted, yard, PartFill(0.95), draws=DRAWS, days=DAYS)
    frame = plan.frame().set_index("part").drop("washer")
    assert (frame["part_fill"] >= 0.95).all()
    lower = plan.levels - (plan.levels > 0)
    short = plan.ahead.wants.piece_fill(lower)
    assert (short[~np.isnan(short)] < 0.95).all()


def test_the_budget_is_kept_and_a_dearer_one_is_no_worse(wanted, yard):
    fills = []
    for money in (100, 2000, 8000):
        plan = plan_order(wanted, yard, Budget(money), draws=DRAWS, days=DAYS)
        assert plan.money <= money
        assert plan.ahead.jobs.of_draws(~plan.ahead.held_out).fill(plan.levels) <= plan.bound + 1e-9
        fills.append(plan.job_fill.rate)
    assert np.all(np.diff(fills) > 0)


def test_a_safety_part_that_the_money_does_not_reach_is_named(wanted, yard):
    yard.components = shop(parts=[], components=[{"family": "K20", "component": "housing", "safety": True}]).components
    yard.part_uses = shop(parts=[], part_uses=[{"family": "K20", "component": "housing", "part": "housing"}]).part_uses
    plan = plan_order(wanted, yard, Budget(500), draws=DRAWS, days=DAYS)
    assert plan.not_reached == ["housing"]
    assert "SAFETY" in line(plan, "housing")["reason"]


def test_no_stock_table_is_one_shelf_with_nothing_on_it_and_the_reason_says_so(wanted, yard):
    bare = shop(parts=[])
    bare.parts = yard.parts
    plan = plan_order(wanted, bare, JobFill(0.8), draws=DRAWS, days=DAYS)
    frame = plan.frame()
    assert set(frame["site"]) == {""}
    assert (frame["on_hand"] == 0).all()
    assert frame["reason"].str.contains("no stock table").all()


def test_a_replaced_part_is_used_up_first():
    rng = np.random.default_rng(2)
    wanted = sampled(rng, {"new": 0.5}, teardowns_a_year=50, draws=20, days=365, shelf="yard")
    swap = shop(
        parts=[
            {"part": "old", "replaced_by": "new", "unit_cost": 10.0},
            {"part": "new", "unit_cost": 12.0, "lead_time_days": 30},
        ],
        stock=[{"part": "old", "site": "yard", "counted_on": "2026-03-31", "on_hand": 3}],
    )  # fmt: skip
    plan = plan_order(wanted, swap, PartFill(0.9), draws=20, days=365)
    new, old = line(plan, "new"), line(plan, "old")
    assert new["order_now"] == new["order_up_to"] - 3
    assert (old["order_up_to"], old["order_now"]) == (0, 0)
    assert "use up the 3" in old["reason"]
    assert "3 of the part it replaces" in new["reason"]


def test_teardowns_elsewhere_are_served_by_the_shelf_that_sites_names():
    rows = [
        (d, 10.0 * k + d, k, "U", "K20", site, "seal", 1)
        for d in range(6)
        for k, site in enumerate(["north", "gate", "x"])
    ]
    two = shop(
        parts=[{"part": "seal", "unit_cost": 1.0, "lead_time_days": 5}],
        stock=[{"part": "seal", "site": s, "counted_on": "2026-03-31", "on_hand": 0} for s in ("south", "north")],
        sites=[{"site": "gate", "served_by": "south"}],
    )
    plan = plan_order(futures(rows), two, PartFill(0.9), draws=6, days=100)
    got = plan.frame().set_index("site")["pieces_a_year"]
    assert got["north"] == pytest.approx(2 * got["south"])  # north's own, and x, that nobody names: the first shelf


def test_suppositions_change_the_plan_and_nothing_else(wanted, yard, plan):
    before = yard.parts.copy()

    def supposing(share=0.9, **what_if):
        return plan_order(wanted, yard, JobFill(share), draws=DRAWS, days=DAYS, what_if=WhatIf(**what_if))

    assert supposing(lead_time={EVERY: Change(times=2.0)}).money > plan.money
    double = supposing(fleet=2.0)
    assert line(double, "seal")["pieces_a_year"] == pytest.approx(2 * line(plan, "seal")["pieces_a_year"])
    assert line(double, "seal")["lead_time_mean"] == pytest.approx(2 * line(plan, "seal")["lead_time_mean"])
    busy = supposing(mileage=1.5)
    assert line(busy, "bearing")["pieces_a_year"] == pytest.approx(1.5 * line(plan, "bearing")["pieces_a_year"])
    assert line(supposing(0.85, level={("gear", "yard"): 0}), "gear")["order_up_to"] == 0
    assert line(supposing(0.85, level={("gear", EVERY): 2}), "gear")["order_up_to"] == 2
    assert line(supposing(price={"gear": Change(instead=1.0)}), "gear")["unit_cost"] == 1.0
    assert yard.parts.equals(before)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("lead-time=+10", WhatIf(lead_time={EVERY: Change(plus=10)})),
        ("lead-time:gear=30", WhatIf(lead_time={"gear": Change(instead=30)})),
        ("lead-time=x1.5", WhatIf(lead_time={EVERY: Change(times=1.5)})),
        ("price=-10%", WhatIf(price={EVERY: Change(times=0.9)})),
        ("price:A=B=12.5", WhatIf(price={"A=B": Change(instead=12.5)})),
        ("level:gear@yard=3", WhatIf(level={("gear", "yard"): 3})),
        ("level:gear=3", WhatIf(level={("gear", EVERY): 3})),
        ("fleet=+20%", WhatIf(fleet=1.2)),
        ("mileage=x0.5", WhatIf(mileage=0.5)),
    ],
)
def test_a_supposition_is_read_from_words(text, expected):
    assert what_if_of([text]) == expected


def test_added_days_leave_the_spread_and_a_factor_scales_it():
    assert WhatIf(lead_time={"gear": Change(plus=10)}).lead("gear", 20.0, 4.0) == (30.0, 4.0)
    assert WhatIf(lead_time={EVERY: Change(times=2.0)}).lead("gear", 20.0, 4.0) == (40.0, 8.0)
    assert WhatIf(lead_time={"gear": Change(instead=5.0)}).lead("gear", 20.0, 4.0) == (5.0, 1.0)
    assert WhatIf(lead_time={"gear": Change(plus=10)}).lead("seal", 20.0, 4.0) == (20.0, 4.0)


@pytest.mark.parametrize(
    "text",
    ["lead-time", "lead-time=", "lead-time=soon", "level=3", "level:gear=2.5", "fleet=20", "fleet:K20=x2", "price=20%",
     "fleet=-100%", "stock=3", "=3"],
)  # fmt: skip
def test_a_supposition_that_cannot_be_read_is_refused(text):
    with pytest.raises(UsageError):
        what_if_of([text])


def test_a_supposition_about_a_part_or_shelf_that_is_not_there_is_refused(wanted, yard):
    for what_if in (WhatIf(price={"gaer": Change(instead=1.0)}), WhatIf(level={("gear", "gate"): 1})):
        with pytest.raises(UsageError, match=r"gaer|gate"):
            plan_order(wanted, yard, JobFill(0.9), draws=DRAWS, days=DAYS, what_if=what_if)


@pytest.mark.parametrize(
    "goal", [lambda: JobFill(1.0), lambda: PartFill(0.0), lambda: Budget(-1), lambda: WhatIf(fleet=0)]
)
def test_goals_that_cannot_be_are_refused(goal):
    with pytest.raises(UsageError):
        goal()


def test_without_parts_there_is_nothing_to_order(wanted):
    with pytest.raises(NothingToComputeError, match="parts list"):
        plan_order(wanted, shop(parts=[]), JobFill(0.9), draws=DRAWS, days=DAYS)
