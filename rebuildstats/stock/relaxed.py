"""The exact answer to the relaxed question: filled jobs less a price times money, at any price.

Choosing levels to maximise (filled jobs - price x money) is a selection problem: a job is a project that pays when
all the levels it needs are bought. Its exact solution is a minimum cut (Rhys 1970, Management Science 17:200; Picard
1976, Management Science 22:1268), whatever sets of parts the jobs need together, so no pair or kit is a trap to it.
Over all prices the solutions are the corners of the convex hull of (money, filled jobs), and each price gives a lower
bound on the money of any target: money >= (wanted - best value) / price.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_ROOM = 1.0e9  # whole-number capacities: their sum must stay below 2^31
_NO_LIMIT = 2**30
_CHORDS = 40  # far more than are ever needed: each finds a new corner of the hull or ends the search


@dataclass(frozen=True, slots=True)
class Network:
    """Bins (levels of items) and the jobs that need them.

    bin_item, bin_step (bins,): item, and money from the level below to this one; an item's bins stand together, in
    order. line_job, line_bin (lines,): each job's needs. weight (jobs,).
    """

    bin_item: Ints
    bin_step: Floats
    line_job: Ints
    line_bin: Ints
    weight: Floats
    items: int

    def solve(self, price: float) -> tuple[Ints, float]:
        """Best number of bins per item at this price, and an upper bound on the best value (in weight of jobs)."""
        jobs, bins = len(self.weight), len(self.bin_item)
        scale = _ROOM / max(float(self.weight.sum()), 1e-300)
        gain = np.ceil(self.weight * scale)  # rounded so that the value can only be overstated
        cost = np.minimum(np.floor(price * self.bin_step * scale), _NO_LIMIT)
        job_node, bin_node = 2 + np.arange(jobs), 2 + jobs + np.arange(bins)
        follows = np.flatnonzero(np.r_[False, self.bin_item[1:] == self.bin_item[:-1]])
        tail = np.concatenate([np.zeros(jobs, int), job_node[self.line_job], bin_node[follows], bin_node])
        head = np.concatenate([job_node, bin_node[self.line_bin], bin_node[follows - 1], np.ones(bins, int)])
        free = np.full(len(self.line_job) + len(follows), _NO_LIMIT)
        room = np.concatenate([gain, free, cost]).astype(np.int32)
        nodes = 2 + jobs + bins
        graph = csr_array((room, (tail.astype(np.int32), head.astype(np.int32))), shape=(nodes, nodes))
        graph.indices, graph.indptr = graph.indices.astype(np.int32), graph.indptr.astype(np.int32)
        flow = maximum_flow(graph, 0, 1)
        rest = graph - flow.flow
        rest.data[rest.data < 0] = 0
        rest.eliminate_zeros()
        reached = np.zeros(nodes, bool)
        reached[breadth_first_order(rest, 0, return_predecessors=False)] = True
        at = np.bincount(self.bin_item, weights=reached[bin_node], minlength=self.items).astype(np.int64)
        return at, float(gain.sum() - flow.flow_value) / scale

    def between(self, below: Ints, above: Ints) -> Network:
        """What is left to decide where `below` (bins per item) is bought in any case and nothing beyond `above`."""
        had, may = _met(self, below), _met(self, above)
        lost = np.zeros(len(self.weight), bool)
        lost[self.line_job[~may[self.line_bin]]] = True
        line = ~had[self.line_bin] & ~lost[self.line_job]
        bins = may & ~had
        jobs = np.zeros(len(self.weight), bool)
        jobs[self.line_job[line]] = True
        job_number, bin_number = np.cumsum(jobs) - 1, np.cumsum(bins) - 1
        lines = job_number[self.line_job[line]], bin_number[self.line_bin[line]]
        return Network(self.bin_item[bins], self.bin_step[bins], *lines, self.weight[jobs], self.items)


@dataclass(frozen=True, slots=True)
class Hull:
    """The two corners of the hull about a target and the bound. below, above: bins per item; bound: least money that
    any levels reaching the target can cost (or, for a budget, most filled weight that it can buy)."""

    below: Ints
    above: Ints
    bound: float


def around_target(net: Network, wanted: float) -> Hull:
    """Corners about `wanted` (weight of filled jobs) and the least money that reaches it."""
    below, above, prices = _around(net, lambda filled, _: filled >= wanted - 1e-9)
    bound = max([0.0, *((wanted - value) / price for price, value in prices)])
    return Hull(below, above, bound)


def around_budget(net: Network, budget: float) -> Hull:
    """Corners about `budget`, and the most that it can fill."""
    below, above, prices = _around(net, lambda _, money: money > budget)
    bound = min([float(net.weight.sum()), *(value + price * budget for price, value in prices)])
    return Hull(below, above, bound)


def _around(net: Network, beyond: Callable[[float, float], bool]) -> tuple[Ints, Ints, list[tuple[float, float]]]:
    """The two neighbouring corners of the hull between which `beyond` (filled, money) turns true, and prices with their
    best values.

    The next price is the slope of the chord between the two corners known: its solution lies above the chord unless the
    two are neighbours, when no corner lies between them. Solutions at rising prices lie within one another (Gallo,
    Grigoriadis & Tarjan 1989, SIAM J. Comput. 18:30), so only what is between the two corners is left to decide; the
    last price, which bounds best, is solved over everything, so that its value takes nothing for granted.
    """
    below = np.zeros(net.items, np.int64)
    above = np.bincount(net.bin_item, minlength=net.items).astype(np.int64)
    low, high = (_filled(net, below), 0.0), (_filled(net, above), _money(net, above))
    price, rest = None, net
    for _ in range(_CHORDS):
        gap = high[0] - low[0], high[1] - low[1]
        if gap[0] <= 1e-9 or gap[1] <= 0:
            break
        price = gap[0] / gap[1]
        at = below + rest.solve(price)[0]
        found = _filled(net, at), _money(net, at)
        if found[0] - price * found[1] <= low[0] - price * low[1] + 1e-7 * max(high[0], 1.0):
            break
        if beyond(*found):
            above, high = at, found
        else:
            below, low = at, found
        rest = net.between(below, above)
    return below, above, [] if price is None else [(price, net.solve(price)[1])]


def corners(net: Network, points: int) -> list[Ints]:
    """Bins per item at corners of the hull, least money first, from nothing to everything: some `points` of them,
    spread so that no two neighbours are far apart in filled jobs."""
    low, high = _prices(net)
    full = np.bincount(net.bin_item, minlength=net.items).astype(np.int64)
    found = {low: full, high: np.zeros(net.items, np.int64)}
    filled = {price: _filled(net, at) for price, at in found.items()}
    gaps = [(high, low)]
    for _ in range(2 * points):
        if len({_filled_key(f) for f in filled.values()}) >= points or not gaps:
            break
        gaps.sort(key=lambda g: filled[g[1]] - filled[g[0]])
        dear, cheap = gaps.pop()
        if filled[cheap] - filled[dear] <= 1e-9 or dear / cheap < 1 + 1e-6:
            continue
        price = float(np.sqrt(dear * cheap))
        found[price], _ = net.solve(price)
        filled[price] = _filled(net, found[price])
        gaps += [(dear, price), (price, cheap)]
    unique: dict[bytes, Ints] = {}
    for price in sorted(found, reverse=True):
        unique.setdefault(found[price].tobytes(), found[price])
    return list(unique.values())


def _filled_key(filled: float) -> int:
    return round(filled * 1e6)


def _prices(net: Network) -> tuple[float, float]:
    """A price at which everything is bought, and one at which nothing is."""
    total = max(float(net.bin_step.sum()), 1e-300)
    step = net.bin_step[net.bin_step > 0]
    least = float(step.min()) if len(step) else 1.0
    return float(net.weight.min(initial=1.0)) / total / 10, 2 * float(net.weight.sum()) / least


def _met(net: Network, at: Ints) -> NDArray[np.bool_]:
    start = np.searchsorted(net.bin_item, np.arange(net.items))
    return np.asarray(np.arange(len(net.bin_item)) - start[net.bin_item] < at[net.bin_item])


def _filled(net: Network, at: Ints) -> float:
    short = np.bincount(net.line_job, weights=~_met(net, at)[net.line_bin], minlength=len(net.weight))
    return float(net.weight @ (short == 0))


def _money(net: Network, at: Ints) -> float:
    return float(net.bin_step @ _met(net, at))
