"""A shop played through day by day: a plain second way to the fill rates, and the way to try levels on a past."""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Replay:
    """What happened. filled (jobs,): every piece was there when the job opened. wait_days (jobs,): until its last piece
    came (inf: never in the time played). served, wanted (items,): pieces from the shelf, pieces asked for. on_hand
    (items,): pieces on the shelf, mean over the time. opened (jobs,): day.
    """

    filled: NDArray[np.bool_]
    wait_days: Floats
    served: Floats
    wanted: Floats
    on_hand: Floats
    opened: Floats

    def job_fill(self, since: float = 0.0) -> float:
        """Share of the jobs opened on or after a day that did not wait; 1 when there are none."""
        late = self.opened >= since
        return float(self.filled[late].mean()) if late.any() else 1.0


def replay(
    day: Floats,
    job: Ints,
    item: Ints,
    quantity: Floats,
    levels: Ints,
    lead_time: Callable[[int], float],
    *,
    days: float,
    pack: Ints | None = None,
    on_hand: Floats | None = None,
) -> Replay:
    """Play wants in the order of their days (ties: in row order) against order-up-to levels.

    day, job (-1: over the counter; a job's wants come on one day), item, quantity: one row a want. levels (items,).
    lead_time(item): days that an order placed now will take. pack (items,): pieces to a pack, orders are whole packs.
    on_hand (items,): the shelf at the start (default: full). A want takes what there is; the rest is owed and served
    first come, first served; every want is ordered again at once when the position falls below the level.
    """
    items = len(levels)
    shelf = np.asarray(levels if on_hand is None else on_hand, float).copy()
    position = shelf.copy()
    packs = np.ones(items, np.int64) if pack is None else pack
    owed: list[deque[list[float]]] = [deque() for _ in range(items)]  # [job, pieces still owed]
    arrivals: list[tuple[float, int, int, float]] = []
    jobs = int(job.max(initial=-1)) + 1
    opened, ready = np.zeros(jobs), np.full(jobs, -np.inf)
    waiting = np.zeros(jobs, np.int64)
    served, wanted, held, since = (np.zeros(items) for _ in range(4))
    placed = 0

    def count(i: int, now: float) -> None:
        held[i] += shelf[i] * (min(now, days) - since[i])
        since[i] = min(now, days)

    def place(i: int, now: float) -> None:
        nonlocal placed
        short = levels[i] - position[i]
        if short > 1e-9:
            pieces = float(np.ceil(short / packs[i] - 1e-9) * packs[i])
            position[i] += pieces
            placed += 1
            heapq.heappush(arrivals, (now + lead_time(i), placed, i, pieces))

    def receive(until: float) -> None:
        while arrivals and arrivals[0][0] <= until:
            now, _, i, pieces = heapq.heappop(arrivals)
            count(i, now)
            while pieces > 1e-9 and owed[i]:
                first = owed[i][0]
                given = min(pieces, first[1])
                pieces -= given
                first[1] -= given
                if first[1] <= 1e-9:
                    owed[i].popleft()
                    j = int(first[0])
                    if j >= 0:
                        waiting[j] -= 1
                        ready[j] = max(ready[j], now)
            shelf[i] += pieces

    for i in range(items):
        place(i, 0.0)
    for row in np.argsort(day, kind="stable"):
        now, j, i, q = float(day[row]), int(job[row]), int(item[row]), float(quantity[row])
        receive(now)
        count(i, now)
        given = min(q, shelf[i])
        shelf[i] -= given
        position[i] -= q
        served[i] += given
        wanted[i] += q
        if j >= 0:
            opened[j] = now
            ready[j] = max(ready[j], now)
        if q - given > 1e-9:
            owed[i].append([j, q - given])
            if j >= 0:
                waiting[j] += 1
        place(i, now)
    receive(np.inf)
    for i in range(items):
        count(i, days)
    never = waiting > 0
    wait = np.where(never, np.inf, np.maximum(ready - opened, 0.0))
    return Replay(wait <= 1e-9, wait, served, wanted, held / days, opened)
