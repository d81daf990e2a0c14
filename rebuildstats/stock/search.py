"""Least money for a job fill rate, or the best job fill rate for the money.

Marginal analysis on sampled jobs. The plain greedy (most newly filled jobs per money) is blind to jobs that need two
parts together, since neither alone fills one. So a job that still lacks k needs is credited with b^k: with b near 0
it is the plain greedy, with b near 1 every need counts for itself. The climbs start from nothing and from a corner of
the hull of `relaxed.py` (which no set of parts can trap); a descent starts from the full levels and from the next
corner. Each result is pruned (give back what costs the fewest jobs for its money), the cheapest is improved by
exchange (change one or two items, repair the rest), and its distance from the bound of the hull is stated.

Every need is met, and given back, a bounded number of times, and the rounds of a pass do not grow with the number of
items, so the work grows with the number of needs.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from rebuildstats.stock.job_fill import Jobs
from rebuildstats.stock.relaxed import Hull, Network, around_budget, around_target, corners

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_CREDIT, _OTHER_CREDITS = 0.75, (0.1, 0.4, 0.95)
_ROUNDS = 400  # a pass over all items takes about this many rounds, whatever the number of items
_EPS = 1e-9
_CLOSE = 1e-4  # nearer than this to the bound of the hull nothing further is tried
_SMALL, _MANY, _FEW = 12, 3000, 60  # items of a short list; exchange moves tried on a short and on a long one


class Board:
    """Levels under search, with the tallies that make a step cheap.

    Needs of one item and level form a bin; `at[i]` counts the bins of item i that are met. `lacking[j]` counts the
    unmet needs of job j. `gain[b]`: credit that meeting bin b would add; `loss[b]`: filled jobs that need bin b.
    """

    def __init__(self, jobs: Jobs) -> None:
        items = len(jobs.cost)
        order = np.lexsort((jobs.line_need, jobs.line_item))
        item, need, job = jobs.line_item[order], jobs.line_need[order], jobs.line_job[order]
        fresh = np.r_[True, (item[1:] != item[:-1]) | (need[1:] != need[:-1])] if len(item) else np.zeros(0, bool)
        self.bin_of = np.cumsum(fresh) - 1
        self.line_start = np.r_[np.flatnonzero(fresh), len(item)].astype(np.int64)
        self.bin_item, self.bin_need = item[fresh], need[fresh]
        self.start = np.searchsorted(self.bin_item, np.arange(items + 1)).astype(np.int64)
        positive = jobs.cost[jobs.cost > 0]
        least = 1e-9 * float(positive.mean()) if len(positive) else 1.0
        self.cost = np.maximum(jobs.cost, least)  # what is free is taken first, but not without end
        self.job = job
        self.weight, self.total = jobs.weight, jobs.total
        by_job = np.argsort(job, kind="stable")
        self.job_line = by_job
        self.job_start = np.searchsorted(job[by_job], np.arange(len(jobs.weight) + 1)).astype(np.int64)
        self.lines = np.diff(self.job_start)
        self.met = np.zeros(len(item), bool)
        self.at = np.zeros(items, np.int64)
        self.lacking = self.lines.copy()
        self.set_credit(_CREDIT)

    def set_credit(self, credit: float) -> None:
        """Credit each job that lacks k needs with credit^k."""
        self.power = credit ** np.arange(int(self.lines.max(initial=0)) + 2)
        self._tally()

    def _tally(self) -> None:
        n = len(self.bin_item)
        w, u = self.weight[self.job], self.lacking[self.job]
        credit = w * self.power[np.maximum(u - 1, 0)]
        self.gain = np.bincount(self.bin_of, weights=np.where(self.met, 0.0, credit), minlength=n)
        self.loss = np.bincount(self.bin_of, weights=np.where(self.met & (u == 0), w, 0.0), minlength=n)
        self.filled = float(self.weight @ (self.lacking == 0))
        self.money = float(self.cost @ self.levels())

    def levels(self) -> Ints:
        """Order-up-to level of every item."""
        top = self.start[:-1] + self.at - 1
        return np.where(self.at > 0, self.bin_need[np.maximum(top, 0)] if len(self.bin_need) else 0, 0).astype(np.int64)

    def level_of(self, item: int) -> int:
        return int(self.bin_need[self.start[item] + self.at[item] - 1]) if self.at[item] else 0

    def set_all(self, at: Ints) -> None:
        """Put every item where `at` says."""
        self.at = at.copy()
        self.met = np.arange(len(self.bin_item))[self.bin_of] < (self.start[:-1] + at)[self.bin_item[self.bin_of]]
        unmet = np.bincount(self.job[~self.met], minlength=len(self.weight))
        self.lacking = unmet.astype(np.int64)
        self._tally()

    def top(self) -> Ints:
        return np.diff(self.start)

    def move(self, item: int, to: int) -> None:
        """Put one item at `to` met bins; the tallies follow."""
        here = int(self.at[item])
        if to == here:
            return
        low, high = self.start[item] + min(here, to), self.start[item] + max(here, to)
        touched = np.arange(self.line_start[low], self.line_start[high])
        jobs = self.job[touched]  # a job has one need of an item, so no job stands here twice
        size = self.lines[jobs]
        if size.sum() > len(self.bin_of) // 2:  # cheaper to count all again
            self.money += self.cost[item] * self._step(item, here, to)
            self.met[touched] = to > here
            self.lacking[jobs] += -1 if to > here else 1
            self.at[item] = to
            money = self.money
            self._tally()
            self.money = money
            return
        lines = self.job_line[np.repeat(self.job_start[jobs], size) + _ramp(size)]
        self._count(lines, -1.0)
        before = float(self.weight[jobs] @ (self.lacking[jobs] == 0))
        self.met[touched] = to > here
        self.lacking[jobs] += -1 if to > here else 1
        self._count(lines, 1.0)
        self.filled += float(self.weight[jobs] @ (self.lacking[jobs] == 0)) - before
        self.money += self.cost[item] * self._step(item, here, to)
        self.at[item] = to

    def _step(self, item: int, here: int, to: int) -> float:
        s = self.start[item]
        old = self.bin_need[s + here - 1] if here else 0
        new = self.bin_need[s + to - 1] if to else 0
        return float(new - old)

    def _count(self, lines: Ints, sign: float) -> None:
        job = self.job[lines]
        w, u, met, where = self.weight[job], self.lacking[job], self.met[lines], self.bin_of[lines]
        np.add.at(self.gain, where[~met], sign * (w * self.power[np.maximum(u - 1, 0)])[~met])
        whole = met & (u == 0)
        np.add.at(self.loss, where[whole], sign * w[whole])

    def next_step(self) -> Floats:
        """Money of each item's next bin (0: it has none)."""
        more = self.at < self.top()
        after = self.bin_need[np.where(more, self.start[:-1] + self.at, 0)] if len(self.bin_need) else self.at
        return np.where(more, self.cost * (after - self.levels()), 0.0)

    def best_up(self) -> tuple[Floats, Ints]:
        """Per item: the best credit per money over all upward steps, and the number of met bins it leads to."""
        below = self.at[self.bin_item] + self.start[self.bin_item]
        index = np.arange(len(self.bin_item))
        open_ = index >= below
        credit = np.cumsum(np.where(open_, self.gain, 0.0))
        base = np.r_[0.0, credit][self.start[self.bin_item]]
        step = self.bin_need - self.levels()[self.bin_item]
        ratio = np.where(open_ & (step > 0), (credit - base) / (self.cost[self.bin_item] * np.maximum(step, 1)), -1.0)
        return self._best(ratio, index + 1)

    def best_down(self) -> tuple[Floats, Ints]:
        """Per item: minus the least loss of filled jobs per money given back over all downward steps, and where to.

        Steps that lose nothing rank by the money they give back, above all others.
        """
        edge = self.at[self.bin_item] + self.start[self.bin_item]
        index = np.arange(len(self.bin_item))
        held = index < edge
        run = np.cumsum(np.where(held, self.loss, 0.0))
        end = run[np.maximum(self.start[self.bin_item + 1] - 1, 0)]
        lost = end - run + np.where(held, self.loss, 0.0)
        under = np.where(index > self.start[self.bin_item], self.bin_need[np.maximum(index - 1, 0)], 0)
        back = self.cost[self.bin_item] * (self.levels()[self.bin_item] - under)
        free = lost < _EPS
        score = np.where(held, np.where(free, back, -lost / np.maximum(back, 1e-300)), -np.inf)
        return self._best(score, index)

    def _best(self, score: Floats, leads_to: Ints) -> tuple[Floats, Ints]:
        """Best bin per item; leads_to counts bins from the item's first."""
        items = len(self.start) - 1
        value = np.full(items, -np.inf)
        where = np.zeros(items, np.int64)
        some = np.flatnonzero(np.diff(self.start) > 0)
        if len(some):
            value[some] = np.maximum.reduceat(score, self.start[some])
            hit = score == value[self.bin_item]
            first = np.full(items, -1, np.int64)
            at = np.flatnonzero(hit)[::-1]
            first[self.bin_item[at]] = at
            where[some] = leads_to[first[some]] - self.start[some]
        return value, where


def _ramp(size: Ints) -> Ints:
    """0 .. size[0]-1, 0 .. size[1]-1, ..."""
    ends = np.cumsum(size)
    return np.arange(int(ends[-1]) if len(ends) else 0) - np.repeat(ends - size, size)


@dataclass(frozen=True, slots=True)
class Found:
    """Levels (items,), their money and the job fill rate on the jobs searched.

    bound: least money at which any levels could reach the target (`cheapest`); most job fill rate that the budget could
    buy (`richest`).
    """

    levels: Ints
    money: float
    fill: float
    bound: float


def _climb(board: Board, wanted: float, budget: float = np.inf, keep: frozenset[int] = frozenset()) -> None:
    """Raise until `wanted` (weight of filled jobs) is reached or nothing more fits the budget. keep: left alone."""
    batch = max(1, int(board.top().sum()) // _ROUNDS)
    shut = np.zeros(len(board.at), bool)  # items whose next step no longer fits the budget
    shut[list(keep)] = True
    while board.filled < wanted - _EPS:
        if np.isfinite(budget):
            shut |= board.next_step() > budget - board.money + _EPS
            if shut.all():
                return
        value, to = board.best_up()
        value[shut] = -1.0
        chosen = np.flatnonzero(value > 0)
        if not len(chosen):
            return
        if len(chosen) > batch:
            chosen = chosen[np.argpartition(-value[chosen], batch - 1)[:batch]]
        for item in chosen[np.argsort(-value[chosen], kind="stable")]:
            goal = int(to[item])
            while goal > board.at[item] and (
                board.money + board.cost[item] * board._step(item, int(board.at[item]), goal) > budget + _EPS
            ):
                goal -= 1
            if goal == board.at[item]:
                shut[item] = True
                continue
            board.move(int(item), goal)
            if board.filled >= wanted - _EPS:
                break


def _prune(board: Board, wanted: float, keep: frozenset[int] = frozenset()) -> None:
    """Give back levels, least loss per money first, as long as `wanted` stays filled. keep: items left alone."""
    batch = max(1, int(board.at.sum()) // _ROUNDS)
    stuck = np.zeros(len(board.at), bool)
    stuck[list(keep)] = True
    some = np.flatnonzero(board.top() > 0)
    while True:
        # an item whose last bin alone would cost too many jobs stays for good: what others give back uses up the slack
        # at least as fast as it lowers this item's loss
        last = board.loss[np.maximum(board.start[some] + board.at[some] - 1, 0)]
        stuck[some] |= (board.at[some] == 0) | (last > board.filled - wanted + _EPS)
        if stuck[some].all():
            return
        value, to = board.best_down()
        value[stuck] = -np.inf
        chosen = np.flatnonzero(np.isfinite(value))
        if not len(chosen):
            return
        if len(chosen) > batch:
            chosen = chosen[np.argpartition(-value[chosen], batch - 1)[:batch]]
        for item in chosen[np.argsort(-value[chosen], kind="stable")]:
            here, goal = int(board.at[item]), int(to[item])
            first = int(board.start[item])
            while goal < here and board.filled - board.loss[first + goal : first + here].sum() < wanted - _EPS:
                goal += 1
            if goal == here:
                stuck[item] = True
            else:
                board.move(int(item), goal)


def _trim(board: Board, budget: float, keep: frozenset[int]) -> bool:
    """Give back least loss per money until the money fits; False when it cannot."""
    batch = max(1, int(board.at.sum()) // _ROUNDS)
    while board.money > budget + _EPS:
        value, to = board.best_down()
        value[list(keep)] = -np.inf
        chosen = np.argsort(-value, kind="stable")[:batch]
        if not np.isfinite(value[chosen[0]]):
            return False
        for item in chosen[np.isfinite(value[chosen])]:
            board.move(int(item), int(to[item]))
            if board.money <= budget + _EPS:
                break
    return True


def network_of(jobs: Jobs) -> tuple[Network, Callable[[Ints], Ints]]:
    """The jobs as a network for `relaxed`, and the levels that numbers of met bins stand for."""
    board = Board(jobs)

    def levels_at(at: Ints) -> Ints:
        board.at = at
        return board.levels()

    return _network(board), levels_at


def frontier(jobs: Jobs, points: int, widest: float) -> list[Ints]:
    """Levels along the efficient sums of money, least first: corners of the hull, and where two of them lie further
    apart than `widest` (in job fill rate: one dear part decides there), levels about half way between."""
    board = Board(jobs)
    at = corners(_network(board), points)
    fills = []
    chosen = []
    for corner in at:
        board.set_all(corner)
        fills.append(board.filled)
        chosen.append(board.levels())
    for corner, low, high in zip(at, fills, fills[1:], strict=False):
        if high - low > widest * jobs.total:
            board.set_all(corner)
            _climb(board, (low + high) / 2)
            _prune(board, (low + high) / 2)
            chosen.append(board.levels())
    return sorted(chosen, key=jobs.money)


def _network(board: Board) -> Network:
    later = np.arange(len(board.bin_need)) > board.start[board.bin_item]
    step = board.bin_need - np.where(later, np.r_[0, board.bin_need[:-1]], 0)
    money = np.asarray(board.cost[board.bin_item] * step, float)
    return Network(board.bin_item, money, board.job, board.bin_of, board.weight, len(board.at))


def _starts(board: Board, hull: Hull, *, quick: bool) -> list[tuple[float, Ints]]:
    """Credits and the met bins to start from; credits stand together, since changing one counts everything anew."""
    none = np.zeros_like(board.at)
    starts = [(_CREDIT, hull.below), (_CREDIT, hull.above)]
    if not quick:
        starts += [(_CREDIT, none), (_CREDIT, board.top())]
        starts += [(credit, start) for credit in _OTHER_CREDITS for start in (none, hull.below)]
    return starts


def cheapest(jobs: Jobs, target: float, *, trials: int | None = None) -> Found:
    """Least money whose job fill rate on these jobs is at least `target` (0 to 1).

    trials: exchange moves tried at the end (default: enough on small lists, few on large ones); with 0 only the starts
    from the hull are run, which is quick and mostly within a percent.
    """
    wanted = min(target, 1.0) * jobs.total
    if jobs.fill(np.zeros(len(jobs.cost), np.int64)) * jobs.total >= wanted - _EPS:
        none = np.zeros(len(jobs.cost), np.int64)
        return Found(none, 0.0, jobs.fill(none), 0.0)
    board = Board(jobs)
    hull = around_target(_network(board), wanted)
    results: dict[bytes, tuple[float, Ints]] = {}
    for credit, start in _starts(board, hull, quick=trials == 0):
        board.set_credit(credit)
        board.set_all(start)
        _climb(board, wanted)
        _prune(board, wanted)
        results[board.at.tobytes()] = (board.money, board.at.copy())
        if board.money <= hull.bound * (1 + _CLOSE):
            break
    board.set_credit(_CREDIT)
    best_at, best_money = board.top(), np.inf
    few = 4 if np.count_nonzero(board.top()) <= _SMALL else 2
    for _, at in sorted(results.values(), key=lambda s: s[0])[:few]:
        board.set_all(at)
        if min(board.money, best_money) > hull.bound * (1 + _CLOSE):
            _exchange(board, lambda b, keep: _settle(b, wanted, keep), lambda b: -b.money, trials)
        if board.money < best_money - _EPS:
            best_at, best_money = board.at.copy(), board.money
    board.set_all(best_at)
    levels = board.levels()
    return Found(levels, jobs.money(levels), jobs.fill(levels), hull.bound)


def richest(jobs: Jobs, budget: float, *, trials: int | None = None) -> Found:
    """Best job fill rate whose money is at most `budget`."""
    board = Board(jobs)
    hull = around_budget(_network(board), budget)
    best_at, best = board.at.copy(), -1.0
    for credit, start in _starts(board, hull, quick=trials == 0):
        board.set_credit(credit)
        board.set_all(start)
        _trim(board, budget, frozenset())
        _climb(board, np.inf, budget)
        _give_back(board)
        _climb(board, np.inf, budget)
        if board.filled > best + _EPS:
            best_at, best = board.at.copy(), board.filled
        if best >= hull.bound * (1 - _CLOSE):
            break
    board.set_credit(_CREDIT)
    board.set_all(best_at)

    def refill(b: Board, keep: frozenset[int]) -> bool:
        if not _trim(b, budget, keep):
            return False
        _climb(b, np.inf, budget, keep)
        _climb(b, np.inf, budget)
        return True

    _exchange(board, refill, lambda b: b.filled - 1e-12 * b.money, trials)
    _give_back(board)
    levels = board.levels()
    bound = hull.bound / jobs.total if jobs.total > 0 else 1.0
    found = Found(levels, jobs.money(levels), jobs.fill(levels), bound)
    if np.count_nonzero(board.top()) > _SMALL:
        return found
    # on a short list one dear part more or less decides: look for a higher rate that still fits, from the money's side
    low, high = found.fill, 1.0
    for _ in range(8):
        tried = cheapest(jobs, (low + high) / 2, trials=trials)
        if tried.money <= budget + _EPS:
            found = replace(tried, bound=bound) if tried.fill > found.fill else found
            low = max((low + high) / 2, tried.fill)
        else:
            high = (low + high) / 2
    return found


def _give_back(board: Board) -> None:
    """Give back what fills no job at all."""
    _prune(board, board.filled)


def _settle(board: Board, wanted: float, keep: frozenset[int]) -> bool:
    """After a change: raise to the target if short of it, then give back what is not needed."""
    _climb(board, wanted, keep=keep)
    if board.filled < wanted - _EPS:
        return False
    _prune(board, wanted, keep)
    _prune(board, wanted)
    return True


def _exchange(
    board: Board,
    repair: Callable[[Board, frozenset[int]], bool],
    worth: Callable[[Board], float],
    trials: int | None,
) -> None:
    """Try small changes, repair around each, keep what is worth more; until none is or the trials are used up."""
    active = np.flatnonzero(board.top() > 0)
    small = len(active) <= _SMALL
    left = trials if trials is not None else (_MANY if small else _FEW)
    best, best_at = worth(board), board.at.copy()
    improved = True
    while improved and left > 0:
        improved = False
        for change in _changes(board, active, small):
            if left <= 0:
                break
            left -= 1
            for item, step in change:
                board.move(item, int(np.clip(board.at[item] + step, 0, board.top()[item])))
            kept = frozenset(item for item, _ in change)
            if repair(board, kept) and worth(board) > best + _EPS:
                best, best_at, improved = worth(board), board.at.copy(), True
            else:
                for changed in np.flatnonzero(board.at != best_at):
                    board.move(int(changed), int(best_at[changed]))


def _changes(board: Board, active: Ints, small: bool) -> Sequence[tuple[tuple[int, int], ...]]:
    """Changes to try: single steps of the most promising items; on a short list also steps of two items together."""
    up, _ = board.best_up()
    down, _ = board.best_down()
    if not small:
        rises = active[np.argsort(-up[active], kind="stable")][:20]
        falls = active[np.argsort(-down[active], kind="stable")][:20]
        return [((int(i), 1),) for i in rises.tolist()] + [((int(i), -1),) for i in falls.tolist()]
    single: list[tuple[tuple[int, int], ...]] = [((int(i), step),) for i in active for step in (1, -1, 2, -2)]
    double: list[tuple[tuple[int, int], ...]] = [
        ((int(i), a), (int(j), b))
        for x, i in enumerate(active)
        for j in active[x + 1 :]
        for a, b in ((1, 1), (1, -1), (-1, 1), (-1, -1))
    ]
    return single + double
