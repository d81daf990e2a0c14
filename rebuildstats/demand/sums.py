"""Exact distributions of sums of chances, and what is read off a distribution.

A distribution is a `pmf`: a float array whose element k is the chance of exactly k pieces; it adds up to 1.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99)
_ROUNDING = 1e-12  # a quantile is reached when the cumulated chance is short of it by no more than this


def _checked(chances: ArrayLike) -> Array:
    p = np.asarray(chances, dtype=float).ravel()
    if p.size and (not np.all(np.isfinite(p)) or p.min() < 0.0 or p.max() > 1.0):
        raise ValueError("chances must lie between 0 and 1")
    return p


def poisson_binomial(chances: ArrayLike) -> Array:
    """Distribution of the number of successes in independent trials of unequal chance.

    chances: (n,) each in [0, 1]. Returns (n + 1,). The discrete Fourier transform of the characteristic function
    (Hong 2013, CSDA 59:41), rounding noise below zero removed. Raises ValueError on chances outside [0, 1].
    """
    p = _checked(chances)
    size = p.size + 1
    turn = roots(size)
    cf = np.exp(np.log(1.0 + p[:, None] * (turn[None, :] - 1.0) + 0j).sum(axis=0)) if p.size else np.ones_like(turn)
    return from_transform(cf, size)


def poisson_binomial_by_steps(chances: ArrayLike) -> Array:
    """The same by adding one trial at a time: slow, readable, exact to rounding; the reference of the tests."""
    pmf = np.ones(1)
    for p in _checked(chances):
        pmf = np.convolve(pmf, [1.0 - p, p])
    return pmf


def compound_poisson(rate: float, sizes: ArrayLike, length: int) -> Array:
    """Distribution of a Poisson number of jobs that each take several pieces (Panjer 1981, ASTIN Bulletin 12:22).

    rate: expected jobs. sizes: (m + 1,) chance that one job takes 0..m pieces. length: elements wanted.
    Returns (length,); it adds up to less than 1 by what lies beyond.
    """
    if rate < 0.0:
        raise ValueError("a rate cannot be negative")
    f = _checked(sizes)
    pmf = np.zeros(length)
    pmf[0] = np.exp(rate * (f[0] - 1.0))
    steps = np.arange(1, f.size) * f[1:]
    for k in range(1, length):
        reach = min(k, f.size - 1)
        pmf[k] = rate / k * float(steps[:reach] @ pmf[k - 1 :: -1][:reach])
    return pmf


def stuttering_poisson(rate: float, more: float, length: int) -> Array:
    """Poisson jobs of geometric size: each job takes one piece, and one more with chance `more`, again and again.

    Mean rate / (1 - more). Returns (length,).
    """
    if not 0.0 <= more < 1.0:
        raise ValueError("the chance of one more piece must lie in [0, 1)")
    k = np.arange(length)
    sizes = np.where(k > 0, (1.0 - more) * more ** np.maximum(k - 1, 0), 0.0)
    return compound_poisson(rate, sizes, length)


def negative_binomial(mean: float, variance: float, length: int) -> Array:
    """Counts of a given mean and variance: negative binomial, Poisson where the variance is no larger than the mean."""
    if mean <= 0.0:
        return point_mass(0, length)
    k = np.arange(length)

    if variance <= mean * (1.0 + 1e-9):
        pmf = stats.poisson.pmf(k, mean)
    else:
        size = mean**2 / (variance - mean)
        pmf = stats.nbinom.pmf(k, size, size / (size + mean))
    return np.asarray(pmf, dtype=float)


def point_mass(at: int, length: int) -> Array:
    """A certain count."""
    pmf = np.zeros(max(length, at + 1))
    pmf[at] = 1.0
    return pmf


def roots(size: int) -> Complex:
    """The first half of the `size` roots of unity at which a real distribution's transform is needed."""
    return np.asarray(np.exp(-2j * np.pi * np.arange(size // 2 + 1) / size), dtype=complex)


def from_transform(cf: Complex, size: int) -> Array:
    """Back from a transform at `roots(size)` to the distribution of 0..size - 1."""
    pmf = np.fft.irfft(cf, size)
    pmf[pmf < 1e-15] = 0.0
    return np.asarray(pmf / pmf.sum(), dtype=float)


def transform_of(pmf: Array, size: int) -> Complex:
    """A distribution's transform at `roots(size)`."""
    return np.asarray(np.fft.rfft(pmf, size), dtype=complex)


def mean_of(pmf: Array) -> float:
    """Expected pieces."""
    return float(np.arange(pmf.size) @ pmf)


def sd_of(pmf: Array) -> float:
    """Standard deviation in pieces."""
    second = float(np.arange(pmf.size) ** 2 @ pmf)
    return float(np.sqrt(max(0.0, second - mean_of(pmf) ** 2)))


def quantiles_of(pmf: Array, levels: Sequence[float] = QUANTILES) -> list[int]:
    """Smallest counts whose cumulated chance reaches each level."""
    cumulated = np.cumsum(pmf)
    cumulated[-1] = max(float(cumulated[-1]), 1.0)
    return [int(np.searchsorted(cumulated, level - _ROUNDING)) for level in levels]


def add(first: Array, second: Array) -> Array:
    """Distribution of the sum of two independent counts."""
    size = first.size + second.size - 1
    if size < 256:
        return np.convolve(first, second)
    padded = 1 << (size - 1).bit_length()
    return from_transform(transform_of(first, padded) * transform_of(second, padded), padded)[:size]


def mix(distributions: Sequence[Array], weights: Sequence[float]) -> Array:
    """Mixture of distributions, weights rescaled to add up to 1."""
    total = float(sum(weights))
    pmf = np.zeros(max(d.size for d in distributions))
    for distribution, weight in zip(distributions, weights, strict=True):
        pmf[: distribution.size] += weight / total * distribution
    return pmf


def cut(pmf: Array, beyond: float = 1e-9) -> Array:
    """The distribution without the far end that holds less than `beyond`."""
    tail = np.cumsum(pmf[::-1])[::-1]
    kept = int(np.searchsorted(-tail, -beyond)) or 1
    return np.asarray(pmf[:kept] / pmf[:kept].sum(), dtype=float)
