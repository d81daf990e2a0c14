"""Reckoning over a fleet that lies in pieces: what each piece tells of itself, and what all are told together.

A computation that needs something of the whole fleet (a shared prior, a common effect, a median) is written as steps: a
generator that does its own piece's work, yields an `Ask` with a statistic of its piece, and is sent the answer reckoned
from all pieces' statistics. `alone` runs the steps of a fleet in one piece, `together` those of several in one process;
`by_family` runs them on a cluster. Every piece makes the same asks in the same order, but that one with nothing to do
may leave out what the others ask until all `meet`.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from functools import reduce
from typing import Any, TypeVar

import numpy as np

from rebuildstats.fits.distributions import Floats
from rebuildstats.fits.likelihood import Ints

T = TypeVar("T")
_DIGIT = 16  # bits of an age looked at in one round of `median`


@dataclass(frozen=True, slots=True)
class Ask:
    """What a piece wants to know: `reckon` takes the statistics of the pieces, in their order, and gives each its
    answer; `own` is this piece's statistic."""

    reckon: Callable[[list[Any]], list[Any]]
    own: Any


Steps = Generator[Ask, Any, T]


def alone(steps: Steps[T]) -> T:
    """Run the steps of a fleet in one piece to their end."""
    return together([steps])[0]


def together(pieces: Sequence[Steps[T]]) -> list[T]:
    """Run the steps of several pieces side by side; their results in the same order."""
    results: dict[int, T] = {}
    asked: dict[int, Ask] = {}
    answers: dict[int, Any] = dict.fromkeys(range(len(pieces)))
    while answers:
        for i, answer in answers.items():
            try:
                asked[i] = pieces[i].send(answer)
            except StopIteration as done:
                results[i] = done.value
        answers = taken(asked)
    return [results[i] for i in range(len(pieces))]


def taken(asked: dict[int, Ask]) -> dict[int, Any]:
    """The answers to what pieces ask, by piece; what is answered is taken out of `asked`.

    Who waits to meet the others waits while one of them asks something else; those must all ask the same.
    """
    places = sorted(i for i, ask in asked.items() if ask.reckon is not _met) or sorted(asked)
    if not places:
        return {}
    (reckon,) = {asked[i].reckon for i in places}
    return dict(zip(places, reckon([asked.pop(i).own for i in places]), strict=True))


def meet() -> Steps[None]:
    """Wait until all pieces have come this far."""
    yield Ask(_met, None)


def _met(owns: list[Any]) -> list[Any]:
    return owns


def total(own: Any) -> Steps[Any]:
    """The sum over all pieces of a number, an array, or a tuple of them."""
    return (yield Ask(_total, own))


def _total(owns: list[Any]) -> list[Any]:
    if isinstance(owns[0], tuple):
        whole: Any = tuple(reduce(lambda a, b: a + b, column) for column in zip(*owns, strict=True))
    else:
        whole = reduce(lambda a, b: a + b, owns)
    return [whole] * len(owns)


def median(own: Floats) -> Steps[float]:
    """The median of the positive numbers of all pieces, exactly; 1 where there is none.

    Bits of positive floats are in the numbers' own order, so the middle one is found digit by digit from counts: four
    rounds, none of which moves a number.
    """
    bits = np.ascontiguousarray(own, dtype=np.float64).view(np.int64)
    count = yield from total(len(bits))
    if not count:
        return 1.0
    low = yield from _ranked(bits, (count - 1) // 2)
    high = low if count % 2 else (yield from _ranked(bits, count // 2))
    return 0.5 * (low + high)


def _ranked(bits: Ints, rank: int) -> Steps[float]:
    found = 0
    for shift in range(64 - _DIGIT, -1, -_DIGIT):
        digit = (bits >> shift) & (2**_DIGIT - 1)
        counts = np.bincount(digit)
        held = np.flatnonzero(counts)
        place, rank = yield Ask(_bucket, (held, counts[held], rank))
        bits = bits[digit == place]
        found = (found << _DIGIT) | place
    return float(np.array([found], dtype=np.int64).view(np.float64)[0])


def _bucket(owns: list[Any]) -> list[Any]:
    """The digit of the number of this rank, and its rank among those with that digit."""
    counts = np.zeros(2**_DIGIT, dtype=np.int64)
    for held, count, _ in owns:
        counts[held] += count
    ends = np.cumsum(counts)
    rank = owns[0][2]
    place = int(np.searchsorted(ends, rank, side="right"))
    return [(place, int(rank - (ends[place] - counts[place])))] * len(owns)
