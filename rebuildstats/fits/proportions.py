"""Intervals for a share of fails: k found bad of n looked at.

Jeffreys is the default of the inspections table and Wilson its rival: Brown, Cai & DasGupta (2001), Statistical Science
16:101. Exact (Clopper & Pearson 1934) and mid-P limits stand beside them for whoever must defend a number.
All functions take arrays or numbers, broadcast them, and return two arrays (lower, upper) of shares between 0 and 1.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

Array = npt.NDArray[np.float64]


def _counts(failed: npt.ArrayLike, checked: npt.ArrayLike) -> tuple[Array, Array]:
    k, n = np.broadcast_arrays(np.asarray(failed, dtype=float), np.asarray(checked, dtype=float))
    if np.any(k < 0) or np.any(k > n):
        raise ValueError("the number failed must lie between 0 and the number checked")
    return k, n


def jeffreys_interval(failed: npt.ArrayLike, checked: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
    """Equal-tailed interval under the prior Beta(1/2, 1/2), its ends moved to 0 or 1 where none or all failed.

    With nothing checked the interval is (0, 1): nothing is known, and the interval says so.
    """
    k, n = _counts(failed, checked)
    tail = (1 - level) / 2
    lower = np.where(k > 0, stats.beta.ppf(tail, k + 0.5, n - k + 0.5), 0.0)
    upper = np.where(k < n, stats.beta.ppf(1 - tail, k + 0.5, n - k + 0.5), 1.0)
    return lower, upper


def jeffreys_pure_interval(failed: npt.ArrayLike, checked: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
    """The Jeffreys interval without moved ends, as scipy, R and statsmodels print it."""
    k, n = _counts(failed, checked)
    tail = (1 - level) / 2
    return stats.beta.ppf(tail, k + 0.5, n - k + 0.5), stats.beta.ppf(1 - tail, k + 0.5, n - k + 0.5)


def wilson_interval(failed: npt.ArrayLike, checked: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
    """Wilson's (1927) score interval, without continuity correction."""
    k, n = _counts(failed, checked)
    z2 = float(stats.norm.ppf((1 + level) / 2)) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        p = k / n
        middle = (p + z2 / (2 * n)) / (1 + z2 / n)
        half = np.sqrt(z2 * (p * (1 - p) / n + z2 / (4 * n * n))) / (1 + z2 / n)
    lower = np.where(k > 0, middle - half, 0.0)
    upper = np.where(k < n, middle + half, 1.0)
    return lower, upper


def exact_interval(failed: npt.ArrayLike, checked: npt.ArrayLike, level: float = 0.90) -> tuple[Array, Array]:
    """Clopper & Pearson (1934): each tail holds at most (1 - level) / 2."""
    k, n = _counts(failed, checked)
    tail = (1 - level) / 2
    lower = np.where(k > 0, stats.beta.ppf(tail, k, n - k + 1), 0.0)
    upper = np.where(k < n, stats.beta.ppf(1 - tail, k + 1, n - k), 1.0)
    return lower, upper


def mid_p_interval(failed: int, checked: int, level: float = 0.90) -> tuple[float, float]:
    """Mid-P limits (Lancaster 1961): half of the observed count's own chance counts to each tail."""
    tail = (1 - level) / 2

    def upper_tail(p: float) -> float:
        return float(stats.binom.sf(failed, checked, p) + 0.5 * stats.binom.pmf(failed, checked, p))

    def lower_tail(p: float) -> float:
        return float(stats.binom.cdf(failed - 1, checked, p) + 0.5 * stats.binom.pmf(failed, checked, p))

    if checked == 0:
        return 0.0, 1.0
    low = 0.0 if failed == 0 else float(optimize.brentq(lambda p: upper_tail(p) - tail, 1e-12, 1 - 1e-12))
    high = 1.0 if failed == checked else float(optimize.brentq(lambda p: lower_tail(p) - tail, 1e-12, 1 - 1e-12))
    return low, high


def never_failed_bound(checked: npt.ArrayLike, level: float = 0.95) -> Array:
    """One-sided exact upper bound of the share when none of `checked` failed: 1 - (1 - level)^(1 / n); 1 when n is
    0."""
    n = np.asarray(checked, dtype=float)
    bound = np.ones_like(n)
    np.divide(1.0, n, out=bound, where=n > 0)
    return np.where(n > 0, 1 - (1 - level) ** bound, 1.0)
