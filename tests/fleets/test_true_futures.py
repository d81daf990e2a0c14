"""The oracle of the forecast's benchmark: an engine run on is the same engine; what came looks like its futures."""

import numpy as np
import pandas as pd

from data_demo.fleet_engine import Engine
from tests.fleets.random_fleet import cut_day, random_fleet
from tests.fleets.true_futures import _draw_anew, _until, true_futures


def test_an_engine_stopped_and_run_on_writes_down_the_same():
    fleet = random_fleet(3, units=20, years=2.0, components=7)
    whole, stopped = Engine(fleet.plan, 3), Engine(fleet.plan, 3)
    whole.begin()
    whole.go_on(fleet.plan.days)
    stopped.begin()
    stopped.go_on(400)
    assert len(stopped.rows["teardowns"]) < len(whole.rows["teardowns"])
    stopped.go_on(fleet.plan.days)
    assert stopped.rows == whole.rows


def test_nothing_is_known_of_what_is_still_to_be_drawn_be_the_unit_running_or_on_the_shelf():
    fleet = random_fleet(5, units=40, years=2.0, components=7, months_after=13)
    day = cut_day(fleet, 13)
    cut, booked = fleet.day(day), set(fleet.tables(day)["planned"]["unit"].dropna())
    known, future = _until(fleet, cut), _until(fleet, cut)
    _draw_anew(future, cut, booked)
    shelf = 0
    for was, now in zip(known.units, future.units, strict=True):
        if now.name in booked:
            continue
        shelf += now.vehicle is None
        alive = now.design.in_service & (was.left > 0)
        assert (now.left[alive] >= 0).all()
        assert not np.isclose(now.total[alive], was.total[alive]).any()
        age, before = now.total - now.left, was.total - was.left
        assert (age >= before - 1e-6).all()
        if now.vehicle is None:
            np.testing.assert_allclose(age, before)  # what lies on a shelf does not wear
    assert shelf >= 3


def test_what_came_is_spread_over_the_futures_that_could_have_come():
    ranks = []
    for seed in range(10):
        fleet = random_fleet(seed, units=20, years=2.0, components=7, months_after=13)
        day = cut_day(fleet, 13)
        months = pd.period_range(pd.Timestamp(day).to_period("M") + 1, periods=12, freq="M")
        issued = fleet.issued_after(day, months[-1].end_time.date())
        came = issued[pd.PeriodIndex(issued["issued_on"], freq="M").isin(months)]["quantity"].sum()
        parts = sorted({fleet.last_number(str(p["part"])) for p in fleet.plan.parts})
        foreseen = true_futures(fleet, day, parts, months, runs=16, seed=seed).sum(axis=(1, 2))
        ranks.append((foreseen < came).mean())
    # ranks of the truth among draws from its own distribution are uniform: mean 1/2, standard error 0.09 for ten
    assert abs(np.mean(ranks) - 0.5) < 0.28
    assert 0.12 < np.std(ranks) < 0.45
