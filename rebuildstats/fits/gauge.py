"""Gauge readings against age: a rate of wear that differs from unit to unit.

Model of one point (mixed model of degradation: Lu & Meeker 1993, Technometrics 35:161; Meeker & Escobar ch. 13):

    reading = b0 + (b1 + u_unit) g(age) + e,   u ~ N(0, lam s2),  e ~ N(0, s2)

with g(age) one of age^(1/2), age, age^2, log(1 + age / 10,000 of distance at the scale used). The covariance of one
unit is the identity plus one rank-one term, so the restricted likelihood is closed form and is profiled on a grid of
`lam` for every power at once; where each unit was read once the same formula is weighted least squares with a spread
that grows with age. The joint uncertainty (power, lam, s2, b) is drawn from that grid with flat priors, so that
intervals are honest with few readings. The tests hold this against statsmodels' `MixedLM`.

Ages are scaled by `SCALE` inside and come back in the store's unit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

Array = npt.NDArray[np.float64]
SCALE = 100_000.0
POWERS: dict[str, str] = {"0.5": "age^0.5", "1": "age", "2": "age^2", "log": "log(1 + 10 age)"}
LAMBDAS = np.concatenate([[0.0], np.logspace(-3, 4, 43)])
DRAWS = 400
MIN_READINGS = 5


def transform(age: Array, power: str) -> Array:
    """g(age) for ages already divided by SCALE."""
    if power == "log":
        return np.log1p(10.0 * age)
    return np.power(age, float(power))


@dataclass(frozen=True, slots=True)
class GaugeDraws:
    """Draws from the joint uncertainty: arrays of one length; `power` holds indices into POWERS' keys."""

    power: npt.NDArray[np.int64]
    intercept: Array
    slope: Array
    rate_sd: Array
    error_sd: Array


@dataclass(frozen=True, slots=True)
class GaugeFit:
    """One point's fitted wear. Ages in and out are in the store's unit; `slope` is per g(age / SCALE).

    `rivals`: power -> restricted log-likelihood (comparable: the design is scaled to the same unit column). `repeated`:
    lives of a position that were read more than once (with none, the rate of each and the growing spread are one
    thing).
    """

    family: str
    point: str
    component: str
    power: str
    intercept: float
    slope: float
    rate_sd: float
    error_sd: float
    readings: int
    units: int
    repeated: int
    fails: int
    as_new: float
    low_limit: float
    high_limit: float
    oldest: float
    rivals: dict[str, float]
    draws: GaugeDraws

    kind = "gauge"

    def reading(self, age: npt.ArrayLike, share: float | npt.ArrayLike = 0.5) -> Array:
        """Quantiles of the reading to expect at these ages, a new reading of any unit, parameter uncertainty
        included."""
        return predictive_quantile(self, np.atleast_1d(np.asarray(age, dtype=float)), np.atleast_1d(share))

    def draw_chance(self, age: npt.ArrayLike) -> Array:
        """Chance that a reading lies beyond a limit, (draws, ages)."""
        mean, sd = draw_moments(self.draws, np.atleast_1d(np.asarray(age, dtype=float)))
        return beyond(mean, sd, self.low_limit, self.high_limit)

    def chance(self, age: npt.ArrayLike) -> Array:
        """Chance that one position's reading lies beyond its limit at these ages (nan without any limit)."""
        return np.asarray(self.draw_chance(age).mean(axis=0))

    def interval(self, age: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
        """Limits of `chance` over the draws."""
        tail = (1 - level) / 2
        low, high = np.quantile(self.draw_chance(age), [tail, 1 - tail], axis=0)
        return low, high

    def wear_rate(self, per: float = 10_000.0, level: float = 0.90) -> tuple[float, float, float]:
        """Wear per `per` of distance, averaged from new to the median age read, with limits over the draws."""
        age = max(self.oldest / 2, per)
        span = [draw_moments(self.draws, np.array([a]))[0][:, 0] for a in (0.0, age)]
        each = (span[1] - span[0]) / age * per
        low, high = np.quantile(each, [(1 - level) / 2, (1 + level) / 2])
        return float(each.mean()), float(low), float(high)

    def age_at_limit(self, share: float, level: float = 0.90) -> tuple[float, float, float]:
        """Age at which `share` of the units are beyond the limit, with limits; inf where not within 10 times the
        oldest age."""
        if not (np.isfinite(self.low_limit) or np.isfinite(self.high_limit)):
            return float("nan"), 0.0, float("inf")
        ages = np.concatenate([[0.0], np.geomspace(self.oldest / 200, self.oldest * 10, 160)])
        chances = np.maximum.accumulate(self.draw_chance(ages), axis=1)
        reached = chances >= share
        index = np.where(reached.any(axis=1), reached.argmax(axis=1), -1)
        each = np.full(len(index), np.inf)
        for row in np.flatnonzero(index >= 0):
            i = index[row]
            if i == 0:
                each[row] = 0.0
                continue
            c0, c1 = chances[row, i - 1], chances[row, i]
            each[row] = ages[i - 1] + (ages[i] - ages[i - 1]) * (share - c0) / max(c1 - c0, 1e-12)
        each.sort()
        tail = (1 - level) / 2
        pick = [float(each[round(q * (len(each) - 1))]) for q in (0.5, tail, 1 - tail)]
        return pick[0], pick[1], pick[2]


def draw_moments(draws: GaugeDraws, age: Array) -> tuple[Array, Array]:
    """Mean and standard deviation of a reading at each age for each draw, both (draws, ages)."""
    scaled = np.maximum(age, 0.0) / SCALE
    by_power = np.stack([transform(scaled, p) for p in POWERS])
    g = by_power[draws.power]
    mean = draws.intercept[:, None] + draws.slope[:, None] * g
    sd = np.sqrt(draws.error_sd[:, None] ** 2 + (draws.rate_sd[:, None] * g) ** 2)
    return mean, sd


def beyond(mean: Array, sd: Array, low: float, high: float) -> Array:
    """Chance of a normal reading below `low` or above `high`; nan with neither limit."""
    if not (np.isfinite(low) or np.isfinite(high)):
        return np.full(mean.shape, np.nan)
    chance = np.zeros(mean.shape)
    if np.isfinite(high):
        chance += special.ndtr((mean - high) / sd)
    if np.isfinite(low):
        chance += special.ndtr((low - mean) / sd)
    return np.minimum(chance, 1.0)


def predictive_quantile(fit: GaugeFit, age: Array, shares: Array) -> Array:
    """Quantiles of the mixture of normals over the draws, (shares, ages), by bisection."""
    mean, sd = draw_moments(fit.draws, age)
    low = np.broadcast_to((mean - 8 * sd).min(axis=0), (len(shares), len(age))).copy()
    high = np.broadcast_to((mean + 8 * sd).max(axis=0), (len(shares), len(age))).copy()
    for _ in range(40):
        middle = (low + high) / 2
        mass = special.ndtr((middle[:, None, :] - mean) / sd).mean(axis=1)
        below = mass < shares[:, None]
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2)


@dataclass(frozen=True, slots=True)
class _Profile:
    """The restricted likelihood of one power over LAMBDAS, with what each value of lam implies."""

    ll: Array
    beta: Array
    covariance: Array  # (lam, 2, 2), to be multiplied by s2
    s2: Array
    degrees: int
    g_scale: float


def profile(y: Array, g: Array, unit: npt.NDArray[np.int64]) -> _Profile:
    """Restricted likelihood for every lam: V_i^-1 = I - lam g g' / (1 + lam g'g) (Sherman & Morrison 1950).

    g is divided by its largest value first, so that lam means the same and likelihoods can be compared between powers.
    """
    g_scale = float(np.abs(g).max()) or 1.0
    g = g / g_scale
    count = int(unit.max()) + 1

    def by_unit(values: Array) -> Array:
        return np.asarray(np.bincount(unit, values, count), dtype=np.float64)

    ones = by_unit(np.ones_like(g))
    sg, sgg, sy, sgy = by_unit(g), by_unit(g * g), by_unit(y), by_unit(g * y)
    lam = LAMBDAS[:, None]
    w = lam / (1 + lam * sgg)
    a11 = ones.sum() - (w * sg**2).sum(axis=1)
    a12 = sg.sum() - (w * sg * sgg).sum(axis=1)
    a22 = sgg.sum() - (w * sgg**2).sum(axis=1)
    c1 = sy.sum() - (w * sg * sgy).sum(axis=1)
    c2 = sgy.sum() - (w * sgg * sgy).sum(axis=1)
    yy = float(y @ y) - (w * sgy**2).sum(axis=1)
    det = a11 * a22 - a12**2
    b1, b2 = (a22 * c1 - a12 * c2) / det, (a11 * c2 - a12 * c1) / det
    degrees = len(y) - 2
    rss = np.maximum(yy - b1 * c1 - b2 * c2, 1e-12 * max(float(y @ y), 1e-300))
    log_det = np.log1p(lam * sgg).sum(axis=1)
    ll = -0.5 * (degrees * np.log(rss / degrees) + log_det + np.log(det))
    covariance = np.stack([np.stack([a22, -a12], -1), np.stack([-a12, a11], -1)], -2) / det[:, None, None]
    return _Profile(ll, np.stack([b1, b2], -1), covariance, rss / degrees, degrees, g_scale)


def fit_readings(
    age: Array, reading: Array, unit: npt.NDArray[np.int64], seed: int = 0
) -> tuple[str, tuple[float, float, float, float], dict[str, float], GaugeDraws]:
    """Best power, (intercept, slope, rate sd, error sd) at it, likelihood of every power, draws.

    `age` in the store's unit, at least MIN_READINGS finite readings at two or more ages.
    """
    scaled = age / SCALE
    center, spread = float(reading.mean()), float(reading.std()) or 1.0
    y = (reading - center) / spread  # centred: sums of squares keep their digits
    names = list(POWERS)
    profiles = [profile(y, transform(scaled, p), unit) for p in names]
    step = np.gradient(np.log(LAMBDAS[1:]))
    # flat prior on the rate's standard deviation relative to the error's, root lam
    prior = np.concatenate([[np.log(np.sqrt(LAMBDAS[1]))], np.log(0.5 * step * np.sqrt(LAMBDAS[1:]))])
    heavy = np.concatenate([[0.0], np.log1p(LAMBDAS[1:])])  # half-Cauchy tail keeps the prior proper
    log_post = np.stack([p.ll for p in profiles]) + prior - heavy
    weight = np.exp(log_post - log_post.max())
    weight /= weight.sum()
    best = int(weight.sum(axis=1).argmax())
    top = profiles[best]
    j = int(top.ll.argmax())
    rng = np.random.default_rng(seed)
    flat = rng.choice(weight.size, size=DRAWS, p=weight.ravel())
    which, lam_index = np.unravel_index(flat, weight.shape)
    s2 = np.empty(DRAWS)
    beta = np.empty((DRAWS, 2))
    scale = np.empty(DRAWS)
    noise = rng.standard_normal((DRAWS, 2))
    chi2 = stats.chi2.rvs(len(y) - 2, size=DRAWS, random_state=rng)
    for i in range(DRAWS):
        p, k = profiles[which[i]], lam_index[i]
        s2[i] = p.s2[k] * p.degrees / chi2[i]
        c = p.covariance[k]
        a = np.sqrt(c[0, 0])
        b = c[0, 1] / a
        root = np.array([[a, 0.0], [b, np.sqrt(max(c[1, 1] - b * b, 0.0))]])
        beta[i] = p.beta[k] + np.sqrt(s2[i]) * (root @ noise[i])
        scale[i] = p.g_scale
    draws = GaugeDraws(
        power=which.astype(np.int64),
        intercept=center + spread * beta[:, 0],
        slope=spread * beta[:, 1] / scale,
        rate_sd=spread * np.sqrt(LAMBDAS[lam_index] * s2) / scale,
        error_sd=spread * np.sqrt(s2),
    )
    estimate = (
        center + spread * float(top.beta[j, 0]),
        spread * float(top.beta[j, 1]) / top.g_scale,
        spread * float(np.sqrt(LAMBDAS[j] * top.s2[j])) / top.g_scale,
        spread * float(np.sqrt(top.s2[j])),
    )
    return names[best], estimate, {n: float(p.ll.max()) for n, p in zip(names, profiles, strict=True)}, draws
