"""Profile-likelihood intervals of an age at which a share has failed, and of the shape, for many components at once.

An interval holds every value whose best likelihood, over the other parameter, is within half a chi-square quantile of
the best of all (Meeker, Escobar & Pascual 2022, ch. 8; Venzon & Moolgavkar 1988, Applied Statistics 37:87). In small
samples it is far from the Wald interval, and is the one to believe. A side on which the likelihood never falls that
far is open.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2

from rebuildstats.fits.distributions import Distribution, Floats
from rebuildstats.fits.likelihood import Lives, derivatives
from rebuildstats.fits.newton import LOG_SIGMA_MAX, LOG_SIGMA_MIN, Modes

_OUTER: Final = 40
_INNER: Final = 30
_FARTHEST: Final = 12.0


@dataclass(frozen=True, slots=True)
class _Path:
    """How (wanted, other) become (location, log sigma): an age quantile (`z` its place) or log sigma itself."""

    dist: Distribution
    lives: Lives
    z: float | None

    def start(self, parameters: Floats) -> tuple[Floats, Floats]:
        if self.z is None:
            return parameters[:, 1].copy(), parameters[:, 0].copy()
        return parameters[:, 0] + np.exp(parameters[:, 1]) * self.z, parameters[:, 1].copy()

    def at(self, wanted: Floats, other: Floats) -> tuple[Floats, Floats, Floats]:
        """Log likelihood and its first two derivatives by the other parameter, the wanted one held."""
        if self.z is None:
            d = derivatives(self.dist, self.lives, other, wanted)
            return d.value, d.location, d.location_location
        tilt = self.z * np.exp(other)
        d = derivatives(self.dist, self.lives, wanted - tilt, other)
        first = d.spread - tilt * d.location
        second = (
            d.spread_spread - 2.0 * tilt * d.location_spread + tilt * tilt * d.location_location - tilt * d.location
        )
        return d.value, first, second

    def best(self, wanted: Floats, other: Floats) -> tuple[Floats, Floats]:
        """The best log likelihood with the wanted parameter held, and the other parameter there."""
        if self.dist.sigma_is_one:
            return self.at(wanted, np.zeros_like(wanted))[0], other
        low, high = (LOG_SIGMA_MIN, LOG_SIGMA_MAX) if self.z is not None else (-np.inf, np.inf)
        value, first, second = self.at(wanted, other)
        width = np.full(len(wanted), 1.0)
        for _ in range(_INNER):
            bend = np.where(second < -1e-9, -second, np.abs(second) + 1e-3)
            step = np.clip(first / bend, -width, width)
            trial = np.clip(other + step, low, high)
            new_value, new_first, new_second = self.at(wanted, trial)
            worse = ~(new_value >= value - 1e-10 * (1.0 + np.abs(value)))
            width = np.where(worse, 0.3 * np.abs(step), width)
            moved = np.abs(trial - other)
            other = np.where(worse, other, trial)
            value = np.where(worse, value, new_value)
            first = np.where(worse, first, new_first)
            second = np.where(worse, second, new_second)
            if np.all((moved < 1e-7) | (worse & (width < 1e-7))):
                break
        return value, other


def profile_age(
    dist: Distribution, lives: Lives, modes: Modes, chance: float, *, level: float = 0.9
) -> tuple[Floats, Floats]:
    """Lower and upper log age (m) at which `chance` have failed; -inf and inf where a side is open or nothing
    settled.
    """
    z = dist.z_at(chance)
    return _both(_Path(dist, lives, z), modes, level)


def profile_log_sigma(dist: Distribution, lives: Lives, modes: Modes, *, level: float = 0.9) -> tuple[Floats, Floats]:
    """Lower and upper log sigma (m) of log age."""
    return _both(_Path(dist, lives, None), modes, level)


def _both(path: _Path, modes: Modes, level: float) -> tuple[Floats, Floats]:
    drop = 0.5 * float(chi2.ppf(level, 1))
    return _side(path, modes, drop, -1.0), _side(path, modes, drop, 1.0)


def _side(path: _Path, modes: Modes, drop: float, sign: float) -> Floats:
    """Where the profile has fallen by `drop` on one side: bracketed outward, then by false position on its signed
    root.
    """
    target = np.sqrt(2.0 * drop)
    centre, other = path.start(modes.parameters)
    top = modes.log_likelihood

    def root(value: Floats) -> Floats:
        fallen = np.maximum(top - np.nan_to_num(value, nan=-np.inf), 0.0)
        return np.asarray(np.sqrt(2.0 * fallen) - target)

    inner, outer = centre.copy(), centre.copy()
    inner_root, outer_root = np.full(len(centre), -target), np.full(len(centre), -target)
    reach = np.full(len(centre), 0.25)
    seeking = modes.settled.copy()
    while seeking.any() and reach[seeking].min() < _FARTHEST:
        outer = np.where(seeking, centre + sign * reach, outer)
        value, other = path.best(outer, other)
        outer_root = np.where(seeking, root(value), outer_root)
        inner = np.where(seeking & (outer_root < 0), outer, inner)
        inner_root = np.where(seeking & (outer_root < 0), outer_root, inner_root)
        seeking &= outer_root < 0
        reach = np.where(seeking, reach * 1.7, reach)
    open_side: npt.NDArray[np.bool_] = (outer_root < 0) | ~modes.settled
    middle = outer.copy()
    for turn in range(_OUTER):
        gap = outer_root - inner_root
        part = np.where((gap > 0) & (turn % 4 != 3), -inner_root / np.where(gap > 0, gap, 1.0), 0.5)
        middle = inner + np.clip(part, 0.02, 0.98) * (outer - inner)
        value, other = path.best(middle, other)
        here = root(value)
        inside = here < 0
        inner, inner_root = np.where(inside, middle, inner), np.where(inside, here, inner_root)
        outer, outer_root = np.where(inside, outer, middle), np.where(inside, outer_root, here)
        if np.all((np.abs(here) < 1e-7) | open_side | (np.abs(outer - inner) < 1e-9)):
            break
    return np.where(open_side, sign * np.inf, middle)
