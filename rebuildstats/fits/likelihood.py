"""The likelihood of lives and its first two derivatives, for many components at once.

A life contributes f(t) when its failure age is exact, F(upper) - F(lower) when it lies between two looks,
1 - F(lower) when it has not failed yet; each divided by 1 - F(entry) when the life was entered late
(Meeker, Escobar & Pascual 2022, ch. 2 and 11; Turnbull 1976, JRSS B 38:290).

Lives of all components stand in flat arrays beside the number of their component, so that one numpy call serves a
thousand components. Parameters per component are (location, log sigma) of log age; a shift per life (covariates that
accelerate age) is taken off its log age before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from rebuildstats.fits.distributions import Distribution, Floats

Ints = npt.NDArray[np.int64]

# log of age 0; finite, because 0 * inf would poison the derivatives, and far enough that its survival is exactly 1.
LOG_ZERO: Final = -500.0
# a log age below this, also shifted by covariates, is that of age 0
_EVER: Final = 0.5 * LOG_ZERO
_BLOCK: Final = 16_384
_MOSTLY: Final = 0.9
_LEAST: Final = 1e-300
# the square of its inverse, weighted, is still a double
_FINITE: Final = 1e-130


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

    def between(self, begin: int, end: int, number: int = 0) -> Part:
        """The lives from place `begin` to before `end`, their components numbered from `number` on."""
        cut = slice(begin, end)
        return Part(self.of[cut] - number, self.at[cut], self.until[cut], self.weight[cut], self.row[cut])


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
        failed = (np.bincount(p.of, p.weight, self.components) for p in (self.exact, self.between))
        return np.asarray(sum(failed), dtype=np.float64)

    def select(self, chosen: npt.NDArray[np.bool_]) -> Lives:
        """Only the components for which `chosen` is true, numbered anew in the same order."""
        number = np.cumsum(chosen, dtype=np.int64) - 1
        picked = []
        for part in self.parts:
            kept = part.keep(chosen[part.of])
            picked.append(Part(number[kept.of], kept.at, kept.until, kept.weight, kept.row))
        return Lives(int(chosen.sum()), *picked)

    def one_by_one(self) -> Iterator[Lives]:
        """Each component by itself."""
        edges = [np.searchsorted(part.of, np.arange(self.components + 1)) for part in self.parts]
        for j in range(self.components):
            cut = (part.between(e[j], e[j + 1], j) for part, e in zip(self.parts, edges, strict=True))
            yield Lives(1, *cut)

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


def _firsts(of: Ints) -> Ints:
    """Where the lives of each component begin that has any; `of` holds at least one."""
    return np.concatenate([[0], np.flatnonzero(of[1:] != of[:-1]) + 1])


def _add_sums(total: Floats, part: Part, terms: Sequence[Floats]) -> None:
    """Add to each row of `total` (terms, components) the weighted sums per component of a term."""
    if total.shape[1] == 1:
        for row, term in zip(total, terms, strict=True):
            row += part.weight @ term
        return
    first = _firsts(part.of)
    here = part.of[first]
    for row, term in zip(total, terms, strict=True):
        row[here] += np.add.reduceat(part.weight * term, first)


def clean(
    entry: Floats, lower: Floats, upper: Floats, weight: Floats
) -> tuple[Floats, Floats, Floats, npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Entry, lower age, last age (upper, or lower where it has not failed), whether it failed, and whether it says
    anything, of each life.

    A life says nothing with no upper and lower not beyond entry, with not even a positive upper, or without a weight.
    A failure known only to lie before the age of entry can't have been seen: its entry is dropped to 0.
    """
    entry = np.where(np.isfinite(entry), np.maximum(entry, 0.0), 0.0)
    lower = np.where(np.isfinite(lower), np.maximum(lower, 0.0), 0.0)
    failed = np.isfinite(upper)
    top = np.where(failed, upper, lower)
    entry = np.where(failed & (entry >= top), 0.0, entry)
    lower = np.where(failed, np.minimum(np.maximum(lower, entry), top), lower)
    return entry, lower, top, failed, (weight > 0) & np.isfinite(weight) & (top > entry)


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

    Lives that say nothing are left out (see `clean`).
    """
    rows = np.argsort(of, kind="stable")
    of, entry, lower, upper, weight = of[rows], entry[rows], lower[rows], upper[rows], weight[rows]
    entry, lower, top, failed, says = clean(entry, lower, upper, weight)
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


def _blocks(lives: Lives, size: int) -> Iterator[tuple[slice, Lives]]:
    """Runs of components with about `size` lives together, small enough for the processor's cache."""
    if lives.components == 1 or sum(len(part.of) for part in lives.parts) <= size:
        yield slice(0, lives.components), lives
        return
    counts = np.stack([np.bincount(part.of, minlength=lives.components) for part in lives.parts])
    reach = counts.sum(axis=0).cumsum()
    ends = np.unique([*np.searchsorted(reach, np.arange(size, reach[-1], size)), lives.components])
    edges = [np.searchsorted(part.of, np.concatenate([[0], ends])) for part in lives.parts]
    begin = 0
    for k, end in enumerate(ends):
        if end > begin:
            cut = (part.between(e[k], e[k + 1], begin) for part, e in zip(lives.parts, edges, strict=True))
            yield slice(begin, int(end)), Lives(int(end) - begin, *cut)
        begin = int(end)


def _by_start(between: Part) -> tuple[Part, Part]:
    """The lives that failed before the first look, at any age up to `until`, and those that failed between two."""
    opened = between.at > _EVER
    some = np.count_nonzero(opened)
    if not some:
        return between, between.between(0, 0)
    if some > _MOSTLY * len(opened):  # the few others aren't worth being parted from them: both ways give the same
        return between.between(0, 0), between
    return between.keep(~opened), between.keep(opened)


def log_likelihood(dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats) -> Floats:
    """Log likelihood per component; parameters (m,) give (m,), parameters (m, k) give (m, k)."""
    if location.ndim == 1:
        return log_likelihood(dist, lives, location[:, None], log_sigma[:, None])[:, 0]
    columns = location.shape[1]
    out = np.empty(location.shape)
    for here, some in _blocks(lives, _BLOCK // columns):
        width = max(1, _BLOCK // max(1, *(len(part.of) for part in some.parts)))
        for c in range(0, columns, width):
            at = here, slice(c, c + width)
            out[at] = _log_likelihood(dist, some, location[at], log_sigma[at])
    return out


def _log_likelihood(dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats) -> Floats:
    inverse = np.exp(-log_sigma)
    total = np.zeros(location.shape)

    def z_of(part: Part, ages: Floats) -> Floats:
        if lives.components == 1:
            return np.asarray((ages[:, None] - location) * inverse)
        z: Floats = ages[:, None] - location.take(part.of, axis=0)
        z *= inverse.take(part.of, axis=0)
        return z

    def add(part: Part, terms: Floats, sign: float = 1.0) -> None:
        if lives.components == 1:
            total[0] += sign * (part.weight @ terms)
            return
        first = _firsts(part.of)
        total[part.of[first]] += np.add.reduceat((sign * part.weight)[:, None] * terms, first, axis=0)

    exact, between, running, entered = lives.parts
    if len(exact.of):
        add(exact, dist.log_density(z_of(exact, exact.at)) - log_sigma.take(exact.of, axis=0) - exact.at[:, None])
    early, late = _by_start(between)
    if len(early.of):
        add(early, dist.log_failed(z_of(early, early.until)))
    if len(late.of):
        low = dist.log_survival(z_of(late, late.at))
        # log(S_low - S_high) without cancelling: log survival keeps its relative accuracy near 0
        fall = np.minimum(dist.log_survival(z_of(late, late.until)) - low, -_LEAST)
        add(late, low + np.log(-np.expm1(fall)))
    for part, sign in ((running, 1.0), (entered, -1.0)):
        if len(part.of):
            add(part, dist.log_survival(z_of(part, part.at)), sign)
    return total


@dataclass(frozen=True, slots=True)
class _Terms:
    """Of the lives of one kind, unweighted, each life's log likelihood and what its derivatives are made of.

    With z = (log age - location) / sigma: `first` is the derivative by z, `first_z` that times z, `second`, `second_z`,
    `second_zz` the second derivative, that times z and times z squared (of a life with two z the sums over both).
    `density`: 1 where the value is still to be divided by sigma, else 0.
    """

    part: Part
    value: Floats
    first: Floats
    first_z: Floats
    second: Floats
    second_z: Floats
    second_zz: Floats
    density: float = 0.0


def _terms(dist: Distribution, lives: Lives, curve_of: Callable[[Part], tuple[Floats, Floats]]) -> Iterator[_Terms]:
    """Per kind of life its terms; late entries come last. `curve_of`: location and 1 / sigma of each life of a part."""
    exact, between, running, entered = lives.parts

    def z_of(part: Part, *ages: Floats) -> list[Floats]:
        location, inverse = curve_of(part)
        return [(age - location) * inverse for age in ages]

    def one(part: Part, z: Floats, value: Floats, first: Floats, second: Floats, density: float = 0.0) -> _Terms:
        second_z = second * z
        return _Terms(part, value, first, first * z, second, second_z, second_z * z, density)

    early, late = _by_start(between)
    if len(exact.of):
        (z,) = z_of(exact, exact.at)
        value, first, second = dist.density(z)
        yield one(exact, z, value - exact.at, first, second, 1.0)
    if len(early.of):
        (z,) = z_of(early, early.until)
        value, first, slope = dist.failed(z)
        yield one(early, z, value, first, first * (slope - first))
    if len(late.of):
        yield _two_looks(dist, late, *z_of(late, late.at, late.until))
    for part, sign in ((running, 1.0), (entered, -1.0)):
        if len(part.of):
            (z,) = z_of(part, part.at)
            value, hazard, slope = dist.survived(z)
            hazard = sign * hazard
            yield one(part, z, sign * value, -hazard, -hazard * (slope + sign * hazard))


def _two_looks(dist: Distribution, part: Part, low: Floats, high: Floats) -> _Terms:
    """The terms of log(S(low) - S(high))."""
    log_low, hazard_low, slope_low = dist.survived(low)
    log_high, hazard_high, slope_high = dist.survived(high)
    share = np.maximum(-np.expm1(np.minimum(log_high - log_low, -_LEAST)), _LEAST)
    # the densities over the chance to fail in between; where that all but vanishes they only need to stay finite
    over = 1.0 / np.maximum(share, _FINITE)
    f_low = np.minimum(hazard_low * over, 1.0 / _FINITE)
    f_high = np.minimum(hazard_high * over * (1.0 - share), 1.0 / _FINITE)
    first, first_z = f_high - f_low, f_high * high - f_low * low
    # written so that what nearly cancels in a narrow interval is the densities, never their squares
    bend_low, bend_high = f_low * slope_low, f_high * slope_high
    bend_low_z, bend_high_z = bend_low * low, bend_high * high
    return _Terms(
        part,
        log_low + np.log(share),
        first,
        first_z,
        bend_high - bend_low - first * first,
        bend_high_z - bend_low_z - first * first_z,
        bend_high_z * high - bend_low_z * low - first_z * first_z,
    )


def _curves(lives: Lives, location: Floats, log_sigma: Floats) -> Callable[[Part], tuple[Floats, Floats]]:
    """`curve_of` for a location and a log sigma per component."""
    inverse = np.exp(-log_sigma)
    if lives.components == 1:
        return lambda _: (location, inverse)
    return lambda part: (location.take(part.of), inverse.take(part.of))


def _chain(sums: Sequence[Floats], s: Floats) -> list[Floats]:
    """Derivatives by (location, log sigma) from `first` to `second_zz` of `_Terms`."""
    first, first_z, second, second_z, second_zz = sums
    return [-first / s, -first_z, second / (s * s), (second_z + first) / s, second_zz + first_z]


def each_life(
    dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats, Floats]:
    """Each row's weighted log likelihood with its derivatives, for a location and a log sigma per row.

    Returns six arrays of the rows' length: value, by location, by log sigma, by location twice, by both, by log sigma
    twice.
    """
    out = tuple(np.zeros(len(location)) for _ in range(6))
    inverse = np.exp(-log_sigma)
    for t in _terms(dist, lives, lambda part: (location[part.row], inverse[part.row])):
        tau = log_sigma[t.part.row]
        by_location, by_spread, *second = _chain((t.first, t.first_z, t.second, t.second_z, t.second_zz), np.exp(tau))
        terms = t.value - t.density * tau, by_location, by_spread - t.density, *second
        for slot, term in zip(out, terms, strict=True):
            slot[t.part.row] += t.part.weight * term
    return out[0], out[1], out[2], out[3], out[4], out[5]


def part_scores(
    dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats
) -> list[tuple[Part, Floats, Floats]]:
    """Per kind of life, late entries left out: the part, and each unweighted first derivative by location and by log
    sigma, for a location and a log sigma per component.
    """
    own = Lives(lives.components, lives.exact, lives.between, lives.running, lives.entered.between(0, 0))
    found = _terms(dist, own, _curves(own, location, log_sigma))
    return [(t.part, -t.first * np.exp(-log_sigma[t.part.of]), -t.first_z - t.density) for t in found]


def derivatives(dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats) -> Derivatives:
    """Log likelihood per component with gradient and second derivatives by (location, log sigma)."""
    total, exact = np.zeros((6, lives.components)), np.zeros((1, lives.components))
    for here, some in _blocks(lives, _BLOCK):
        for t in _terms(dist, some, _curves(some, location[here], log_sigma[here])):
            terms = t.value, t.first, t.first_z, t.second, t.second_z, t.second_zz
            _add_sums(total[:, here], t.part, terms)
            if t.density:
                _add_sums(exact[:, here], t.part, (np.ones_like(t.value),))
    by_location, by_spread, *second = _chain(list(total[1:]), np.exp(log_sigma))
    return Derivatives(total[0] - exact[0] * log_sigma, by_location, by_spread - exact[0], *second)
