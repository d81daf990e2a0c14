"""When did it begin? Risk-adjusted cumulative sums.

Steiner, Cook, Farewell & Treasure (2000), Biostatistics 1:441 for events with a chance of their own; the same
log-likelihood ratio for failures against accumulated hazard (Poisson CUSUM: Lucas 1985; Sego, Reynolds & Woodall
2009). The run length of a normal CUSUM by Gauss-Legendre (Brook & Evans 1972; Lucas & Crosier 1982) stands here for
setting limits.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[np.float64]


def risk_adjusted_weight(event: npt.ArrayLike, chance: npt.ArrayLike, odds_ratio: float) -> Array:
    """Log-likelihood ratio of one outcome: chance under the sound state against odds multiplied by `odds_ratio`."""
    y, p = np.asarray(event, dtype=float), np.asarray(chance, dtype=float)
    return np.asarray(y * np.log(odds_ratio) - np.log1p(p * (odds_ratio - 1)))


def hazard_weight(events: npt.ArrayLike, hazard: npt.ArrayLike, ratio: float) -> Array:
    """Log-likelihood ratio of a step with `events` failures against `hazard` expected: rate multiplied by `ratio`
    against 1."""
    return np.asarray(np.asarray(events, dtype=float) * np.log(ratio) - np.asarray(hazard, dtype=float) * (ratio - 1.0))


def upper_cusum(weights: npt.ArrayLike) -> Array:
    """W_t = max(0, W_{t-1} + w_t)."""
    total = np.cumsum(np.asarray(weights, dtype=float))
    return np.asarray(total - np.minimum(np.minimum.accumulate(total), 0.0))


@dataclass(frozen=True, slots=True)
class Onset:
    """When an excess began, as steps: `first` the date to name, `lower` and `upper` its 90 % limits, `zero` the step
    after the risk-adjusted CUSUM stood at nothing for the last time (the likeliest start)."""

    first: int
    lower: int
    upper: int
    zero: int


RATIO_SHAPE, RATIO_RATE = 0.5, 0.05
"""What is believed of a bad spell's ratio before it is seen: gamma with mean 10 and a wide spread, worth half a
failure."""
ALL_ALONG = 0.3
"""Prior weight of 'bad from the first exposure on'."""


def date_onset(
    events: npt.ArrayLike, hazard: npt.ArrayLike, last: int, *, reach: int = 4, all_along: float = ALL_ALONG
) -> Onset:
    """When a bad spell began that is known to have lasted to step `last`.

    events, hazard: failures and sound hazard by step. A start's weight is the likelihood ratio of the steps from it on,
    exp of what the CUSUM sums, with the ratio integrated out (gamma prior): the Bayesian form of the CUSUM's last zero
    (Page 1954; Hinkley 1970; Shiryaev 1963 for the posterior). all_along: prior weight of 'bad from the first exposure
    on', the rest is even over the steps. `first` is the step with the most posterior weight within `reach` steps of it:
    the last zero itself lies before the first failure of the spell or behind a chance failure just before it.
    """
    o, e = np.asarray(events, dtype=float)[: last + 1], np.asarray(hazard, dtype=float)[: last + 1]
    live = np.flatnonzero(e > 0)
    if not len(live):
        return Onset(0, 0, 0, 0)
    begin = int(live[0])
    after_o, after_e = np.cumsum(o[::-1])[::-1][begin:], np.cumsum(e[::-1])[::-1][begin:]
    ratio = max(float(after_o[0] / after_e[0]), 1.5)
    sums = upper_cusum(hazard_weight(o[begin:], e[begin:], ratio))
    zeros = np.flatnonzero(sums <= 0)
    zero = begin + (int(zeros[-1]) + 1 if len(zeros) else 0)
    a, b = RATIO_SHAPE, RATIO_RATE
    value = special.gammaln(a + after_o) - (a + after_o) * np.log(b + after_e) + after_e
    weight = np.exp(value - value.max()) * (1 - all_along) / len(value)
    weight[0] += all_along * float(np.exp(value[0] - value.max()))
    weight /= weight.sum()
    mass = np.cumsum(np.concatenate([[0.0], weight]))
    step = np.arange(len(weight))
    near = mass[np.minimum(step + reach + 1, len(weight))] - mass[np.maximum(step - reach, 0)]
    # of near equals the one that is likelier itself: a start at the first exposure is one date, not a stretch of them
    first = int(np.argmax(np.where(near >= near.max() - 0.01, weight, -1.0)))
    lower, upper = (int(np.searchsorted(mass[1:], q)) for q in (0.05, 0.95))
    upper = min(upper, len(weight) - 1)
    return Onset(begin + first, begin + min(lower, first), begin + max(upper, first), min(zero, last))


def normal_cusum_run_length(limit: float, reference: float, mean: float = 0.0, nodes: int = 60) -> float:
    """Average run length from zero of the one-sided CUSUM of N(mean, 1) with reference value k and limit h.

    The integral equation L(z) = 1 + L(0) Phi(k - z - mean) + int_0^h L(x) phi(x + k - z - mean) dx on Gauss-Legendre
    nodes.
    """
    x, w = np.polynomial.legendre.leggauss(nodes)
    z, w = limit * (x + 1) / 2, w * limit / 2

    def phi(v: Array) -> Array:
        return np.asarray(np.exp(-v * v / 2) / np.sqrt(2 * np.pi))

    starts = np.concatenate([[0.0], z])
    kernel = phi(z[None, :] + reference - starts[:, None] - mean) * w[None, :]
    to_zero = special.ndtr(reference - starts - mean)
    matrix = np.eye(nodes + 1)
    matrix[:, 0] -= to_zero
    matrix[:, 1:] -= kernel
    return float(np.linalg.solve(matrix, np.ones(nodes + 1))[0])
