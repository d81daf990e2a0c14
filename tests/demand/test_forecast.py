"""The forecast as a whole, over small random fleets: its columns, its sums, what moves it and what must not."""

from __future__ import annotations

import dataclasses
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest

from rebuildstats.demand.forecast import COLUMNS, OWN, Forecast, forecast_parts
from rebuildstats.demand.series import METHODS
from rebuildstats.demand.sums import mean_of, sd_of
from rebuildstats.demand.teardowns import hazards_by_days
from rebuildstats.errors import NothingToComputeError, UsageError
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.history.known import History
from rebuildstats.life_records.records import Records
from tests.demand.fleet_history import history_at
from tests.fleets.random_fleet import cut_day, random_fleet

MONTHS = 6


@cache
def known(seed: int = 3) -> tuple[History, Records, Any, Any]:
    fleet = random_fleet(seed, units=60, years=4.0, components=7)
    history, records = history_at(fleet, cut_day(fleet))
    return history, records, fit_lives(records.lives, history.components), fit_unit_lives(records.unit_lives)


def forecast(seed: int = 3, *, draws: int = 60, records: Records | None = None, **changed: pd.DataFrame) -> Forecast:
    history, plain, lives, units = known(seed)
    return forecast_parts(
        records or plain, dataclasses.replace(history, **changed), lives, units, months=MONTHS, draws=draws
    )


@cache
def plain() -> Forecast:
    return forecast()


def test_a_row_for_every_part_that_is_not_replaced_and_every_month_zeros_included() -> None:
    history = known()[0]
    frame = plain().frame(total=True)
    assert list(frame.columns) == COLUMNS
    replaced = set(history.parts.loc[history.parts["replaced_by"].notna(), "part"])
    assert replaced
    assert set(frame["part"]) == set(history.parts["part"]) - replaced
    assert len(frame) == frame["part"].nunique() * (MONTHS + 1)
    first = (pd.Timestamp(history.as_of).to_period("M") + 1).start_time
    assert sorted(frame["month"].unique())[:MONTHS] == [
        str(d.date()) for d in pd.date_range(first, periods=MONTHS, freq="MS")
    ]
    assert frame.drop(columns=["part", "month", "method"]).notna().all(axis=None)
    quantiles = frame[[c for c in COLUMNS if c.startswith("q")]].to_numpy()
    assert (np.diff(quantiles, axis=1) >= 0).all()


def test_the_series_stand_beside_it() -> None:
    frame = plain().frame(all_methods=True)
    one = frame[(frame["part"] == plain().parts[0]) & (frame["month"] == frame["month"].min())]
    assert list(one["method"]) == [OWN, *METHODS]


def test_means_add_up_over_the_months_and_the_total_has_its_own_spread() -> None:
    for part in plain().parts:
        months = [plain().pmf(part, m) for m in plain().months]
        total = plain().pmf(part, "total")
        assert mean_of(total) == pytest.approx(sum(mean_of(p) for p in months), rel=0.05, abs=0.05)
        if mean_of(total) > 5:
            # what is not known of the lives is shared by the months
            assert sd_of(total) > 0.9 * np.sqrt(sum(sd_of(p) ** 2 for p in months))


def test_an_age_that_nobody_knew_is_told_as_such() -> None:
    whole, records = plain(), known()[1]
    places = records.positions.set_index(["unit", "component", "position"])
    told = pd.concat([whole.trace(part, whole.months[0]) for part in whole.parts if whole.method_of[part] == OWN])
    told = told[told["unit"].notna() & ~told["reason"].str.contains("renewed at every rebuild")]
    unknown = places.loc[list(zip(told["unit"], told["component"], told["position"], strict=True)), "age"].isna()
    assert 0 < unknown.sum() < len(told)
    assert (told["reason"].str.contains("unknown").to_numpy() == unknown.to_numpy()).all()
    learnt = told[told["reason"].str.contains("its age at first sight unknown")]
    age, low, high = (
        (
            learnt["reason"]
            .str.extract(r"some ([\d,]+) old \(([\d,]+) to ([\d,]+)\)")
            .replace(",", "", regex=True)
            .astype(float)
        )
        .to_numpy()
        .T
    )
    assert len(learnt)
    assert ((low < age) & (age < high)).all()


def test_the_trace_adds_up_to_the_mean_exactly() -> None:
    for part in plain().parts:
        for month in (plain().months[2], "total"):
            rows = plain().trace(part, month)
            assert rows["pieces"].sum() == pytest.approx(mean_of(plain().pmf(part, month)), rel=1e-12, abs=1e-12)
            units = rows[rows["unit"].notna()]
            product = units["chance_teardown"] * units["chance_replaced"] * units["quantity"] * units["ratio"]
            assert product.to_numpy() == pytest.approx(units["pieces"].to_numpy(), rel=1e-9)
            assert (units["chance_replaced"] <= 1 + 1e-9).all()


def test_the_same_seed_gives_the_same_forecast() -> None:
    pd.testing.assert_frame_equal(plain().frame(), forecast().frame())


def test_futures_agree_with_the_computed_distributions() -> None:
    days = 150.0
    futures = plain().futures(600, days, 1)
    window = plain().window(0.0, days)
    drawn = futures.groupby(["part", "shelf"])["quantity"].sum() / 600
    for (part, shelf), pmf in window.items():
        if mean_of(pmf) > 2:
            error = 4 * sd_of(pmf) / np.sqrt(600)
            assert drawn.get((part, shelf), 0.0) == pytest.approx(mean_of(pmf), abs=error + 0.06 * mean_of(pmf))
    assert futures["day"].between(0, days).all()
    assert (futures["quantity"] == futures["quantity"].round()).all()
    jobs = futures[futures["teardown"].notna()].drop_duplicates(["draw", "teardown"])
    bases = plain().bases.values()
    share = plain().when.share(0.0, days)
    expected = sum(
        float((base.kind(k)[0] @ share).sum() * base.moved(k).mean())
        for base in bases
        for k in ("failure", "scheduled", "again", "repair")
    )
    assert len(jobs) / 600 == pytest.approx(expected, rel=0.06)


def test_a_booked_teardown_is_forecast_in_its_month() -> None:
    history = known()[0]
    unit, family = next((b.fleet.units[0], f) for f, b in plain().bases.items())
    due = pd.Timestamp(history.as_of) + pd.Timedelta(days=75)
    row = {"plan": ["P"], "due_on": [due], "unit": [unit], "family": [None], "count": [1], "reason": ["scheduled"],
           "complaint": [None]}  # fmt: skip
    planned = pd.DataFrame(row).astype(history.planned.dtypes.to_dict())
    booked = forecast(planned=planned)
    base = booked.bases[family]
    month = list(base.fleet.units).index(unit)
    share = booked.when.share(60.0, 100.0)
    assert base.chances.scheduled[month] @ np.ceil(share) > 0.7
    assert booked.booked(100.0)["unit"].tolist() == [unit]
    assert booked.likely(100.0).iloc[0]["unit"] == unit


def test_a_unit_booked_for_a_failure_is_opened_for_its_cause() -> None:
    history = known()[0]
    unit, family = next((b.fleet.units[0], f) for f, b in plain().bases.items())
    due = pd.Timestamp(history.as_of) + pd.Timedelta(days=20)
    row = {"plan": ["P"], "due_on": [due], "unit": [unit], "family": [None], "count": [1], "reason": ["failure"],
           "complaint": [None]}  # fmt: skip
    planned = pd.DataFrame(row).astype(history.planned.dtypes.to_dict())
    booked = forecast(planned=planned)
    base, before = booked.bases[family], plain().bases[family]
    at = list(base.fleet.units).index(unit)
    share = np.ceil(booked.when.share(0.0, 40.0))
    assert base.chances.failure[at] @ share > 0.9
    assert before.chances.failure[at] @ share < 0.5
    causes = [n for n, c in base.model.components.items() if c.in_service]
    assert causes
    found = sum(float(base.replaced.failure[n][at, 1]) * base.model.components[n].n for n in causes)
    calm = sum(float(base.replaced.scheduled[n][at, 1]) * base.model.components[n].n for n in causes)
    assert found > calm
    assert booked.booked(60.0)["unit"].tolist() == [unit]


def test_a_vehicle_that_retires_runs_no_further() -> None:
    history, records, *_ = known()
    leaving = pd.Timestamp(history.as_of) + pd.Timedelta(days=1)
    units = records.units.assign(out_of_service_on=leaving)
    gone = forecast(records=dataclasses.replace(records, units=units))
    for family, base in gone.bases.items():
        assert base.chances.failure.sum() < 0.1 * plain().bases[family].chances.failure.sum()


def test_units_on_the_shelf_neither_wear_nor_come_in() -> None:
    _, records, *_ = known()
    shelf = set(records.units.loc[records.units["vehicle"].isna(), "unit"])
    assert shelf
    running = {u for base in plain().bases.values() for u in base.fleet.units}
    waiting = {u for base in plain().bases.values() for u in base.fleet.units if u in shelf}
    assert len(running) < len(records.units)
    assert len(waiting) < len(shelf)  # only those whose vehicle waits for them


def test_counter_sales_are_forecast_beside_the_teardowns() -> None:
    history = known()[0]
    part = plain().parts[0]
    days = pd.date_range(end=pd.Timestamp(history.as_of), periods=24, freq="30D")
    more = pd.DataFrame({"issued_on": days, "part": part, "quantity": 5.0, "kind": "issue", "job": None, "site": None})
    more["slip"] = [f"extra {i}" for i in range(len(more))]
    issued = pd.concat([history.issued_parts, more.astype(history.issued_parts.dtypes.to_dict())], ignore_index=True)
    sold = forecast(issued_parts=issued)
    extra = mean_of(sold.pmf(part, "total")) - mean_of(plain().pmf(part, "total"))
    assert extra == pytest.approx(5.0 * MONTHS, rel=0.2)
    row = sold.trace(part, "total").query("unit.isna()")
    assert "counter" in row["reason"].iloc[0]


def test_what_a_campaign_took_is_not_taken_for_the_usual_level() -> None:
    history, records, *_ = known()
    jobs = records.teardowns.set_index("job")
    issued = history.issued_parts.assign(reason=history.issued_parts["job"].map(jobs["reason"]))
    called = issued[issued["reason"].eq("campaign")]
    pieces = called["quantity"] * np.where(called["kind"] == "credit", -1.0, 1.0)
    own = jobs[jobs["family"].eq(jobs.loc[called["job"].iloc[0], "family"])]
    as_of = pd.Timestamp(history.as_of)
    unit_days = (as_of - own["opened_on"].min()).days * records.units["family"].eq(own["family"].iloc[0]).sum()
    rate = own["reason"].ne("campaign").sum() / unit_days
    # those that would have come by now anyway stay in, by the chance of it
    left = np.exp(-rate * (as_of - called["job"].map(jobs["opened_on"])).dt.days)
    assert 0.0 < left.min() < left.max() < 1.0
    past = plain().past
    assert past.campaigns.to_numpy().sum() == pytest.approx((pieces * left).sum())
    for part in plain().parts:
        beside = past.counter.loc[part].sum() + past.campaigns.loc[part].sum()
        assert past.usual(part).sum() == pytest.approx(past.series.loc[part].sum() - beside)


def test_a_campaign_is_no_habit_where_no_distance_is_known() -> None:
    day = pd.Timestamp("2025-01-01")
    made = pd.DataFrame({"family": "F", "scope": "rebuild", "reason": ["campaign"] * 9 + ["scheduled"]})
    made["opened_on"] = pd.Timestamp("2023-01-01")
    units = pd.DataFrame({"family": ["F"] * 5, "first_seen_on": [pd.Timestamp("2023-01-01")] * 5})
    _, scheduled, _ = hazards_by_days(
        made, units, {"F": 1000.0}, {"F": 0}, day, first=made["opened_on"].min(), draws=20, seed=0
    )
    rate = scheduled["F"].point[-1] / scheduled["F"].grid[-1]
    assert rate == pytest.approx(1 / (5 * 731), rel=0.6)  # the one that was scheduled, not ten


def test_a_graded_part_under_a_new_number_is_wanted_as_under_the_old() -> None:
    history = known()[0]
    uses = plain().uses
    graded = sorted(set(uses.loc[uses["keeps"] > 0, "part"]) & set(plain().parts))
    assert graded
    parts = history.parts.copy()
    renewed = parts[parts["part"].isin(graded)].assign(part=lambda rows: rows["part"] + "!")
    parts.loc[parts["part"].isin(graded), "replaced_by"] = parts["part"] + "!"
    after = forecast(parts=pd.concat([parts, renewed], ignore_index=True))
    for part in graded:
        assert mean_of(after.pmf(f"{part}!", "total")) == pytest.approx(mean_of(plain().pmf(part, "total")), rel=1e-9)


def test_a_part_without_a_use_is_left_to_the_series_and_says_so() -> None:
    history = known()[0]
    part = plain().parts[0]
    without = forecast(part_uses=history.part_uses[history.part_uses["part"] != part])
    assert without.method_of[part] in METHODS
    assert without.trace(part, "total")["reason"].str.startswith("series").all()


def test_without_issued_parts_the_findings_imply_the_pieces() -> None:
    history = known()[0]
    implied = forecast(issued_parts=history.issued_parts.iloc[:0])
    assert implied.past.from_findings
    shared = [p for p in plain().parts if mean_of(plain().pmf(p, "total")) > 3]
    ours = sum(mean_of(implied.pmf(p, "total")) for p in shared)
    # counter sales are missing from it, the rest is there
    assert 0.6 < ours / sum(mean_of(plain().pmf(p, "total")) for p in shared) < 1.1


def test_a_history_without_distances_still_gets_a_forecast() -> None:
    history, records, *_ = known()
    empty = {
        "odometers": history.odometers.iloc[:0], "fitments": history.fitments.iloc[:0],
        "vehicles": history.vehicles.iloc[:0],
        "teardowns": history.teardowns.assign(unit_mileage=np.nan, odometer=np.nan),
        "units": history.units.assign(first_seen_mileage=np.nan),
    }  # fmt: skip
    blind = dataclasses.replace(
        records,
        usage=records.usage.iloc[:0],
        units=records.units.assign(age=np.nan, mileage=np.nan),
        positions=records.positions.assign(age=np.nan, good_age=np.nan),
        teardowns=records.teardowns.assign(age=np.nan, mileage=np.nan),
        outcomes=records.outcomes.assign(age=np.nan, good_age=np.nan, unit_age=np.nan),
        lives=records.lives.iloc[:0],
        unit_lives=records.unit_lives.iloc[:0],
    )
    history_blind = dataclasses.replace(history, **empty)
    lives, units = fit_lives(blind.lives, history.components), fit_unit_lives(blind.unit_lives)
    rough = forecast_parts(blind, history_blind, lives, units, months=MONTHS, draws=40)
    assert sum(base.chances.failure.sum() for base in rough.bases.values()) > 1.0
    whole = sum(mean_of(rough.pmf(p, "total")) for p in rough.parts)
    best = sum(mean_of(plain().pmf(p, "total")) for p in plain().parts)
    assert 0.3 < whole / best < 3.0


def test_wrong_questions_are_answered_with_a_sentence() -> None:
    history, records, lives, units = known()
    with pytest.raises(UsageError, match="at least one month"):
        forecast_parts(records, history, lives, units, months=0)
    with pytest.raises(NothingToComputeError, match="parts"):
        forecast_parts(records, dataclasses.replace(history, parts=history.parts.iloc[:0]), lives, units)
    with pytest.raises(UsageError, match="not among the months"):
        plain().pmf(plain().parts[0], "2001-01")
    with pytest.raises(UsageError, match="no forecast for part"):
        plain().pmf("nonesuch", "total")
    with pytest.raises(UsageError, match="window"):
        plain().window(0.0, 9999.0)
    with pytest.raises(UsageError, match="Futures"):
        plain().futures(10, 9999.0, 1)
