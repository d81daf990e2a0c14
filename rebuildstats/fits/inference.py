"""One distribution, one set of lives, any covariates: the life regression with statsmodels' inference.

log age = design @ effects + sigma * error (accelerated failure time; Meeker, Escobar & Pascual 2022, ch. 17). The
highest point is found by our own Newton steps with exact second derivatives; statsmodels starts there and gives the
summary, the covariance (also by cluster) and the tests.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
from statsmodels.base.model import GenericLikelihoodModel

from rebuildstats.fits.distributions import Distribution, Floats
from rebuildstats.fits.likelihood import Lives, each_life, lay_out
from rebuildstats.fits.newton import LOG_SIGMA_MAX, LOG_SIGMA_MIN, find_modes, no_prior


@dataclass(frozen=True, slots=True)
class Regression:
    """A fitted life regression: `parameters` (p + 1) are the effects on log age and log sigma (fixed at 0 for the
    exponential), `covariance` (p + 1, p + 1) from the inverse of minus the second derivatives, `log_likelihood` in
    the unit of the ages given, `settled` whether an inner highest point was reached."""

    dist: Distribution
    parameters: Floats
    covariance: Floats
    log_likelihood: float
    settled: bool


def _totals(dist: Distribution, lives: Lives, design: Floats, at: Floats) -> tuple[float, Floats, Floats]:
    """Log likelihood, gradient and second derivatives by (effects, log sigma)."""
    value, d_loc, d_spread, d_ll, d_ls, d_ss = each_life(dist, lives, design @ at[:-1], np.full(len(design), at[-1]))
    p = design.shape[1]
    gradient = np.concatenate([design.T @ d_loc, [d_spread.sum()]])
    second = np.empty((p + 1, p + 1))
    second[:p, :p] = (design * d_ll[:, None]).T @ design
    second[:p, p] = second[p, :p] = design.T @ d_ls
    second[p, p] = d_ss.sum()
    return float(value.sum()), gradient, second


def climb(
    dist: Distribution, lives: Lives, design: Floats, start: Floats, *, ridge: Floats | None = None, most: int = 60
) -> tuple[Floats, bool]:
    """Newton's method on the regression's log likelihood, less ridge * effects ** 2 / 2 where `ridge` (p + 1) is given.

    Returns the parameters (effects, log sigma) and whether they are an inner highest point.
    """
    at = start.astype(float).copy()
    free = len(at) - 1 if dist.sigma_is_one else len(at)
    penalty = np.zeros(len(at)) if ridge is None else ridge
    value, gradient, second = _totals(dist, lives, design, at)
    value -= 0.5 * float(penalty @ (at * at))
    for _ in range(most):
        slope = (gradient - penalty * at)[:free]
        curve = (np.diag(penalty) - second)[:free, :free]
        values, vectors = np.linalg.eigh(curve)
        values = np.maximum(np.abs(values), 1e-9 * max(float(np.abs(values).max()), 1e-9))
        step = vectors @ ((vectors.T @ slope) / values)
        if float(slope @ step) < 1e-13:
            return at, bool(LOG_SIGMA_MIN < at[-1] < LOG_SIGMA_MAX)
        step *= min(1.0, 1.5 / float(np.abs(step).max()))
        length = 1.0
        for _ in range(30):
            trial = at.copy()
            trial[:free] += length * step
            trial[-1] = np.clip(trial[-1], LOG_SIGMA_MIN, LOG_SIGMA_MAX)
            reached, new_gradient, new_second = _totals(dist, lives, design, trial)
            reached -= 0.5 * float(penalty @ (trial * trial))
            if np.isfinite(reached) and reached >= value + 1e-5 * length * float(slope @ step) - 1e-12 * abs(value):
                break
            length *= 0.5
        else:
            return at, False
        at, value, gradient, second = trial, reached, new_gradient, new_second
    return at, False


def regress(dist: Distribution, lives: Lives, design: Floats, start: Floats | None = None) -> Regression:
    """Maximum likelihood of a life regression.

    Parameters
    ----------
    lives : Lives
        One component; `Part.row` points into the rows of `design`.
    design : (rows, p)
        First column ones.
    """
    if start is None:
        modes = find_modes(dist, lives, no_prior(1))
        start = np.concatenate([modes.parameters[0, :1], np.zeros(design.shape[1] - 1), modes.parameters[0, 1:]])
    at, settled = climb(dist, lives, design, start)
    value, _, second = _totals(dist, lives, design, at)
    covariance = np.zeros_like(second)
    free = len(at) - 1 if dist.sigma_is_one else len(at)
    covariance[:free, :free] = np.linalg.pinv(-second[:free, :free])
    return Regression(dist, at, covariance, value, settled)


class LifeModel(GenericLikelihoodModel):  # type: ignore[misc]
    """statsmodels' view of a life regression; `endog` (n, 3): entry, lower and upper age (inf where it has not failed).

    `exog` (n, p): design with a column of ones. Parameters: effects on log age, then log sigma (not for the
    exponential).
    """

    def __init__(
        self, endog: Floats, exog: Floats, *, dist: Distribution, weight: Floats | None = None, **more: Any
    ) -> None:
        self.dist = dist
        self.weight = np.ones(len(endog)) if weight is None else np.asarray(weight, dtype=float)
        entry, lower, upper = np.asarray(endog, dtype=float).T
        self.lives = lay_out(np.zeros(len(entry), dtype=np.int64), entry, lower, upper, self.weight, 1)
        self._last: tuple[Floats, tuple[float, Floats, Floats]] | None = None
        extra = [] if dist.sigma_is_one else ["log_sigma"]
        super().__init__(np.asarray(endog, dtype=float), exog, extra_params_names=extra, **more)

    def _whole(self, params: Floats) -> Floats:
        params = np.asarray(params, dtype=float)
        return np.append(params, 0.0) if self.dist.sigma_is_one else params

    def _at(self, params: Floats) -> tuple[float, Floats, Floats]:
        """Log likelihood and its derivatives, kept for the last point: statsmodels asks for one after the other."""
        whole = self._whole(params)
        if self._last is None or not np.array_equal(self._last[0], whole):
            self._last = whole.copy(), _totals(self.dist, self.lives, self.exog, whole)
        return self._last[1]

    def loglike(self, params: Floats) -> float:
        """Log likelihood, ages in the unit given."""
        return self._at(params)[0]

    def loglikeobs(self, params: Floats) -> Floats:
        """Log likelihood of each row."""
        at = self._whole(params)
        return each_life(self.dist, self.lives, self.exog @ at[:-1], np.full(len(self.exog), at[-1]))[0]

    def score(self, params: Floats) -> Floats:
        """Gradient of the log likelihood."""
        return self._at(params)[1][: len(params)].copy()

    def score_obs(self, params: Floats, **_more: Any) -> Floats:
        """Gradient of each row's log likelihood (n, parameters)."""
        at = self._whole(params)
        terms = each_life(self.dist, self.lives, self.exog @ at[:-1], np.full(len(self.exog), at[-1]))
        return np.column_stack([self.exog * terms[1][:, None], terms[2]])[:, : len(params)]

    def hessian(self, params: Floats) -> Floats:
        """Second derivatives of the log likelihood."""
        return self._at(params)[2][: len(params), : len(params)].copy()

    def _highest(self) -> Floats:
        if self.exog.shape[1] == 1 and np.all(self.exog == 1.0):
            modes = find_modes(self.dist, self.lives, no_prior(1))
            highest = modes.parameters[0]
            # the search ends with the derivatives that statsmodels asks for next
            self._last = highest.copy(), (float(modes.log_likelihood[0]), modes.gradient[0], -modes.curvature[0])
        else:
            highest = regress(self.dist, self.lives, self.exog).parameters
        return np.asarray(highest[:-1] if self.dist.sigma_is_one else highest)

    def fit(self, start_params: Floats | None = None, **more: Any) -> Any:
        """statsmodels' results at the highest point; `cov_type` and `cov_kwds` as there (also by cluster)."""
        if start_params is None:
            start_params = self._highest()
        with warnings.catch_warnings():
            # at the highest point already, statsmodels' own search can gain nothing and says so
            warnings.simplefilter("ignore")
            return super().fit(start_params=start_params, method="bfgs", disp=0, **more)


def fit_model(
    dist: Distribution,
    entry: Floats,
    lower: Floats,
    upper: Floats,
    *,
    weight: Floats | None = None,
    design: Floats | None = None,
    names: list[str] | None = None,
    **more: Any,
) -> Any:
    """One distribution fitted to lives, with everything statsmodels can say of it (`params`, `cov_params`, `summary`).

    Parameters
    ----------
    entry, lower, upper : arrays (n)
        Ages; `upper` NaN or inf where the life has not failed, equal to `lower` where the failure is exact.
    design : (n, p), optional
        With a column of ones; only that column by default.
    """
    design = np.ones((len(lower), 1)) if design is None else design
    endog = np.column_stack([entry, lower, np.where(np.isfinite(upper), upper, np.inf)])
    model = LifeModel(endog, design, dist=dist, weight=weight)
    model.exog_names[: design.shape[1]] = names or ["location", *(f"effect_{i}" for i in range(1, design.shape[1]))]
    return model.fit(**more)
