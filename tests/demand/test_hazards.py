"""Chances ahead: the published prediction for a fleet, and the memoryless case."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from rebuildstats.demand.hazards import chance_ahead, constant_rate, tabulate
from rebuildstats.demand.sums import mean_of, poisson_binomial, quantiles_of, sd_of
from rebuildstats.fits.results import CannotSay

# L7: bearing cages, 1,703 units, 6 failures (Abernethy 1983; Meeker & Escobar 1998, ex. 8.16; data from memory)
HOURS = [50, 150, 250, 350, 450, 550, 650, 750, 850, 950, 1050, 1150, 1250, 1350, 1450, 1550, 1650, 1850, 2050]
UNITS = [288, 148, 124, 111, 106, 99, 110, 114, 119, 127, 123, 93, 47, 41, 27, 11, 6, 1, 2]
# D6: chance of each age group to fail in the next 300 h (Escobar & Meeker 1999; R and lifelines with convolution)
RHO = [
    0.000763, 0.001158, 0.001559, 0.001963, 0.002370, 0.002779, 0.003190, 0.003603, 0.004017, 0.004433, 0.004849,
    0.005267,    0.005686, 0.006106, 0.006526, 0.006947, 0.007369, 0.008215, 0.009063,
]  # fmt: skip


@dataclass(frozen=True)
class Weibull:
    """A known life."""

    scale: float
    shape: float
    events: float = 6.0
    exposure: float = 1.0

    def chance(self, age: np.ndarray) -> np.ndarray:
        return -np.expm1(-((np.asarray(age, float) / self.scale) ** self.shape))

    def draws(self, n: int, seed: int) -> Weibull:
        return self

    def log_survival(self, age: np.ndarray) -> np.ndarray:
        return np.repeat(-((age / self.scale) ** self.shape)[None, :], 7, axis=0)


BEARING_CAGE = Weibull(11792.178, 2.0353186)


def test_bearing_cages_next_300_hours() -> None:
    rho = chance_ahead(BEARING_CAGE, HOURS, 300.0)
    assert rho == pytest.approx(RHO, abs=6e-7)  # printed to six decimals
    pmf = poisson_binomial(np.repeat(rho, UNITS))
    assert sum(UNITS) == 1697
    assert mean_of(pmf) == pytest.approx(5.058209, abs=1e-5)
    first = [0.00629277, 0.03195802, 0.08108565, 0.13704805, 0.17358757, 0.17575590]
    assert pmf[:6] == pytest.approx(first, abs=1e-7)
    assert quantiles_of(pmf, [0.05, 0.5, 0.95, 0.99]) == [2, 5, 9, 11]
    assert sd_of(pmf) == pytest.approx(2.244545, abs=1e-5)


def test_the_table_of_hazards_gives_the_same_prediction() -> None:
    table = tabulate(BEARING_CAGE, 3000.0, 7, 0)
    age = np.array(HOURS, dtype=float)
    gathered = table.cumulative(age + 300.0) - table.cumulative(age)
    assert -np.expm1(-gathered) @ np.array(UNITS) == pytest.approx(
        5.058209, rel=2e-4
    )  # straight lines between 192 ages
    assert table.drawn(age)[3] == pytest.approx(table.cumulative(age))


def test_bearing_cage_fit_of_our_own_gives_the_published_prediction() -> None:
    from rebuildstats.fits.life import fit_lives

    failed = [230, 334, 423, 990, 1009, 1510]
    rows = pd.DataFrame(
        {
            "family": "cage", "component": "cage", "entry_age": 0.0,
            "lower_age": [*map(float, failed), *map(float, HOURS)],
            "upper_age": [*map(float, failed), *[np.nan] * len(HOURS)], "weight": [1.0] * 6 + [float(n) for n in UNITS],
        }
    )  # fmt: skip
    components = pd.DataFrame({"family": ["cage"], "component": ["cage"], "group": ["bearing"]})
    fits = fit_lives(rows, components)
    weibull = next(r for r in fits.get("cage", "cage").rivals if r.distribution == "weibull")
    # to 1e-3: the prediction is linear in the fit, whose own test holds it to 1e-5
    assert mean_of(
        poisson_binomial(np.repeat(chance_ahead(Weibull(weibull.scale, weibull.shape), HOURS, 300.0), UNITS))
    ) == pytest.approx(5.058209, rel=1e-3)


def test_memoryless_lives_forget_their_age() -> None:
    # D7: 20 units, rate 1/1000, next 100
    life = Weibull(1000.0, 1.0)
    rho = chance_ahead(life, np.linspace(0, 5000, 20), 100.0)
    assert rho == pytest.approx(np.full(20, 0.0951625820), abs=1e-9)
    expected = [0.1353352832, 0.2846667197, 0.2844172725, 0.1794745540]
    assert poisson_binomial(rho)[:4] == pytest.approx(expected, abs=1e-9)


def test_an_unknown_age_runs_at_the_mean_rate() -> None:
    table = constant_rate(3.0, 1000.0, np.linspace(0.0, 500.0, 20), 50, 1)
    assert table.rate == pytest.approx(3.5 / 1000.0)  # Jeffreys: events + 1/2
    assert table.draws[:, -1].mean() == pytest.approx(3.5 / 2.0, rel=0.15)
    age = np.array([np.nan, 100.0])
    assert table.between(age, age + 50.0)[1] == pytest.approx(3.5 / 20.0)
    assert table.density(age)[0] == pytest.approx(table.rate)


def test_a_life_of_which_nothing_can_be_said_still_has_a_rate() -> None:
    table = tabulate(CannotSay("f", "c", "no life of it is known"), 100.0, 40, 0, 5000.0)
    assert table.rate == pytest.approx(0.5 / 5000.0)
    assert np.isfinite(table.draws).all()
    assert stats.variation(table.draws[:, -1]) > 0.5  # half an event: hardly known
