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
class Start:
    """When an excess began: index of the first step of the bad spell, of its last, and the log-likelihood gained by
    it."""

    first: int
    last: int
    gain: float
    ratio: float


def likeliest_start(events: npt.ArrayLike, hazard: npt.ArrayLike) -> Start:
    """The maximum-likelihood start of a spell that lasts to the end: ratio free (>= 1), rate sound before.

    For every start s the gain is O log(O / E) - (O - E) over the steps from s on; the CUSUM's own last zero is the same
    point when the ratio is the true one (Page 1954; Hinkley 1970).
    """
    o = np.cumsum(np.asarray(events, dtype=float)[::-1])[::-1]
    e = np.cumsum(np.asarray(hazard, dtype=float)[::-1])[::-1]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where((o > e) & (o > 0), o * np.log(o / np.maximum(e, 1e-12)) - (o - e), 0.0)
    first = int(gain.argmax())
    return Start(first, len(o) - 1, float(gain[first]), float(o[first] / max(e[first], 1e-12)) if len(o) else 1.0)


def likeliest_spell(events: npt.ArrayLike, hazard: npt.ArrayLike) -> Start:
    """The maximum-likelihood spell that may also have ended: the best (first, last) by the same gain, all pairs
    looked at."""
    o, e = np.asarray(events, dtype=float), np.asarray(hazard, dtype=float)
    n = len(o)
    if n == 0:
        return Start(0, -1, 0.0, 1.0)
    co, ce = np.concatenate([[0.0], np.cumsum(o)]), np.concatenate([[0.0], np.cumsum(e)])
    so, se = co[None, 1:] - co[:-1, None], ce[None, 1:] - ce[:-1, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        gain = np.where((so > se) & (so > 0), so * np.log(so / np.maximum(se, 1e-12)) - (so - se), 0.0)
    gain = np.triu(gain)
    first, last = np.unravel_index(int(gain.argmax()), gain.shape)
    ratio = float(so[first, last] / max(se[first, last], 1e-12))
    return Start(int(first), int(last), float(gain[first, last]), ratio)


def normal_cusum_run_length(limit: float, reference: float, mean: float = 0.0, nodes: int = 60) -> float:
    """Average run length from zero of the one-sided CUSUM of N(mean, 1) with reference value k and limit h.

    The integral equation L(z) = 1 + L(0) Phi(k - z - mean) + int_0^h L(x) phi(x + k - z - mean) dx on Gauss-Legendre
    nodes.
    """
    from scipy.special import ndtr

    x, w = np.polynomial.legendre.leggauss(nodes)
    z, w = limit * (x + 1) / 2, w * limit / 2

    def phi(v: Array) -> Array:
        return np.asarray(np.exp(-v * v / 2) / np.sqrt(2 * np.pi))

    starts = np.concatenate([[0.0], z])
    kernel = phi(z[None, :] + reference - starts[:, None] - mean) * w[None, :]
    to_zero = ndtr(reference - starts - mean)
    matrix = np.eye(nodes + 1)
    matrix[:, 0] -= to_zero
    matrix[:, 1:] -= kernel
    return float(np.linalg.solve(matrix, np.ones(nodes + 1))[0])
