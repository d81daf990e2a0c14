"""The likelihood of lives and its first two derivatives, for many components at once.

A life contributes f(t) when its failure age is exact, F(upper) - F(lower) when it lies between two looks,
1 - F(lower) when it has not failed yet; each divided by 1 - F(entry) when the life was entered late
(Meeker, Escobar & Pascual 2022, ch. 2 and 11; Turnbull 1976, JRSS B 38:290).

Lives of all components stand in flat arrays beside the number of their component, so that one numpy call serves a
thousand components. Parameters per component are (location, log sigma) of log age; a shift per life (covariates that
accelerate age) is taken off its log age before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.distributions import Distribution, Floats

Ints = npt.NDArray[np.int64]

# log of age 0; finite, because 0 * inf would poison the derivatives, and far enough that its survival is exactly 1.
LOG_ZERO: Final = -500.0
_BLOCK: Final = 200_000


@dataclass(frozen=True, slots=True)
class Part:
    """Lives of one kind, sorted by component: component number, log ages, weight, row in the frame they came from."""

    of: Ints
    at: Floats
    until: Floats
    weight: Floats
    row: Ints

    def keep(self, chosen: npt.NDArray[np.bool_]) -> Part:
        """The lives for which `chosen` is true."""
        return Part(self.of[chosen], self.at[chosen], self.until[chosen], self.weight[chosen], self.row[chosen])


@dataclass(frozen=True, slots=True)
class Lives:
    """Lives of `components` components in flat arrays, by kind; log ages of scaled ages.

    `exact`: failed at `at`. `between`: failed after `at`, not later than `until`. `running`: good at `at`.
    `entered`: entered late at `at` (the divisor of a life that also stands in one of the other three).
    """

    components: int
    exact: Part
    between: Part
    running: Part
    entered: Part

    @property
    def parts(self) -> tuple[Part, Part, Part, Part]:
        """The four kinds in a fixed order."""
        return self.exact, self.between, self.running, self.entered

    def events(self) -> Floats:
        """Weighted number of failures per component."""
        return _sums(self.exact.of, self.exact.weight, self.components) + _sums(
            self.between.of, self.between.weight, self.components
        )

    def select(self, chosen: npt.NDArray[np.bool_]) -> Lives:
        """Only the components for which `chosen` is true, numbered anew in the same order."""
        number = np.cumsum(chosen, dtype=np.int64) - 1
        picked = []
        for part in self.parts:
            kept = part.keep(chosen[part.of])
            picked.append(Part(number[kept.of], kept.at, kept.until, kept.weight, kept.row))
        return Lives(int(chosen.sum()), *picked)

    def shifted(self, shift: Floats) -> Lives:
        """The same lives with `shift` (one number per row of the frame) taken off their log ages."""
        return Lives(
            self.components,
            *(Part(p.of, p.at - shift[p.row], p.until - shift[p.row], p.weight, p.row) for p in self.parts),
        )

    def weighted(self, factor: Floats) -> Lives:
        """The same lives, each component's weights multiplied by its `factor`."""
        return Lives(self.components, *(Part(p.of, p.at, p.until, p.weight * factor[p.of], p.row) for p in self.parts))


@dataclass(frozen=True, slots=True)
class Derivatives:
    """Log likelihood per component, gradient and second derivatives by (location, log sigma)."""

    value: Floats
    location: Floats
    spread: Floats
    location_location: Floats
    location_spread: Floats
    spread_spread: Floats


def _sums(of: Ints, values: Floats, components: int) -> Floats:
    if components == 1:
        return np.array([values.sum()])
    return np.asarray(np.bincount(of, weights=values, minlength=components), dtype=np.float64)


def lay_out(
    of: Ints, entry: Floats, lower: Floats, upper: Floats, weight: Floats, components: int, *, scale: float = 1.0
) -> Lives:
    """Sort lives into their kinds.

    Parameters
    ----------
    of, entry, lower, upper, weight : arrays of one length
        Component number and ages (distance); `upper` NaN or inf where the life has not failed.
    components : int
        How many components there are (some may have no life).
    scale : float
        Ages are divided by it; exact ages' densities then refer to scaled age.

    Lives that say nothing (no upper and lower not beyond entry, not even a positive upper, no weight) are left out.
    A failure known only to lie before the age of entry can't have been seen: its entry is dropped to 0.
    """
    rows = np.argsort(of, kind="stable")
    of, entry, lower, upper, weight = of[rows], entry[rows], lower[rows], upper[rows], weight[rows]
    entry = np.where(np.isfinite(entry), np.maximum(entry, 0.0), 0.0)
    lower = np.where(np.isfinite(lower), np.maximum(lower, 0.0), 0.0)
    failed = np.isfinite(upper)
    top = np.where(failed, upper, lower)
    entry = np.where(failed & (entry >= top), 0.0, entry)
    lower = np.where(failed, np.minimum(np.maximum(lower, entry), top), lower)
    says = (weight > 0) & np.isfinite(weight) & (top > entry)
    is_exact = failed & (lower >= top)

    def logged(age: Floats) -> Floats:
        positive = age > 0
        value: Floats = np.full(len(age), LOG_ZERO)
        value[positive] = np.log(age[positive] / scale)
        return value

    def part(chosen: npt.NDArray[np.bool_], at: Floats, until: Floats) -> Part:
        return Part(of[chosen], logged(at[chosen]), logged(until[chosen]), weight[chosen], rows[chosen])

    return Lives(
        components,
        part(says & is_exact, top, top),
        part(says & failed & ~is_exact, lower, top),
        part(says & ~failed, lower, lower),
        part(says & (entry > 0), entry, entry),
    )


def grouped(frame: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Identical lives as one row with a `weight`; `by` are the columns in which they must agree."""
    weighted = frame if "weight" in frame.columns else frame.assign(weight=1.0)
    return weighted.groupby(by, dropna=False, sort=False)["weight"].sum().reset_index()


def _between_terms(dist: Distribution, low: Floats, high: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """log P, f(low) / P and f(high) / P for P = S(low) - S(high), and the slopes of log f at low and at high."""
    survival_low, survival_high = dist.log_survival(low), dist.log_survival(high)
    # log(S_low - S_high) without cancelling: log survival keeps its relative accuracy near 0
    fall = np.minimum(survival_high - survival_low, -1e-300)
    log_p = survival_low + np.log(-np.expm1(fall))
    density_low, slope_low = dist.density_from(low, survival_low)
    density_high, slope_high = dist.density_from(high, survival_high)
    f_low, f_high = (np.exp(np.minimum(density - log_p, 300.0)) for density in (density_low, density_high))
    return log_p, f_low, f_high, slope_low, slope_high


def log_likelihood(dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats) -> Floats:
    """Log likelihood per component; parameters (m,) give (m,), parameters (m, k) give (m, k)."""
    if location.ndim == 1:
        return _log_likelihood(dist, lives, location[:, None], log_sigma[:, None])[:, 0]
    # a block of columns at a time keeps the arrays of lives x columns inside the processor's cache
    most = max(len(p.of) for p in lives.parts)
    block = max(1, _BLOCK // max(most, 1))
    columns = range(0, location.shape[1], block)
    blocks = [_log_likelihood(dist, lives, location[:, c : c + block], log_sigma[:, c : c + block]) for c in columns]
    return np.hstack(blocks)


def _log_likelihood(dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats) -> Floats:
    inverse = np.exp(-log_sigma)
    total = np.zeros(location.shape)
    exact, between, running, entered = lives.parts
    one = lives.components == 1

    def per_life(part: Part, values: Floats) -> Floats:
        return values if one else values[part.of]

    def add(part: Part, terms: Floats, sign: float = 1.0) -> None:
        if one:
            total[0] += sign * (part.weight @ terms)
            return
        first = np.flatnonzero(np.diff(part.of, prepend=-1))
        total[part.of[first]] += sign * np.add.reduceat(part.weight[:, None] * terms, first, axis=0)

    if len(exact.of):
        z = (exact.at[:, None] - per_life(exact, location)) * per_life(exact, inverse)
        add(exact, dist.log_density(z) - per_life(exact, log_sigma) - exact.at[:, None])
    if len(between.of):
        mu, over = per_life(between, location), per_life(between, inverse)
        low = dist.log_survival((between.at[:, None] - mu) * over)
        fall = np.minimum(dist.log_survival((between.until[:, None] - mu) * over) - low, -1e-300)
        add(between, low + np.log(-np.expm1(fall)))
    for part, sign in ((running, 1.0), (entered, -1.0)):
        if len(part.of):
            add(part, dist.log_survival((part.at[:, None] - per_life(part, location)) * per_life(part, inverse)), sign)
    return total


def each_life(
    dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Each row's weighted log likelihood with its derivatives, for a location and a log sigma per row.

    Returns six arrays of the rows' length: value, by location, by log sigma, by location twice, by both, by log sigma
    twice.
    """
    out = tuple(np.zeros(len(location)) for _ in range(6))
    for part, terms in _part_terms(dist, lives, lambda p: location[p.row], lambda p: log_sigma[p.row]):
        for slot, term in zip(out, terms, strict=True):
            slot[part.row] += part.weight * term
    return out[0], out[1], out[2], out[3], out[4], out[5]


def part_scores(
    dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats
) -> list[tuple[Part, Floats, Floats]]:
    """Per kind of life, late entries left out: the part, and each unweighted first derivative by location and by log
    sigma, for a location and a log sigma per component.
    """
    found = _part_terms(dist, lives, lambda p: location[p.of], lambda p: log_sigma[p.of])
    return [(part, terms[1], terms[2]) for part, terms in found if part is not lives.entered]


def derivatives(dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats) -> Derivatives:
    """Log likelihood per component with gradient and second derivatives by (location, log sigma)."""
    out = [np.zeros(lives.components) for _ in range(6)]
    for part, terms in _part_terms(dist, lives, lambda p: location[p.of], lambda p: log_sigma[p.of]):
        for slot, term in zip(out, terms, strict=True):
            slot += _sums(part.of, part.weight * term, lives.components)
    return Derivatives(*out)


def _part_terms(
    dist: Distribution, lives: Lives, location_of: Callable[[Part], Floats], log_sigma_of: Callable[[Part], Floats]
) -> Iterator[tuple[Part, tuple[Floats, Floats, Floats, Floats, Floats, Floats]]]:
    """Per kind of life: the unweighted log likelihood terms and their five derivatives."""
    exact, between, running, entered = lives.parts
    if len(exact.of):
        tau = log_sigma_of(exact)
        s = np.exp(tau)
        z = (exact.at - location_of(exact)) / s
        first, second = dist.density_slope(z), dist.density_bend(z)
        value = dist.log_density(z) - tau - exact.at
        yield exact, (value, *_chain(first, second, z, s, extra=-1.0))
    for part, sign in ((running, 1.0), (entered, -1.0)):
        if len(part.of):
            s = np.exp(log_sigma_of(part))
            z = (part.at - location_of(part)) / s
            log_s = dist.log_survival(z)
            density, slope = dist.density_from(z, log_s)
            hazard = np.exp(np.minimum(density - log_s, 300.0))
            second = -hazard * (slope + hazard)
            yield part, (sign * log_s, *_chain(-sign * hazard, sign * second, z, s))
    if len(between.of):
        s = np.exp(log_sigma_of(between))
        mu = location_of(between)
        low, high = (between.at - mu) / s, (between.until - mu) / s
        log_p, f_low, f_high, slope_low, slope_high = _between_terms(dist, low, high)
        # first and second derivatives of log(S(low) - S(high)) by the two z
        second_low = -f_low * slope_low - f_low * f_low
        second_high = f_high * slope_high - f_high * f_high
        cross = f_low * f_high
        first_sum, first_z = f_high - f_low, f_high * high - f_low * low
        yield (
            between,
            (
                log_p,
                -first_sum / s,
                -first_z,
                (second_low + second_high + 2.0 * cross) / (s * s),
                (second_low * low + second_high * high + cross * (low + high) + first_sum) / s,
                second_low * low * low + second_high * high * high + 2.0 * cross * low * high + first_z,
            ),
        )


def _chain(
    first: Floats, second: Floats, z: Floats, s: Floats, extra: float = 0.0
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Derivatives by (location, log sigma) from those by z, as z = (y - location) / sigma."""
    return (
        -first / s,
        extra - first * z,
        second / (s * s),
        (second * z + first) / s,
        second * z * z + first * z,
    )
