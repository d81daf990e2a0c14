"""Sight, feel and count points: the chance of a fail by age, a GLM with an isotonic estimate behind it.

P(fail at a look) = link^-1(a + b log age), complementary log-log (a Weibull seen once per look) or logit, whichever
has the larger likelihood: both have two parameters (statsmodels `GLM`). The isotonic estimate (pool adjacent
violators; for looks it is the non-parametric maximum likelihood) needs no form and shows where the fitted one is
wrong.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import statsmodels.api as sm
from scipy import optimize, stats

from rebuildstats.fits.proportions import jeffreys_interval, never_failed_bound

Array = npt.NDArray[np.float64]
SCALE = 100_000.0
MIN_EACH = 3
"""Fewer fails or fewer goods than this say nothing about a slope: the answer is a bound (or a share) instead."""


@dataclass(frozen=True, slots=True)
class VerdictFit:
    """One point's chance of a fail at a look, by age in the store's unit.

    `params`: intercept and slope on log(age / SCALE); `covariance` theirs. `isotonic_age`, `isotonic_chance`: the
    steps of the estimate without a form. `oldest`: largest age looked at; beyond it the curve is an extrapolation.
    """

    family: str
    point: str
    component: str
    link: str
    params: Array
    covariance: Array
    checked: int
    fails: int
    oldest: float
    isotonic_age: Array
    isotonic_chance: Array
    rivals: dict[str, float]

    kind = "verdict"

    def _linear(self, age: npt.ArrayLike) -> tuple[Array, Array]:
        x = np.log(np.maximum(np.atleast_1d(np.asarray(age, dtype=float)), 1e-6) / SCALE)
        c = self.covariance
        variance = c[0, 0] + 2 * x * c[0, 1] + x * x * c[1, 1]
        return self.params[0] + self.params[1] * x, np.sqrt(np.maximum(variance, 0.0))

    def chance(self, age: npt.ArrayLike) -> Array:
        """Chance that one position fails at a look at these ages."""
        return inverse_link(self._linear(age)[0], self.link)

    def interval(self, age: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
        """Wald limits on the linear scale, carried through the link."""
        middle, error = self._linear(age)
        z = float(stats.norm.ppf((1 + level) / 2))
        return inverse_link(middle - z * error, self.link), inverse_link(middle + z * error, self.link)


@dataclass(frozen=True, slots=True)
class PointBound:
    """A point of which a curve can't be fitted yet: the reason, and what can be said instead.

    The chance does not depend on age: the share of fails with its Jeffreys interval, or with no fail the exact
    one-sided 95 % bound; with nothing checked everything between 0 and 1 is possible.
    """

    family: str
    point: str
    component: str
    reason: str
    checked: int
    fails: int
    oldest: float

    kind = "bound"

    def chance(self, age: npt.ArrayLike) -> Array:
        share = self.fails / self.checked if self.checked else float("nan")
        return np.full(np.atleast_1d(np.asarray(age)).shape, share)

    def interval(self, age: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
        shape = np.atleast_1d(np.asarray(age)).shape
        if self.fails:
            low, high = jeffreys_interval(self.fails, self.checked, level)
        else:
            low, high = np.zeros(()), never_failed_bound(self.checked, (1 + level) / 2)
        return np.full(shape, float(low)), np.full(shape, float(high))


def inverse_link(linear: Array, link: str) -> Array:
    if link == "cloglog":
        return -np.expm1(-np.exp(np.clip(linear, -40, 5)))
    return 1 / (1 + np.exp(-np.clip(linear, -40, 40)))


def isotonic(age: Array, fail: Array) -> tuple[Array, Array]:
    """Non-decreasing share of fails by age (pool adjacent violators), at the distinct ages."""
    ages, inverse = np.unique(age, return_inverse=True)
    weights = np.bincount(inverse).astype(float)
    shares = np.bincount(inverse, fail) / weights
    return ages, np.asarray(optimize.isotonic_regression(shares, weights=weights).x)


def fit_verdicts(
    family: str, point: str, component: str, age: Array, fail: Array, checked: int, fails: int
) -> VerdictFit | PointBound:
    """Fit one point. `age`, `fail`: looks at known age; `checked`, `fails`: all looks, also those of unknown age."""
    oldest = float(age.max()) if len(age) else float("nan")

    def bound(reason: str) -> PointBound:
        return PointBound(family, point, component, reason, checked, fails, oldest)

    seen = int(fail.sum())
    if checked == 0:
        return bound("never checked")
    if seen < MIN_EACH or len(age) - seen < MIN_EACH:
        return bound(f"{fails} fails in {checked} looks: too few for a curve by age")
    x = np.log(np.maximum(age, 1.0) / SCALE)
    if float(np.ptp(x)) < 1e-6:
        return bound("looked at one age only")
    # identical looks are grouped: rounded ages make a GLM of thousands of looks a small one
    design = sm.add_constant(x, has_constant="add")
    fits: dict[str, tuple[Array, Array, float]] = {}
    for name, link in (("cloglog", sm.families.links.CLogLog()), ("logit", sm.families.links.Logit())):
        found = _glm(fail, design, link)
        if found is not None:
            fits[name] = found
    if not fits:
        return bound("fails and goods are parted by age without overlap: a curve has no finite steepness")
    best = max(fits, key=lambda name: fits[name][2])
    params, covariance, _ = fits[best]
    if params[1] <= 0 and params[1] + 1.645 * np.sqrt(covariance[1, 1]) < 0:
        return bound("fails get fewer with age here: early failures or mixed ages, no wear-out curve")
    ages, shares = isotonic(age, fail)
    rivals = {name: values[2] for name, values in fits.items()}
    return VerdictFit(family, point, component, best, params, covariance, checked, fails, oldest, ages, shares, rivals)


def _glm(fail: Array, design: Array, link: object) -> tuple[Array, Array, float] | None:
    """(params, covariance, log-likelihood), or None where the likelihood has no maximum (separation)."""
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        try:
            result = sm.GLM(fail, design, family=sm.families.Binomial(link=link)).fit(maxiter=60)
        except (ValueError, np.linalg.LinAlgError, ZeroDivisionError):
            return None
        params, covariance, ll = np.asarray(result.params), np.asarray(result.cov_params()), float(result.llf)
    # warnings are a verdict: under separation slopes run away and errors with them
    if (
        not (np.isfinite(params).all() and np.isfinite(covariance).all())
        or covariance[1, 1] > 100
        or abs(params[1]) > 30
    ):
        return None
    return params, covariance, ll
