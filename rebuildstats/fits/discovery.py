"""Many groups looked at once: the false discovery rate, shrinkage of small groups.

Benjamini & Hochberg (1995), JRSS B 57:289; Benjamini & Yekutieli (2001), Annals of Statistics 29:1165, for tests that
depend on each other in any way. Gamma-Poisson shrinkage: Clayton & Kaldor (1987), Biometrics 43:671.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special, stats

Array = npt.NDArray[np.float64]


def adjusted(p_values: npt.ArrayLike, method: str = "bh") -> Array:
    """q-values in the order given: 'bh' (independent or positively dependent tests) or 'by' (any dependence)."""
    p = np.asarray(p_values, dtype=float)
    n = len(p)
    if n == 0:
        return p
    order = np.argsort(p)
    penalty = float((1 / np.arange(1, n + 1)).sum()) if method == "by" else 1.0
    raised = p[order] * n * penalty / np.arange(1, n + 1)
    q = np.empty(n)
    q[order] = np.minimum(1.0, np.minimum.accumulate(raised[::-1])[::-1])
    return q


@dataclass(frozen=True, slots=True)
class Shrunk:
    """Ratios pulled to their common mean: ratio, lower, upper per group; `amount` 1 = all prior, 0 = all own counts.

    shape, mean: of the gamma between groups, averaged over what the data leave open of it.
    """

    ratio: Array
    lower: Array
    upper: Array
    amount: Array
    shape: float
    mean: float


HYPER_DRAWS = 48


def shrink_ratios(observed: npt.ArrayLike, expected: npt.ArrayLike, level: float = 0.90, seed: int = 0) -> Shrunk:
    """Observed / expected of many groups under ratio ~ gamma(shape, mean) with both learned from all of them.

    Shape and mean are drawn from their posterior on a grid rather than fixed at their best values: with few groups a
    fixed prior makes intervals too short. Without visible spread the groups are shown near the common mean (amount
    near 1).
    """
    o, e = np.asarray(observed, dtype=float), np.asarray(expected, dtype=float)
    shapes, means = _hyper_draws(o[e > 0], e[e > 0], np.random.default_rng(seed))
    a = o[:, None] + shapes
    b = e[:, None] + shapes / means
    tail = (1 - level) / 2
    limits = []
    for q in (tail, 1 - tail):
        low, high = np.zeros(len(o)), (stats.gamma.ppf(0.9999, a) / b).max(axis=1) if len(o) else np.zeros(0)
        for _ in range(45):
            middle = (low + high) / 2
            below = special.gammainc(a, b * middle[:, None]).mean(axis=1) < q
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        limits.append((low + high) / 2)
    amount = ((shapes / means) / b).mean(axis=1)
    return Shrunk((a / b).mean(axis=1), limits[0], limits[1], amount, float(shapes.mean()), float(means.mean()))


def _hyper_draws(o: Array, e: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Draws of (shape, mean) from the negative-binomial marginal likelihood on a grid, half-Cauchy on the spread
    1/root shape."""
    if len(o) < 2 or o.sum() == 0:
        return np.ones(HYPER_DRAWS), np.ones(HYPER_DRAWS)  # nothing to learn from: one pseudo-event at ratio 1
    log_shape = np.linspace(np.log(0.1), np.log(400.0), 30)
    pooled = np.log((o.sum() + 0.5) / (e.sum() + 0.5))
    log_mean = np.linspace(pooled - 1.5, pooled + 1.5, 31)
    shape, mean = np.exp(log_shape)[:, None, None], np.exp(log_mean)[None, :, None]
    rate = shape / mean
    value = (
        special.gammaln(o + shape)
        - special.gammaln(shape)
        + shape * np.log(rate / (rate + e))
        + o * np.log(1 / (rate + e))
    ).sum(axis=-1)
    spread = np.exp(-log_shape / 2)[:, None]
    weight = np.exp(value - value.max()) * spread / (1 + spread**2)
    chosen = rng.choice(weight.size, size=HYPER_DRAWS, p=(weight / weight.sum()).ravel())
    i, j = np.unravel_index(chosen, weight.shape)
    return np.exp(log_shape[i]), np.exp(log_mean[j])
