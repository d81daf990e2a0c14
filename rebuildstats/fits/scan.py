"""Was there a spell in which more failed than should have? A scan over all spells of one group, with an honest p-value.

Failures are counted on the clock of expected failures, so that a sound group is a Poisson process of rate 1 whatever
its exposure. Of all spells (from the beginning, to the end, or between two failures) the log-likelihood ratio is
taken, each kind of spell paying for how many of it there are (multiscale scan: Duembgen & Spokoiny 2001, Annals of
Statistics 29:124; the likelihood ratio: Kulldorff 1997). The tail of the largest was found by simulation
(`tests/benchmarks/scan_tail.py`): P(largest >= x) is about (0.12 + 0.12 log(1 + E)) e^-x for E expected in all, and
it can't be more than the chance of LEAST failures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[np.float64]
LEAST = 5
"""Fewer failures than this are no spell."""


@dataclass(frozen=True, slots=True)
class Spell:
    """The likeliest bad spell: bins first..last (inclusive), its counts, the penalised gain and the p-value of the
    scan."""

    first: int
    last: int
    observed: float
    expected: float
    score: float
    p_value: float


NO_SPELL = Spell(0, -1, 0.0, 0.0, 0.0, 1.0)


def gain(observed: Array, expected: Array, total: float) -> Array:
    """Log-likelihood ratio of `observed` in a part that should hold `expected` of `total` failures, 0 where not in
    excess.

    Conditional on the total, so that the level of the rest is estimated and not assumed; for a small part it is the
    Poisson ratio O log(O / E) - (O - E), which is also what an infinite `total` gives: a level that is known.
    """
    o, e = np.asarray(observed, dtype=float), np.maximum(np.asarray(expected, dtype=float), 1e-9)
    if np.isinf(total):
        return np.where(o > e, special.xlogy(o, o / e) - (o - e), 0.0)
    rest_o, rest_e = np.maximum(total - o, 0.0), np.maximum(total - e, 1e-9)
    value = special.xlogy(o, o / e) + special.xlogy(rest_o, rest_o / rest_e)
    return np.where((o > e) & (e < total), value, 0.0)


def suffix_penalty(part: Array) -> Array:
    """`part`: expected in all / expected in the spell."""
    return 1.0 + np.log1p(np.log(np.maximum(part, 1.0)))


def spell_penalty(part: Array) -> Array:
    logs = np.log(np.maximum(part, 1.0))
    return 1.5 + logs + np.log1p(logs)


def tail(score: float, expected: float, least: int = LEAST) -> float:
    """Chance that a sound group with `expected` failures scores as much."""
    bound = (0.12 + 0.12 * np.log1p(expected)) * np.exp(-score)
    return float(min(1.0, bound, special.gammainc(least, max(expected, 1e-12))))


def scan(
    observed: Array, expected: Array, total: float, *, whole: bool = True, spells: bool = True, least: int = LEAST
) -> Spell:
    """The likeliest bad spell of one group.

    observed, expected: by time bin, expected scaled so that all groups together get what was observed. total:
    failures of everything the group is compared with, itself included. whole: whether the group's whole time may be
    the spell (not where the group is all there is to compare with). spells: whether a spell may have ended. least:
    failures that make a spell.
    """
    o_all, e_all = float(observed.sum()), float(expected.sum())
    if o_all < least or e_all <= 0 or total <= 0:
        return NO_SPELL
    co = np.concatenate([[0.0], np.cumsum(observed)])
    ce = np.concatenate([[0.0], np.cumsum(expected)])
    at = np.flatnonzero(observed > 0)
    last_bin = len(observed) - 1
    best = NO_SPELL
    found: list[tuple[float, int, int]] = []
    if whole:
        live = np.flatnonzero(expected > 0)
        found.append((float(gain(co[-1:], ce[-1:], total)[0]), int(live[0]), last_bin))
    o, e = co[-1] - co[at], ce[-1] - ce[at]
    score = np.where(o >= least, gain(o, e, total) - suffix_penalty(e_all / np.maximum(e, 1e-9)), -1.0)
    k = int(score.argmax())
    found.append((float(score[k]), int(at[k]), last_bin))
    if spells and len(at) > 1:
        o2, e2 = co[at + 1][None, :] - co[at][:, None], ce[at + 1][None, :] - ce[at][:, None]
        score2 = gain(o2, e2, total) - spell_penalty(e_all / np.maximum(e2, 1e-9))
        score2 = np.where(o2 >= least, score2, -1.0)
        i, j = np.unravel_index(int(score2.argmax()), score2.shape)
        found.append((float(score2[i, j]), int(at[i]), int(at[j])))
    top, first, last = max(found)
    if top <= 0:
        return best
    return Spell(
        first, last, float(co[last + 1] - co[first]), float(ce[last + 1] - ce[first]), top, tail(top, e_all, least)
    )
