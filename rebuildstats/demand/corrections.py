"""What was seen against what was expected, lately: a ratio that follows the history where the history drifts.

State-space gamma-Poisson model (Smith & Miller 1986, JRSS B 48:79; Harvey & Fernandes 1989, JBES 7:407): counts are
Poisson
with mean ratio x expected; the ratio's gamma belief is discounted from month to month towards its prior, Gamma(k, k).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import gammaln

from rebuildstats.demand.sums import Array

KEPT = (1.0, 0.98, 0.95, 0.9)  # share of the belief kept from month to month
# What a coming year strays from the ratio so far, as a share, where the past alone shows less: the lives were fitted to
# that past, so it flatters itself. Set so that bands cover over random fleets (tests/benchmarks/sim_forecast.py).
STRAY = 0.05
RECENT_MONTHS = 24
WANDER = 0.3  # a level of two years strays by this much from the year ahead, sd of its log
LEAD = 0.15  # a forecast from lives by this much, beyond what its draws say; both set on random fleets as STRAY is
PRIOR = (3.0, 10.0, 30.0, 100.0, 400.0)  # counts that the belief in 1 weighs


@dataclass(frozen=True, slots=True)
class Ratios:
    """Observed over expected per series (n,) as a gamma belief at the end of the past: shape over rate is the mean.

    kept, prior: as chosen over all series together by the chance they gave to each month from the months before it.
    """

    shape: Array
    rate: Array
    kept: float
    prior: float

    @property
    def mean(self) -> Array:
        return self.shape / self.rate

    def draws(self, count: int, rng: np.random.Generator, ahead: int = 0, stray: Array | float = STRAY) -> Array:
        """(count, n) draws of the ratios `ahead` months from now: the mean stays, the belief weighs less. stray: the
        share, of all or of each (n,), by which they stray at least."""
        left = self.kept**ahead
        shape = left * self.shape + (1.0 - left) * self.prior
        shape = 1.0 / (1.0 / shape + stray**2)
        return rng.gamma(shape[None, :], self.mean[None, :] / shape[None, :], (count, shape.size))


def _filter(observed: Array, expected: Array, kept: float, prior: float) -> tuple[Array, Array, float]:
    shape = np.full(observed.shape[0], prior)
    rate = shape.copy()
    score = 0.0
    for month in range(observed.shape[1]):
        shape, rate = kept * shape + (1 - kept) * prior, kept * rate + (1 - kept) * prior
        o, e = observed[:, month], expected[:, month]
        used = e > 1e-9
        log_p = (
            gammaln(shape + o) - gammaln(shape) - gammaln(o + 1.0)
            + shape * np.log(rate / (rate + e)) + o * np.log(np.where(used, e, 1.0) / (rate + e))
        )  # fmt: skip
        score += float(log_p[used].sum())
        shape, rate = shape + np.where(used, o, 0.0), rate + np.where(used, e, 0.0)
    return shape, rate, score


def follow(observed: Array, expected: Array) -> Ratios:
    """Ratios of several series at once: observed, expected (n, months), oldest first, in independent counts.

    The discount and the weight of the prior are those that foretold the past best over all series; a step away from
    'nothing drifts' must earn one unit of log chance.
    """
    if not observed.size:
        return Ratios(np.full(observed.shape[0], PRIOR[-1]), np.full(observed.shape[0], PRIOR[-1]), 1.0, PRIOR[-1])
    best: tuple[float, float, float] = (-np.inf, 1.0, PRIOR[-1])
    for i, kept in enumerate(KEPT):
        for j, prior in enumerate(reversed(PRIOR)):
            _, _, score = _filter(observed, expected, kept, prior)
            score -= 1.0 * i + 0.5 * j
            if score > best[0]:
                best = (score, kept, prior)
    shape, rate, _ = _filter(observed, expected, best[1], best[2])
    return Ratios(shape, rate, best[1], best[2])


@dataclass(frozen=True, slots=True)
class Pull:
    """How a forecast is moved to a part's own recent level: weight (0-1) of that level in the logs of the two, and what
    the forecast is multiplied by."""

    weight: float
    factor: float


def toward_recent(level: float, recent: Array, lot: float, free: float) -> Pull:
    """Combine a forecast of `level` pieces a month with the part's own recent level: two forecasts that err apart, each
    weighed by the inverse of its variance (Bates & Granger 1969, OR Quarterly 20:451), in logs.

    The lives know what is to come where ages shift, but mislead a whole family at once (LEAD). recent: the part's
    pieces by month, the latest last; the last two years of them are used, and their level errs by its counts and by how
    far a fleet's level wanders from such a past to the year ahead (WANDER). lot: pieces usually taken at once; three
    lots of belief in `level` keep a rare part's empty months from counting for much. free: share of the level that no
    booking fixes; what is booked isn't moved.
    """
    window = recent[-RECENT_MONTHS:]
    if level <= 0.0 or not window.size:
        return Pull(0.0, 1.0)
    lot = max(1.0, lot)
    belief = 3.0 * lot
    pieces = max(0.0, float(window.sum()))
    own = (pieces + belief) / (window.size + belief / level)
    weight = free * LEAD**2 / (LEAD**2 + lot / (pieces + belief) + WANDER**2)
    return Pull(float(weight), float((own / level) ** weight))


def count_by_month(dates: pd.Series, months: pd.PeriodIndex, weight: Array | None = None) -> Array:
    """Events (or their weights) in each month: (months,)."""
    period = pd.to_datetime(dates).dt.to_period("M")
    at = months.get_indexer(pd.PeriodIndex(period))
    inside = at >= 0
    w = np.ones(len(at)) if weight is None else weight
    return np.bincount(at[inside], w[inside], len(months)).astype(float)
