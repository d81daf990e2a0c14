"""Life distributions as data: location-scale families on log age.

With z = (log age - location) / sigma, a distribution is fully given by its standardised log density, its first two
derivatives, its log survival and its quantile. One generic likelihood serves all of them.

The names of the two numbers a person sees (`scale`, `shape`) differ per distribution and are given by
`Distribution.to_scale_shape`: Weibull characteristic life and Weibull shape; lognormal median and sigma of log age;
exponential mean and 1; loglogistic median and the power in S(t) = 1 / (1 + (t / scale) ** shape).

Source: Meeker, Escobar & Pascual, Statistical Methods for Reliability Data, 2nd ed. 2022, ch. 4.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, ndtri

Floats = npt.NDArray[np.float64]
Three = tuple[Floats, Floats, Floats]

_LOG_SQRT_2PI: Final = 0.5 * float(np.log(2.0 * np.pi))
# exp() of more than this, squared and weighted, overflows a double; a log age that far out has survival 0 anyway.
_EXP_MAX: Final = 300.0
# a chance of less is taken as this, so that its log is finite
_LEAST: Final = 1e-300


@dataclass(frozen=True, slots=True)
class Distribution:
    """A standardised distribution of log age; every function takes and gives arrays of any one shape."""

    name: str
    log_density: Callable[[Floats], Floats]
    log_survival: Callable[[Floats], Floats]
    log_failed: Callable[[Floats], Floats]
    """Log of the chance of having failed."""
    density: Callable[[Floats], Three]
    """The log density with its first and second derivative by z."""
    survived: Callable[[Floats], Three]
    """The log survival, the density over the survival, and the first derivative of the log density."""
    failed: Callable[[Floats], Three]
    """The log of the chance of having failed, the density over that chance, and the first derivative of the log
    density."""
    quantile: Callable[[Floats], Floats]
    """z at which the chance of having failed is p."""
    shape_is_inverse: bool
    """True where the shape a person sees is 1 / sigma (Weibull, loglogistic), False where it is sigma (lognormal)."""
    sigma_is_one: bool = False
    """True where sigma is no parameter but 1 (exponential)."""

    @property
    def parameters(self) -> int:
        """How many parameters are estimated."""
        return 1 if self.sigma_is_one else 2

    def to_scale_shape(self, location: float, sigma: float) -> tuple[float, float]:
        """The two numbers of the `life` contract, from location and sigma of log age."""
        return float(np.exp(location)), float(1.0 / sigma if self.shape_is_inverse else sigma)

    def from_scale_shape(self, scale: float, shape: float) -> tuple[float, float]:
        """Location and sigma of log age from the two numbers of the `life` contract."""
        return float(np.log(scale)), float(1.0 / shape if self.shape_is_inverse else shape)

    def z_at(self, chance: float) -> float:
        """z at which the chance of having failed is `chance` (between 0 and 1)."""
        return float(self.quantile(np.array([chance]))[0])


def _exp(z: Floats) -> Floats:
    value: Floats = np.exp(np.minimum(z, _EXP_MAX))
    return value


def _softplus(z: Floats) -> Floats:
    return np.asarray(np.maximum(z, 0.0) + np.log1p(np.exp(-np.abs(z))))


def _weibull_density(z: Floats) -> Three:
    hazard = _exp(z)
    return z - hazard, 1.0 - hazard, -hazard


def _weibull_survived(z: Floats) -> Three:
    hazard = _exp(z)
    return -hazard, hazard, 1.0 - hazard


def _weibull_failed(z: Floats) -> Three:
    hazard = _exp(z)
    failed = np.maximum(-np.expm1(-hazard), _LEAST)
    return np.log(failed), hazard * (1.0 - failed) / failed, 1.0 - hazard


# log age of a Weibull life has the smallest-extreme-value distribution
WEIBULL: Final = Distribution(
    name="weibull",
    log_density=lambda z: z - _exp(z),
    log_survival=lambda z: -_exp(z),
    log_failed=lambda z: np.log(np.maximum(-np.expm1(-_exp(z)), _LEAST)),
    density=_weibull_density,
    survived=_weibull_survived,
    failed=_weibull_failed,
    quantile=lambda p: np.log(-np.log1p(-p)),
    shape_is_inverse=True,
)


def _normal_over(z: Floats, log_chance: Floats) -> Floats:
    """The normal density over a chance given by its log."""
    value: Floats = np.exp(np.minimum(-0.5 * z * z - _LOG_SQRT_2PI - log_chance, _EXP_MAX))
    return value


def _lognormal_survived(z: Floats) -> Three:
    log_survival = log_ndtr(-z)
    return log_survival, _normal_over(z, log_survival), -z


def _lognormal_failed(z: Floats) -> Three:
    log_failed = log_ndtr(z)
    return log_failed, _normal_over(z, log_failed), -z


LOGNORMAL: Final = Distribution(
    name="lognormal",
    log_density=lambda z: -0.5 * z * z - _LOG_SQRT_2PI,
    log_survival=lambda z: log_ndtr(-z),
    log_failed=lambda z: log_ndtr(z),
    density=lambda z: (-0.5 * z * z - _LOG_SQRT_2PI, -z, -np.ones_like(z)),
    survived=_lognormal_survived,
    failed=_lognormal_failed,
    quantile=lambda p: ndtri(p),
    shape_is_inverse=False,
)


def _loglogistic_density(z: Floats) -> Three:
    log_survival = -_softplus(z)
    failed = np.exp(z + log_survival)
    return z + 2.0 * log_survival, 1.0 - 2.0 * failed, -2.0 * failed * np.exp(log_survival)


def _loglogistic_survived(z: Floats) -> Three:
    log_survival = -_softplus(z)
    failed = np.exp(z + log_survival)
    return log_survival, failed, 1.0 - 2.0 * failed


def _loglogistic_failed(z: Floats) -> Three:
    log_failed = -_softplus(-z)
    survival = np.exp(log_failed - z)
    return log_failed, survival, 2.0 * survival - 1.0


LOGLOGISTIC: Final = Distribution(
    name="loglogistic",
    log_density=lambda z: z - 2.0 * _softplus(z),
    log_survival=lambda z: -_softplus(z),
    log_failed=lambda z: -_softplus(-z),
    density=_loglogistic_density,
    survived=_loglogistic_survived,
    failed=_loglogistic_failed,
    quantile=lambda p: np.log(p) - np.log1p(-p),
    shape_is_inverse=True,
)

EXPONENTIAL: Final = replace(WEIBULL, name="exponential", sigma_is_one=True)

DISTRIBUTIONS: Final[tuple[Distribution, ...]] = (WEIBULL, LOGNORMAL, LOGLOGISTIC, EXPONENTIAL)
BY_NAME: Final[dict[str, Distribution]] = {d.name: d for d in DISTRIBUTIONS}


def faults(distribution: Distribution) -> list[str]:
    """Every way in which a distribution's functions contradict each other, as sentences; empty when it is sound.

    The checks are numerical: the density is minus the slope of the survival, the derivatives are the derivatives,
    the quantile inverts the survival.
    """
    z = np.linspace(-4.0, 2.5, 27)
    step = 1e-5
    found = []

    def slope(of: Callable[[Floats], Floats]) -> Floats:
        return (of(z + step) - of(z - step)) / (2.0 * step)

    def differ(a: Floats, b: Floats) -> bool:
        return bool(np.any(np.abs(a - b) > 1e-6 * (1.0 + np.abs(b))))

    def close(three: Three, *expected: Floats) -> bool:
        return not any(differ(a, b) for a, b in zip(three, expected, strict=True))

    log_density = distribution.log_density(z)
    survival, failed = np.exp(distribution.log_survival(z)), np.exp(distribution.log_failed(z))
    density_slope = slope(distribution.log_density)
    if differ(-slope(lambda at: np.exp(distribution.log_survival(at))), np.exp(log_density)):
        found.append("the density is not minus the slope of the survival")
    if differ(survival + failed, np.ones_like(z)):
        found.append("the survival and the chance of having failed do not make up 1")
    if not close(distribution.density(z), log_density, density_slope, slope(lambda at: distribution.density(at)[1])):
        found.append("density does not tell the log density and its two derivatives")
    if not close(distribution.survived(z), np.log(survival), np.exp(log_density) / survival, density_slope):
        found.append("survived does not tell the log survival, the density over it and the log density's slope")
    if not close(distribution.failed(z), np.log(failed), np.exp(log_density) / failed, density_slope):
        found.append("failed does not tell the log chance, the density over it and the log density's slope")
    p = np.array([0.01, 0.1, 0.5, 0.9])
    if differ(-np.expm1(distribution.log_survival(distribution.quantile(p))), p):
        found.append("the quantile does not invert the survival")
    return found
