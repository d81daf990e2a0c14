"""The highest point of the likelihood, or of likelihood times prior, for many components at once.

Newton's method in (location, log sigma) with the second derivatives turned into a downhill form where they are not
one, steps cut back until the value rises, and components dropped from the work as they arrive.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.distributions import Distribution, Floats
from rebuildstats.fits.likelihood import Ints, Lives, derivatives

# sigma of log age outside of this is no life a shop could meet: 0.02 is a spread of 2 %, 20 one of e^20.
LOG_SIGMA_MIN: Final = float(np.log(0.02))
LOG_SIGMA_MAX: Final = float(np.log(20.0))
_STEP_MAX: Final = 1.5
_DONE: Final = 1e-13
_FLAT: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Prior:
    """A normal prior over (location, log sigma) per component: `mean` (m, 2) and `precision` (m, 2, 2).

    A precision of zeros is no prior at all.
    """

    mean: Floats
    precision: Floats

    def log_density(self, parameters: Floats) -> Floats:
        """Log density of (..., 2) parameters, the component along the axis before the last; normalised."""
        _, log_det = np.linalg.slogdet(self.precision)
        return np.asarray(self.pull(parameters) + (0.5 * log_det - np.log(2.0 * np.pi)), dtype=np.float64)

    def pull(self, parameters: Floats) -> Floats:
        """The part of the log density that the parameters move; shapes as there."""
        # written out: over two numbers that is several times as fast as a product of matrices
        a, b = parameters[..., 0] - self.mean[..., 0], parameters[..., 1] - self.mean[..., 1]
        p = self.precision
        value: Floats = -0.5 * (p[..., 0, 0] * a * a + (p[..., 0, 1] + p[..., 1, 0]) * a * b + p[..., 1, 1] * b * b)
        return value

    def select(self, chosen: npt.NDArray[np.bool_]) -> Prior:
        """Only the components for which `chosen` is true."""
        return Prior(self.mean[chosen], self.precision[chosen])


def no_prior(components: int) -> Prior:
    """Plain likelihood."""
    return Prior(np.zeros((components, 2)), np.zeros((components, 2, 2)))


@dataclass(frozen=True, slots=True)
class Modes:
    """Per component: `parameters` (m, 2), `log_likelihood` there (m), `gradient` (m, 2) of the log posterior and
    `curvature` (m, 2, 2) of minus it, and whether the search ended in an inner highest point (`settled`)."""

    parameters: Floats
    log_likelihood: Floats
    gradient: Floats
    curvature: Floats
    settled: npt.NDArray[np.bool_]


def starts(dist: Distribution, lives: Lives) -> Floats:
    """First guesses (m, 2): sigma 0.5 (1 for the exponential), location from events over total age ** (1 / sigma).

    That is the fixed-shape ("Weibayes") estimate, closed in form for the Weibull (Nelson 1985).
    """
    sigma = 1.0 if dist.sigma_is_one else 0.5
    events = np.maximum(lives.events(), 0.5)
    total = np.zeros(lives.components)
    exact, between, running, entered = lives.parts
    middle = 0.5 * (np.exp(between.at) + np.exp(between.until))
    for part, age, sign in (
        (exact, np.exp(exact.at), 1),
        (between, middle, 1),
        (running, np.exp(running.at), 1),
        (entered, np.exp(entered.at), -1),
    ):
        total += sign * np.bincount(part.of, part.weight * age ** (1.0 / sigma), minlength=lives.components)
    scale = np.log(np.maximum(total / events, 1e-12)) * sigma
    location = scale if dist.name in ("weibull", "exponential") else scale + sigma * np.log(np.log(2.0))
    return np.column_stack([location, np.full(lives.components, np.log(sigma))])


def find_modes(dist: Distribution, lives: Lives, prior: Prior, start: Floats | None = None, *, most: int = 60) -> Modes:
    """Newton's method on log likelihood plus log prior for every component at once.

    Parameters
    ----------
    prior : Prior
        `no_prior` for maximum likelihood.
    start : (m, 2), optional
        Where to begin; `starts` otherwise.
    """
    free = np.array([True, not dist.sigma_is_one])
    at = (starts(dist, lives) if start is None else start).copy()
    if dist.sigma_is_one:
        at[:, 1] = 0.0
    at[:, 1] = np.clip(at[:, 1], LOG_SIGMA_MIN, LOG_SIGMA_MAX)
    settled, stays = np.zeros(lives.components, dtype=bool), np.zeros(lives.components, dtype=bool)
    active = np.arange(lives.components)
    work, work_prior = lives, prior
    found = _objective(dist, lives, prior, at)
    for _ in range(most):
        here = at[active]
        gradient = found.gradient[active]
        step = _solve(gradient, found.curvature[active], free)
        held = ((here[:, 1] <= LOG_SIGMA_MIN) & (step[:, 1] < 0)) | ((here[:, 1] >= LOG_SIGMA_MAX) & (step[:, 1] > 0))
        # a step out of the limits is none; along them the location goes on alone
        step[held] = _solve(gradient[held], found.curvature[active[held]], np.array([True, False]))
        slope = np.einsum("ij,ij->i", gradient, step)
        done = slope < _DONE
        settled[active[done & ~held]] = True
        moving = ~done & ~stays[active]
        if not moving.any():
            break
        if moving.sum() < 0.7 * len(active):
            work, work_prior = work.select(moving), work_prior.select(moving)
            active, here, step, slope = active[moving], here[moving], step[moving], slope[moving]
            moving = np.ones(len(active), dtype=bool)
        stays[_climb(dist, work, work_prior, active, step, slope, moving, at, found)] = True
    inside = (at[:, 1] > LOG_SIGMA_MIN + 1e-6) & (at[:, 1] < LOG_SIGMA_MAX - 1e-6)
    slope = np.einsum("ij,ij->i", found.gradient, _solve(found.gradient, found.curvature, free))
    plain = found.value - prior.pull(at)
    # flat without end is no highest point: the location must be known to within a factor of e^30 or so
    bent = np.linalg.eigvalsh(found.curvature[:, free][:, :, free])[:, 0] > _FLAT
    return Modes(
        at, plain, found.gradient, found.curvature, (settled | (slope < 1e-8)) & inside & bent & np.isfinite(plain)
    )


@dataclass(frozen=True, slots=True)
class _Found:
    """Log likelihood plus log prior where each component stands (m), its gradient (m, 2) and minus its second
    derivatives (m, 2, 2)."""

    value: Floats
    gradient: Floats
    curvature: Floats

    def put(self, places: Ints, other: _Found, chosen: npt.NDArray[np.bool_]) -> None:
        """Write the chosen components of another over those at the chosen places."""
        self.value[places[chosen]] = other.value[chosen]
        self.gradient[places[chosen]] = other.gradient[chosen]
        self.curvature[places[chosen]] = other.curvature[chosen]


def _objective(dist: Distribution, lives: Lives, prior: Prior, at: Floats) -> _Found:
    d = derivatives(dist, lives, at[:, 0], at[:, 1])
    pull = np.einsum("nij,nj->ni", prior.precision, at - prior.mean)
    gradient = np.column_stack([d.location, d.spread]) - pull
    curvature = prior.precision.copy()
    curvature[:, 0, 0] -= d.location_location
    curvature[:, 0, 1] -= d.location_spread
    curvature[:, 1, 0] -= d.location_spread
    curvature[:, 1, 1] -= d.spread_spread
    return _Found(d.value + prior.pull(at), gradient, curvature)


def _solve(gradient: Floats, curvature: Floats, free: npt.NDArray[np.bool_]) -> Floats:
    """The Newton step; the curvature is bent upwards where it is not positive, and long steps are shortened."""
    if not free[1]:
        bend = np.maximum(np.abs(curvature[:, 0, 0]), 1e-9)
        step = np.column_stack([gradient[:, 0] / bend, np.zeros(len(gradient))])
    else:
        a, b, c = curvature[:, 0, 0], curvature[:, 0, 1], curvature[:, 1, 1]
        middle, reach = 0.5 * (a + c), np.hypot(0.5 * (a - c), b)
        lowest = middle - reach
        floor = 1e-6 * (np.abs(middle) + reach) + 1e-12
        lift = np.where(lowest < floor, np.maximum(floor - lowest, 1.1 * np.maximum(-lowest, 0.0)), 0.0)
        a, c = a + lift, c + lift
        det = a * c - b * b
        step = np.column_stack(
            [(c * gradient[:, 0] - b * gradient[:, 1]) / det, (a * gradient[:, 1] - b * gradient[:, 0]) / det]
        )
    if not np.isfinite(step).all():
        step = np.nan_to_num(step)
    longest = np.abs(step).max(axis=1)
    return np.asarray(step * np.minimum(1.0, _STEP_MAX / np.maximum(longest, 1e-12))[:, None])


def _climb(
    dist: Distribution,
    lives: Lives,
    prior: Prior,
    places: Ints,
    step: Floats,
    slope: Floats,
    moving: npt.NDArray[np.bool_],
    at: Floats,
    found: _Found,
) -> Ints:
    """Take the step of each moving component in `at` and `found` (at its place there), cut in half until its value
    rises. Gives the places of those that can't rise; they stay, and would the next time.

    Gradient and second derivatives come with each trial's value: nearly every first trial is taken.
    """
    length = 1.0
    for _ in range(25):
        trial = at[places] + length * step
        trial[:, 1] = np.clip(trial[:, 1], LOG_SIGMA_MIN, LOG_SIGMA_MAX)
        reached = _objective(dist, lives, prior, trial)
        value = found.value[places]
        risen = reached.value >= value + 1e-5 * length * slope - 1e-12 * np.abs(value)
        good = moving & np.isfinite(reached.value) & risen
        at[places[good]] = trial[good]
        found.put(places, reached, good)
        trying = moving & ~good
        if not trying.any():
            return places[trying]
        lives, prior, places = lives.select(trying), prior.select(trying), places[trying]
        step, slope, moving = step[trying], slope[trying], moving[trying]
        length *= 0.5
    return places
