"""Draws of a life's survival: the joint uncertainty of a fit as whole curves, for the forecast to use."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import logsumexp

from rebuildstats.fits.distributions import BY_NAME, Floats
from rebuildstats.fits.likelihood import Ints

# From this many ages on, survival is read off a table of this many points; log ages beyond +-_OUTSIDE are 0 or
# infinity.
_TABLE_FROM: Final = 4096
_TABLE: Final = 2048
_OUTSIDE: Final = 900.0
_UNSEEN: Final = -2  # a level that the fit has not seen; -1 is its yardstick


class Life(Protocol):
    """What demand needs of anything fitted."""

    @property
    def family(self) -> str: ...
    @property
    def component(self) -> str | None: ...
    @property
    def events(self) -> float: ...

    def chance(self, age: Floats, covariates: pd.DataFrame | None = None) -> Floats: ...
    def draws(self, n: int, seed: int) -> LifeDraws: ...


@dataclass(frozen=True, slots=True)
class Effects:
    """Shifts of log age by covariates, measured from the fleet's own mix of their levels.

    `columns[name][level]`: the place of a level's shift in the vector of effects (-1: the yardstick, no shift of its
    own); `mean`, `covariance` of that vector; `centre`: the mix's mean design, taken off every design; `mix_share`,
    `mix_design`: the shares of the combinations of levels in the fleet and their designs (less the centre).
    """

    columns: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    mean: Floats = field(default_factory=lambda: np.zeros(0))
    covariance: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    centre: Floats = field(default_factory=lambda: np.zeros(0))
    mix_share: Floats = field(default_factory=lambda: np.ones(1))
    mix_design: Floats = field(default_factory=lambda: np.zeros((1, 0)))

    @property
    def none(self) -> bool:
        """True where no covariate is used."""
        return len(self.mean) == 0

    def design(self, covariates: pd.DataFrame | None, rows: int) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """Design (rows, effects), and which rows are fully known; an unseen or missing level makes a row the mix
        (0).
        """
        known = np.full(rows, covariates is not None)
        matrix = np.zeros((rows, len(self.mean)))
        if covariates is None:
            return matrix, known
        for name, places in self.columns.items():
            if name not in covariates.columns:
                return np.zeros_like(matrix), np.zeros(rows, dtype=bool)
            codes, levels = pd.factorize(covariates[name])
            place = np.array([*(places.get(str(level), _UNSEEN) for level in levels), _UNSEEN])[codes]
            known &= place != _UNSEEN
            shifts = place >= 0
            matrix[np.flatnonzero(shifts), place[shifts]] = 1.0
        return np.where(known[:, None], matrix - self.centre, 0.0), known


def level_text(values: pd.Series[Any]) -> pd.Series[Any]:
    """Levels as text, so that a bool, a word and a category compare alike; missing stays missing."""
    codes, levels = pd.factorize(values)
    words = np.array([*(str(level) for level in levels), np.nan], dtype=object)
    return pd.Series(words[codes], index=values.index)


@dataclass(frozen=True, slots=True)
class LifeDraws:
    """n draws of one life: `names` (n) of distributions, `location` and `sigma` (n) of log age in the store's unit,
    `shift` (n, effects) of the covariates."""

    names: npt.NDArray[np.str_]
    location: Floats
    sigma: Floats
    shift: Floats
    effects: Effects

    def log_survival(self, age: Floats, covariates: pd.DataFrame | None = None) -> Floats:
        """log P(life > age), shape (n, len(age)); ages in the store's unit, covariates aligned with `age`."""
        age = np.asarray(age, dtype=float)
        with np.errstate(divide="ignore"):
            log_age = np.log(np.maximum(age, 0.0))
        log_age = np.where(np.isfinite(log_age), log_age, np.where(np.isnan(age), np.nan, np.sign(log_age) * 1e3))
        if self.effects.none:
            return self._at(log_age[None, :])
        design, known = self.effects.design(covariates, len(age))
        out = np.empty((len(self.names), len(age)))
        if known.any():
            out[:, known] = self._at(log_age[None, known] - self.shift @ design[known].T)
        if not known.all():
            mixed = log_age[None, ~known]
            parts = [self._at(mixed - (self.shift @ row)[:, None]) for row in self.effects.mix_design]
            weight = self.effects.mix_share[:, None, None]
            out[:, ~known] = logsumexp(np.stack(parts), axis=0, b=weight)
        return out

    def _at(self, log_age: Floats) -> Floats:
        """log survival at log ages that broadcast against (n, ages)."""
        if log_age.shape[0] == 1 and log_age.shape[1] > _TABLE_FROM:
            return self._by_table(log_age[0])
        z = (log_age - self.location[:, None]) / self.sigma[:, None]
        present = np.unique(self.names)
        if len(present) == 1:
            return BY_NAME[str(present[0])].log_survival(z)
        out = np.empty_like(z)
        for name in present:
            rows = self.names == name
            out[rows] = BY_NAME[str(name)].log_survival(z[rows])
        return out

    def _by_table(self, log_age: Floats) -> Floats:
        """log survival at many log ages, read off a fine table by straight line (error below 1e-5 of it)."""
        real = log_age[np.isfinite(log_age) & (np.abs(log_age) < _OUTSIDE)]
        if not len(real):
            return self._odd(log_age)
        low, high = float(real.min()), float(real.max()) + 1e-9
        table = self._at(np.linspace(low, high, _TABLE)[None, :])
        place = (np.clip(log_age, low, high) - low) / (high - low) * (_TABLE - 1)
        place = np.where(np.isfinite(place), place, 0.0)
        left = np.minimum(place.astype(np.int64), _TABLE - 2)
        part = place - left
        out = np.empty((len(table), len(log_age)))
        for row, line in zip(out, table, strict=True):
            np.take(line, left, out=row)
            row += np.take(np.diff(line), left) * part
        odd = ~np.isfinite(log_age) | (np.abs(log_age) >= _OUTSIDE)
        if odd.any():
            out[:, odd] = self._odd(log_age[odd])
        return out

    def _odd(self, log_age: Floats) -> Floats:
        """Age 0 (survival 1), age infinite (0) and age unknown (NaN)."""
        value = np.where(np.isnan(log_age), np.nan, np.where(log_age < 0, 0.0, -np.inf))
        return np.broadcast_to(value, (len(self.names), len(value))).copy()

    def alone_at(self, chance: float) -> Floats:
        """Age (n) at which `chance` of the lives at the mix's mean shift have failed, in the store's unit."""
        z = np.zeros(len(self.names))
        for name in np.unique(self.names):
            z[self.names == name] = BY_NAME[str(name)].z_at(chance)
        return np.asarray(np.exp(self.location + self.sigma * z))

    def age_at(self, chance: float) -> Floats:
        """Age (n) at which `chance` of the fleet's mix have failed, in the store's unit."""
        alone = np.log(self.alone_at(chance))
        if self.effects.none:
            return np.asarray(np.exp(alone))
        shifts = self.shift @ self.effects.mix_design.T
        low, high = alone + shifts.min(axis=1), alone + shifts.max(axis=1)
        target = np.log1p(-chance)
        for _ in range(26):
            middle = 0.5 * (low + high)
            each = self._at(middle[:, None] - shifts)
            beyond = np.log(np.exp(each) @ self.effects.mix_share) < target
            high, low = np.where(beyond, middle, high), np.where(beyond, low, middle)
        return np.asarray(np.exp(0.5 * (low + high)))


@dataclass(frozen=True, slots=True)
class Cloud:
    """A posterior as weighted nodes: distribution number into `names`, location and log sigma of log age (store's
    unit), weight, and per distribution the 2 x 2 steps of its grid over which a draw is spread."""

    names: tuple[str, ...]
    which: Ints
    location: Floats
    log_sigma: Floats
    weight: Floats
    cells: Floats

    def draws(self, n: int, seed: int, effects: Effects) -> LifeDraws:
        """n draws, the same for the same seed; systematic over the nodes, uniform inside a node's cell."""
        which, location, sigma = self._picked(n, seed)
        shift = np.zeros((n, 0))
        if not effects.none:
            rng = np.random.default_rng()
            rng.bit_generator.state = _chance(n, seed).state
            shift = rng.multivariate_normal(effects.mean, effects.covariance, size=n, method="cholesky")
        return LifeDraws(np.array(self.names)[which], location, sigma, shift, effects)

    def log_ages(self, chances: tuple[float, ...], n: int, seed: int, effects: Effects) -> Floats:
        """Log of `LifeDraws.age_at` for each of the chances (chances, n), of the same draws."""
        if not effects.none:
            draws = self.draws(n, seed, effects)
            return np.log([draws.age_at(chance) for chance in chances])
        which, location, sigma = self._picked(n, seed)
        z = np.array([[BY_NAME[name].z_at(chance) for name in self.names] for chance in chances])
        return np.asarray(location + sigma * z.take(which, axis=1))

    def _picked(self, n: int, seed: int) -> tuple[Ints, Floats, Floats]:
        """Distribution number, location and sigma of each draw."""
        chance, ends = _chance(n, seed), np.cumsum(self.weight)
        picks = np.searchsorted(ends / ends[-1], chance.places)
        picks = np.minimum(picks, len(ends) - 1).take(chance.order)
        which = self.which.take(picks)
        (a, b), (c, d) = (row.take(which, axis=1) for row in self.cells.transpose(1, 2, 0))
        x, y = chance.spots
        sigma = np.exp(self.log_sigma.take(picks) + (c * x + d * y))
        return which, self.location.take(picks) + (a * x + b * y), sigma


@dataclass(frozen=True, slots=True)
class _Chance:
    """What chance brings to n draws of a seed, whatever is drawn from: `places` (n) between 0 and 1, even and rising,
    the `order` in which they come, `spots` (2, n) inside a cell, and the generator's `state` after these."""

    places: Floats
    order: Ints
    spots: Floats
    state: Mapping[str, Any]


@lru_cache(maxsize=8)
def _chance(n: int, seed: int) -> _Chance:
    rng = np.random.default_rng(seed)
    places = (np.arange(n) + rng.random()) / n
    order = rng.permutation(n)
    return _Chance(places, order, np.ascontiguousarray((rng.random((n, 2)) - 0.5).T), rng.bit_generator.state)
