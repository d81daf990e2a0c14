"""How good a distribution was, once the value is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from rebuildstats.demand.sums import QUANTILES, Array, quantiles_of


def pinball(pmf: Array, value: float, levels: Sequence[float] = QUANTILES) -> float:
    """Mean pinball loss of the distribution's quantiles at `levels` (Koenker & Bassett 1978, Econometrica 46:33),
    pieces."""
    level = np.asarray(levels, dtype=float)
    gap = value - np.asarray(quantiles_of(pmf, levels), dtype=float)
    return float(np.maximum(level * gap, (level - 1.0) * gap).mean())


def crps(pmf: Array, value: float) -> float:
    """Continuous ranked probability score (Gneiting & Raftery 2007, JASA 102:359), pieces: the sum over counts of
    (F(k) - 1[k >= value])^2, beyond the distribution's end included."""
    cumulated = np.cumsum(pmf)
    k = np.arange(pmf.size)
    inside = float(((cumulated - (k >= value)) ** 2).sum())
    before = max(0.0, -value)
    return inside + max(0.0, value - pmf.size) + before


def covered(pmf: Array, value: float, level: float = 0.9) -> float:
    """1 where the value lies inside the central band of at least `level`, else 0."""
    low, high = quantiles_of(pmf, [(1.0 - level) / 2.0, (1.0 + level) / 2.0])
    return float(low <= value <= high)


def transform(pmf: Array, value: float, uniform: float) -> float:
    """Randomised probability integral transform (Czado, Gneiting & Held 2009, Biometrics 65:1254): uniform on (0, 1)
    when
    the distribution is right. `uniform` places it between F(value - 1) and F(value)."""
    k = round(value)
    if k < 0:
        return 0.0
    cumulated = np.append(np.cumsum(pmf), 1.0)
    high = float(cumulated[min(k, pmf.size)])
    low = float(cumulated[min(k, pmf.size) - 1]) if k > 0 else 0.0
    return low + uniform * (high - low)
