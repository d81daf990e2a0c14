"""The shared prior: components of one group, across families, lend each other strength.

(location, log sigma) of log age of each component of a group are taken as drawn from one normal distribution. Its
mean and covariance are estimated by marginal likelihood, integrated over each component's two parameters on its grid
(empirical Bayes; Efron & Morris 1973, JASA 68:117; Carlin & Louis, Bayes and Empirical Bayes Methods, ch. 3-5),
maximised by EM (Dempster, Laird & Rubin 1977). Two levels: the groups' own priors lean on the one of the whole fleet,
so that a group of two components does not pretend to know its spread. Choices of ours: how hard they lean (`_LEAN`),
and the fleet's own starting belief (a Weibull shape about 2, between 0.7 and 6; any scale within a factor of ten of the
fleet's middle age).

Which distribution holds is uncertain as well: each group has a share of each, estimated in the same way, and a
component's posterior is the mixture.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from rebuildstats.fits.distributions import Distribution, Floats
from rebuildstats.fits.likelihood import Ints, Lives
from rebuildstats.fits.newton import Prior
from rebuildstats.fits.posterior import Grid, lay_grid, weigh

_LEAN: Final = 15.0
_LEAN_GROUP: Final = 15.0
_FIRST_LOG_SIGMA: Final = float(np.log(0.5))
_FIRST_SPREAD: Final = np.array([0.35, 0.15])
# what a component may be by itself, before any group is known: wider than components of a group are apart
_LONE_SPREAD: Final = np.array([0.5, 0.25])
_FIRST_BETWEEN: Final = np.array([0.35, 0.2])
_FIRST_MEAN_SPREAD: Final = np.array([2.3, 0.5])
_SHARES: Final[dict[str, float]] = {"weibull": 0.55, "lognormal": 0.2, "loglogistic": 0.2, "exponential": 0.05}
_ROUNDS: Final = 3
_STEPS: Final = 40
_ABUNDANT: Final = 100.0


@dataclass(frozen=True, slots=True)
class Shared:
    """A group's prior for one distribution: `mean` (2), `covariance` (2, 2), as used for its components."""

    mean: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True)
class Pooled:
    """Everything pooling found.

    `grids` and `weights` per distribution name: the grid of each component and the posterior weight of its nodes.
    `shares` (m, distributions): posterior share of each distribution. `priors[name]`: the prior of each component.
    """

    distributions: tuple[Distribution, ...]
    grids: dict[str, Grid]
    weights: dict[str, Floats]
    shares: Floats
    priors: dict[str, Prior]
    group_shares: Floats


def pool(dists: tuple[Distribution, ...], lives: Lives, group: Ints, *, side: int = 11) -> Pooled:
    """Posterior of every component under the shared priors of its group.

    Parameters
    ----------
    lives : Lives
        All components of the fleet.
    group : int array (components)
        Number of each component's group, from 0.
    """
    centre = fleet_centre(lives)
    grids, weights, priors = {}, {}, {}
    marginals = np.zeros((lives.components, len(dists)))
    for column, dist in enumerate(dists):
        grid, weight, marginal, prior = _pool_one(dist, lives, group, centre, side)
        grids[dist.name], weights[dist.name], priors[dist.name] = grid, weight, prior
        marginals[:, column] = marginal
    shares, group_shares = _share_out(dists, marginals, group)
    return Pooled(dists, grids, weights, shares, priors, group_shares)


def fleet_centre(lives: Lives) -> float:
    """A typical log age to believe in before any component is looked at: log of total age over events."""
    total, events = 0.0, float(lives.events().sum())
    for part, at in (
        (lives.exact, lives.exact.at),
        (lives.between, lives.between.until),
        (lives.running, lives.running.at),
    ):
        total += float(part.weight @ np.exp(at)) if len(at) else 0.0
    count = max(sum(float(p.weight.sum()) for p in lives.parts[:3]), 1.0)
    # with few failing, the middle life lies well beyond the ages seen: half way (in logs) to the mean life
    return float(np.log(max(total, 1e-9) / count) + 0.25 * np.log(count / max(events, 0.5)))


def first_belief(centre: float) -> tuple[Floats, Floats]:
    """Mean and covariance from which the fleet's prior starts: the one used where nothing can be shared."""
    return np.array([centre, _FIRST_LOG_SIGMA]), np.diag(_LONE_SPREAD**2 + _FIRST_MEAN_SPREAD**2 * np.array([1.0, 0.5]))


def weak_prior(lives: Lives) -> Prior:
    """The first belief for every component: so wide that a dozen events overrule it, yet no likelihood runs away."""
    mean, covariance = first_belief(fleet_centre(lives))
    m = lives.components
    return Prior(np.tile(mean, (m, 1)), np.tile(np.linalg.inv(covariance), (m, 1, 1)))


def _pool_one(
    dist: Distribution, lives: Lives, group: Ints, centre: float, side: int
) -> tuple[Grid, Floats, Floats, Prior]:
    prior = weak_prior(lives)
    grid = lay_grid(dist, lives, prior, side=side)
    weight, marginal = weigh(grid, prior)
    # where events abound the prior can't move the posterior: those grids stay as they are
    few = lives.events() < _ABUNDANT
    for _ in range(_ROUNDS):
        prior = _learn(grid, prior, group, centre)
        if few.any():
            best = grid.nodes[few, weight[few].argmax(axis=1)]
            grid = _renew(grid, few, lay_grid(dist, lives.select(few), prior.select(few), best, side=side))
        weight, marginal = weigh(grid, prior)
    return grid, weight, marginal, prior


def _renew(grid: Grid, chosen: npt.NDArray[np.bool_], new: Grid) -> Grid:
    """The grid with the chosen components' parts replaced."""
    nodes, value, cell, area = grid.nodes.copy(), grid.log_likelihood.copy(), grid.cell.copy(), grid.log_area.copy()
    nodes[chosen], value[chosen], cell[chosen], area[chosen] = new.nodes, new.log_likelihood, new.cell, new.log_area
    return Grid(grid.dist, nodes, value, cell, area)


def _learn(grid: Grid, prior: Prior, group: Ints, centre: float) -> Prior:
    """Variational EM on fixed grids for the two levels; gives each component's prior.

    Components are drawn about their group's mean (`within`, each group's own leaning on all groups'), the groups' means
    about the fleet's (`between`). What is not known of a group's mean is added to its spread.
    """
    groups = int(group.max()) + 1
    count = np.bincount(group, minlength=groups).astype(float)[:, None, None]
    fleet = np.array([centre, _FIRST_LOG_SIGMA])
    belief = np.linalg.inv(np.diag(_FIRST_MEAN_SPREAD**2))
    mean = np.repeat(fleet[None], groups, axis=0)
    within = np.repeat(np.diag(_FIRST_SPREAD**2)[None], groups, axis=0)
    between = np.diag(_FIRST_BETWEEN**2)
    doubt = within.copy()
    weight, _ = weigh(grid, prior)
    for _ in range(_STEPS):
        first = np.einsum("mk,mki->mi", weight, grid.nodes)
        second = np.einsum("mk,mki,mkj->mij", weight, grid.nodes, grid.nodes)
        precision, apart = np.linalg.inv(within), np.linalg.inv(between)
        doubt = np.linalg.inv(count * precision + apart)
        pulls = np.einsum("gij,gj->gi", precision, _by_group(first, group, groups)) + apart @ fleet
        new_mean = np.einsum("gij,gj->gi", doubt, pulls)
        off = new_mean[group]
        cross = np.einsum("mi,mj->mij", first, off)
        spread = second - cross - cross.transpose(0, 2, 1) + np.einsum("mi,mj->mij", off, off)
        # the uncertainty of the mean belongs to the spread about it, else the spread dies away
        sums = _by_group(spread, group, groups) + count * doubt
        everyone = (sums.sum(axis=0) + _LEAN * np.diag(_FIRST_SPREAD**2)) / (count.sum() + _LEAN)
        within = (sums + _LEAN_GROUP * everyone) / (count + _LEAN_GROUP)
        far = new_mean - fleet
        between = (doubt.sum(axis=0) + far.T @ far + _LEAN * np.diag(_FIRST_BETWEEN**2)) / (groups + _LEAN)
        fleet = np.linalg.solve(
            groups * np.linalg.inv(between) + belief,
            np.linalg.inv(between) @ new_mean.sum(axis=0) + belief @ np.array([centre, _FIRST_LOG_SIGMA]),
        )
        moved = float(np.abs(new_mean - mean).max())
        mean = new_mean
        weight, _ = weigh(grid, Prior(mean[group], _inverse(within)[group]))
        if moved < 1e-3:
            break
    return Prior(mean[group], _inverse(within + doubt)[group])


def _by_group(values: Floats, group: Ints, groups: int) -> Floats:
    """Sums of the rows of each group."""
    sums = np.zeros((groups, *values.shape[1:]))
    np.add.at(sums, group, values)
    return sums


def _inverse(matrices: Floats) -> Floats:
    return np.asarray(np.linalg.inv(matrices), dtype=np.float64)


def _share_out(dists: tuple[Distribution, ...], marginals: Floats, group: Ints) -> tuple[Floats, Floats]:
    """Posterior share of each distribution per component, and each group's own shares, by EM leaning on `_SHARES`."""
    first = np.array([_SHARES[d.name] for d in dists])
    first = first / first.sum()
    odds: Floats = np.exp(marginals - marginals.max(axis=1, keepdims=True))

    def learn(number: Ints, start: Floats, lean: float) -> tuple[Floats, Floats]:
        share = start.copy()
        for _ in range(100):
            own = odds * share[number]
            own /= own.sum(axis=1, keepdims=True)
            total = np.zeros_like(start)
            np.add.at(total, number, own)
            share = total + lean * start
            share /= share.sum(axis=1, keepdims=True)
        return own, share

    _, fleet = learn(np.zeros_like(group), first[None], 4.0)
    return learn(group, np.repeat(fleet, int(group.max()) + 1, axis=0), 4.0)
