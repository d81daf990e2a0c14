"""Missed fails: an inspection may pass a component that has failed already, so that 'last known good' is not quite
known.

With chance m a look at a failed component finds nothing. A life good at `lower` by a look may then have failed before
it: after the look before that (`good_before`) with one miss, before that one too with two, or with three (more in a row
are taken as three; the look before `good_before` is taken to lie as far from it as that one from the last). With F the
chance of having failed and G that of having failed by the look before `good_before`, a life found failed at `upper`
has likelihood (1 - m) (F(upper) - F(lower) + m (F(lower) - F(good_before)) + m^2 (F(good_before) - G) + m^3 G), a
running one the same without (1 - m) and with F(upper) = 1. One m for all components seen at teardowns is estimated by
EM together with their lives (misclassified inspection: Richardson & Hughes 2000, Biostatistics 1:341); it is used only
where the log likelihood gains `_GAIN`, and then each doubtful life stands once per reading, with their weights.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.distributions import LOGLOGISTIC, LOGNORMAL, WEIBULL, Distribution, Floats
from rebuildstats.fits.exchange import Steps, total
from rebuildstats.fits.likelihood import LOG_ZERO, Ints, Lives, Part, log_likelihood
from rebuildstats.fits.newton import Prior, find_modes

_GAIN: Final = 4.0
_FEWEST_EVENTS: Final = 60.0
_TURNS: Final = 40
_FEW_TURNS: Final = 4
_MORE_TURNS: Final = 8
_STEP: Final = 0.3
_Z90: Final = 1.6448536269514722
_GUESSES: Final = (0.03, 0.12)
_MOST: Final = 0.5
_MISSES: Final = np.array([1.0, 2.0, 3.0])


@dataclass(frozen=True, slots=True)
class Missed:
    """`chance`: that a look misses a failed component (0 where the data don't ask for it), `lower`, `upper` its 90 %
    limits by the curvature of its profile likelihood over its logarithm; `gain`: of log likelihood; `lives`: the lives
    to fit, doubtful ones split with the weights of their readings; `used` (m): where it acts; `sway` (m, 2): by how
    much location and log sigma move with one standard error of the chance."""

    chance: float
    gain: float
    lives: Lives
    used: npt.NDArray[np.bool_]
    sway: Floats
    lower: float = 0.0
    upper: float = 0.0


def none_missed(lives: Lives, gain: float = 0.0) -> Missed:
    """No miss: the lives as they are."""
    return Missed(0.0, gain, lives, np.zeros(lives.components, dtype=bool), np.zeros((lives.components, 2)))


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


def find_missed(lives: Lives, prior: Prior, before: Floats, looked: npt.NDArray[np.bool_]) -> Steps[Missed]:
    """Estimate the chance of a missed fail, and split the doubtful lives where it matters.

    Parameters
    ----------
    prior : Prior
        A weak one.
    before : (rows)
        Log age, scaled and shifted as the lives are, of the last look that found it good before the one at `lower`.
    looked : (rows)
        Whether `lower` is the age of a look that found it good (else it is sure, or nothing is known).

    Of a fleet in pieces the lives are those of one; the chance is one for all.
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
    detections: Floats = np.zeros(lives.components)
    np.add.at(detections, lives.between.of, lives.between.weight)
    concerned = np.zeros(lives.components, dtype=bool)
    for doubt in doubts:
        concerned[doubt.of] = True
    found = yield from total(float(detections[concerned].sum()))
    if found < _FEWEST_EVENTS:
        return none_missed(lives)
    counts = np.where(concerned, detections, 0.0)
    fits = [_fitted(dist, lives, prior) for dist in (WEIBULL, LOGNORMAL, LOGLOGISTIC)]
    none = yield from _best(fits, lives, doubts, 0.0, counts)
    answers = []
    for guess in _GUESSES:
        # a wrong distribution hides misses, and misses feign a wrong distribution: the choice is made at several
        # guesses
        refitted = [_settle_at(fit, lives, doubts, prior, guess) for fit in fits]
        start = yield from _best(refitted, lives, doubts, guess, counts)
        answers.append((yield from _climb(start, lives, doubts, prior, guess, counts, found)))
    best = max(answers, key=lambda answer: answer.value)
    gain = best.value - none.value
    if gain < _GAIN:
        return none_missed(lives, gain)
    error, sway = yield from _sureness(best, lives, doubts, prior, counts)
    reach = float(np.exp(_Z90 * error))
    split = _split(lives, doubts, best.shares)
    return Missed(best.chance, gain, split, concerned, sway, best.chance / reach, min(best.chance * reach, 1.0))


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


@dataclass(frozen=True, slots=True)
class _Climbed:
    """Where EM ended: log likelihood, chance of a miss, share of each doubtful life's readings, the lives' fit."""

    value: float
    chance: float
    shares: list[Floats]
    fit: _Fit


def _sureness(
    best: _Climbed, lives: Lives, doubts: list[_Doubt], prior: Prior, detections: Floats
) -> Steps[tuple[float, Floats]]:
    """Standard error of the log of the chance of a miss, and how far it sways each component's parameters (m, 2)."""
    values, ends = [], []
    for step in (-_STEP, 0.0, _STEP):
        chance = best.chance * float(np.exp(step))
        fit = _settle_at(best.fit, lives, doubts, prior, chance, turns=_MORE_TURNS)
        values.append(float(_value(fit.dists, lives, doubts, fit.parameters, chance, detections).sum()))
        ends.append(fit.parameters)
    values = yield from total(np.array(values))
    bend = (2.0 * values[1] - values[0] - values[2]) / _STEP**2
    error = 1.0 / np.sqrt(max(bend, 1.0))
    return float(error), np.asarray((ends[2] - ends[0]) / (2.0 * _STEP) * error)


def _fitted(dist: Distribution, lives: Lives, prior: Prior) -> _Fit:
    return _Fit([(dist, np.ones(lives.components, dtype=bool))], find_modes(dist, lives, prior).parameters)


def _settle_at(
    fit: _Fit, lives: Lives, doubts: list[_Doubt], prior: Prior, chance: float, *, turns: int = _FEW_TURNS
) -> _Fit:
    """The fit at a given chance of a miss, by a few EM steps."""
    at = fit.parameters
    for _ in range(turns):
        shares = [_share(fit.dists, d, at, chance) for d in doubts]
        at = _refit(fit.dists, _split(lives, doubts, shares), prior, at)
    return _Fit(fit.dists, at)


def _best(fits: list[_Fit], lives: Lives, doubts: list[_Doubt], chance: float, detections: Floats) -> Steps[_Best]:
    values = np.stack([_value(fit.dists, lives, doubts, fit.parameters, chance, detections) for fit in fits])
    winner = values.argmax(axis=0)
    parameters = np.stack([fit.parameters for fit in fits])[winner, np.arange(lives.components)]
    dists = [(fit.dists[0][0], winner == k) for k, fit in enumerate(fits)]
    value = yield from total(float(values.max(axis=0).sum()))
    return _Best(dists, parameters, value)


def _climb(
    best: _Best, lives: Lives, doubts: list[_Doubt], prior: Prior, chance: float, detections: Floats, found: float
) -> Steps[_Climbed]:
    """EM for the chance of a miss and the lives together. found: the detections of the whole fleet."""
    at = best.parameters
    shares = [np.zeros((len(d.place), len(_MISSES))) for d in doubts]
    for _ in range(_TURNS):
        shares = [_share(best.dists, d, at, chance) for d in doubts]
        own = sum(float(d.weight @ (s @ _MISSES)) for d, s in zip(doubts, shares, strict=True))
        misses = yield from total(own)
        new = float(np.clip(misses / max(misses + found, 1e-9), 1e-6, _MOST))
        at = _refit(best.dists, _split(lives, doubts, shares), prior, at)
        if abs(new - chance) < 1e-5:
            break
        chance = new
    value = yield from total(float(_value(best.dists, lives, doubts, at, chance, detections).sum()))
    return _Climbed(value, chance, shares, _Fit(best.dists, at))


def _log_survival(dists: Chosen, of: Ints, at: Floats, parameters: Floats) -> Floats:
    out = np.zeros(len(at))
    z = (at - parameters[of, 0]) / np.exp(parameters[of, 1])
    for dist, chosen in dists:
        here = chosen[of]
        out[here] = dist.log_survival(z[here])
    return np.where(np.isposinf(at), -np.inf, out)


def _readings(dists: Chosen, d: _Doubt, parameters: Floats, chance: float) -> tuple[Floats, Floats]:
    """Likelihood of each doubtful life as written (n), and with one, two and three misses (n, 3)."""
    ages = (_two_before(d), d.before, d.at, d.until)
    s_two, s_before, s_at, s_until = (np.exp(_log_survival(dists, d.of, x, parameters)) for x in ages)
    falls = np.column_stack([s_before - s_at, s_two - s_before, 1.0 - s_two])
    return s_at - s_until, falls * chance**_MISSES


def _two_before(d: _Doubt) -> Floats:
    """Log age of the look before the one before: as far from it as that one is from the last."""
    age = np.maximum(2.0 * np.exp(d.before) - np.exp(d.at), 0.0)
    out = np.full(len(age), LOG_ZERO)
    out[age > 0] = np.log(age[age > 0])
    return out


def _share(dists: Chosen, d: _Doubt, parameters: Floats, chance: float) -> Floats:
    """How likely each doubtful life (n) is read with one, two and three misses: (n, 3)."""
    plain, missed = _readings(dists, d, parameters, chance)
    return np.asarray(missed / np.maximum(plain + missed.sum(axis=1), 1e-300)[:, None])


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
    rest = _split(lives, doubts, [np.zeros((len(d.place), len(_MISSES))) for d in doubts], keep=False)
    for dist, chosen in dists:
        if chosen.any():
            at = parameters[chosen]
            total[chosen] += log_likelihood(dist, rest.select(chosen), at[:, 0], at[:, 1])
    for d in doubts:
        plain, missed = _readings(dists, d, parameters, chance)
        terms = np.log(np.maximum(plain + missed.sum(axis=1), 1e-300))
        np.add.at(total, d.of, d.weight * terms)
    return total


def _split(lives: Lives, doubts: list[_Doubt], shares: list[Floats], *, keep: bool = True) -> Lives:
    """Doubtful lives with each of their readings by its share; or (not `keep`) all lives without the doubtful."""
    weights = [p.weight.copy() for p in lives.parts]
    more = []
    for d, share in zip(doubts, shares, strict=True):
        weights[d.part][d.place] = d.weight * (1.0 - share.sum(axis=1)) if keep else 0.0
        rows = lives.parts[d.part].row[d.place]
        two, zero = _two_before(d), np.full(len(d.place), LOG_ZERO)
        for low, high, part in zip((d.before, two, zero), (d.at, d.before, two), share.T, strict=True):
            more.append(Part(d.of, low, high, d.weight * part, rows).keep((part > 1e-7) & (high > LOG_ZERO)))
    parts = [Part(p.of, p.at, p.until, w, p.row) for p, w in zip(lives.parts, weights, strict=True)]
    both = [parts[1], *more]
    joined = Part(*(np.concatenate([getattr(p, name) for p in both]) for name in Part.__slots__))
    order = np.argsort(joined.of, kind="stable")
    parts[1] = Part(*(getattr(joined, name)[order] for name in Part.__slots__))
    return Lives(lives.components, *parts)
