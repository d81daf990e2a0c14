"""Intervals of a life: Wald on the log scale, by profile likelihood, and the closed forms with the shape given.

Wald and likelihood-ratio intervals differ widely in small samples; both are given, never one for the other
(Meeker, Escobar & Pascual 2022, ch. 8).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from rebuildstats.fits.distributions import Distribution, Floats
from rebuildstats.fits.likelihood import lay_out
from rebuildstats.fits.newton import find_modes, no_prior
from rebuildstats.fits.profiles import profile_age, profile_log_sigma

_FEW_EVENTS = 10


def weibayes_scale(
    ages: Floats, events: float, shape: float, *, weight: Floats | None = None, level: float = 0.95
) -> tuple[float, float, float]:
    """Weibull scale with the shape given: (estimate, lower, upper), two-sided at `level`.

    (sum of age ** shape / events) ** (1 / shape); the interval by chi-square with 2 r + 2 degrees of freedom below (the
    data stop at a time, not at a failure) and 2 r above (Nelson 1985, J. Quality Technology 17:140; Abernethy's
    handbook). `ages`: of failed and of good ones alike.
    """
    weight = np.ones(len(ages)) if weight is None else weight
    total = float(np.sum(weight * np.asarray(ages, dtype=float) ** shape))
    tail = 0.5 * (1.0 - level)
    lower = (2.0 * total / chi2.ppf(1.0 - tail, 2.0 * events + 2.0)) ** (1.0 / shape)
    if events <= 0:
        return float("nan"), float(lower), float("inf")
    upper = (2.0 * total / chi2.ppf(tail, 2.0 * events)) ** (1.0 / shape)
    return float((total / events) ** (1.0 / shape)), float(lower), float(upper)


def zero_failure_scale(ages: Floats, shape: float, *, weight: Floats | None = None, confidence: float = 0.9) -> float:
    """One-sided lower bound of the Weibull scale when nothing has failed (Nelson 1985)."""
    weight = np.ones(len(ages)) if weight is None else weight
    total = float(np.sum(weight * np.asarray(ages, dtype=float) ** shape))
    return float((total / -np.log(1.0 - confidence)) ** (1.0 / shape))


@dataclass(frozen=True, slots=True)
class Estimate:
    """A positive quantity of one plain maximum-likelihood fit with both its intervals; `events` behind it.

    `wald`: on the log scale. `profile`: by likelihood ratio. An open side is 0 or inf; without an inner highest point
    of the likelihood (`settled` False) all is open.
    """

    value: float
    wald: tuple[float, float]
    profile: tuple[float, float]
    events: float
    settled: bool

    @property
    def interval(self) -> tuple[float, float]:
        """The one to believe: by profile where fewer than 10 events, else Wald's."""
        return self.profile if self.events < _FEW_EVENTS else self.wald


@dataclass(frozen=True, slots=True)
class PlainFit:
    """One distribution by maximum likelihood: `scale` and `shape` (as in the `life` contract), `age` at which
    `chance` have failed, `log_likelihood` (ages in the unit given), `aicc`."""

    distribution: str
    chance: float
    scale: Estimate
    shape: Estimate
    age: Estimate
    log_likelihood: float
    aicc: float


def fit_plain(
    dist: Distribution,
    entry: Floats,
    lower: Floats,
    upper: Floats,
    *,
    weight: Floats | None = None,
    chance: float = 0.1,
    level: float = 0.9,
) -> PlainFit:
    """Maximum likelihood with Wald and profile intervals, two-sided at `level`.

    Parameters
    ----------
    entry, lower, upper, weight : arrays (n)
        `upper` NaN or inf where the life has not failed, equal to `lower` where the failure is exact.
    """
    weight = np.ones(len(lower)) if weight is None else weight
    top = np.where(np.isfinite(upper), upper, lower)
    unit = float(np.median(top[np.isfinite(top) & (top > 0)])) if np.any(top > 0) else 1.0
    lives = lay_out(np.zeros(len(lower), dtype=np.int64), entry, lower, upper, weight, 1, scale=unit)
    modes = find_modes(dist, lives, no_prior(1))
    events, settled = float(lives.events()[0]), bool(modes.settled[0])
    location, log_sigma = modes.parameters[0]
    sigma = float(np.exp(log_sigma))
    curvature = modes.curvature[0][: dist.parameters, : dist.parameters]
    covariance = np.zeros((2, 2))
    covariance[: dist.parameters, : dist.parameters] = np.linalg.pinv(curvature)
    reach = float(norm.ppf(0.5 + 0.5 * level))

    def estimate(log_value: float, gradient: Floats, profile: tuple[float, float]) -> Estimate:
        error = float(np.sqrt(np.maximum(gradient @ covariance @ gradient, 0.0)))
        if not settled:
            return Estimate(float(np.exp(log_value)), (0.0, np.inf), (0.0, np.inf), events, settled)
        wald = (float(np.exp(log_value - reach * error)), float(np.exp(np.minimum(log_value + reach * error, 700.0))))
        return Estimate(float(np.exp(log_value)), wald, profile, events, settled)

    def of_age(chance: float) -> Estimate:
        z = dist.z_at(chance)
        low, high = profile_age(dist, lives, modes, chance, level=level)
        profile = (unit * float(np.exp(low[0])), unit * float(np.exp(high[0])))
        return estimate(location + sigma * z + np.log(unit), np.array([1.0, sigma * z]), profile)

    at_scale = 1.0 - float(np.exp(dist.log_survival(np.zeros(1)))[0])
    sign = -1.0 if dist.shape_is_inverse else 1.0
    ends = (0.0, 0.0)
    if not dist.sigma_is_one:
        low, high = profile_log_sigma(dist, lives, modes, level=level)
        ends = (sign * float(low[0]), sign * float(high[0]))
    least, most = ends if ends[0] <= ends[1] else (ends[1], ends[0])
    shape = estimate(sign * log_sigma, np.array([0.0, sign]), (float(np.exp(least)), float(np.exp(most))))
    value = float(modes.log_likelihood[0] - lives.exact.weight.sum() * np.log(unit))
    k, n = dist.parameters, float(sum(p.weight.sum() for p in lives.parts[:3]))
    aicc = 2 * k - 2 * value + (2 * k * (k + 1) / (n - k - 1) if n > k + 1 else np.inf)
    return PlainFit(dist.name, chance, of_age(at_scale), shape, of_age(chance), value, float(aicc))
