"""Ages at first sight that nobody knew: filled in from what such positions did since, against drawn fleets."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from rebuildstats.demand.first_sight import with_ages_at_first_sight
from rebuildstats.demand.hazards import Hazard
from rebuildstats.life_records.records import Records

SCALE, SHAPE, OLDEST = 300.0, 2.5, 600.0
GRID = np.linspace(0.0, 2000.0, 400)
COMPONENTS = pd.DataFrame({"family": "F", "component": ["seal", "gear"], "shows": ["in_service", "at_teardown"]})
NONE = pd.DataFrame()


def weibull() -> Hazard:
    return Hazard(GRID, (GRID / SCALE) ** SHAPE, ((GRID / SCALE) ** SHAPE)[None, :], 1.0 / 266.0)


def fleet(rng: np.random.Generator, limit: float, units: int = 400) -> tuple[Records, np.ndarray]:
    """Units first seen with seals of an age even between 0 and `limit`, run for up to 200; and their true ages today
    (NaN for a seal that failed on the way and is new)."""
    before = rng.uniform(0.0, limit, units)
    run = rng.uniform(50.0, 200.0, units)
    life = SCALE * ((before / SCALE) ** SHAPE + rng.exponential(size=units)) ** (1.0 / SHAPE) - before
    failed = life < run
    names = [f"U{i}" for i in range(units)]
    place = {"family": "F", "component": "seal", "position": 1}
    jobs = {
        "job": [f"J{i}" for i in np.flatnonzero(failed)],
        "unit": [names[i] for i in np.flatnonzero(failed)],
        "opened_on": pd.Timestamp("2024-01-01"),
        "mileage": 1000.0 + life[failed],
        "age": np.nan,
        "good_age": np.nan,
        "verdict": "fail",
        "role": "cause",
        "renewed": True,
        "failed_before": False,
    }
    today = pd.DataFrame({"unit": names, "age": np.where(failed, run - life, np.nan), "good_age": np.nan} | place)
    records = Records(
        as_of=date(2025, 1, 1),
        distance="km",
        lives=NONE,
        unit_lives=pd.DataFrame(
            {"unit": names, "family": "F", "number": 1, "opened_mileage": 1000.0, "entry_age": np.nan}
        ),
        teardowns=NONE,
        outcomes=pd.DataFrame(jobs | place),
        inspections=NONE,
        units=pd.DataFrame({"unit": names, "family": "F", "origin": "used", "mileage": 1000.0 + run}),
        positions=today.assign(first_life=~failed),
        usage=NONE,
        counts=NONE,
    )
    return records, np.where(failed, np.nan, before + run)


@pytest.mark.parametrize("limit", [60.0, 250.0])
def test_expected_ages_are_right_on_average_whatever_the_fleet_was_like(limit: float) -> None:
    records, true = fleet(np.random.default_rng(5), limit)
    filled = with_ages_at_first_sight(records, COMPONENTS, {("F", "seal"): weibull()}, {"F": OLDEST}).positions
    unknown = np.isfinite(true)
    found = filled["age"].to_numpy()
    assert np.isfinite(found).all()
    # the fleet's own limit is learnt from some tens of failures
    assert found[unknown].mean() == pytest.approx(true[unknown].mean(), rel=0.12)
    inside = (filled["age_lower"] <= true) & (true <= filled["age_upper"])
    assert inside[unknown].mean() == pytest.approx(0.9, abs=0.05)
    ahead = weibull()
    due, truly = ((ahead.cumulative(a + 80.0) - ahead.cumulative(a)).sum() for a in (found[unknown], true[unknown]))
    assert due == pytest.approx(truly, rel=0.25)


def test_what_is_known_stays_as_it_is_and_what_cannot_be_known_stays_unknown() -> None:
    records, true = fleet(np.random.default_rng(6), 250.0, units=60)
    units = records.units.assign(mileage=records.units["mileage"].where(records.units["unit"] != "U0"))
    changed = Records(**{**{n: getattr(records, n) for n in Records.__slots__}, "units": units})
    filled = with_ages_at_first_sight(changed, COMPONENTS, {("F", "seal"): weibull()}, {"F": OLDEST})
    known = np.isnan(true)
    assert known.any()
    assert filled.positions["age"][known].tolist() == records.positions["age"][known].tolist()
    assert np.isnan(filled.positions["age"].iloc[0]) == (not known[0])
    assert list(filled.positions.columns) == [*records.positions.columns, "age_lower", "age_upper"]
    for end in ("age_lower", "age_upper"):
        assert np.isfinite(filled.positions[end]).tolist() == [bool(i and not k) for i, k in enumerate(known)]
    assert list(filled.outcomes.columns) == list(records.outcomes.columns)
    # at a teardown a seal is at least as old as what it ran since first sight
    run = filled.outcomes["mileage"] - 1000.0
    assert (filled.outcomes["age"] >= run).all()


def test_what_a_look_found_good_is_younger_than_what_was_never_looked_at() -> None:
    rows = {"family": "F", "component": "gear", "position": 1, "renewed": False, "role": None, "age": np.nan}
    looks = pd.DataFrame(
        {
            "job": ["A", "B"], "unit": ["looked", "looked"], "good_age": np.nan, "verdict": ["ok", "ok"],
            "opened_on": pd.to_datetime(["2024-01-01", "2024-06-01"]), "mileage": [400.0, 500.0],
            "failed_before": False,
        } | rows
    )  # fmt: skip
    names = ["looked", "never"]
    base, _ = fleet(np.random.default_rng(7), 100.0, units=1)
    records = Records(
        **{
            **{n: getattr(base, n) for n in Records.__slots__},
            "unit_lives": pd.DataFrame(
                {"unit": names, "family": "F", "number": 1, "opened_mileage": 0.0, "entry_age": np.nan}
            ),
            "outcomes": looks,
            "units": pd.DataFrame({"unit": names, "family": "F", "origin": "used", "mileage": 500.0}),
            "positions": pd.DataFrame({"unit": names, "good_age": np.nan, "first_life": True} | rows),
        }
    )
    filled = with_ages_at_first_sight(records, COMPONENTS, {("F", "gear"): weibull()}, {"F": 1500.0})
    looked, never = filled.positions["age"]
    assert 500.0 < looked < never
    assert filled.positions["good_age"].tolist() == pytest.approx([looked, 0.0])
    # each teardown knows of the looks before it only
    assert filled.outcomes["good_age"].iloc[0] == 0.0
    assert filled.outcomes["age"].iloc[1] - filled.outcomes["good_age"].iloc[1] == pytest.approx(100.0)


def opened_once(rng: np.random.Generator, limit: float, origin: str, units: int = 600) -> tuple[Records, np.ndarray]:
    """Units with gears of an age even between 0 and `limit` at first sight, each opened once on the way, and the true
    ages then; a rebuilt one's gear was good at first sight, a used one's may have been bad."""
    before, run = rng.uniform(0.0, limit, units), rng.uniform(50.0, 200.0, units)
    good = (before / SCALE) ** SHAPE if origin == "rebuilt" else 0.0
    life = SCALE * (good + rng.exponential(size=units)) ** (1.0 / SHAPE)
    names = [f"U{i}" for i in range(units)]
    place = {"unit": names, "family": "F", "component": "gear", "position": 1, "age": np.nan, "good_age": np.nan}
    looks = {
        "job": [f"J{i}" for i in range(units)],
        "opened_on": pd.Timestamp("2024-01-01"),
        "mileage": 1000.0 + run,
        "verdict": np.where(life < before + run, "fail", "ok"),
        "role": None,
        "renewed": life < before + run,
        "failed_before": False,
    }
    base, _ = fleet(np.random.default_rng(0), limit, units=1)
    tables = {
        "unit_lives": pd.DataFrame(
            {"unit": names, "family": "F", "number": 1, "opened_mileage": 1000.0, "entry_age": np.nan}
        ),
        "outcomes": pd.DataFrame(place | looks),
        "units": pd.DataFrame({"unit": names, "family": "F", "origin": origin, "mileage": 1000.0 + run}),
        "positions": pd.DataFrame(place | {"first_life": life >= before + run}),
    }
    return Records(**({n: getattr(base, n) for n in Records.__slots__} | tables)), before + run


@pytest.mark.parametrize("origin", ["rebuilt", "used"])
@pytest.mark.parametrize("limit", [80.0, 300.0])
def test_looks_at_what_hides_until_a_teardown_tell_how_old_it_was(limit: float, origin: str) -> None:
    records, true = opened_once(np.random.default_rng(8), limit, origin)
    filled = with_ages_at_first_sight(records, COMPONENTS, {("F", "gear"): weibull()}, {"F": OLDEST}).outcomes
    assert filled["age"].mean() == pytest.approx(true.mean(), rel=0.1)
    # so many finds as there were are what the ages and the last looks expect
    good = filled["good_age"].to_numpy()
    due = -np.expm1(weibull().cumulative(good) - weibull().cumulative(filled["age"].to_numpy()))
    assert due.sum() == pytest.approx((filled["verdict"] == "fail").sum(), rel=0.12)


def test_what_was_in_a_rebuilt_unit_was_good_at_first_sight() -> None:
    for origin in ("rebuilt", "used"):
        records, _ = opened_once(np.random.default_rng(9), 200.0, origin, units=50)
        filled = with_ages_at_first_sight(records, COMPONENTS, {("F", "gear"): weibull()}, {"F": OLDEST}).outcomes
        run = records.outcomes["mileage"] - 1000.0
        known_good = filled["age"] - run if origin == "rebuilt" else 0.0 * run
        assert filled["good_age"].to_numpy() == pytest.approx(known_good.to_numpy())
