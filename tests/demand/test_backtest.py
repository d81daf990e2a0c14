"""Looking back: nothing leaks, scores are right, the chosen method is chosen from the past."""

from __future__ import annotations

import datetime as dt
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rebuildstats.demand.backtest import COLUMNS, Backtest, backtest, choose, origins_before, with_gain
from rebuildstats.demand.forecast import OWN, forecast_parts
from rebuildstats.demand.series import METHODS
from rebuildstats.errors import NothingToComputeError
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.history.known import History
from rebuildstats.life_records.records import Records
from tests.demand.fleet_history import history_at, known_on
from tests.fleets.random_fleet import cut_day, random_fleet


def fit(history: History, records: Records) -> tuple[Any, Any]:
    return fit_lives(records.lives, history.components), fit_unit_lives(records.unit_lives)


@cache
def looked_back() -> Backtest:
    fleet = random_fleet(5, units=30, years=3.5, families=1, components=7)
    day = cut_day(fleet)
    origins = origins_before(dt.date(2019, 1, 1), day, months=6, most=2)
    return backtest(lambda d: history_at(fleet, d), fit, origins, history_at(fleet, day), months=6, draws=20)


def test_origins_leave_a_past_before_and_whole_months_after() -> None:
    origins = origins_before(dt.date(2020, 1, 15), dt.date(2024, 3, 20), months=12, most=3)
    assert origins == [dt.date(2022, 2, 28), dt.date(2022, 8, 31), dt.date(2023, 2, 28)]
    assert origins_before(dt.date(2023, 1, 1), dt.date(2024, 3, 20), months=12) == []
    with pytest.raises(NothingToComputeError, match="too short"):
        backtest(lambda d: history_at(None, d), fit, [], (None, None))  # type: ignore[arg-type]


def test_every_method_is_scored_for_every_part_at_every_origin() -> None:
    frame = looked_back().frame()
    assert list(frame.columns) == COLUMNS
    assert frame["origin"].nunique() == 2
    with_use = frame.groupby("part")["method"].agg(set)
    assert all(set(METHODS) <= methods for methods in with_use)
    assert any(OWN in methods for methods in with_use)
    assert frame["coverage_90"].between(0, 1).all()
    assert (frame[["pinball", "crps", "scaled_error", "held_jobs"]] >= 0).all(axis=None)
    assert (frame["months"] == 6).all()


def test_one_method_is_chosen_a_part_and_origin() -> None:
    frame = looked_back().frame()
    assert (frame.groupby(["part", "origin"])["chosen"].sum() == 1).all()
    assert set(looked_back().chosen()) == set(frame["part"])
    first = frame[frame["origin"] == frame["origin"].min()]
    chosen = first[first["chosen"]].set_index("part")["method"]
    # at the first origin nothing was known of anybody's record
    assert (chosen[chosen.isin([OWN])].size) > 0


def test_the_choice_at_an_origin_knows_no_month_after_it() -> None:
    origins = [pd.Timestamp("2024-06-30"), pd.Timestamp("2024-12-31")]
    cells = [(o, m) for o in origins for m in ("ours", "theirs")]
    rows = pd.DataFrame({"part": "P", "method": [m for _, m in cells], "origin": [o for o, _ in cells]})
    rows["in_force"] = rows["method"] == "ours"
    # from the first origin theirs is better for half a year; what follows lies after the second origin
    months = pd.period_range("2024-07", periods=12, freq="M")
    loss = {"ours": [2.0] * 6 + [0.0] * 6, "theirs": [1.0] * 6 + [9.0] * 6}
    monthly = pd.concat(
        [pd.DataFrame({"part": "P", "method": m, "month": months, "pinball": v}) for m, v in loss.items()]
    ).assign(in_force=lambda f: f["method"] == "ours")
    early = pd.DataFrame({"part": "P", "method": "ours", "origin": pd.Timestamp("2025-12-31"), "in_force": True}, [9])
    marked = choose(pd.concat([rows, early]), monthly)
    chosen = marked[marked["chosen"]].set_index("origin")["method"]
    assert chosen[origins[0]] == "ours"  # nothing was over: the one in force
    assert chosen[origins[1]] == "theirs"
    assert chosen[pd.Timestamp("2025-12-31")] == "ours"


def test_each_part_says_who_won_and_by_how_much() -> None:
    cells = {"ours": 1.5, METHODS[0]: 2.0, METHODS[1]: 3.0}
    rows = pd.DataFrame({"part": "P", "origin": pd.Timestamp("2024-06-30"), "method": list(cells)})
    told = with_gain(rows.assign(pinball=list(cells.values())))
    assert told["gain"].tolist() == pytest.approx([0.25, 0.0, -0.5])
    assert with_gain(rows.assign(pinball=0.0))["gain"].isna().all()
    best = looked_back().frame().query("method in @METHODS").groupby(["part", "origin"])["gain"].max().dropna()
    assert len(best)
    assert best.to_numpy() == pytest.approx(0.0)


def test_the_gain_is_against_the_best_series_method() -> None:
    pooled = looked_back().by_method().set_index("method")
    best = pooled.loc[list(METHODS), "pinball"].min()
    assert pooled.loc[OWN, "gain"] == pytest.approx(1 - pooled.loc[OWN, "pinball"] / best)


def test_wild_data_after_the_origin_change_nothing() -> None:
    fleet = random_fleet(5, units=30, years=3.5, families=1, components=7)
    origin = cut_day(fleet)
    tables = fleet.tables(origin)
    after = pd.Timestamp(origin) + pd.Timedelta(days=5)
    wild = dict(tables)
    jobs = tables["teardowns"]
    more = jobs.tail(20).assign(job=[f"wild {i}" for i in range(20)], opened_on=after, unit_mileage=np.nan)
    wild["teardowns"] = pd.concat([jobs, more], ignore_index=True)
    found = tables["findings"].tail(200).drop_duplicates(["component", "point", "position"])
    wild["findings"] = pd.concat([tables["findings"], found.assign(job="wild 1", verdict="fail")], ignore_index=True)
    issued = tables["issued_parts"]
    wild["issued_parts"] = pd.concat(
        [issued, issued.tail(50).assign(issued_on=after, quantity=1e6, job=None)], ignore_index=True
    )
    read = tables["odometers"]
    wild["odometers"] = pd.concat(
        [read, read.drop_duplicates("vehicle").assign(read_on=after, odometer=9e9, meter=9)], ignore_index=True
    )
    frames = []
    for given in (tables, wild):
        history, records = known_on(given, origin)
        lives, units = fit(history, records)
        frames.append(forecast_parts(records, history, lives, units, months=3, draws=20).frame(all_methods=True))
    pd.testing.assert_frame_equal(*frames)
