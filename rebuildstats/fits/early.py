"""Early failures beside wear: a small share of lives that fail in the first part of life, from fitting or from parts.

Two questions, two answers. Are there more failures in the first tenth of life than the wear fit expects? A Poisson
count with its p-value. Does a mixture of early lives and wearing lives explain the data better than any single
distribution? Then the share of early lives is estimated by EM (Dempster, Laird & Rubin 1977; mixtures of life
distributions: Meeker, Escobar & Pascual 2022, ch. 5), and the wear fit gives each life the weight with which it
belongs to wear. The early part is exponential with a mean of at most a quarter of the wearing lives' median; it is
used only where AIC gains `_GAIN`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import gammainc

from rebuildstats.fits.distributions import (
    EXPONENTIAL,
    LOGLOGISTIC,
    LOGNORMAL,
    WEIBULL,
    Distribution,
    Floats,
)
from rebuildstats.fits.likelihood import Ints, Lives, Part
from rebuildstats.fits.newton import Prior, find_modes

_GAIN: Final = 10.0
_FEWEST: Final = 15.0
_FEWEST_EARLY: Final = 3.0
_TURNS: Final = 60
_FEW_TURNS: Final = 12
_FIRST_SHARE: Final = 0.05
_EARLY_AT: Final = float(np.log(0.1))
_EARLY_MOST: Final = float(np.log(0.25))
_EARLY_LEAST: Final = float(np.log(0.003))


@dataclass(frozen=True, slots=True)
class Early:
    """Per component (m): `used` whether a mixture is; `share` of early lives, `mean_age` of theirs (log of scaled age),
    `count` of failures taken as early. `wear_weight`, per kind of life (exact, between, running, entered): the weight
    with which each belongs to wear (1 where no mixture is used)."""

    used: npt.NDArray[np.bool_]
    share: Floats
    mean_age: Floats
    count: Floats
    wear_weight: tuple[Floats, Floats, Floats, Floats]

    def wear(self, lives: Lives) -> Lives:
        """The lives with the weight of wear."""
        return _weighted(lives, self.wear_weight)


def _weighted(lives: Lives, weights: Sequence[Floats]) -> Lives:
    """The lives with each kind's weights multiplied by those given."""
    pairs = zip(lives.parts, weights, strict=True)
    return Lives(lives.components, *(Part(p.of, p.at, p.until, p.weight * w, p.row) for p, w in pairs))


@dataclass(frozen=True, slots=True)
class _Mixture:
    value: Floats
    share: Floats
    early: Floats
    belongs: tuple[Floats, Floats, Floats, Floats]


def find_early(lives: Lives, prior: Prior) -> Early:
    """Where early failures stand out from wear, and each life's weight of wear; prior: a weak one, against runaways."""
    m = lives.components
    enough = lives.events() >= _FEWEST
    weights = tuple(np.ones(len(p.of)) for p in lives.parts)
    share, mean_age, count = np.zeros(m), np.full(m, np.nan), np.zeros(m)
    used = np.zeros(m, dtype=bool)
    if not enough.any():
        return Early(used, share, mean_age, count, (weights[0], weights[1], weights[2], weights[3]))
    dists = (WEIBULL, LOGNORMAL, LOGLOGISTIC)
    # a short search first; only where a mixture is not clearly worse the long one follows
    for turns, least_gain in ((_FEW_TURNS, -4.0), (_TURNS, _GAIN)):
        some, some_prior = lives.select(enough), prior.select(enough)
        modes = [find_modes(dist, some, some_prior) for dist in dists]
        mixed = [_mixture(d, some, some_prior, x.parameters, turns) for d, x in zip(dists, modes, strict=True)]
        single_aic = np.min([4.0 - 2.0 * x.log_likelihood for x in modes], axis=0)
        mixed_aic = np.stack([8.0 - 2.0 * x.value for x in mixed])
        gains = single_aic - mixed_aic.min(axis=0) >= least_gain
        if not gains.any():
            return Early(used, share, mean_age, count, (weights[0], weights[1], weights[2], weights[3]))
        if turns == _FEW_TURNS:
            enough[np.flatnonzero(enough)[~gains]] = False
    best = mixed_aic.argmin(axis=0)
    early_failures = np.stack([_early_count(some, x) for x in mixed])[best, np.arange(some.components)]
    gains &= early_failures >= _FEWEST_EARLY
    places = np.flatnonzero(enough)
    used[places[gains]] = True
    for k, x in enumerate(mixed):
        here = gains & (best == k)
        share[places[here]], mean_age[places[here]] = x.share[here], x.early[here]
        count[places[here]] = early_failures[here]
        for whole, part, some_part, belongs in zip(weights, lives.parts, some.parts, x.belongs, strict=True):
            rows = np.flatnonzero(enough[part.of])
            chosen = here[some_part.of]
            whole[rows[chosen]] = 1.0 - belongs[chosen]
    return Early(used, share, mean_age, count, (weights[0], weights[1], weights[2], weights[3]))


def _early_count(lives: Lives, x: _Mixture) -> Floats:
    total = np.zeros(lives.components)
    for part, belongs in zip(lives.parts[:2], x.belongs[:2], strict=True):
        total += np.bincount(part.of, part.weight * belongs, minlength=lives.components)
    return total


def _log_terms(dist: Distribution, lives: Lives, location: Floats, log_sigma: Floats) -> list[Floats]:
    """Per kind of life the log of f(t), F(upper) - F(lower), S(age), S(entry)."""
    terms = []
    for k, part in enumerate(lives.parts):
        mu, s = location[part.of], np.exp(log_sigma[part.of])
        z = (part.at - mu) / s
        if k == 0:
            terms.append(dist.log_density(z) - np.log(s) - part.at)
        elif k == 1:
            low = dist.log_survival(z)
            fall = np.minimum(dist.log_survival((part.until - mu) / s) - low, -1e-300)
            terms.append(low + np.log(-np.expm1(fall)))
        else:
            terms.append(dist.log_survival(z))
    return terms


def _mixture(dist: Distribution, lives: Lives, prior: Prior, start: Floats, turns: int) -> _Mixture:
    """EM for share of early lives, their mean age, and the wearing lives' location and sigma."""
    m = lives.components
    share = np.full(m, _FIRST_SHARE)
    # the single fit is dragged out by the early failures: begin with a narrower one in its upper half
    at = start.copy()
    at[:, 0] += np.where(dist.name == "weibull", 0.1, 0.2) * np.exp(at[:, 1])
    at[:, 1] -= 0.3
    early = at[:, 0] + _EARLY_AT
    zero = np.zeros(m)
    belongs: list[Floats] = []
    value = np.full(m, -np.inf)
    for turn in range(turns):
        wear_terms = _log_terms(dist, lives, at[:, 0], at[:, 1])
        early_terms = _log_terms(EXPONENTIAL, lives, early, zero)
        belongs = []
        value = np.zeros(m)
        for k, part in enumerate(lives.parts):
            log_early = np.log(np.maximum(share[part.of], 1e-12)) + early_terms[k]
            log_wear = np.log1p(-share[part.of]) + wear_terms[k]
            both = np.logaddexp(log_early, log_wear)
            belongs.append(np.exp(log_early - both))
            sign = -1.0 if k == 3 else 1.0
            value += sign * np.bincount(part.of, part.weight * both, minlength=m)
        if turn == turns - 1:
            break
        of_wear = [1.0 - b for b in belongs]
        at = find_modes(dist, _weighted(lives, of_wear), prior, at, most=3).parameters
        numbers, of_early, failures, lived = zero.copy(), zero.copy(), zero.copy(), zero.copy()
        for k, (part, belong) in enumerate(zip(lives.parts[:3], belongs[:3], strict=True)):
            amount = part.weight * belong
            numbers += np.bincount(part.of, part.weight, minlength=m)
            of_early += np.bincount(part.of, amount, minlength=m)
            middle = 0.5 * (np.exp(part.at) + np.exp(part.until))
            lived += np.bincount(part.of, amount * middle, minlength=m)
            if k < 2:
                failures += np.bincount(part.of, amount, minlength=m)
        share = np.clip(of_early / np.maximum(numbers, 1e-9), 1e-6, 0.4)
        median = at[:, 0] + np.exp(at[:, 1]) * dist.z_at(0.5)
        early = np.log(np.maximum(lived, 1e-9) / np.maximum(failures, 1e-6))
        early = np.clip(early, median + _EARLY_LEAST, median + _EARLY_MOST)
    return _Mixture(value, share, early, (belongs[0], belongs[1], belongs[2], belongs[3]))


def first_tenth(dist: Distribution, lives: Lives, parameters: Floats) -> tuple[Floats, Floats, Floats]:
    """Failures in the first tenth of life (a tenth of the median): observed, expected, chance of as many or more.

    A failure between two looks counts by the part of its interval's chance that lies in the first tenth under the fit.
    """
    m = lives.components
    sigma = np.exp(parameters[:, 1])
    limit = parameters[:, 0] + sigma * dist.z_at(0.5) + np.log(0.1)
    observed, expected = np.zeros(m), np.zeros(m)

    def hazard(of: Ints, at: Floats) -> Floats:
        return -dist.log_survival((np.minimum(at, limit[of]) - parameters[of, 0]) / sigma[of])

    exact, between, running, entered = lives.parts
    observed += np.bincount(exact.of, exact.weight * (exact.at <= limit[exact.of]), minlength=m)
    low, high = hazard(between.of, between.at), hazard(between.of, between.until)
    mu, s = parameters[between.of, 0], sigma[between.of]
    whole = np.exp(dist.log_survival((between.at - mu) / s)) - np.exp(dist.log_survival((between.until - mu) / s))
    inside = (np.exp(-low) - np.exp(-high)) / np.maximum(whole, 1e-300)
    observed += np.bincount(between.of, between.weight * np.clip(inside, 0.0, 1.0), minlength=m)
    ages = ((exact, exact.at, 1), (between, between.until, 1), (running, running.at, 1), (entered, entered.at, -1))
    for part, at, sign in ages:
        expected += sign * np.bincount(part.of, part.weight * hazard(part.of, at), minlength=m)
    expected = np.maximum(expected, 0.0)
    # P(N >= x) of a Poisson count as the incomplete gamma, which serves parts of a failure as well
    chance = np.where(observed > 1e-9, gammainc(np.maximum(observed, 1e-9), expected), 1.0)
    return observed, expected, np.asarray(chance)
