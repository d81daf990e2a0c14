"""The lists beside the order: dead stock, short before arrival, late orders, suppliers, kits, spare units, workbook."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import openpyxl
import pandas as pd
import pytest
from scipy import stats

from rebuildstats.stock.buying import by_supplier, dead_stock, overdue
from rebuildstats.stock.goals import Budget, JobFill, PartFill
from rebuildstats.stock.kits import AT_HAND, PULL
from rebuildstats.stock.plan import plan_order
from rebuildstats.stock.spares import spare_units
from rebuildstats.stock.workbook import neutral, order_workbook
from tests.stock.shop import AS_OF, futures, sampled, shop, table

DRAWS, DAYS = 100, 365


@pytest.fixture(scope="module")
def plan():
    rng = np.random.default_rng(4)
    wanted = sampled(
        rng, {"seal": 0.9, "gear": 0.2}, teardowns_a_year=24, draws=DRAWS, days=DAYS, shelf="yard", quantity={"seal": 2}
    )
    return plan_order(
        wanted,
        shop(
            parts=[
                {"part": "seal", "unit_cost": 5.0, "lead_time_days": 20, "supplier": "Ash", "pack_size": 10},
                {"part": "gear", "unit_cost": 40.0, "lead_time_days": 60, "supplier": "Birch", "min_order": 3},
                {"part": "cover", "unit_cost": 30.0, "supplier": "Ash"},
                {"part": "oldgear", "unit_cost": 38.0, "replaced_by": "gear"},
            ],
            stock=[
                {"part": "seal", "site": "yard", "counted_on": "2026-03-31", "on_hand": 2},
                {"part": "cover", "site": "yard", "counted_on": "2026-03-31", "on_hand": 6},
                {"part": "oldgear", "site": "yard", "counted_on": "2026-03-31", "on_hand": 40},
            ],
            orders=[
                {"order": "A1", "part": "seal", "site": "yard", "ordered_on": "2026-02-20", "quantity": 2,
                 "due_on": "2026-03-12"},
                {"order": "A2", "part": "gear", "site": "yard", "ordered_on": "2026-03-25", "quantity": 1,
                 "due_on": "2026-05-20"},
                {"order": "A3", "part": "seal", "site": "yard", "ordered_on": "2026-01-05", "quantity": 10,
                 "received_on": "2026-01-20", "received_quantity": 10},
            ],
        ),
        JobFill(0.9),
        draws=DRAWS,
        days=DAYS,
    )  # fmt: skip


def test_dead_stock_is_what_99_futures_of_100_leave_and_its_money(plan):
    dead = plan.dead_stock().set_index("part")
    assert dead.loc["cover", "dead"] == 6
    assert dead.loc["cover", "money"] == 180
    # 4.8 gears a year are wanted, at most 10 or so: 40 old ones, to be used up first, are mostly dead
    most = np.quantile(plan.wants_by_draw("gear", "yard"), 0.99, method="higher")
    assert dead.loc["oldgear", "dead"] == 40 - max(most, plan.lines.set_index("part").loc["gear", "order_up_to"])
    assert "seal" not in dead.index
    assert "nothing foreseen needs it" in dead.loc["cover", "reason"]


def test_short_before_arrival_is_the_chance_that_the_shelf_runs_out_first():
    rng = np.random.default_rng(9)
    wanted = sampled(rng, {"gear": 0.5}, teardowns_a_year=48, draws=400, days=DAYS, shelf="yard")
    for late, chance in (
        # ordered today it comes in 30 days, in which Poisson(24 x 30 / 365) are wanted: short when two or more are
        ([], 1 - stats.poisson.cdf(1, 24 * 30 / 365)),
        # two more come on day 10: short when two are wanted before, or four in all
        ([{"order": "1", "part": "gear", "site": "yard", "ordered_on": "2026-03-11", "quantity": 2,
           "due_on": "2026-04-10"}], None),
    ):  # fmt: skip
        yard = shop(
            parts=[{"part": "gear", "unit_cost": 400.0, "lead_time_days": 30}],
            stock=[{"part": "gear", "site": "yard", "counted_on": "2026-03-31", "on_hand": 1}],
            orders=late,
        )
        row = plan_order(wanted, yard, JobFill(0.9), draws=400, days=DAYS).short_before_arrival().iloc[0]
        if chance is None:
            early, all_ = stats.poisson(24 * 10 / 365), stats.poisson(24 * 30 / 365)
            assert early.sf(1) <= row["chance_short"] <= early.sf(1) + all_.sf(3) + 0.05
            assert row["on_order"] == 2
        else:
            assert row["chance_short"] == pytest.approx(chance, abs=0.07)
            assert row["jobs_held"] == pytest.approx(24 * 30 / 365 - 1 + stats.poisson.pmf(0, 24 * 30 / 365), abs=0.2)
        assert row["chance_lower"] < row["chance_short"] < row["chance_upper"]
        assert row["arrives_on"] == pd.Timestamp(AS_OF) + pd.Timedelta(days=30)


def test_late_orders_are_listed_with_their_days(plan):
    late = plan.overdue()
    assert late[["order", "late_days"]].to_numpy().tolist() == [["A1", 19.0]]
    assert "19 days late" in late.loc[0, "reason"]


def test_an_order_without_a_due_date_is_late_after_its_lead_time(plan):
    ordered = pd.to_datetime(["2026-02-01"] * 2)
    coming = pd.DataFrame({"order": ["B1", "B2"], "part": ["seal", "gear"], "shelf": "yard", "ordered_on": ordered})
    coming = coming.assign(due_on=pd.to_datetime([None, None]), pieces=1.0, late_days=0.0)
    late = overdue(coming, plan.ahead.items.lead_times, AS_OF)
    assert late["order"].tolist() == ["B1"]  # 58 days: longer than a seal takes, shorter than a gear


def test_the_order_by_supplier_tells_what_packs_and_least_sums_add(plan):
    lines = plan.lines.copy()
    bought = by_supplier(lines, {"Ash": 1000.0}).set_index("supplier")
    seal = lines.set_index("part").loc["seal"]
    assert bought.loc["Ash", "money"] == pytest.approx(seal["order_now"] * 5.0)
    assert bought.loc["Ash", "lacking"] == pytest.approx(1000 - bought.loc["Ash", "money"])
    assert bought.loc["Ash", "extra_pieces"] == seal["order_now"] - (seal["order_up_to"] - 4)


def test_whole_packs_and_least_quantities(plan):
    rng = np.random.default_rng(5)
    wanted = sampled(rng, {"gear": 0.5}, teardowns_a_year=10, draws=20, days=DAYS)
    lone = shop(parts=[{"part": "gear", "unit_cost": 9.0, "min_order": 7, "pack_size": 4, "lead_time_days": 30}])
    got = plan_order(wanted, lone, PartFill(0.9), draws=20, days=DAYS).frame().iloc[0]
    assert 0 < got["order_up_to"] < 7
    assert got["order_now"] == 8


def order(part, **more):
    return {"order": f"{part}-{more['due_on']}", "part": part, "site": "yard", "ordered_on": "2026-02-20", **more}


def test_a_kit_names_what_to_pull_and_what_to_have_at_hand():
    rows = []
    for d in range(50):
        rows.append((d, 5.0, 0, "U1", "K20", "yard", "seal", 2))
        if d % 4 == 0:
            rows.append((d, 5.0, 0, "U1", "K20", "yard", "gear", 1))
        if d % 2:
            rows.append((d, 20.0, 1, "U2", "K20", "yard", "seal", 2))
        if d == 0:
            rows.append((d, 200.0, 2, "U3", "K20", "yard", "seal", 2))
    yard = shop(
        parts=[{"part": "seal", "unit_cost": 1.0}, {"part": "gear", "unit_cost": 9.0}],
        stock=[{"part": "seal", "site": "yard", "counted_on": "2026-03-31", "on_hand": 3}],
        planned=[{"plan": "P", "due_on": "2026-04-10", "unit": "U3"}],
        orders=[
            order("seal", due_on="2026-04-08", quantity=1),
            order("gear", due_on="2026-03-01", quantity=5),  # late: nobody knows when it comes
            order("gear", due_on="2026-05-01", quantity=5),  # after all of these
        ],
    )
    plan = plan_order(futures(rows), yard, JobFill(0.5), draws=50, days=300)
    kits = plan.kits(within_days=30)
    frame = kits.frame().set_index("unit")
    assert list(frame.index) == ["U1", "U3", "U2"]  # by their days: 5, booked on day 10, 20
    assert frame.loc["U1", "chance_teardown"] == 1.0
    assert frame.loc["U3", "booked"]
    assert frame.loc["U1", "chance_complete"] == pytest.approx(37 / 50)  # 13 of 50 need a gear, and none lies there
    assert frame.loc["U1", "complete_lower"] < 0.74 < frame.loc["U1", "complete_upper"]
    assert frame.loc["U3", "chance_complete"] == 0.0  # the first kit took two of the three seals
    # one more seal is due two days before; the gear that 13 of the family's 76 need is not
    assert frame.loc["U3", "chance_by_then"] == pytest.approx(63 / 76)
    assert frame.loc["U1", "chance_by_then"] == frame.loc["U1", "chance_complete"]
    assert "83 % with the orders due by then" in frame.loc["U3", "reason"]
    assert "orders" not in frame.loc["U1", "reason"]
    lines = kits.lines.set_index(["unit", "part"])
    assert lines.loc[("U1", "seal"), "what"] == PULL
    assert lines.loc[("U1", "gear"), "what"] == AT_HAND
    assert lines.loc[("U1", "gear"), "chance"] == pytest.approx(13 / 50)
    assert lines.loc[("U3", "seal"), "lacking"] == 1.0
    assert lines.loc[("U3", "seal"), "due_by_then"] == 1.0


def test_spare_units_follow_the_pipeline_of_units_in_work():
    rng = np.random.default_rng(6)
    wanted = sampled(rng, {"seal": 1.0}, teardowns_a_year=36.5, draws=300, days=DAYS)
    jobs = table(
        "teardowns",
        [{"job": f"J{k}", "unit": "A", "opened_on": "2025-01-01", "closed_on": "2025-01-21"} for k in range(400)],
    )
    units = pd.DataFrame({"unit": ["A", "B", "C", "D"], "family": "K20", "vehicle": ["V1", None, None, "V2"]})
    row = spare_units(wanted, jobs, units, draws=300, days=DAYS).iloc[0]
    # 0.1 a day for 20 days: a Poisson pipeline of mean 2 (Palm 1938)
    assert row["in_work_mean"] == pytest.approx(2.0, abs=0.06)
    assert row["ready"] == 2
    assert row["chance_none"] == pytest.approx(1 - stats.poisson.cdf(1, 2.0), abs=0.03)
    # two servers offered 2 erlang: B = 0.4
    assert row["chance_none_hired"] == pytest.approx(0.4, abs=0.02)
    assert row["spares"] == stats.poisson.ppf(0.95, 2.0) + 1
    assert row["waiting_mean"] == pytest.approx(0.541341, abs=0.04)  # Sherbrooke's EBO(2) at mean 2


def test_the_workbook_opens_with_a_sheet_to_order_from_and_one_that_explains(plan):
    book = openpyxl.load_workbook(BytesIO(plan.workbook()))
    assert book.sheetnames == ["Order", "Why"]
    order = book["Order"]
    head = [c.value for c in order[1]]
    body = [dict(zip(head, [c.value for c in row], strict=True)) for row in order.iter_rows(min_row=2)]
    todo = plan.frame().query("order_now > 0")
    assert [b["Part"] for b in body if b["Part"]] == todo.sort_values(["supplier", "part"])["part"].tolist()
    sums = {b["Price each"]: b["Cost"] for b in body if not b["Part"]}
    assert sums["Total"] == pytest.approx(todo["order_cost"].sum())
    by_supplier = todo.groupby("supplier")["order_cost"].sum()
    told = {label.removeprefix("of it "): money for label, money in sums.items() if label != "Total"}
    assert told == pytest.approx(by_supplier.to_dict() if len(by_supplier) > 1 else {})
    assert body[0]["Packs"] == body[0]["Order (pieces)"] / 10
    why = [[c.value for c in row] for row in book["Why"].iter_rows()]
    assert "job fill rate 0.9" in why[0][0]
    assert any(row[-1] and row[-1].startswith("About") for row in why)


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", " =HYPERLINK(1)", "|cmd"])
def test_cells_that_begin_like_a_formula_are_text(plan, text):
    assert neutral(text) == "'" + text
    lines = plan.frame().assign(part=text)
    book = openpyxl.load_workbook(BytesIO(order_workbook(lines, [text])))
    cell = book["Order"]["B2"]
    assert (cell.value, cell.data_type) == ("'" + text, "s")
    assert book["Why"]["A1"].data_type == "s"


def test_plain_cells_stay_as_they_are():
    assert neutral("seal 4-a") == "seal 4-a"
    assert neutral(3.5) == 3.5


def test_money_is_rounded_once(plan):
    rng = np.random.default_rng(8)
    wanted = sampled(rng, {"shim": 1.0}, teardowns_a_year=300, draws=20, days=DAYS)
    cheap = plan_order(
        wanted,
        shop(parts=[{"part": "shim", "unit_cost": 0.004, "lead_time_days": 40}]),
        PartFill(0.95),
        draws=20,
        days=DAYS,
    )
    line = cheap.lines.iloc[0]
    assert cheap.frame().iloc[0]["order_cost"] == round(line["order_now"] * 0.004, 2)
    assert cheap.money == pytest.approx(line["order_up_to"] * 0.004)


def test_nothing_foreseen_leaves_an_order_of_nothing():
    empty = futures([])
    bare = shop(parts=[{"part": "seal", "unit_cost": 1.0}])
    for goal in (JobFill(0.9), PartFill(0.9), Budget(100)):
        plan = plan_order(empty, bare, goal, draws=10, days=DAYS)
        assert plan.money == 0
        assert plan.frame()["order_now"].tolist() == [0]
        assert plan.job_fill.jobs == 0
        assert len(plan.exchange_curve()) <= 1
        assert plan.short_before_arrival().empty
        assert plan.kits().frame().empty
        assert dead_stock(plan.ahead.items, plan.ahead.wants, plan.levels).empty
    assert "No teardown" in plan.frame()["reason"][0]
