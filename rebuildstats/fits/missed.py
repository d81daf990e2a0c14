"""Missed fails: an inspection may pass a component that has failed already, so that 'last known good' is not quite
known.

With chance m a look at a failed component finds nothing. A life good at `lower` by a look may then have failed before
it: after the look before that (`good_before`) with one miss, or before that one too with two (rarer misses in a row
are taken as two). With F the chance of having failed, a life found failed at `upper` has likelihood
(1 - m) (F(upper) - F(lower) + m (F(lower) - F(good_before)) + m^2 F(good_before)), a running one the same without
(1 - m) and with F(upper) = 1. One m for all components seen at teardowns is estimated by EM together with their lives
(misclassified inspection: Richardson & Hughes 2000, Biostatistics 1:341); it is used only where the log likelihood
gains `_GAIN`, and then each doubtful life stands as three, with the weights of its readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.distributions import LOGLOGISTIC, LOGNORMAL, WEIBULL, Distribution, Floats
from rebuildstats.fits.likelihood import LOG_ZERO, Ints, Lives, Part, log_likelihood
from rebuildstats.fits.newton import Prior, find_modes

_GAIN: Final = 4.0
_FEWEST_EVENTS: Final = 60.0
_TURNS: Final = 40
_FEW_TURNS: Final = 4
_GUESSES: Final = (0.03, 0.12)
_MOST: Final = 0.3


@dataclass(frozen=True, slots=True)
class Missed:
    """`chance`: that a look misses a failed component (0 where the data don't ask for it); `gain`: of log likelihood;
    `lives`: the lives to fit, doubtful ones split in two with the weights of their readings; `used` (m): where it
    acts."""

    chance: float
    gain: float
    lives: Lives
    used: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class _Doubt:
    """Doubtful lives: component, log ages before, at, until (until inf: running), weight, kind (1 between, 2
    running).
    """

    part: int
    place: Ints
    of: Ints
    before: Floats
    at: Floats
    until: Floats
    weight: Floats


def find_missed(lives: Lives, prior: Prior, before: Floats, looked: npt.NDArray[np.bool_]) -> Missed:
    """Estimate the chance of a missed fail, and split the doubtful lives where it matters.

    Parameters
    ----------
    prior : Prior
        A weak one.
    before : (rows)
        Log age, scaled and shifted as the lives are, of the last look that found it good before the one at `lower`.
    looked : (rows)
        Whether `lower` is the age of a look that found it good (else it is sure, or nothing is known).
    """
    doubts = []
    for kind in (1, 2):
        part = lives.parts[kind]
        place = np.flatnonzero(looked[part.row] & (part.at > LOG_ZERO))
        until = part.until[place] if kind == 1 else np.full(len(place), np.inf)
        doubts.append(
            _Doubt(
                kind,
                place,
                part.of[place],
                np.minimum(before[part.row[place]], part.at[place] - 1e-9),
                part.at[place],
                until,
                part.weight[place],
            )
        )
    nothing = Missed(0.0, 0.0, lives, np.zeros(lives.components, dtype=bool))
    detections: Floats = np.zeros(lives.components)
    np.add.at(detections, lives.between.of, lives.between.weight)
    concerned = np.zeros(lives.components, dtype=bool)
    for doubt in doubts:
        concerned[doubt.of] = True
    if detections[concerned].sum() < _FEWEST_EVENTS:
        return nothing
    counts = np.where(concerned, detections, 0.0)
    fits = [_fitted(dist, lives, prior) for dist in (WEIBULL, LOGNORMAL, LOGLOGISTIC)]
    none = _best(fits, lives, doubts, 0.0, counts)
    answers = []
    for guess in _GUESSES:
        # a wrong distribution hides misses, and misses feign a wrong distribution: the choice is made at several
        # guesses
        refitted = [_settle_at(fit, lives, doubts, prior, guess) for fit in fits]
        answers.append(_climb(_best(refitted, lives, doubts, guess, counts), lives, doubts, prior, guess, counts))
    value, chance, shares = max(answers, key=lambda answer: answer[0])
    gain = value - none.value
    if gain < _GAIN:
        return Missed(0.0, gain, lives, nothing.used)
    return Missed(chance, gain, _split(lives, doubts, shares), concerned)


Chosen = list[tuple[Distribution, npt.NDArray[np.bool_]]]


@dataclass(frozen=True, slots=True)
class _Fit:
    """One distribution for all components: their parameters (m, 2)."""

    dists: Chosen
    parameters: Floats


@dataclass(frozen=True, slots=True)
class _Best:
    """Each component's likeliest distribution at one chance of a miss, its parameters, and the sum of log
    likelihoods.
    """

    dists: Chosen
    parameters: Floats
    value: float


def _fitted(dist: Distribution, lives: Lives, prior: Prior) -> _Fit:
    return _Fit([(dist, np.ones(lives.components, dtype=bool))], find_modes(dist, lives, prior).parameters)


def _settle_at(fit: _Fit, lives: Lives, doubts: list[_Doubt], prior: Prior, chance: float) -> _Fit:
    """The fit at a given chance of a miss, by a few EM steps."""
    at = fit.parameters
    for _ in range(_FEW_TURNS):
        shares = [_share(fit.dists, d, at, chance) for d in doubts]
        at = _refit(fit.dists, _split(lives, doubts, shares), prior, at)
    return _Fit(fit.dists, at)


def _best(fits: list[_Fit], lives: Lives, doubts: list[_Doubt], chance: float, detections: Floats) -> _Best:
    values = np.stack([_value(fit.dists, lives, doubts, fit.parameters, chance, detections) for fit in fits])
    winner = values.argmax(axis=0)
    parameters = np.stack([fit.parameters for fit in fits])[winner, np.arange(lives.components)]
    dists = [(fit.dists[0][0], winner == k) for k, fit in enumerate(fits)]
    return _Best(dists, parameters, float(values.max(axis=0).sum()))


def _climb(
    best: _Best, lives: Lives, doubts: list[_Doubt], prior: Prior, chance: float, detections: Floats
) -> tuple[float, float, list[Floats]]:
    """EM for the chance of a miss and the lives together: log likelihood, chance, and share of each doubtful life."""
    at = best.parameters
    shares = [np.zeros((len(d.place), 2)) for d in doubts]
    for _ in range(_TURNS):
        shares = [_share(best.dists, d, at, chance) for d in doubts]
        misses = sum(float(d.weight @ (s @ [1.0, 2.0])) for d, s in zip(doubts, shares, strict=True))
        new = float(np.clip(misses / max(misses + detections.sum(), 1e-9), 1e-6, _MOST))
        at = _refit(best.dists, _split(lives, doubts, shares), prior, at)
        if abs(new - chance) < 1e-5:
            break
        chance = new
    return float(_value(best.dists, lives, doubts, at, chance, detections).sum()), chance, shares


def _log_survival(dists: Chosen, of: Ints, at: Floats, parameters: Floats) -> Floats:
    out = np.zeros(len(at))
    z = (at - parameters[of, 0]) / np.exp(parameters[of, 1])
    for dist, chosen in dists:
        here = chosen[of]
        out[here] = dist.log_survival(z[here])
    return np.where(np.isposinf(at), -np.inf, out)


def _readings(dists: Chosen, d: _Doubt, parameters: Floats, chance: float) -> tuple[Floats, Floats, Floats]:
    """Likelihood of each doubtful life as written, with one miss, and with two."""
    ages = (_two_before(d), d.before, d.at, d.until)
    s_two, s_before, s_at, s_until = (np.exp(_log_survival(dists, d.of, x, parameters)) for x in ages)
    return s_at - s_until, chance * (s_before - s_at), chance * chance * (s_two - s_before)


def _two_before(d: _Doubt) -> Floats:
    """Log age of the look before the one before: as far from it as that one is from the last."""
    age = np.maximum(2.0 * np.exp(d.before) - np.exp(d.at), 0.0)
    out = np.full(len(age), LOG_ZERO)
    out[age > 0] = np.log(age[age > 0])
    return out


def _share(dists: Chosen, d: _Doubt, parameters: Floats, chance: float) -> Floats:
    """How likely each doubtful life (n) is read with one miss and with two: (n, 2)."""
    plain, once, twice = _readings(dists, d, parameters, chance)
    both = np.column_stack([once, twice])
    return np.asarray(both / np.maximum(plain + once + twice, 1e-300)[:, None])


def _refit(dists: Chosen, lives: Lives, prior: Prior, start: Floats) -> Floats:
    at = start.copy()
    for dist, chosen in dists:
        if chosen.any():
            at[chosen] = find_modes(dist, lives.select(chosen), prior.select(chosen), start[chosen], most=4).parameters
    return at


def _value(
    dists: Chosen, lives: Lives, doubts: list[_Doubt], parameters: Floats, chance: float, detections: Floats
) -> Floats:
    """Each component's log likelihood with this chance of a miss; every failure found counts a look that did not
    miss.
    """
    total = detections * float(np.log1p(-chance))
    rest = _split(lives, doubts, [np.zeros((len(d.place), 2)) for d in doubts], keep=False)
    for dist, chosen in dists:
        if chosen.any():
            at = parameters[chosen]
            total[chosen] += log_likelihood(dist, rest.select(chosen), at[:, 0], at[:, 1])
    for d in doubts:
        terms = np.log(np.maximum(sum(_readings(dists, d, parameters, chance)), 1e-300))
        np.add.at(total, d.of, d.weight * terms)
    return total


def _split(lives: Lives, doubts: list[_Doubt], shares: list[Floats], *, keep: bool = True) -> Lives:
    """Doubtful lives with each of their readings by its share; or (not `keep`) all lives without the doubtful."""
    weights = [p.weight.copy() for p in lives.parts]
    more = []
    for d, share in zip(doubts, shares, strict=True):
        weights[d.part][d.place] = d.weight * (1.0 - share.sum(axis=1)) if keep else 0.0
        rows = lives.parts[d.part].row[d.place]
        for low, high, part in ((d.before, d.at, share[:, 0]), (_two_before(d), d.before, share[:, 1])):
            more.append(Part(d.of, low, high, d.weight * part, rows).keep((part > 1e-7) & (high > LOG_ZERO)))
    parts = [Part(p.of, p.at, p.until, w, p.row) for p, w in zip(lives.parts, weights, strict=True)]
    both = [parts[1], *more]
    joined = Part(*(np.concatenate([getattr(p, name) for p in both]) for name in Part.__slots__))
    order = np.argsort(joined.of, kind="stable")
    parts[1] = Part(*(getattr(joined, name)[order] for name in Part.__slots__))
    return Lives(lives.components, *parts)
