"""A component's own yardstick: how lives begun at a teardown should have failed, had they lasted as first lives do.

No part fitted and no work done can have spoilt a first life, so a component whose every renewal is bad still shows.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.exposure import BANDS, Exposure
from rebuildstats.fits.rows import sums

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

ENOUGH_FIRST = 15
"""First lives' failures below which they are no yardstick."""
LEAST_GUARD, MOST_GUARD = 1.3, 3.0
"""How many times as often lives begun at a teardown may fail as first lives before the component itself is suspected:
at least, and at most. In between it is learnt from how components differ in that among themselves."""
STEADY = 5.0
"""Failures' worth of belief that first lives follow their fitted shape over age."""


def against_first_lives(x: Exposure, factor: Array, added: Array, explained: Flags) -> Array:
    """Failures to expect of each life begun at a teardown, guard included; 0 where there is no yardstick.

    By the first lives' failures over fitted hazard in each band of age, known causes' factors on hazard counted in
    (`factor`, by piece) and steadied toward the fitted shape; scaled so that with the first lives' own failures every
    component's total is right. added: failures by life that known causes bring on top. explained: lives of known
    causes, which take no part in what is usual.
    """
    component, lives = x.component.code, len(x.failed)
    of_piece = component[x.piece_life]
    hazard = x.piece_to - x.piece_from
    first_piece = ~x.begun[x.piece_life]
    out = np.zeros(lives)
    usual: list[tuple[float, float, float]] = []
    places: list[tuple[npt.NDArray[np.int64], float]] = []
    for c in range(len(x.component.names)):
        later = np.flatnonzero((component == c) & x.begun)
        own = np.flatnonzero((component[x.fail_life] == c) & ~x.begun[x.fail_life])
        if len(own) < ENOUGH_FIRST or not len(later):
            continue
        first = np.flatnonzero((of_piece == c) & first_piece)
        after = np.flatnonzero((of_piece == c) & ~first_piece)
        failed = sums(x.fail_band[own] - c * BANDS, None, BANDS)
        exposed = sums(x.piece_band[first] - c * BANDS, (hazard * factor)[first], BANDS)
        ratio = (failed + STEADY) / (exposed + STEADY * exposed.sum() / len(own))
        rise = hazard[after] * ratio[x.piece_band[after] - c * BANDS]
        out += sums(x.piece_life[after], rise * factor[after], lives)
        clean = later[~explained[later]]
        if out[clean].sum() >= 3:
            usual.append((float(x.failed[clean].sum()), float(out[clean].sum()), float(len(own))))
        places.append((later, float(len(own))))
    level, guard = _usual(usual)
    for later, failures in places:
        expected = out[later] * level * guard + added[later]
        total = float(x.failed[later].sum()) + failures
        out[later] = expected * total / (expected.sum() + failures)
    return out


def _usual(counts: list[tuple[float, float, float]]) -> tuple[float, float]:
    """How much more begun lives fail than first ones, as a rule (at least 1), and the guard: twice the spread of that
    between components, by the median of squares so that the bad ones don't count."""
    if not counts:
        return 1.0, MOST_GUARD
    observed, expected, first = np.array(counts).T
    ratio = np.log((observed + 0.5) / (expected + 0.5))
    centre = float(np.median(ratio))
    if len(ratio) < 6:
        return max(1.0, float(np.exp(centre))), 2.0
    chance = 1 / (expected + 0.5) + 1 / (first + STEADY)  # of both counts, so that chance isn't taken for a difference
    spread = float(np.median((ratio - centre) ** 2 / chance)) / 0.455  # 0.455: median of chi-square on 1
    excess = max(spread - 1.0, 0.0) * float(np.median(chance))
    return max(1.0, float(np.exp(centre))), float(np.clip(np.exp(2 * np.sqrt(excess)), LEAST_GUARD, MOST_GUARD))
