"""A fitted life as a table of cumulative hazard over age: its mean over the draws, and the draws, on one grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rebuildstats.demand.sums import Array

NODES = 192
_SURE = 6.0  # beyond this cumulative hazard all have failed; more of it must not pull the mean of the draws


class Survival(Protocol):
    """Draws of a life's survival."""

    def log_survival(self, age: Array) -> Array: ...


class Fit(Protocol):
    """What is asked of a fitted life (`fits.draws`)."""

    events: float
    exposure: float

    def chance(self, age: Array) -> Array: ...
    def draws(self, n: int, seed: int) -> Survival: ...


def chance_ahead(fit: Fit, age: ArrayLike, ahead: float) -> Array:
    """Chance to fail within `ahead` more distance of what has run `age` and is still good: (F(a + x) - F(a)) / (1 -
    F(a)).

    Escobar & Meeker (1999, Technometrics 41:23), the rho of a fleet's prediction. age: (n,). Returns (n,).
    """
    a = np.asarray(age, dtype=float)
    before = np.asarray(fit.chance(a), dtype=float)
    gone = np.asarray(fit.chance(a + ahead), dtype=float) - before
    return np.asarray(gone / np.maximum(1.0 - before, 1e-300))


@dataclass(frozen=True, slots=True)
class Hazard:
    """Cumulative hazard on a grid of ages from 0: `grid` (G,), `point` (G,) the mean of the `draws` (D, G); `rate`: events over
    exposure, for what is of unknown age."""

    grid: Array
    point: Array
    draws: Array
    rate: float

    def cumulative(self, age: Array) -> Array:
        """Cumulative hazard at ages of any shape; NaN where the age is."""
        return np.asarray(np.interp(age, self.grid, self.point))

    def between(self, start: Array, end: Array) -> Array:
        """Hazard gathered from one age to a later one; by the mean rate where the start is unknown."""
        gone = self.cumulative(end) - self.cumulative(start)
        return np.maximum(np.where(np.isnan(gone), self.rate * np.maximum(end - start, 0.0), gone), 0.0)

    def density(self, age: Array) -> Array:
        """Hazard per distance at ages; the mean rate where unknown."""
        step = np.diff(self.point) / np.diff(self.grid)
        at = np.clip(np.searchsorted(self.grid, age, side="right") - 1, 0, step.size - 1)
        return np.where(np.isnan(age), self.rate, step[at])

    def nodes(self, age: Array, weight: Array) -> Array:
        """Weights (G,) on the grid so that `draws @ nodes` is the sum of weight x cumulative hazard, per draw."""
        known = np.isfinite(age) & (weight != 0)
        a, w = np.clip(age[known], self.grid[0], self.grid[-1]), weight[known]
        at = np.clip(np.searchsorted(self.grid, a, side="right") - 1, 0, self.grid.size - 2)
        part = (a - self.grid[at]) / (self.grid[at + 1] - self.grid[at])
        return np.asarray(
            np.bincount(at, w * (1.0 - part), self.grid.size) + np.bincount(at + 1, w * part, self.grid.size)
        )


def age_grid(top: float, nodes: int = NODES) -> Array:
    """Ages from 0 to `top`, closer together at the young end."""
    return np.asarray(max(top, 1e-9) * np.linspace(0.0, 1.0, nodes) ** 1.3)


def tabulate(fit: Any, top: float, draws: int, seed: int, exposure: float = 0.0) -> Hazard:
    """Table of a fitted life up to age `top`.

    A fit that cannot say (no draws of its own) is a constant rate with a Jeffreys posterior, Gamma(events + 1/2,
    exposure); `exposure` stands in where the fit has none.
    """
    grid = age_grid(top)
    events = float(getattr(fit, "events", 0.0) or 0.0)
    run = float(getattr(fit, "exposure", 0.0) or 0.0) or exposure
    chance = np.full(grid.size, np.nan) if fit is None else np.asarray(fit.chance(grid), dtype=float)
    if fit is None or np.isnan(chance).all():
        return constant_rate(events, max(run, top), grid, draws, seed)
    gathered = -np.asarray(fit.draws(draws, seed).log_survival(grid), dtype=float)
    drawn = _rising(np.nan_to_num(gathered, posinf=1e3))
    point = np.minimum(drawn, _SURE).mean(axis=0)
    return Hazard(grid, point, drawn, events / run if events and run else float(point[-1] / grid[-1]))


def constant_rate(events: float, exposure: float, grid: Array, draws: int, seed: int) -> Hazard:
    """A memoryless life: (events + 1/2) / exposure, drawn from Gamma(events + 1/2, exposure)."""
    shape = events + 0.5
    rates = np.random.default_rng(seed).gamma(shape, 1.0 / exposure, draws)
    rate = shape / exposure
    return Hazard(grid, rate * grid, rates[:, None] * grid[None, :], rate)


def _rising(hazard: Array) -> Array:
    return np.asarray(np.maximum.accumulate(np.clip(hazard, 0.0, 1e3), axis=-1))


def ratio_to_point(hazard: Hazard, nodes: NDArray[np.float64], limit: tuple[float, float] = (0.05, 8.0)) -> Array:
    """Each draw's expected events over the draws' own mean: (D, ...) for nodes (G, ...). 1 where nothing is
    expected."""
    expected = hazard.draws @ nodes
    mean = expected.mean(axis=0)
    return np.clip(np.where(mean > 1e-12, expected / np.where(mean > 1e-12, mean, 1.0), 1.0), *limit)
