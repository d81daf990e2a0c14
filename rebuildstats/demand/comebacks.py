"""Rebuilds after the first one: what a rebuild has renewed starts anew, what it has left goes on.

Expected numbers by interval, from the renewal equation (Cox 1962, *Renewal Theory*) on the calendar's grid: what begins
anew in an interval begins in its middle, and what would come back within its own interval comes back from the next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rebuildstats.demand.hazards import Hazard
from rebuildstats.demand.sums import Array


@dataclass(frozen=True, slots=True)
class Places:
    """One component's positions that show in service.

    each: (units, positions, K) hazard gathered in each interval while nothing renews them; life: of a new one;
    repaired: share of its failures mended without a rebuild; renewed: share renewed at a rebuild of another cause;
    scale: of all its hazards.
    """

    each: Array
    life: Hazard
    repaired: float
    renewed: float
    scale: float


def middle_of(gone: Array) -> Array:
    """Distance run by the middle of each interval, (units, K), from that at the edges (units, K + 1)."""
    return np.asarray((gone[:, :-1] + gone[:, 1:]) / 2.0)


def from_unit_lives(life: Hazard, scheduled: Hazard, first: Array, gone: Array) -> Array:
    """Expected rebuilds after the first (units, K) where each renews the whole unit. first: chance of the first."""
    middle = middle_of(gone)
    started, again = first.copy(), np.zeros_like(first)
    start = np.zeros((len(first), 1))
    for j in range(first.shape[1]):
        run = np.maximum(gone[:, j + 1 :] - middle[:, j : j + 1], 0.0)
        total = life.cumulative(run) + scheduled.cumulative(run)
        more = started[:, j : j + 1] * -np.diff(np.exp(-np.concatenate([start, total], axis=1)), axis=1)
        again[:, j:] += more
        started[:, j:] += more
    return again


def from_position_lives(
    places: Sequence[Places], scheduled: Hazard, calm: Array, gone: Array
) -> tuple[Array, Array, list[Array]]:
    """Expected rebuilds, all of them, repairs, and the rebuilds that each of `places` causes, (units, K) each, where a
    rebuild renews some positions and leaves others.

    A position fails on its own life, from its age today or from its last renewal; it is renewed when it fails, and with
    chance `renewed` at the unit's other rebuilds, which are taken to come independently of its own failure. calm:
    (units, K) chance that the unit's first rebuild is one without a failure.
    """
    middle = middle_of(gone)
    count = calm.shape[1]
    old = [np.ones(p.each.shape[:2]) for p in places]
    young: list[list[Array]] = [[] for _ in places]
    rebuilt, mended = np.zeros_like(calm), np.zeros_like(calm)
    caused = [np.zeros_like(calm) for _ in places]
    for k in range(count):
        run = np.maximum(
            gone[:, k : k + 2, None] - middle[:, None, :k], 0.0
        )  # (units, 2, j): since interval j's middle
        failed = [_fail(p, old[i], young[i], run, k) for i, p in enumerate(places)]
        own = [f.sum(axis=1) * (1.0 - p.repaired) for f, p in zip(failed, places, strict=True)]
        booked = -np.diff(np.exp(-scheduled.cumulative(run)), axis=1)[:, 0]
        without = calm[:, k] + (rebuilt[:, :k] * booked).sum(axis=1)
        rebuilt[:, k] = np.sum(own, axis=0) + without
        for i, p in enumerate(places):
            caused[i][:, k] = own[i]
            mended[:, k] += failed[i].sum(axis=1) * p.repaired
            others = rebuilt[:, k, None] - failed[i] * (1.0 - p.repaired)
            taken = failed[i] + _renew(old[i], young[i], p.renewed * np.clip(others, 0.0, 1.0))
            young[i].append(taken)
    return rebuilt, mended, caused


def _fail(place: Places, old: Array, young: list[Array], run: Array, k: int) -> Array:
    """Chance that each position (units, positions) fails in interval k; it is taken out of `old` and `young`."""
    chance = -np.expm1(-place.each[:, :, k])
    failed = old * chance
    old -= failed
    gathered = np.diff(place.life.cumulative(run), axis=1)[:, 0] * place.scale
    for j, mass in enumerate(young):
        more = mass * -np.expm1(-gathered[:, j, None])
        failed = failed + more
        mass -= more
    return np.asarray(failed)


def _renew(old: Array, young: list[Array], chance: Array) -> Array:
    """What a rebuild for another reason renews of each position, taken out of `old` and `young`."""
    taken = old * chance
    old -= taken
    for mass in young:
        more = mass * chance
        taken = taken + more
        mass -= more
    return np.asarray(taken)
