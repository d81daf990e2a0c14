"""Lead times: what is stated, what past orders say, and the distribution made of it."""

from __future__ import annotations

import numpy as np
import pytest

from rebuildstats.stock.lead_time import DEFAULT_DAYS, days_pmf, learn_lead_times
from tests.stock.shop import AS_OF, table


@pytest.mark.parametrize(("mean", "sd"), [(0, 0), (14, 0), (10.25, 0), (30, 5), (12, 12), (60, 90)])
def test_the_cut_to_whole_days_keeps_the_mean(mean, sd):
    pmf = days_pmf(mean, sd)
    k = np.arange(len(pmf))
    assert pmf.sum() == pytest.approx(1)
    assert pmf.min() >= 0
    assert k @ pmf == pytest.approx(mean, rel=2e-3)
    assert np.sqrt(max((k - mean) ** 2 @ pmf, 0)) == pytest.approx(sd, rel=0.03, abs=0.5)


def parts(*rows):
    return table("parts", rows)


def orders(part, days, number=1):
    start = np.datetime64("2025-01-01")
    return [
        {"order": f"{part}{k}", "part": part, "ordered_on": str(start), "quantity": 1, "received_on": str(start + days),
         "received_quantity": 1}
        for k in range(number)
    ]  # fmt: skip


def learn(parts_rows, order_rows=()):
    return learn_lead_times(parts(*parts_rows), table("orders", list(order_rows)), AS_OF).table


def test_without_orders_the_stated_lead_time_stands_as_it_is():
    got = learn([{"part": "a", "lead_time_days": 21, "lead_time_sd_days": 4}, {"part": "b", "lead_time_days": 7}])
    assert got.loc["a", ["days", "sd_days", "orders"]].tolist() == [21, 4, 0]
    assert got.loc["b", ["days", "sd_days"]].tolist() == [7, 0]
    assert got.loc["a", "basis"] == "as stated"


def test_nothing_stated_takes_the_middle_of_the_others_or_a_fortnight():
    got = learn([{"part": "a", "lead_time_days": 20}, {"part": "b", "lead_time_days": 40}, {"part": "c"}])
    assert got.loc["c", "days"] == 30
    assert learn([{"part": "c"}]).loc["c", "days"] == DEFAULT_DAYS


def test_many_orders_outweigh_the_stated_time_and_few_do_not():
    few = learn([{"part": "a", "lead_time_days": 10, "supplier": "Ash"}], orders("a", 30, 1)).loc["a"]
    many = learn([{"part": "a", "lead_time_days": 10, "supplier": "Ash"}], orders("a", 30, 60)).loc["a"]
    assert 10 < few["days"] < 20
    assert many["days"] == pytest.approx(30, abs=1)
    assert many["orders"] == 60


def test_a_supplier_s_other_parts_are_shrunk_to_what_it_usually_does():
    got = learn(
        [{"part": "a", "lead_time_days": 10, "supplier": "Ash"}, {"part": "b", "lead_time_days": 10, "supplier": "Ash"},
         {"part": "c", "lead_time_days": 10, "supplier": "Birch"}],
        orders("a", 20, 40),
    )  # fmt: skip
    assert 15 < got.loc["b", "days"] < 20
    assert got.loc["c", "days"] == 10
    assert "supplier" in got.loc["b", "basis"]


def test_an_order_that_is_still_open_counts_once_it_is_late():
    waiting = [{"order": "1", "part": "a", "ordered_on": "2025-09-30", "quantity": 1}]
    fresh = [{"order": "1", "part": "a", "ordered_on": "2026-03-29", "quantity": 1}]
    stated = [{"part": "a", "lead_time_days": 10}]
    assert learn(stated, waiting).loc["a", "days"] > 20
    assert learn(stated, fresh).loc["a", "days"] == 10


def test_lead_times_drawn_from_a_known_law_are_found_again():
    rng = np.random.default_rng(3)
    rows = [o for k in range(200) for o in orders("a", int(rng.gamma(9, 3)), 1)]
    for k, row in enumerate(rows):
        row["order"] = str(k)
    got = learn([{"part": "a", "lead_time_days": 27}], rows).loc["a"]
    assert got["days"] == pytest.approx(26.5, abs=1.5)
    assert got["sd_days"] == pytest.approx(9, abs=1.5)
