"""Do a fleet's units get worse with age? Trend tests and the power-law process over many units at once.

Units may differ in how often they fail: everything here is conditional on each unit's own number of failures, so that
only where in its time they fell counts. Under no trend they are even over the time a unit was watched. Sources: Laplace
test for several systems (Ascher & Feingold 1984, ch. 5; Kvaloy & Lindqvist 1998, Technometrics 40:115); Military
Handbook test for several systems (MIL-HDBK-189; Rigdon & Basu 2000, ch. 5); power-law process conditional on counts
(Crow 1974). With one unit watched from age 0 they are `trends.laplace_test`, `military_handbook_test` and
`fit_power_law`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import optimize, stats

from rebuildstats.fits.rows import numbers, texts
from rebuildstats.fits.trends import TrendTest

Array = npt.NDArray[np.float64]
FEWEST = 3
SIMULATIONS = 300
_SHAPES = (0.02, 50.0)


@dataclass(frozen=True, slots=True)
class Watched:
    """Failures and the spell of watching each fell in. age, entry, end: one of each per failure."""

    age: Array
    entry: Array
    end: Array

    def __len__(self) -> int:
        return len(self.age)


@dataclass(frozen=True, slots=True)
class FleetShape:
    """Power-law shape common to all units (above 1: more failures as mileage adds up), likelihood-ratio limits, and the
    chance of so bad a fit of the form (Cramer-von Mises, by simulation)."""

    shape: float
    lower: float
    upper: float
    fit_p: float
    events: int


def watched(events: pd.DataFrame, spells: pd.DataFrame) -> Watched:
    """Each event (unit, age) with the spell (unit, entry, end) it fell in; events in no spell are left out."""
    left = pd.DataFrame({"unit": texts(events["unit"]), "age": numbers(events["age"])})
    right = pd.DataFrame(
        {"unit": texts(spells["unit"]), "entry": np.nan_to_num(numbers(spells["entry"])), "end": numbers(spells["end"])}
    )
    both = left.reset_index().merge(right, on="unit")
    both = both[(both["age"] > both["entry"]) & (both["age"] <= both["end"]) & (both["age"] > 0)]
    both = both.drop_duplicates("index")
    return Watched(numbers(both["age"]), numbers(both["entry"]), numbers(both["end"]))


def fleet_laplace(seen: Watched) -> TrendTest | None:
    """Laplace's test over all units: positive for failures that crowd late. None with fewer than 3 failures."""
    if len(seen) < FEWEST:
        return None
    width = seen.end - seen.entry
    z = float((seen.age - (seen.entry + seen.end) / 2).sum() / np.sqrt((width**2).sum() / 12))
    return TrendTest(z, 0, float(stats.norm.sf(z)), float(stats.norm.cdf(z)), len(seen))


def fleet_military_handbook(seen: Watched) -> TrendTest | None:
    """2 sum ln(end / age) on 2n degrees of freedom, of the units watched from age 0: small for worse. None with fewer
    than 3 failures."""
    new = seen.entry <= 0
    n = int(new.sum())
    if n < FEWEST:
        return None
    chi2 = float(2 * np.log(seen.end[new] / seen.age[new]).sum())
    p_better = float(stats.chi2.sf(chi2, 2 * n))
    return TrendTest(chi2, 2 * n, 1 - p_better, p_better, n)


def fleet_shape(
    seen: Watched, level: float = 0.90, *, simulations: int = SIMULATIONS, seed: int = 0
) -> FleetShape | None:
    """The power-law shape by conditional maximum likelihood; None with fewer than 3 failures."""
    n = len(seen)
    if n < FEWEST:
        return None
    # on the scale of each unit's end: ages 0 to 1
    age, entry = seen.age / seen.end, seen.entry / seen.end
    shape = float(_best_shape(np.log(age)[None, :], entry)[0])
    peak = _log_likelihood(shape, np.log(age), entry)
    drop = float(stats.chi2.ppf(level, 1)) / 2

    def below(log_shape: float) -> float:
        return _log_likelihood(float(np.exp(log_shape)), np.log(age), entry) - peak + drop

    at, (low, high) = np.log(shape), np.log(_SHAPES)
    lower = float(np.exp(optimize.brentq(below, low, at))) if below(low) < 0 else 0.0
    upper = float(np.exp(optimize.brentq(below, at, high))) if below(high) < 0 else np.inf
    statistic = _misfit(np.log(age)[None, :], entry, np.array([shape]))[0]
    rng = np.random.default_rng(seed)
    floor = entry**shape
    simulated = np.log(floor + rng.uniform(size=(simulations, n)) * (1 - floor)) / shape
    again = _best_shape(simulated, entry)
    p = float((1 + (_misfit(simulated, entry, again) >= statistic).sum()) / (simulations + 1))
    return FleetShape(shape, lower, upper, p, n)


def _log_likelihood(shape: float, log_age: Array, entry: Array) -> float:
    """Of ages with density shape t^(shape - 1) / (1 - entry^shape) on (entry, 1)."""
    return float((np.log(shape) + (shape - 1) * log_age - np.log1p(-(entry**shape))).sum())


def _best_shape(log_age: Array, entry: Array) -> Array:
    """The shape of each row of `log_age` (rows, n), by bisection of the score, which falls with the shape."""
    total, n = log_age.sum(axis=1), log_age.shape[1]
    late = entry[entry > 0]
    log_late = np.log(late)
    low, high = (np.full(len(total), np.log(s)) for s in _SHAPES)
    for _ in range(40):
        middle = (low + high) / 2
        b = np.exp(middle)
        score = n / b + total
        if len(late):
            power = late[None, :] ** b[:, None]
            score += (power * log_late / (1 - power)).sum(axis=1)
        low, high = np.where(score > 0, middle, low), np.where(score > 0, high, middle)
    return np.asarray(np.exp((low + high) / 2))


def _misfit(log_age: Array, entry: Array, shape: Array) -> Array:
    """Cramer-von Mises distance of the ages' fitted positions from even ones, a row each."""
    floor = entry[None, :] ** shape[:, None]
    position = np.sort((np.exp(log_age * shape[:, None]) - floor) / (1 - floor), axis=1)
    n = position.shape[1]
    return np.asarray(1 / (12 * n) + ((position - (2 * np.arange(1, n + 1) - 1) / (2 * n)) ** 2).sum(axis=1))


def exposure(spells: pd.DataFrame) -> float:
    """Distance watched in all."""
    return float(np.maximum(numbers(spells["end"]) - np.nan_to_num(numbers(spells["entry"])), 0.0).sum())
