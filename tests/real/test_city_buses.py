"""A real fleet through the whole job: the city buses of Rust (1987), Econometrica 55:999-1033.

The published tables, the reference fits (R survival and lifelines, see each test) and a forecast of the last 24 months
from what was known before. Ages follow from odometers alone: no mileage of an engine is given.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from rebuildstats import commands
from rebuildstats.demand.forecast import Forecast, forecast_parts
from rebuildstats.demand.sums import mean_of
from rebuildstats.fits.life import fit_lives, fit_unit_lives
from rebuildstats.fits.recurrence import mean_cumulative
from tests.real import city_buses
from tests.real.stores import loaded, pinball

pytestmark = pytest.mark.skipif(
    not city_buses.FOLDER.is_dir(), reason=f"the city buses are not in {city_buses.FOLDER}: they are never copied"
)

# 24 months before May 1985, the last month of (nearly) all readings
CUT, END = dt.date(1983, 5, 31), dt.date(1985, 5, 31)


@pytest.fixture(scope="module")
def fleet() -> list[city_buses.Bus]:
    return city_buses.buses()


@pytest.fixture(scope="module")
def pooled(fleet: list[city_buses.Bus], tmp_path_factory: pytest.TempPathFactory) -> Path:
    frames = city_buses.as_tables(fleet, family="bus engine")
    return loaded(frames, tmp_path_factory.mktemp("pooled"), "mi")


@pytest.fixture(scope="module")
def grouped(fleet: list[city_buses.Bus], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return loaded(city_buses.as_tables(fleet), tmp_path_factory.mktemp("grouped"), "mi")


def test_every_bus_of_the_eight_groups_is_there(fleet: list[city_buses.Bus]) -> None:
    assert len(fleet) == 162
    assert sum(len(bus.rebuilds) for bus in fleet) == 124


@pytest.mark.parametrize(
    ("group", "count", "mean", "sd"),
    [
        # Rust (1987), Table IIa, published as whole miles
        (3, 27, 199_733.33, 37_459.41),
        (4, 33, 257_336.36, 65_477.00),
        (7, 27, 208_962.96, 48_980.92),
        (8, 19, 186_700.00, 43_956.13),
        (None, 124, 216_354.03, 60_475.35),
    ],
)
def test_miles_at_rebuild_are_those_published(
    grouped: Path, group: int | None, count: int, mean: float, sd: float
) -> None:
    lives = commands.known(grouped).records.lives
    if group is not None:
        lives = lives[lives["family"] == f"group {group}"]
    rebuilt = lives[lives["lower_age"] == lives["upper_age"]]["lower_age"]
    assert len(rebuilt) == count
    assert rebuilt.mean() == pytest.approx(mean, abs=0.005)
    assert rebuilt.std() == pytest.approx(sd, abs=0.005)


@pytest.mark.parametrize(
    ("group", "count", "mean"),
    # Rust (1987), Table IIb: buses never rebuilt, last odometer
    [(1, 15, 100_116.67), (2, 4, 151_182.50), (3, 21, 250_766.43), (4, 5, 337_221.60)],
)
def test_miles_of_the_never_rebuilt_are_those_published(grouped: Path, group: int, count: int, mean: float) -> None:
    lives = commands.known(grouped).records.lives
    own = lives[(lives["family"] == f"group {group}") & (lives["number"] == 1) & lives["upper_age"].isna()]
    assert len(own) == count
    assert own["lower_age"].mean() == pytest.approx(mean, abs=0.005)


def _rival(rivals: pd.DataFrame, family: str, distribution: str) -> pd.Series:
    return rivals[(rivals["family"] == family) & (rivals["distribution"] == distribution)].iloc[0]


def test_the_pooled_fits_equal_the_reference(pooled: Path) -> None:
    """286 spells, 124 events, all groups; thousand miles in the reference (R survreg and lifelines)."""
    known = commands.known(pooled)
    assert len(known.records.lives) == 286
    fits = fit_lives(known.records.lives, known.history.components)
    assert fits.get("bus engine", "engine").events == 124
    in_miles = 124 * np.log(1000.0)  # 124 densities, each per mile in place of per thousand miles
    weibull = _rival(fits.rivals(), "bus engine", "weibull")
    assert weibull["scale"] == pytest.approx(265_677.89, rel=1e-5)
    assert weibull["shape"] == pytest.approx(3.935343, rel=1e-5)
    assert weibull["log_likelihood"] == pytest.approx(-735.872477 - in_miles, abs=1e-5)
    assert weibull["b10"] == pytest.approx(149_972.128, rel=1e-5)
    lognormal = _rival(fits.rivals(), "bus engine", "lognormal")
    assert np.log(lognormal["scale"] / 1000) == pytest.approx(5.4454134, rel=1e-5)
    assert lognormal["shape"] == pytest.approx(0.3226665, rel=1e-5)
    assert lognormal["log_likelihood"] == pytest.approx(-733.233872 - in_miles, abs=1e-5)


def test_the_answer_lies_by_the_better_reference_fit(pooled: Path) -> None:
    """With 124 events the shared prior has nothing to add: the answer is that of the best distribution, nearly."""
    known = commands.known(pooled)
    fit = fit_lives(known.records.lives, known.history.components).get("bus engine", "engine")
    assert fit.distribution == "lognormal"
    assert fit.median == pytest.approx(1000 * np.exp(5.4454134), rel=0.02)
    assert fit.shrinkage < 0.05
    assert fit.b10_lower < 149_972 < fit.b10_upper


@pytest.mark.parametrize(("group", "scale", "shape"), [(3, 264_270.63, 4.632042), (4, 302_633.38, 4.472398)])
def test_the_fits_of_a_group_equal_the_reference(grouped: Path, group: int, scale: float, shape: float) -> None:
    """Weibull, thousand miles in the reference (R survreg and lifelines)."""
    known = commands.known(grouped)
    rivals = fit_lives(known.records.lives, known.history.components).rivals()
    weibull = _rival(rivals, f"group {group}", "weibull")
    assert weibull["scale"] == pytest.approx(scale, rel=1e-5)
    assert weibull["shape"] == pytest.approx(shape, rel=1e-5)


def test_entering_late_is_allowed_for(fleet: list[city_buses.Bus], tmp_path: Path) -> None:
    """The same engines first seen, used, with the first reading: left-truncated there (R survival and lifelines)."""
    frames = city_buses.as_tables(fleet, family="bus engine", entered_late=True)
    known = commands.known(loaded(frames, tmp_path, "mi"))
    assert (known.records.lives["entry_age"] > 0).sum() == 162
    rivals = fit_lives(known.records.lives, known.history.components).rivals()
    weibull = _rival(rivals, "bus engine", "weibull")
    assert weibull["scale"] == pytest.approx(263_250.32, rel=1e-5)
    assert weibull["shape"] == pytest.approx(3.792605, rel=1e-5)
    assert weibull["log_likelihood"] == pytest.approx(-731.782264 - 124 * np.log(1000.0), abs=1e-5)


def test_an_engines_life_is_its_units_life_where_it_has_one_component(pooled: Path) -> None:
    records = commands.known(pooled).records
    ages = ["unit", "number", "entry_age", "lower_age", "upper_age", "opened_by", "closed_by"]
    ours = records.lives[ages].sort_values(["unit", "number"], ignore_index=True)
    units = records.unit_lives[ages].sort_values(["unit", "number"], ignore_index=True)
    pd.testing.assert_frame_equal(ours, units, check_dtype=False)


def test_rebuilds_per_bus_by_miles(pooled: Path) -> None:
    """Mean cumulative function over the bus's own miles, groups 1 to 8 (Nelson's estimate, worked from the data)."""
    records = commands.known(pooled).records
    events = records.teardowns[["unit", "mileage"]].rename(columns={"mileage": "age"})
    watched = records.units[["unit", "mileage"]].rename(columns={"mileage": "end"})
    mean, _ = mean_cumulative(events, watched).at([150_000, 200_000, 250_000, 300_000, 350_000])
    assert mean == pytest.approx([0.094508, 0.290665, 0.541560, 0.823823, 0.999266], abs=2e-6)


def _forecast(store: Path) -> Forecast:
    known = commands.known(store, as_of=CUT)
    lives = fit_lives(known.records.lives, known.history.components)
    units = fit_unit_lives(known.records.unit_lives)
    return forecast_parts(known.records, known.history, lives, units, months=24, seed=1)


@pytest.fixture(scope="module", params=["pooled", "grouped"])
def ahead(request: pytest.FixtureRequest) -> Forecast:
    return _forecast(request.getfixturevalue(request.param))


@pytest.fixture(scope="module")
def rebuilt_in(fleet: list[city_buses.Bus]) -> Callable[[str], int]:
    days = pd.Series([pd.Timestamp(day) for bus in fleet for day, _ in bus.rebuilds if CUT < day <= END])
    counts = days.dt.to_period("M").astype(str).value_counts()
    return lambda month: len(days) if month == "total" else int(counts.get(month, 0))


def test_what_was_known_before_holds_nothing_later(pooled: Path) -> None:
    known = commands.known(pooled, as_of=CUT)
    assert known.history.odometers["read_on"].max() == pd.Timestamp(CUT)
    assert known.history.teardowns["opened_on"].max() <= pd.Timestamp(CUT)
    assert len(known.history.teardowns) == 87


def test_the_last_24_months_are_forecast_from_what_was_known_before(
    ahead: Forecast, rebuilt_in: Callable[[str], int]
) -> None:
    """37 engines were rebuilt in those months; the moving average of the months before says 30.

    All groups as one family: mean 37; each group by itself, most with few rebuilds by then: mean 36.
    """
    assert rebuilt_in("total") == 37
    total = ahead.pmf(city_buses.PART, "total")
    cumulated = np.cumsum(total)
    assert np.searchsorted(cumulated, 0.05) <= 37 <= np.searchsorted(cumulated, 0.95)
    assert abs(mean_of(total) - 37) <= 4
    average = ahead.pmf(city_buses.PART, "total", "moving average")
    assert mean_of(average) == pytest.approx(30, abs=1)


def test_the_forecast_beats_the_moving_average(ahead: Forecast, rebuilt_in: Callable[[str], int]) -> None:
    """Pinball loss of the total and, over the 24 months, of each month; lower is better."""

    def loss(method: str) -> tuple[float, float]:
        months = [pinball(ahead.pmf(city_buses.PART, m, method), rebuilt_in(str(m))) for m in ahead.months]
        return pinball(ahead.pmf(city_buses.PART, "total", method), rebuilt_in("total")), float(np.mean(months))

    total, by_month = loss("installed base")
    average_total, average_by_month = loss("moving average")
    assert total < 0.75 * average_total
    assert by_month < average_by_month
