"""Series methods for slow demand, each with a predictive distribution: what is known without knowing the units.

A series is one part's pieces by month, oldest first, (n,). Levels are pieces a month.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rebuildstats.demand.sums import Array, negative_binomial

METHODS = ("moving average", "croston", "sba", "tsb")
SMOOTHING = 0.1
WINDOW = 12
KEPT = (1.0, 0.98, 0.95, 0.9)  # weight of a month that is a month older, for a level that may wander
_INTERVAL_CUT = 1.32
_SPREAD_CUT = 0.49


def moving_average(series: ArrayLike, window: int = WINDOW) -> float:
    """Mean of the last `window` months (fewer where the series is shorter)."""
    y = np.asarray(series, dtype=float)
    return float(y[-window:].mean()) if y.size else 0.0


def smoothed(values: ArrayLike, smoothing: float) -> float:
    """Simple exponential smoothing that starts at the first value."""
    v = np.asarray(values, dtype=float)
    if not v.size:
        return 0.0
    weights = smoothing * (1.0 - smoothing) ** np.arange(v.size - 1, -1, -1)
    weights[0] = (1.0 - smoothing) ** (v.size - 1)
    return float(weights @ v)


def demand_sizes(series: ArrayLike) -> Array:
    """The demands that are not zero, oldest first."""
    y = np.asarray(series, dtype=float)
    return y[y > 0]


def demand_intervals(series: ArrayLike) -> Array:
    """Months from one demand to the next; the first counts from the start of the series."""
    at = np.flatnonzero(np.asarray(series, dtype=float) > 0) + 1
    return np.diff(np.concatenate([[0], at])).astype(float)


def croston(series: ArrayLike, smoothing: float = SMOOTHING) -> float:
    """Croston (1972, ORQ 23:289): smoothed size over smoothed interval, both updated when there is demand."""
    sizes = demand_sizes(series)
    return smoothed(sizes, smoothing) / smoothed(demand_intervals(series), smoothing) if sizes.size else 0.0


def sba(series: ArrayLike, smoothing: float = SMOOTHING) -> float:
    """Syntetos & Boylan (2005, IJF 21:303): Croston less its bias, times 1 - smoothing / 2."""
    return (1.0 - smoothing / 2.0) * croston(series, smoothing)


def tsb(series: ArrayLike, smoothing_size: float = SMOOTHING, smoothing_chance: float = SMOOTHING) -> float:
    """Teunter, Syntetos & Babai (2011, EJOR 214:606): size updated at demands, chance of demand every month.

    The chance starts at the first month's own 0 or 1.
    """
    y = np.asarray(series, dtype=float)
    sizes = demand_sizes(y)
    return smoothed(sizes, smoothing_size) * smoothed(y > 0, smoothing_chance) if sizes.size else 0.0


def demand_class(series: ArrayLike) -> str:
    """smooth, erratic, intermittent or lumpy, by the cut-offs 1.32 and 0.49 (Syntetos, Boylan & Croston 2005, JORS
    56:495).

    The interval is months over months with demand; the squared variation is the population's, over demand sizes. A
    series
    without demand is `none`.
    """
    sizes = demand_sizes(series)
    if not sizes.size:
        return "none"
    interval = np.asarray(series).size / sizes.size
    spread = float(sizes.var() / sizes.mean() ** 2)
    if interval < _INTERVAL_CUT:
        return "smooth" if spread < _SPREAD_CUT else "erratic"
    return "intermittent" if spread < _SPREAD_CUT else "lumpy"


@dataclass(frozen=True, slots=True)
class SeriesForecast:
    """One method's forecast of one part. level: pieces a month; variance: of one month about its level; level_variance:
    of the level itself, which all months share."""

    method: str
    level: float
    variance: float
    level_variance: float

    def pmf(self, months: float) -> Array:
        """Distribution of the pieces in `months` months together: negative binomial with the method's mean and
        variance."""
        mean = self.level * months
        variance = max(mean, self.variance * months + self.level_variance * months**2)
        return negative_binomial(mean, variance, reach(mean, variance))


def reach(mean: float, variance: float) -> int:
    """How many counts a distribution of this mean and variance needs so that what lies beyond can be left out."""
    sd = float(np.sqrt(max(mean, variance, 0.0)))
    heavy = variance / mean if mean > 0 else 1.0
    return int(np.ceil(mean + 8.0 * sd + 12.0 * max(1.0, heavy) + 4.0))


def forecast_series(series: ArrayLike, method: str) -> SeriesForecast:
    """One method fitted to one series; negative months (more brought back than issued) count as they are in means.

    Variance about the level: over the window for the moving average, over the whole series else. Raises ValueError for
    a
    method that is not one of METHODS.
    """
    y = np.asarray(series, dtype=float)
    used = np.maximum(y, 0.0)
    if method == "moving average":
        y = y[-WINDOW:]
        level, share = max(0.0, moving_average(y)), 1.0 / max(1, y.size)
    elif method in METHODS:
        level = croston(used) if method == "croston" else sba(used) if method == "sba" else tsb(used)
        share = SMOOTHING / (2.0 - SMOOTHING)
    else:
        raise ValueError(f"no series method is called {method!r}; there are {', '.join(METHODS)}")
    variance = float(np.mean((y - level) ** 2)) if y.size else 0.0
    variance = max(variance, level)
    return SeriesForecast(method, level, variance, share * variance)


def discounted(series: ArrayLike, kept: float) -> SeriesForecast:
    """The mean of a series whose months weigh less by `kept` (0-1] the older they are, with its uncertainty; at 1 the
    plain mean over all of it. Negative months (more brought back than issued) count as they are."""
    y = np.asarray(series, dtype=float)
    if not y.size:
        return SeriesForecast("discounted mean", 0.0, 0.0, 0.0)
    weights = kept ** np.arange(y.size - 1, -1, -1)
    level = max(0.0, float(weights @ y / weights.sum()))
    variance = max(float(weights @ (y - level) ** 2 / weights.sum()), level)
    share = float((weights**2).sum() / weights.sum() ** 2)
    return SeriesForecast("discounted mean", level, variance, share * variance)


def choose_discount(series: Array, first: int = 12) -> float:
    """The discount of KEPT under which past levels foretold the months after them best, over all series (n, months):
    squared errors relative to each series' own variance, one month ahead from the month `first` on. A level that
    forgets must be better by a hundredth; 1 where the past is too short."""
    y = np.atleast_2d(np.asarray(series, dtype=float))
    y = y[y.std(axis=1) > 0] if y.size else y
    if not y.size or y.shape[1] <= first:
        return 1.0
    spread = y.var(axis=1)
    best, least = 1.0, np.inf
    for kept in KEPT:
        sums, weight, loss = np.zeros(len(y)), 0.0, 0.0
        for month in range(y.shape[1]):
            if month >= first:
                loss += float((((y[:, month] - sums / weight) ** 2) / spread).sum())
            sums, weight = kept * sums + y[:, month], kept * weight + 1.0
        if loss < 0.99 * least:
            best, least = kept, loss
    return best
