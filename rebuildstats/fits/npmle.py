"""The highest point of Turnbull's likelihood, and how far from it survival at an age may lie.

On the innermost intervals (cells) the likelihood depends on survival alone through the growth of the cumulative hazard
over each cell: log(S(left) - S(right)) of a life found failed is concave in those growths, and lives that run on or
enter late are linear in them, so there is one highest point, late entries or not. It is found by Newton's method under
the bound that no growth is negative, on the cells that carry something and those where the slope calls for more
(constrained Newton: Wang 2008, Computational Statistics & Data Analysis 52:2388), each round followed by one step of
EM (a hybrid as Wellner & Zhan 1997, JASA 92:945), which never falls and mends what Newton leaves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.sparse.linalg import LinearOperator, cg
from scipy.stats import chi2

from rebuildstats.fits.distributions import Floats
from rebuildstats.fits.likelihood import Ints

#: Growth of the cumulative hazard over one cell that stands for all who are left failing there.
_CAP: Final = 37.0
_ROUNDS: Final = 300
_FIRST_STEPS: Final = 12
_NOTHING: Final = 1e-7
_SLOPE: Final = 1e-9
_DONE: Final = 1e-11
_NEW_CELLS: Final = 100
_NEAR: Final = 0.01
_TRIES: Final = 15
_DENSE: Final = 600
_GRADIENTS: Final = 200


@dataclass(frozen=True, slots=True)
class Cells:
    """The innermost intervals (k). Of each failed life: the `first` and `last` it may lie in, and its weight. `certain`
    (k): weight of all lives that are in an interval or live through it; `stay_weight` (k + 1): how often the log
    survival after 0, 1, ... intervals stands in the likelihood, for lives that have not failed (plus) and late
    entries (minus)."""

    left: Floats
    right: Floats
    first: Ints
    last: Ints
    failed_weight: Floats
    certain: Floats
    stay_weight: Floats

    def held(self, place: int, weight: float) -> Cells:
        """The cells with `weight` more lives (fewer, below 0) running at the end of cell `place` - 1."""
        stay, certain = self.stay_weight.copy(), self.certain.copy()
        stay[place] += weight
        certain[:place] += weight
        return Cells(self.left, self.right, self.first, self.last, self.failed_weight, certain, stay)


def over(cells: Cells, values: Floats) -> Floats:
    """Per interval the sum of the values of the failed lives that may lie in it."""
    k = len(cells.left)
    ends = np.bincount(cells.first, values, k + 1) - np.bincount(cells.last + 1, values, k + 1)
    return np.asarray(np.cumsum(ends)[:k])


def expect(cells: Cells, hazard: Floats) -> tuple[Floats, Floats, float]:
    """Expected failures and numbers at risk per interval under the hazards, and the log likelihood there."""
    with np.errstate(divide="ignore"):
        log_stay = np.concatenate([[0.0], np.cumsum(np.log1p(-hazard))])
    mass = np.exp(log_stay[:-1]) * hazard
    total = np.concatenate([[0.0], np.cumsum(mass)])
    inside = np.maximum(total[cells.last + 1] - total[cells.first], 1e-300)
    share = cells.failed_weight / inside
    per_mass = np.maximum(over(cells, share), 0.0)
    failures = per_mass * mass
    # a life inside its interval is at risk with what of it was not expected to have failed there already
    gone = per_mass * total[:-1] - over(cells, share * total[cells.first])
    at_risk = np.maximum(cells.certain - gone, failures)
    log_stay = np.maximum(log_stay, -1e6)
    value = float(cells.failed_weight @ np.log(inside) + cells.stay_weight @ log_stay)
    return failures, at_risk, value


def em_step(cells: Cells, hazard: Floats) -> Floats:
    """One step of EM on the hazards."""
    failures, at_risk, _ = expect(cells, hazard)
    return np.asarray(np.where(at_risk > 0, np.minimum(failures / np.maximum(at_risk, 1e-300), 1.0), 0.0))


def highest(cells: Cells, start: Floats | None = None) -> Floats:
    """The hazards (k) of the cells at the highest point of the likelihood; `start`: hazards near it, if known."""
    if not len(cells.left):
        return np.zeros(0)
    cost = _cost(cells)
    if np.array_equal(cells.first, cells.last):
        # every failure lies in a cell of its own: Kaplan and Meier's estimate
        failures = np.bincount(cells.first, cells.failed_weight, len(cost))
        seen = np.maximum(failures + cost, failures)
        return np.asarray(np.divide(failures, seen, out=np.zeros(len(cost)), where=seen > 0))
    growth = _first_growth(cells) if start is None else _growth(start)
    growth[cost <= _NOTHING] = _CAP
    growth[cells.first[_value(cells, cost, growth)[1] <= 0.0]] = 1e-3
    value, inside = _value(cells, cost, growth)
    for _ in range(_ROUNDS):
        begun = value
        free, slope, bend = _model(cells, cost, growth, inside)
        if not len(free):
            break
        growth[np.setdiff1d(np.flatnonzero(growth <= _NOTHING), free)] = 0.0
        step = _bounded_step(growth[free], slope, bend)
        for length in 0.3 ** np.arange(8):
            trial = growth.copy()
            trial[free] = np.clip(growth[free] + length * step, 0.0, _CAP)
            reached, inside_there = _value(cells, cost, trial)
            if reached > value:
                growth, value, inside = trial, reached, inside_there
                break
        trial = _growth(em_step(cells, -np.expm1(-growth)))
        reached, inside_there = _value(cells, cost, trial)
        if reached > value:
            growth, value, inside = trial, reached, inside_there
        if value - begun < _DONE * (1.0 + abs(value)):
            break
    return np.asarray(-np.expm1(-growth))


def _cost(cells: Cells) -> Floats:
    """By how much the log likelihood falls per growth of the hazard in each cell: the weight that lives through it."""
    stay = cells.stay_weight + np.bincount(cells.first, cells.failed_weight, len(cells.stay_weight))
    return np.asarray(np.cumsum(stay[::-1])[::-1][1:])


def _growth(hazard: Floats) -> Floats:
    return np.asarray(-np.log1p(-np.minimum(hazard, -np.expm1(-_CAP))))


def _first_growth(cells: Cells) -> Floats:
    """A few steps of EM from even hazards; what they leave next to nothing starts as nothing."""
    hazard: Floats = np.clip(1.0 / (np.arange(len(cells.left), 0, -1) + 1.0), 0.0, 0.5)
    for _ in range(_FIRST_STEPS):
        hazard = em_step(cells, hazard)
    growth = _growth(hazard)
    return np.asarray(np.where(growth > 1e-3 * growth.mean(), growth, 0.0))


def _value(cells: Cells, cost: Floats, growth: Floats) -> tuple[float, Floats]:
    """Log likelihood, and the growth inside each failed life's interval."""
    total = np.concatenate([[0.0], np.cumsum(growth)])
    inside = total[cells.last + 1] - total[cells.first]
    with np.errstate(divide="ignore", invalid="ignore"):
        value = float(cells.failed_weight @ np.log(-np.expm1(-np.maximum(inside, 0.0)))) - float(cost @ growth)
    return (value if np.isfinite(value) else -np.inf), np.asarray(inside)


def _model(cells: Cells, cost: Floats, growth: Floats, inside: Floats) -> tuple[Ints, Floats, Bend]:
    """The cells to move, with slope and minus the second derivatives of the log likelihood there."""
    k = len(growth)
    odds = np.expm1(np.clip(inside, 1e-300, 600.0))
    slope = over(cells, cells.failed_weight / odds) - cost
    full = (growth >= _CAP) & (slope >= 0)
    carries = (growth > _NOTHING) & ~full
    wanted = ~carries & ~full & (slope > _SLOPE)
    # of neighbours that call for mass the steepest comes first, the others follow if they still call
    call = np.concatenate([[-np.inf], np.where(wanted, slope, -np.inf), [-np.inf]])
    wanted &= (call[1:-1] >= call[:-2]) & (call[1:-1] >= call[2:])
    if wanted.sum() > _NEW_CELLS:
        wanted &= slope >= np.sort(slope[wanted])[-_NEW_CELLS]
    free = np.flatnonzero(carries | wanted)
    m = len(free)
    # each failed life adds its curvature to all pairs of cells of its interval
    curve = cells.failed_weight * (1.0 + odds) / odds**2
    place = np.searchsorted(free, np.arange(k + 1))
    return free, slope[free], Bend(place[cells.first], place[cells.last + 1], curve, m)


@dataclass(frozen=True, slots=True)
class Bend:
    """Minus the second derivatives by m cells: each life's `curve` for all pairs of cells from `first` to before
    `after`."""

    first: Ints
    after: Ints
    curve: Floats
    m: int

    def times(self, step: Floats) -> Floats:
        """Its product with a step (m)."""
        total = np.concatenate([[0.0], np.cumsum(step)])
        felt = self.curve * (total[self.after] - total[self.first])
        ends = np.bincount(self.first, felt, self.m + 1) - np.bincount(self.after, felt, self.m + 1)
        return np.asarray(np.cumsum(ends)[: self.m] + 1e-12 * step)

    def diagonal(self) -> Floats:
        ends = np.bincount(self.first, self.curve, self.m + 1) - np.bincount(self.after, self.curve, self.m + 1)
        return np.asarray(np.maximum(np.cumsum(ends)[: self.m], 0.0) + 1e-12)

    def matrix(self) -> Floats:
        corners = np.zeros((self.m + 1, self.m + 1))
        pairs = ((self.first, self.first, 1.0), (self.after, self.after, 1.0), (self.first, self.after, -1.0))
        for rows, columns, sign in (*pairs, (self.after, self.first, -1.0)):
            np.add.at(corners, (rows, columns), sign * self.curve)
        whole = np.cumsum(np.cumsum(corners, axis=0), axis=1)[: self.m, : self.m]
        return np.asarray(whole + np.diag(1e-10 * whole.diagonal() + 1e-12))


def _bounded_step(at: Floats, slope: Floats, bend: Bend) -> Floats:
    """Newton's step of the cells, those that it would take below nothing stopped there."""
    step, moving = np.zeros(len(at)), np.ones(len(at), dtype=bool)
    whole = bend.matrix() if bend.m <= _DENSE else None
    for _ in range(8):
        pull = (slope - bend.times(np.where(moving, 0.0, step)))[moving]
        if whole is not None:
            step[moving] = np.linalg.solve(whole[np.ix_(moving, moving)], pull)
        else:
            step[moving] = _by_gradients(bend, moving, pull)
        stopped = moving & (at + step < 0.0)
        if not stopped.any():
            break
        step[stopped] = -at[stopped]
        moving &= ~stopped
        if not moving.any():
            break
    return step


def _by_gradients(bend: Bend, moving: npt.NDArray[np.bool_], pull: Floats) -> Floats:
    """The same step by conjugate gradients, where there are too many cells for a matrix."""
    size = int(moving.sum())

    def times(part: Floats) -> Floats:
        full = np.zeros(bend.m)
        full[moving] = np.ravel(part)
        return np.asarray(bend.times(full)[moving])

    scale = bend.diagonal()[moving]
    operator = LinearOperator((size, size), matvec=times, dtype=np.float64)
    shaped = LinearOperator((size, size), matvec=lambda part: np.ravel(part) / scale, dtype=np.float64)
    return np.asarray(cg(operator, pull, rtol=1e-6, maxiter=_GRADIENTS, M=shaped)[0])


def survival_limits(cells: Cells, hazard: Floats, place: int, level: float) -> tuple[float, float]:
    """Limits of survival after `place` cells by its profile likelihood (Thomas & Grunkemeier 1975, JASA 70:865).

    The likelihood under a given survival there is that with so many more (or fewer) lives running there; the limits
    are where twice its logarithm has fallen by the chi-square quantile. With failures between looks the fall is
    smaller than chi-square (Banerjee & Wellner 2001, Annals of Statistics 29:1699), so the limits lie on the safe side.
    """
    far = float(np.sqrt(chi2.ppf(level, 1)))
    top = expect(cells, np.minimum(hazard, 1.0 - 1e-16))[2]
    found = float(np.prod(1.0 - hazard[:place]))
    # no more lives can be taken away than live through the last cell
    least = -float(_cost(cells)[place - 1])
    first = 0.5 * float(np.sqrt(cells.failed_weight.sum()))
    limits = []
    for weight, bound in ((max(-first, 0.5 * least), least), (first, np.inf)):
        if bound == 0.0:
            limits.append(0.0)
            continue
        near, at, before, survival = hazard, weight, (0.0, 0.0), found
        for _ in range(_TRIES):
            near = highest(cells.held(place, at), near)
            survival = float(np.prod(1.0 - near[:place]))
            fall = float(np.sqrt(max(2.0 * (top - expect(cells, np.minimum(near, 1.0 - 1e-16))[2]), 0.0)))
            if abs(fall - far) < _NEAR * far:
                break
            # the root of the fall is nearly straight in the weight: secants
            rise = (fall - before[1]) / (at - before[0])
            before, ahead = (at, fall), at + (far - fall) / (rise if rise * weight > 0 else far / weight)
            at = float(np.clip(ahead, *((0.5 * (at + least), 0.3 * at) if bound < 0 else (0.3 * at, 6.0 * at))))
        limits.append(survival)
    return min(limits[0], found), max(limits[1], found)
