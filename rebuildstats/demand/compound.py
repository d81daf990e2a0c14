"""The distribution of one part's pieces over a fleet: chances of teardowns, compounded by what each takes.

Each unit's teardown is an independent chance w; when it comes it takes P(z) pieces. The sum over the units has the
transform prod(1 - w + w P(z)) (Poisson-binomial by FFT, Hong 2013, CSDA 59:41, compounded), and parameter uncertainty
mixes
it over draws of the expected number (Hong, Meeker & McCalley 2009, AOAS 3:857).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaln, gammaln

from rebuildstats.demand.series import reach
from rebuildstats.demand.sums import Array, Complex, from_transform, roots

_NODES = (
    9  # the log transform is straight enough between this many multipliers (checked against all draws in the tests)
)
_DIED_OUT = 1e-10  # a transform this small over a whole block, and at probes beyond, has died out
_SERIES_TO, _TERMS = 0.22, 12
CELLS = 100  # a larger fleet is put into this many cells of like chance


@dataclass(frozen=True, slots=True)
class Take:
    """How one component takes a part at a teardown: chance (units,) per position, positions n, correlation of the
    positions, pieces per position."""

    chance: Array
    n: int
    together: float
    quantity: float


@dataclass(frozen=True, slots=True)
class Stream:
    """One family's teardowns of one kind: chance or expected number (units,), and what the part loses at each.

    once: at most one per unit in the window (chance); else any number (expected, Poisson).
    """

    teardown: Array
    takes: tuple[Take, ...]
    once: bool


def positions_pmf(chance: Array, n: int, together: float) -> Array:
    """Positions replaced in one unit: beta-binomial of mean n x chance and pairwise correlation `together`, (cells, n
    + 1).

    Skellam (1948, JRSS B 10:257). together 0 is the binomial.
    """
    k = np.arange(n + 1)[None, :]
    q = np.clip(chance, 1e-12, 1.0 - 1e-12)[:, None]
    choose = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    if together < 1e-4 or n == 1:
        pmf = np.exp(choose + k * np.log(q) + (n - k) * np.log1p(-q))
    else:
        size = 1.0 / together - 1.0
        a, b = np.maximum(q * size, 1e-9), np.maximum((1.0 - q) * size, 1e-9)
        pmf = np.exp(choose + betaln(k + a, n - k + b) - betaln(a, b))
    return np.asarray(pmf / pmf.sum(axis=1, keepdims=True))


def pieces_transform(takes: Sequence[Take], turn: Complex) -> Complex:
    """Transform of the pieces taken at one teardown, (cells, frequencies); a part of a piece is a chance of one
    more."""
    out: Complex | None = None
    for take in takes:
        pmf = positions_pmf(take.chance, take.n, take.together)
        pieces = take.quantity * np.arange(take.n + 1)
        whole = np.floor(pieces + 1e-9)
        rest = np.clip(pieces - whole, 0.0, 1.0)[:, None]
        powers = turn[None, :] ** whole[:, None]
        powers = powers * (1.0 - rest + rest * turn[None, :])
        factor = pmf @ powers
        out = factor if out is None else out * factor
    assert out is not None
    return np.asarray(out, dtype=complex)


def gathered(stream: Stream) -> tuple[Stream, Array]:
    """The stream in cells of like chance, with how many units each holds. Small fleets stay as they are.

    Cells are cut by the teardown's chance, then by the first take's; inside one, chances are averaged so that the mean
    is
    exact. What is lost is the spread inside a cell, of second order.
    """
    live = stream.teardown > 1e-12
    w = stream.teardown[live]
    chances = [take.chance[live] for take in stream.takes]
    if w.size <= CELLS:
        takes = tuple(Take(c, t.n, t.together, t.quantity) for c, t in zip(chances, stream.takes, strict=True))
        return Stream(w, takes, stream.once), np.ones(w.size)
    side = int(np.sqrt(CELLS))
    place = np.arange(w.size)
    band, cell = np.empty(w.size, dtype=np.int16), np.empty(w.size, dtype=np.int64)
    band[np.argsort(w)] = place * side // w.size
    pieces = np.sum([c * t.n * t.quantity for c, t in zip(chances, stream.takes, strict=True)], axis=0)
    cell[np.lexsort((pieces, band))] = place * CELLS // w.size
    count = np.bincount(cell, minlength=CELLS).astype(float)
    total = np.bincount(cell, w, CELLS)
    takes = tuple(
        Take(np.bincount(cell, w * c, CELLS) / total, t.n, t.together, t.quantity)
        for c, t in zip(chances, stream.takes, strict=True)
    )
    return Stream(total / count, takes, stream.once), count


def expected_pieces(cells: Sequence[tuple[Stream, Array]]) -> float:
    """Mean pieces at multiplier 1."""
    each = (count * s.teardown * sum(t.chance * t.n * t.quantity for t in s.takes) for s, count in cells)
    return float(sum(pieces.sum() for pieces in each))


def mean_of_cells(cells: Sequence[tuple[Stream, Array]], multipliers: Array) -> float:
    """Mean of `pmf_of_cells` without working out the distribution."""
    mean = 0.0
    for stream, count in cells:
        if stream.once:
            stayed = np.log1p(-np.minimum(stream.teardown, 1.0 - 1e-12))
            teardowns = -np.expm1(multipliers[:, None] * stayed[None, :]).mean(axis=0)
        else:
            teardowns = stream.teardown * multipliers.mean()
        mean += float(sum((count * teardowns) @ t.chance * t.n * t.quantity for t in stream.takes))
    return mean


def _log_transform(streams: Sequence[tuple[Stream, Array, Complex]], multipliers: Array) -> Complex:
    """Log transform of all streams at each multiplier: (multipliers, frequencies).

    A cell's term is log(1 + w (P(z) - 1)). Where w stays at or below _SERIES_TO it is summed as a power series, whose
    remainder is at most (2 w)^(n + 1) / (n + 1) a unit, and far less where the transform is not yet small.
    """
    total = np.zeros((multipliers.size, streams[0][2].shape[1]), dtype=complex)
    for stream, count, taken in streams:
        x = taken - 1.0
        if not stream.once:
            total += np.outer(multipliers, (count * stream.teardown) @ x)
            continue
        w = np.minimum(stream.teardown, 1.0 - 1e-12)
        moved = -np.expm1(multipliers[:, None] * np.log1p(-w)[None, :])
        low = moved.max(axis=0) <= _SERIES_TO
        if low.any():
            power, chance = np.ones_like(x[low]), np.ones((multipliers.size, int(low.sum())))
            for k in range(1, _TERMS + 1):
                power, chance = power * x[low], chance * moved[:, low]
                total += ((-1.0) ** (k + 1) / k) * ((chance * count[low]) @ power)
        if not low.all():
            for i, w_at in enumerate(moved[:, ~low]):
                factor = 1.0 + w_at[:, None] * x[~low]
                total[i] += count[~low] @ np.log(np.where(np.abs(factor) < 1e-12, 1e-12, factor))
    return total


def mixed_pmf(streams: Sequence[Stream], multipliers: Array) -> Array:
    """Distribution of the pieces of all streams together, mixed over draws of a multiplier of the expected teardowns.

    multipliers: (D,). The log transform is computed at a few multipliers and read between them in straight lines (three
    and a parabola where no chance exceeds 0.1: there it is a parabola). Pieces that only come in multiples are counted
    in
    multiples; frequencies beyond those at which the transform has died out are not computed.
    """
    return pmf_of_cells(cells_of(streams), multipliers)


Cells = list[tuple[Stream, Array]]


def cells_of(streams: Sequence[Stream]) -> Cells:
    """Every stream that takes anything, in cells of like chance: all that its distribution depends on."""
    return [gathered(s) for s in streams if s.takes and s.teardown.max(initial=0.0) > 1e-12]


def pmf_of_cells(cells: Cells, multipliers: Array) -> Array:
    """`mixed_pmf` of streams in cells; those of several families together are those of all in one list."""
    step = common_step([t.quantity for s, _ in cells for t in s.takes])
    if step > 1:
        scaled = [
            (Stream(s.teardown, tuple(Take(t.chance, t.n, t.together, t.quantity / step) for t in s.takes), s.once), n)
            for s, n in cells
        ]
        return _spread(pmf_of_cells(scaled, multipliers), step)
    mean = expected_pieces(cells)
    if not cells or mean <= 0.0:
        return np.ones(1)
    biggest = max(float(max(t.n * t.quantity for t in s.takes)) * len(s.takes) for s, _ in cells)
    low, high = float(multipliers.min()), float(multipliers.max())
    center = mean * float(multipliers.mean())
    spread = float(multipliers.var()) * mean**2 + center * biggest
    size = 1 << int(max(reach(center, spread), 1.05 * mean * high)).bit_length()
    small = all((not s.once) or s.teardown.max() <= 0.1 for s, _ in cells)
    if high - low < 1e-9:
        nodes, weights = np.array([low]), np.ones((1, 1))
    elif small:
        nodes = np.linspace(low, high, 3)
        weights = _parabola(nodes, multipliers)
    else:
        nodes = np.unique(np.quantile(multipliers, np.linspace(0.0, 1.0, _NODES)))
        weights = _straight(nodes, multipliers)
    turn = roots(size)
    cf = np.zeros(turn.size, dtype=complex)

    def fill(at: slice | NDArray[np.int64]) -> float:
        ready = [(s, n, pieces_transform(s.takes, turn[at])) for s, n in cells]
        logs = _log_transform(ready, nodes)
        cf[at] = np.exp(weights @ logs).mean(axis=0)
        return float(np.abs(cf[at]).max())

    done, block = 0, 64
    while done < turn.size:
        largest = fill(slice(done, min(done + block, turn.size)))
        done, block = done + block, 2 * block
        if done < turn.size and largest < _DIED_OUT:
            probes = np.unique(np.linspace(done, turn.size - 1, 24).astype(np.int64))
            if fill(probes) < _DIED_OUT:
                break
    return from_transform(cf, size)


def common_step(quantities: Sequence[float]) -> int:
    """The largest whole number of pieces of which every quantity is a multiple; 1 where one is not whole."""
    whole = [round(q) for q in quantities]
    if not whole or any(abs(q - w) > 1e-9 or w < 1 for q, w in zip(quantities, whole, strict=True)):
        return 1
    return int(np.gcd.reduce(whole))


def _spread(pmf: Array, step: int) -> Array:
    out = np.zeros((pmf.size - 1) * step + 1)
    out[::step] = pmf
    return out


def _straight(nodes: Array, at: Array) -> Array:
    """Weights (D, nodes) of reading between nodes in straight lines."""
    left = np.clip(np.searchsorted(nodes, at, side="right") - 1, 0, nodes.size - 2)
    part = (at - nodes[left]) / (nodes[left + 1] - nodes[left])
    weights = np.zeros((at.size, nodes.size))
    weights[np.arange(at.size), left] = 1.0 - part
    weights[np.arange(at.size), left + 1] += part
    return weights


def _parabola(nodes: Array, at: Array) -> Array:
    a, b, c = nodes
    return np.stack(
        [
            (at - b) * (at - c) / ((a - b) * (a - c)),
            (at - a) * (at - c) / ((b - a) * (b - c)),
            (at - a) * (at - b) / ((c - a) * (c - b)),
        ],
        axis=1,
    )
