"""A fitted life as a table of cumulative hazard over age: the point estimate and the draws on one grid."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rebuildstats.demand.sums import Array

NODES = 192


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
    """Cumulative hazard on a grid of ages from 0: `grid` (G,), `point` (G,), `draws` (D, G); `rate`: events over
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

    def drawn(self, age: Array) -> Array:
        """Cumulative hazard of every draw at ages of any shape: (D, ...). An unknown age gives NaN."""
        a = np.clip(age, self.grid[0], self.grid[-1])
        at = np.clip(np.searchsorted(self.grid, a, side="right") - 1, 0, self.grid.size - 2)
        part = (a - self.grid[at]) / (self.grid[at + 1] - self.grid[at])
        return np.asarray(self.draws[:, at] * (1.0 - part) + self.draws[:, at + 1] * part)


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
    point = _rising(-np.log1p(-np.clip(chance, 0.0, 1.0 - 1e-12)))
    return Hazard(grid, point, drawn, events / run if events and run else float(point[-1] / grid[-1]))


def constant_rate(events: float, exposure: float, grid: Array, draws: int, seed: int) -> Hazard:
    """A memoryless life: (events + 1/2) / exposure, drawn from Gamma(events + 1/2, exposure)."""
    shape = events + 0.5
    rates = np.random.default_rng(seed).gamma(shape, 1.0 / exposure, draws)
    rate = shape / exposure
    return Hazard(grid, rate * grid, rates[:, None] * grid[None, :], rate)


def _rising(hazard: Array) -> Array:
    return np.asarray(np.maximum.accumulate(np.clip(hazard, 0.0, 1e3), axis=-1))


def checkpoints(intervals: int) -> NDArray[np.int64]:
    """Edges of a calendar at which draws are compared: what moves from draw to draw moves slowly over the months."""
    return np.unique(np.round(np.linspace(0, intervals, min(intervals, 4) + 1)).astype(np.int64))


def sample(units: int, most: int = 400) -> NDArray[np.int64]:
    """Every unit, or evenly spread ones of a large fleet: ratios of a fleet's expected numbers need no more."""
    return (
        np.unique(np.linspace(0, units - 1, min(units, most)).round().astype(np.int64)) if units else np.zeros(0, int)
    )


def relative_by_interval(drawn: Array, point: Array, stops: NDArray[np.int64]) -> Array:
    """Each draw's expected number over the point estimate's, (D, K): drawn (D, T), point (T,) cumulated at `stops`.

    Near 1 where next to nothing is expected.
    """
    by_draw, by_point = np.diff(drawn, axis=1), np.diff(point)
    ratio = (by_draw + 0.05) / (by_point + 0.05)
    return np.repeat(ratio, np.diff(stops), axis=1)
