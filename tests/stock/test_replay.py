"""What is promised is what happens: the fill rates of the sampled futures against a shop played through day by day."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.stock.goals import JobFill, PartFill
from rebuildstats.stock.lead_time import days_pmf
from rebuildstats.stock.plan import plan_order
from rebuildstats.stock.replay import replay
from tests.stock.shop import sampled, shop

CHANCES = {"seal": 1.0, "bearing": 0.4, "race": 0.35, "gear": 0.12, "shaft": 0.05}
QUANTITY = {"seal": 3, "bearing": 2}
LEADS = {"seal": (10, 3), "bearing": (25, 8), "race": (40, 0), "gear": (60, 20), "shaft": (90, 30)}
COST = {"seal": 3.0, "bearing": 60.0, "race": 80.0, "gear": 500.0, "shaft": 900.0}
SALES = {"seal": 20, "bearing": 5}


def played(frame, parts, levels, rng, *, days, pack=None):
    """Replay of one long future; the wants of each job in one day."""
    frame = frame[frame["part"].notna()].sort_values("day", kind="stable")
    item = frame["part"].map({p: i for i, p in enumerate(parts)}).to_numpy(np.int64)
    job = frame["teardown"].astype("float64").fillna(-1).to_numpy(np.int64)
    pmfs = [np.cumsum(days_pmf(*LEADS[p])) for p in parts]
    return replay(
        frame["day"].to_numpy(), job, item, frame["quantity"].to_numpy(), levels,
        lambda i: float(np.searchsorted(pmfs[i], rng.random() * (1 - 1e-12))), days=days, pack=pack,
    )  # fmt: skip


@pytest.fixture(scope="module")
def futures_for_plan():
    rng = np.random.default_rng(21)
    return sampled(
        rng, CHANCES, teardowns_a_year=80, draws=80, days=400, quantity=QUANTITY, shelf="", sales_a_year=SALES
    )


@pytest.fixture(scope="module")
def parts_list():
    return shop(
        parts=[
            {"part": p, "unit_cost": COST[p], "lead_time_days": LEADS[p][0], "lead_time_sd_days": LEADS[p][1]}
            for p in CHANCES
        ]
    )


@pytest.fixture(scope="module")
def truth():
    """One future of 60 years that the plan has never seen."""
    rng = np.random.default_rng(99)
    return sampled(rng, CHANCES, teardowns_a_year=80, draws=1, days=60 * 365, quantity=QUANTITY, sales_a_year=SALES)


@pytest.mark.parametrize("share", [0.7, 0.9])
def test_the_promised_job_fill_rate_is_the_realised_one(futures_for_plan, parts_list, truth, share):
    plan = plan_order(futures_for_plan, parts_list, JobFill(share), draws=80, days=400)
    levels = plan.lines.set_index("part")["order_up_to"].reindex(list(CHANCES)).to_numpy(np.int64)
    got = played(truth, list(CHANCES), levels, np.random.default_rng(5), days=60 * 365)
    realised = got.job_fill(since=365)
    # 4,700 jobs, correlated over a lead time or two: an error of about 0.008, beside that of the promise
    spread = 0.024 + (plan.job_fill.upper - plan.job_fill.lower) / 2
    assert realised == pytest.approx(plan.job_fill.rate, abs=spread)
    assert realised >= share - 0.03


def test_the_promised_part_fill_rates_are_the_realised_ones(futures_for_plan, parts_list, truth):
    plan = plan_order(futures_for_plan, parts_list, PartFill(0.9), draws=80, days=400)
    line = plan.lines.set_index("part").reindex(list(CHANCES))
    levels = line["order_up_to"].to_numpy(np.int64)
    got = played(truth, list(CHANCES), levels, np.random.default_rng(6), days=60 * 365)
    # 240 shafts in 60 years and their long lead times: an error of some 0.02
    assert got.served / got.wanted == pytest.approx(line["part_fill"].to_numpy(), abs=0.05)


def test_whole_packs_never_serve_worse(truth):
    levels = np.array([14, 8, 6, 4, 2])
    single = played(truth, list(CHANCES), levels, np.random.default_rng(7), days=60 * 365)
    packed = played(
        truth, list(CHANCES), levels, np.random.default_rng(7), days=60 * 365, pack=np.array([10, 4, 1, 1, 1])
    )
    assert packed.job_fill() >= single.job_fill() - 0.005
    assert packed.on_hand[0] > single.on_hand[0]


def test_a_want_is_owed_and_served_first_come_first_served():
    # one on the shelf, lead time 10: wants on days 0, 1 and 2; the second waits for the first's replacement
    got = replay(
        np.array([0.0, 1.0, 2.0]),
        np.array([0, 1, 2]),
        np.zeros(3, int),
        np.ones(3),
        np.array([1]),
        lambda _: 10.0,
        days=30.0,
    )
    assert got.filled.tolist() == [True, False, False]
    assert got.wait_days.tolist() == [0.0, 9.0, 9.0]
    assert got.served.tolist() == [1.0]
    assert got.on_hand[0] == pytest.approx((30 - 12) / 30)


def test_a_job_waits_for_its_last_part():
    got = replay(
        np.zeros(2),
        np.zeros(2, int),
        np.array([0, 1]),
        np.ones(2),
        np.array([1, 0]),
        lambda i: [5.0, 25.0][i],
        days=60.0,
    )
    assert got.wait_days.tolist() == [25.0]
