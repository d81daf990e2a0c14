"""Which values to reject so that a series does not fall: pure arithmetic, no disk."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence


def rejected(values: Sequence[float], stored: Sequence[bool]) -> list[int]:
    """The indices to reject, ascending, so that what is left never falls.

    values: one series in date order. stored: which of them stand in the store already; those stay, and what
    contradicts one of them goes. Of the new ones the fewest are rejected (the rest is a longest non-decreasing
    subsequence); on a tie the later go.
    """
    allowed = _allowed(values, stored)
    new = [i for i in range(len(values)) if not stored[i] and allowed[i]]
    kept = set(_longest([values[i] for i in new]))
    stay = {new[k] for k in kept}
    return [i for i in range(len(values)) if not stored[i] and i not in stay]


def _allowed(values: Sequence[float], stored: Sequence[bool]) -> list[bool]:
    count = len(values)
    low, high = [float("-inf")] * count, [float("inf")] * count
    bound = float("-inf")
    for i in range(count):
        low[i] = bound
        if stored[i]:
            bound = max(bound, values[i])
    bound = float("inf")
    for i in reversed(range(count)):
        high[i] = bound
        if stored[i]:
            bound = min(bound, values[i])
    return [low[i] <= values[i] <= high[i] for i in range(count)]


def _longest(values: Sequence[float]) -> list[int]:
    """Indices of the longest non-decreasing subsequence that keeps the earliest possible values."""
    count = len(values)
    length = [0] * count
    tails: list[
        float
    ] = []  # tails[k]: minus the largest first value of a non-decreasing run of k + 1 values that begins here or later
    for i in reversed(range(count)):
        k = bisect_right(tails, -values[i])
        if k == len(tails):
            tails.append(-values[i])
        else:
            tails[k] = -values[i]
        length[i] = k + 1
    kept: list[int] = []
    wanted = max(length, default=0)
    last = float("-inf")
    for i in range(count):
        if wanted and length[i] >= wanted and values[i] >= last:
            kept.append(i)
            last = values[i]
            wanted -= 1
    return kept
