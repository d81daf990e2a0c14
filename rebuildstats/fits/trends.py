"""Is a system getting worse? Trend tests and the power-law process of one system's (or equal systems') failure ages.

Sources: Laplace test; Military Handbook test (MIL-HDBK-189); NIST/SEMATECH e-Handbook 8.2.3.4 and 8.4.2; Crow (1974);
Bain & Engelhardt (1991). `end` is where observation stopped: by time, or at the last failure when `end` is None
(failure-truncated), in which case the last failure carries no information of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TrendTest:
    """statistic, its degrees of freedom (0: standard normal); p_worse: one-sided for deterioration, p_better: for
    improvement."""

    statistic: float
    degrees: int
    p_worse: float
    p_better: float
    events: int


@dataclass(frozen=True, slots=True)
class CannotTrend:
    """Too few events for a trend: the reason, with the fields of a test."""

    reason: str
    events: int
    statistic: float = float("nan")
    degrees: int = 0
    p_worse: float = 1.0
    p_better: float = 1.0


def _inside(ages: npt.ArrayLike, end: float | None) -> tuple[Array, float]:
    t = np.sort(np.asarray(ages, dtype=float))
    return (t, float(end)) if end is not None else (t[:-1], float(t[-1]))


def laplace_test(ages: npt.ArrayLike, end: float | None = None) -> TrendTest | CannotTrend:
    """Laplace's test: positive z for failures that crowd late (worse). Best against a log-linear intensity."""
    if np.size(ages) < 3:
        return CannotTrend("fewer than three failures", int(np.size(ages)))
    t, T = _inside(ages, end)
    z = float((t.sum() - len(t) * T / 2) / (T * np.sqrt(len(t) / 12)))
    return TrendTest(z, 0, float(stats.norm.sf(z)), float(stats.norm.cdf(z)), int(np.size(ages)))


def military_handbook_test(ages: npt.ArrayLike, end: float | None = None) -> TrendTest | CannotTrend:
    """2 sum ln(T / t) on 2n degrees of freedom (2(n-1) failure-truncated): small for worse, large for better."""
    if np.size(ages) < 3:
        return CannotTrend("fewer than three failures", int(np.size(ages)))
    t, T = _inside(ages, end)
    chi2, degrees = float(2 * np.log(T / t).sum()), 2 * len(t)
    p_better = float(stats.chi2.sf(chi2, degrees))
    return TrendTest(chi2, degrees, 1 - p_better, p_better, int(np.size(ages)))


def reversals(ages: npt.ArrayLike) -> tuple[int, int]:
    """Reverse arrangements of the times between failures, and how many pairs there are: many for improvement."""
    gaps = np.diff(np.concatenate([[0.0], np.sort(np.asarray(ages, dtype=float))]))
    n = len(gaps)
    count = int(sum((gaps[i + 1 :] > gaps[i]).sum() for i in range(n)))
    return count, n * (n - 1) // 2


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Expected failures by age t: (t / scale)^shape = lam t^shape; shape above 1: getting worse.

    shape, lam: maximum likelihood; shape_unbiased: modified (NIST's b); shape limits exact by chi-square; mtbf:
    distance between failures at the end, with limits (Crow); cramer_von_mises and its p-value by simulation say
    whether the form fits.
    """

    shape: float
    shape_lower: float
    shape_upper: float
    shape_unbiased: float
    lam: float
    lam_unbiased: float
    scale: float
    mtbf: float
    mtbf_lower: float
    mtbf_upper: float
    cramer_von_mises: float
    fit_p: float
    events: int
    end: float

    def expected(self, age: npt.ArrayLike) -> Array:
        return np.asarray(self.lam * np.asarray(age, dtype=float) ** self.shape)


def fit_power_law(
    ages: npt.ArrayLike, end: float | None = None, level: float = 0.90, *, simulations: int = 2000, seed: int = 0
) -> PowerLaw | CannotTrend:
    """The power-law process of one system (Crow 1974), time-truncated at `end` or failure-truncated."""
    n = int(np.size(ages))
    if n < 3:
        return CannotTrend("fewer than three failures", n)
    t, T = _inside(ages, end)
    total = float(np.log(T / t).sum())
    m = len(t)  # n, or n - 1 failure-truncated
    shape = n / total
    tail = (1 - level) / 2
    # 2 n shape_true / shape_hat is chi-square on 2n (time) or 2(n-1) (failure) degrees of freedom
    low, high = (float(stats.chi2.ppf(q, 2 * m)) * shape / (2 * n) for q in (tail, 1 - tail))
    unbiased = (n - 1) / total if end is not None else (n - 2) / total
    lam, lam_unbiased = n / T**shape, n / T**unbiased
    mtbf = T / (n * unbiased)
    mtbf_low, mtbf_high = _mtbf_limits(n, mtbf, level) if end is not None else (float("nan"), float("nan"))
    ratio = np.sort(t / T)
    fit_shape = (m - 1) / total
    statistic = _cramer_von_mises(ratio, fit_shape)
    rng = np.random.default_rng(seed)
    u = np.sort(rng.uniform(size=(simulations, m)), axis=1)
    simulated_shape = (m - 1) / -np.log(u).sum(axis=1)
    middle = (2 * np.arange(1, m + 1) - 1) / (2 * m)
    simulated = 1 / (12 * m) + ((u ** simulated_shape[:, None] - middle) ** 2).sum(axis=1)
    p = float((1 + (simulated >= statistic).sum()) / (simulations + 1))
    return PowerLaw(
        shape,
        low,
        high,
        unbiased,
        lam,
        lam_unbiased,
        T / n ** (1 / shape),
        mtbf,
        mtbf_low,
        mtbf_high,
        statistic,
        p,
        n,
        T,
    )


def _mtbf_limits(n: int, mtbf: float, level: float) -> tuple[float, float]:
    """Two-sided limits of the distance between failures at the end, time-truncated, as NIST's apr452.r computes them.

    lower: n(n-1) / (n + z^2/4 + sqrt(n z^2/2 + z^4/16))^2, upper: n(n-1) / (n - z sqrt(n/2))^2, times the estimate.
    """
    z = float(stats.norm.ppf((1 + level) / 2))
    below = n + z * z / 4 + float(np.sqrt(n * z * z / 2 + z**4 / 16))
    above = n - z * float(np.sqrt(n / 2))
    return mtbf * n * (n - 1) / below**2, mtbf * n * (n - 1) / above**2 if above > 0 else float("inf")


def _cramer_von_mises(ratio: Array, shape: float) -> float:
    m = len(ratio)
    middle = (2 * np.arange(1, m + 1) - 1) / (2 * m)
    return float(1 / (12 * m) + ((ratio**shape - middle) ** 2).sum())


@dataclass(frozen=True, slots=True)
class LogLinear:
    """Intensity exp(a + b t): the alternative the Laplace test is best against (Cox & Lewis 1966)."""

    a: float
    b: float
    events: int
    end: float


def fit_log_linear(ages: npt.ArrayLike, end: float | None = None) -> LogLinear:
    """Maximum likelihood of exp(a + b t) up to `end` (the last failure when None)."""
    t = np.sort(np.asarray(ages, dtype=float))
    T = float(t[-1]) if end is None else float(end)
    n, total = len(t), float(t.sum())

    def score(b: float) -> float:
        if abs(b * T) < 1e-8:
            return total - n * T / 2
        return float(total + n / b - n * T / -np.expm1(-b * T))

    b = float(optimize.brentq(score, -200 / T, 200 / T, xtol=1e-14))
    a = float(np.log(n * b / np.expm1(b * T))) if abs(b * T) > 1e-8 else float(np.log(n / T))
    return LogLinear(a, b, n, T)
