"""What is on its way: pieces wanted but not yet replaced under one-for-one replenishment, and what follows from it.

With an order-up-to level S every piece taken is ordered again at once, so the shelf holds S less what is outstanding,
and what is outstanding at a moment t is the demand of the lead time before t, whatever S is (Palm 1938; Feeney &
Sherbrooke 1966). Everything about levels is therefore read off the distribution of the outstanding pieces, either
given as a pmf or simulated from sampled futures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_GRAIN = 1e-6  # days


def expected_backorders(pmf: Floats, level: int) -> float:
    """Expected pieces owed at a random moment, E[(N - level)+], N ~ pmf (pmf[k]: chance of k pieces outstanding).

    Sherbrooke 2004, *Optimal Inventory Modeling of Systems*, ch. 2.
    """
    k = np.arange(len(pmf))
    return float(np.sum(np.clip(k - level, 0, None) * pmf))


def ready_chance(pmf: Floats, level: int) -> float:
    """Chance that at least one piece lies on the shelf at a random moment, P(N < level)."""
    return float(np.sum(pmf[: max(level, 0)]))


def chance_of_none(pmf: Floats, level: int, *, fetched_elsewhere: bool = False) -> float:
    """Chance that a want meets an empty shelf.

    fetched_elsewhere: False: the want waits, so the shelf is empty when N >= level. True: it is met from outside at
    once (a hired unit, an emergency purchase) and never enters the pipeline; for Poisson wants N is then truncated at
    the level, P(level) / P(N <= level): Erlang's loss formula, insensitive to the lead time's shape.
    """
    if level < 0:
        return 1.0
    if not fetched_elsewhere:
        return float(np.sum(pmf[level:]))
    within = float(np.sum(pmf[: level + 1]))
    return float(pmf[level] / within) if level < len(pmf) and within > 0 else 0.0


def level_at(ratio: float, cumulative: Floats, support: Floats | None = None) -> float:
    """Smallest value of `support` (default 0, 1, 2, ...) whose cumulative chance reaches `ratio`.

    With ratio = shortage cost / (shortage cost + surplus cost) it is the newsvendor's quantity.
    """
    index = int(np.searchsorted(cumulative, ratio - 1e-12))
    index = min(index, len(cumulative) - 1)
    return float(index if support is None else support[index])


@dataclass(frozen=True, slots=True)
class Economic:
    """The lot that costs least in a year. lot: pieces; yearly_cost: purchase + ordering + holding, in money."""

    lot: int
    yearly_cost: float


def economic_lot(yearly: float, unit_cost: float, order_cost: float, holding: float, pack: int = 1) -> Economic:
    """Whole packs bought at once that cost least: yearly x unit_cost + order_cost x yearly / lot + holding x lot / 2.

    holding: money per piece and year. The best whole lot lies next to Harris's square root (Harris 1913), the cost
    being convex in the lot.
    """

    def cost(lot: float) -> float:
        return yearly * unit_cost + order_cost * yearly / lot + holding * lot / 2

    pack = max(int(pack), 1)
    if yearly <= 0 or holding <= 0:
        return Economic(pack, cost(pack) if yearly > 0 else 0.0)
    packs = np.sqrt(2 * order_cost * yearly / holding) / pack
    lots = [max(int(np.floor(packs)), 1) * pack, max(int(np.ceil(packs)), 1) * pack]
    best = min(lots, key=cost)
    return Economic(best, cost(best))


@dataclass(frozen=True, slots=True)
class Pipeline:
    """Outstanding pieces simulated from events. before: per event, what is outstanding when it comes (its own pieces
    and those of its own job not counted). The other fields describe the state over time, per item: pmf of outstanding
    pieces (ragged, rows concatenated: item i is pmf[start[i]:start[i + 1]])."""

    before: Floats
    pmf: Floats
    start: Ints

    def of(self, item: int) -> Floats:
        return self.pmf[self.start[item] : self.start[item + 1]]


def simulate_pipeline(
    draw: Ints, item: Ints, day: Floats, quantity: Floats, lead: Floats, *, draws: int, items: int, days: float
) -> Pipeline:
    """Outstanding pieces before each event and their distribution over time, exactly, for every draw and item.

    draw, item, day (0 <= day < days), quantity, lead: one row an event; rows of equal day are served in row order.
    Each event's pieces are outstanding over [day, day + lead). Time runs in a circle of length `days`, so that the
    first weeks see the pipeline that the last weeks leave: every event counts and none meets an empty pipeline merely
    because the sample begins there.
    """
    group = draw * items + item
    sent = lead > 0  # what arrives at once is never outstanding
    arrival = np.where(sent, day + lead, 0.0)
    rounds = np.floor((arrival + _GRAIN / 2) / days)
    # to the tenth of a second: what arrives when something is wanted must tie with it exactly
    back = np.round(np.maximum(arrival - rounds * days, 0.0) / _GRAIN) * _GRAIN
    day = np.round(day / _GRAIN) * _GRAIN

    n_sent = int(sent.sum())
    keys = np.concatenate([group[sent] * (days + 1.0) + back[sent], group * (days + 1.0) + day])
    change = np.concatenate([-quantity[sent], np.where(sent, quantity, 0.0)])
    times = np.concatenate([back[sent], day])
    groups = np.concatenate([group[sent], group])
    # arrivals stand first and the sort is stable: what arrives on a day can be used that day
    order = np.argsort(keys, kind="stable")
    change, times, groups = change[order], times[order], groups[order]
    run = np.cumsum(change) - change
    first = np.flatnonzero(np.r_[True, groups[1:] != groups[:-1]]) if len(groups) else np.zeros(0, np.int64)
    size = np.diff(np.r_[first, len(groups)])
    baseline = np.bincount(group, weights=np.where(sent, rounds * quantity, 0.0), minlength=draws * items)
    level = run - np.repeat(run[first], size) + baseline[groups]

    before = np.empty(len(day))
    place = order >= n_sent
    before[order[place] - n_sent] = level[place]
    before = np.maximum(np.round(before, 9), 0.0)

    # time spent at each level: after an event until the next one of the group, and before the first one
    after = level + change
    last = first + size - 1
    until = np.r_[times[1:], 0.0]
    until[last] = days
    held_item = np.concatenate([groups % items, groups[first] % items])
    held_level = np.concatenate([after, level[first]])
    held_time = np.concatenate([until - times, times[first]])
    whole = np.ceil(np.round(held_level, 9)).clip(0).astype(np.int64)
    top = np.zeros(items, np.int64)
    np.maximum.at(top, held_item, whole)
    start = np.r_[0, np.cumsum(top + 1)]
    pmf = np.bincount(start[held_item] + whole, weights=held_time, minlength=int(start[-1]))
    groups_seen = np.bincount(groups[first] % items, minlength=items)
    pmf[start[:-1]] += (draws - groups_seen) * days
    return Pipeline(before, pmf / (draws * days), start.astype(np.int64))
