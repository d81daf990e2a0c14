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
    always: whether every rebuild renews it; scale: of all its hazards.
    """

    each: Array
    life: Hazard
    repaired: float
    renewed: float
    always: bool
    scale: float

    @property
    def bringing(self) -> Array:
        """Hazard of a rebuild (units, K) while nothing renews the positions."""
        return np.asarray(self.each.sum(axis=1) * (1.0 - self.repaired))


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
    places: Sequence[Places], scheduled: Hazard, first: Array, calm: Array, gone: Array
) -> tuple[Array, Array, list[Array]]:
    """Expected rebuilds after the first, repairs, and the later rebuilds that each of `places` causes, (units, K) each,
    where a rebuild renews some positions and leaves others.

    What every rebuild renews is as old as the run since the last one, so its failures, and the schedule, follow the
    unit's last rebuild. Another position fails on its own life, from its age today or from its last renewal; it is
    renewed when it fails, and with chance `renewed` at other rebuilds, which are taken to come independently of its own
    failure. first, calm: (units, K) chance of the unit's first rebuild, and of one without a failure.
    """
    middle = middle_of(gone)
    share = (first - calm) / np.maximum(np.sum([p.bringing for p in places], axis=0), 1e-300)
    never = 1.0 - np.cumsum(first, axis=1) + first  # not rebuilt before the interval
    lasting = np.zeros((len(first), 0))  # by interval of the last rebuild
    old = [np.ones(p.each.shape[:2]) for p in places]
    young: list[list[Array]] = [[] for _ in places]
    again, mended = np.zeros_like(first), np.zeros_like(first)
    caused = [np.zeros_like(first) for _ in places]
    for k in range(first.shape[1]):
        run = np.maximum(
            gone[:, k : k + 2, None] - middle[:, None, :k], 0.0
        )  # (units, 2, j): since interval j's middle
        fresh, own, failed = {}, np.zeros(len(first)), {}
        for i, p in enumerate(places):
            if p.always:
                fresh[i] = np.diff(p.life.cumulative(run), axis=1)[:, 0] * (p.scale * p.each.shape[1])
                mended[:, k] += p.repaired * (
                    never[:, k] * p.each[:, :, k].sum(axis=1) + (lasting * fresh[i]).sum(axis=1)
                )
            else:
                failed[i] = _fail(p, old[i], young[i], run, k)
                mended[:, k] += p.repaired * failed[i].sum(axis=1)
                by_it = failed[i].sum(axis=1) * (1.0 - p.repaired) - share[:, k] * p.bringing[:, k]
                caused[i][:, k] = np.maximum(by_it, 0.0)
                own += caused[i][:, k]
        booked = np.diff(scheduled.cumulative(run), axis=1)[:, 0]
        since = booked + sum((h * (1.0 - places[i].repaired) for i, h in fresh.items()), np.zeros_like(booked))
        every = since + (own / np.maximum(lasting.sum(axis=1), 1e-9))[:, None]
        rate = lasting * -np.expm1(-every) / np.maximum(every, 1e-300)  # of rebuilds per hazard
        for i, hazard in fresh.items():
            caused[i][:, k] = (rate * hazard).sum(axis=1) * (1.0 - places[i].repaired)
        again[:, k] = own + (rate * since).sum(axis=1)
        lasting = np.column_stack([lasting - rate * every, first[:, k] + (rate * every).sum(axis=1)])
        for i, gone_bad in failed.items():
            others = (first[:, k] + again[:, k])[:, None] - gone_bad * (1.0 - places[i].repaired)
            renewed = _renew(old[i], young[i], places[i].renewed * np.clip(others, 0.0, 1.0))
            young[i].append(gone_bad + renewed)
    return again, mended, caused


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
