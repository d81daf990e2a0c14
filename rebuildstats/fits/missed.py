"""Missed fails: an inspection may pass a component that has failed already, so that 'last known good' is not quite
known.

With chance m a look at a failed component finds nothing. A life good at `lower` by a look may then have failed before
it, after the look before that (`good_before`); two misses in a row are left aside as rarer still. A life found failed
at `upper` has likelihood (1 - m) ((1 - m) S(lower) + m S(good_before) - S(upper)), a running one (1 - m) S(lower) +
m S(good_before). One m for all components seen at teardowns is estimated by EM together with their lives (misclassified
inspection: Richardson & Hughes 2000, Biostatistics 1:341); it is used only where the log likelihood gains `_GAIN`, and
then each doubtful life stands as two, with the weights of its two readings.
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
_TURNS: Final = 25
_FIRST: Final = 0.05
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
    best = _best(lives, prior)
    chance, start = _FIRST, best.parameters
    shares = [np.zeros(len(d.place)) for d in doubts]
    for _ in range(_TURNS):
        shares = [_share(best.dists, d, start, chance) for d in doubts]
        misses = sum(float(d.weight @ s) for d, s in zip(doubts, shares, strict=True))
        new = float(np.clip(misses / max(misses + detections[concerned].sum(), 1e-9), 1e-6, _MOST))
        start = _refit(best.dists, _split(lives, doubts, shares), prior, start)
        if abs(new - chance) < 1e-4:
            break
        chance = new
    gain = _value(best.dists, lives, doubts, start, chance, detections, concerned) - _value(
        best.dists, lives, doubts, best.parameters, 0.0, detections, concerned
    )
    if gain < _GAIN:
        return Missed(0.0, gain, lives, nothing.used)
    return Missed(chance, gain, _split(lives, doubts, shares), concerned)


@dataclass(frozen=True, slots=True)
class _Best:
    dists: list[tuple[Distribution, npt.NDArray[np.bool_]]]
    parameters: Floats


def _best(lives: Lives, prior: Prior) -> _Best:
    """Each component's likeliest distribution without misses, and its parameters."""
    dists = (WEIBULL, LOGNORMAL, LOGLOGISTIC)
    modes = [find_modes(d, lives, prior) for d in dists]
    winner = np.stack([x.log_likelihood for x in modes]).argmax(axis=0)
    parameters = np.stack([x.parameters for x in modes])[winner, np.arange(lives.components)]
    return _Best([(d, winner == k) for k, d in enumerate(dists)], parameters)


def _log_survival(
    dists: list[tuple[Distribution, npt.NDArray[np.bool_]]], of: Ints, at: Floats, parameters: Floats
) -> Floats:
    out = np.zeros(len(at))
    z = (at - parameters[of, 0]) / np.exp(parameters[of, 1])
    for dist, chosen in dists:
        here = chosen[of]
        out[here] = dist.log_survival(z[here])
    return np.where(np.isposinf(at), -np.inf, out)


def _share(
    dists: list[tuple[Distribution, npt.NDArray[np.bool_]]], d: _Doubt, parameters: Floats, chance: float
) -> Floats:
    """How likely each doubtful life had failed before the look that passed it."""
    s_before, s_at, s_until = (np.exp(_log_survival(dists, d.of, x, parameters)) for x in (d.before, d.at, d.until))
    missed = chance * (s_before - s_at)
    return np.asarray(missed / np.maximum(missed + s_at - s_until, 1e-300))


def _refit(
    dists: list[tuple[Distribution, npt.NDArray[np.bool_]]], lives: Lives, prior: Prior, start: Floats
) -> Floats:
    at = start.copy()
    for dist, chosen in dists:
        if chosen.any():
            at[chosen] = find_modes(dist, lives.select(chosen), prior.select(chosen), start[chosen], most=4).parameters
    return at


def _value(
    dists: list[tuple[Distribution, npt.NDArray[np.bool_]]],
    lives: Lives,
    doubts: list[_Doubt],
    parameters: Floats,
    chance: float,
    detections: Floats,
    concerned: npt.NDArray[np.bool_],
) -> float:
    """Log likelihood of all lives with this chance of a miss, less what does not depend on the doubtful ones'
    reading.
    """
    total = float(detections[concerned].sum()) * float(np.log1p(-chance))
    shares = [np.zeros(len(d.place)) for d in doubts]
    rest = _split(lives, doubts, shares, keep=False)
    for dist, chosen in dists:
        if chosen.any():
            part = rest.select(chosen)
            total += float(_log_likelihood(dist, part, parameters[chosen]))
    for d in doubts:
        s_before, s_at, s_until = (np.exp(_log_survival(dists, d.of, x, parameters)) for x in (d.before, d.at, d.until))
        total += float(d.weight @ np.log(np.maximum((1 - chance) * s_at + chance * s_before - s_until, 1e-300)))
    return total


def _log_likelihood(dist: Distribution, lives: Lives, parameters: Floats) -> float:
    return float(log_likelihood(dist, lives, parameters[:, 0], parameters[:, 1]).sum())


def _split(lives: Lives, doubts: list[_Doubt], shares: list[Floats], *, keep: bool = True) -> Lives:
    """Doubtful lives as two readings each: as written, and failed between the two looks before; or (not `keep`)
    without.
    """
    weights = [p.weight.copy() for p in lives.parts]
    more = []
    for d, share in zip(doubts, shares, strict=True):
        weights[d.part][d.place] = d.weight * (1.0 - share) if keep else 0.0
        rows = lives.parts[d.part].row[d.place]
        doubtful = share > 1e-7
        more.append(Part(d.of, d.before, d.at, d.weight * share, rows).keep(doubtful))
    parts = [Part(p.of, p.at, p.until, w, p.row) for p, w in zip(lives.parts, weights, strict=True)]
    both = [parts[1], *more]
    joined = Part(*(np.concatenate([getattr(p, name) for p in both]) for name in Part.__slots__))
    order = np.argsort(joined.of, kind="stable")
    parts[1] = Part(*(getattr(joined, name)[order] for name in Part.__slots__))
    return Lives(lives.components, *parts)
