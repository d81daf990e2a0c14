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
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr, ndtri

Floats = npt.NDArray[np.float64]

_LOG_SQRT_2PI: Final = 0.5 * float(np.log(2.0 * np.pi))
# exp() of more than this, squared and weighted, overflows a double; a log age that far out has survival 0 anyway.
_EXP_MAX: Final = 300.0


@dataclass(frozen=True, slots=True)
class Distribution:
    """A standardised distribution of log age; every function takes and gives arrays of any one shape."""

    name: str
    log_density: Callable[[Floats], Floats]
    density_slope: Callable[[Floats], Floats]
    """First derivative of the log density by z."""
    density_bend: Callable[[Floats], Floats]
    """Second derivative of the log density by z."""
    log_survival: Callable[[Floats], Floats]
    quantile: Callable[[Floats], Floats]
    """z at which the chance of having failed is p."""
    density_from: Callable[[Floats, Floats], tuple[Floats, Floats]]
    """The log density and its first derivative, of z and the log survival there, which they can mostly be told from."""
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


def _logistic(z: Floats) -> Floats:
    value: Floats = 0.5 * (1.0 + np.tanh(0.5 * z))
    return value


def _softplus(z: Floats) -> Floats:
    return np.asarray(np.maximum(z, 0.0) + np.log1p(np.exp(-np.abs(z))))


# log age of a Weibull life has the smallest-extreme-value distribution
WEIBULL: Final = Distribution(
    name="weibull",
    log_density=lambda z: z - _exp(z),
    density_slope=lambda z: 1.0 - _exp(z),
    density_bend=lambda z: -_exp(z),
    log_survival=lambda z: -_exp(z),
    quantile=lambda p: np.log(-np.log1p(-p)),
    density_from=lambda z, log_s: (z + log_s, 1.0 + log_s),
    shape_is_inverse=True,
)

LOGNORMAL: Final = Distribution(
    name="lognormal",
    log_density=lambda z: -0.5 * z * z - _LOG_SQRT_2PI,
    density_slope=lambda z: -z,
    density_bend=lambda z: -np.ones_like(z),
    log_survival=lambda z: log_ndtr(-z),
    quantile=lambda p: ndtri(p),
    density_from=lambda z, _: (-0.5 * z * z - _LOG_SQRT_2PI, -z),
    shape_is_inverse=False,
)

LOGLOGISTIC: Final = Distribution(
    name="loglogistic",
    log_density=lambda z: z - 2.0 * _softplus(z),
    density_slope=lambda z: 1.0 - 2.0 * _logistic(z),
    density_bend=lambda z: -2.0 * _logistic(z) * _logistic(-z),
    log_survival=lambda z: -_softplus(z),
    quantile=lambda p: np.log(p) - np.log1p(-p),
    density_from=lambda z, log_s: (z + 2.0 * log_s, 1.0 - 2.0 * _logistic(z)),
    shape_is_inverse=True,
)

EXPONENTIAL: Final = Distribution(
    name="exponential",
    log_density=WEIBULL.log_density,
    density_slope=WEIBULL.density_slope,
    density_bend=WEIBULL.density_bend,
    log_survival=WEIBULL.log_survival,
    quantile=WEIBULL.quantile,
    density_from=WEIBULL.density_from,
    shape_is_inverse=True,
    sigma_is_one=True,
)

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

    density = np.exp(distribution.log_density(z))
    if differ(-slope(lambda at: np.exp(distribution.log_survival(at))), density):
        found.append("the density is not minus the slope of the survival")
    if differ(slope(distribution.log_density), distribution.density_slope(z)):
        found.append("density_slope is not the derivative of the log density")
    if differ(slope(distribution.density_slope), distribution.density_bend(z)):
        found.append("density_bend is not the derivative of density_slope")
    told = distribution.density_from(z, distribution.log_survival(z))
    if differ(told[0], distribution.log_density(z)) or differ(told[1], distribution.density_slope(z)):
        found.append("density_from does not tell the log density and its derivative")
    p = np.array([0.01, 0.1, 0.5, 0.9])
    if differ(-np.expm1(distribution.log_survival(distribution.quantile(p))), p):
        found.append("the quantile does not invert the survival")
    return found
