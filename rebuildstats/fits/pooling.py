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
import pandas as pd

from rebuildstats.fits.distributions import BY_NAME, Distribution, Floats
from rebuildstats.fits.exchange import Ask, Steps, alone, total
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


Labels = npt.NDArray[np.object_]


def pool(dists: tuple[Distribution, ...], lives: Lives, group: Labels, *, side: int = 11) -> Steps[Pooled]:
    """Posterior of every component under the shared priors of its group.

    Parameters
    ----------
    lives : Lives
        All components of this piece of the fleet.
    group : text array (components)
        Name of each component's group.

    Each round, a piece tells its components' likelihoods on their grids; the prior is learnt from all pieces' together.
    """
    centre = yield from fleet_centre(lives)
    prior = _first_prior(centre, lives.components)
    priors = {d.name: prior for d in dists}
    grids = {d.name: lay_grid(d, lives, prior, side=side) for d in dists}
    weighed = {name: weigh(grid, prior) for name, grid in grids.items()}
    # where events abound the prior can't move the posterior: those grids stay as they are
    few = lives.events() < _ABUNDANT
    for _ in range(_ROUNDS):
        told = {n: (grid.nodes, grid.log_likelihood, grid.log_area, priors[n]) for n, grid in grids.items()}
        priors = yield Ask(_learn_each, (told, group, centre))
        for dist in dists:
            grid, prior = grids[dist.name], priors[dist.name]
            if few.any():
                best = grid.nodes[few, weighed[dist.name][0][few].argmax(axis=1)]
                again = lay_grid(dist, lives.select(few), prior.select(few), best, side=side)
                grids[dist.name] = _renew(grid, few, again)
            weighed[dist.name] = weigh(grids[dist.name], prior)
    weights = {name: weight for name, (weight, _) in weighed.items()}
    marginals = np.column_stack([weighed[d.name][1] for d in dists])
    shares, group_shares = yield Ask(_share_each, (tuple(d.name for d in dists), marginals, group))
    return Pooled(dists, grids, weights, shares, priors, group_shares)


def fleet_centre(lives: Lives) -> Steps[float]:
    """A typical log age to believe in before any component is looked at: log of total age over events."""
    age, events = 0.0, float(lives.events().sum())
    for part, at in (
        (lives.exact, lives.exact.at),
        (lives.between, lives.between.until),
        (lives.running, lives.running.at),
    ):
        age += float(part.weight @ np.exp(at)) if len(at) else 0.0
    own = sum(float(p.weight.sum()) for p in lives.parts[:3])
    age, events, count = yield from total((age, events, own))
    count = max(count, 1.0)
    # with few failing, the middle life lies well beyond the ages seen: half way (in logs) to the mean life
    return float(np.log(max(age, 1e-9) / count) + 0.25 * np.log(count / max(events, 0.5)))


def first_belief(centre: float) -> tuple[Floats, Floats]:
    """Mean and covariance from which the fleet's prior starts: the one used where nothing can be shared."""
    return np.array([centre, _FIRST_LOG_SIGMA]), np.diag(_LONE_SPREAD**2 + _FIRST_MEAN_SPREAD**2 * np.array([1.0, 0.5]))


def weak_prior(lives: Lives) -> Prior:
    """The first belief for every component: so wide that a dozen events overrule it, yet no likelihood runs away."""
    return alone(weak_prior_of_fleet(lives))


def weak_prior_of_fleet(lives: Lives) -> Steps[Prior]:
    """The same for a piece of a fleet."""
    centre = yield from fleet_centre(lives)
    return _first_prior(centre, lives.components)


def _first_prior(centre: float, components: int) -> Prior:
    mean, covariance = first_belief(centre)
    return Prior(np.tile(mean, (components, 1)), np.tile(np.linalg.inv(covariance), (components, 1, 1)))


Told = tuple[dict[str, tuple[Floats, Floats, Floats, Prior]], Labels, float]


def _learn_each(pieces: list[Told]) -> list[dict[str, Prior]]:
    """Each piece's priors by distribution, learnt from all pieces' grids as one fleet."""
    group = _numbered([group for _, group, _ in pieces])
    ends = np.cumsum([len(group) for _, group, _ in pieces])[:-1]
    out: list[dict[str, Prior]] = [{} for _ in pieces]
    for name in pieces[0][0]:
        *grids, priors = zip(*(told[name] for told, _, _ in pieces), strict=True)
        nodes, value, area = (np.concatenate(x) if len(x) > 1 else x[0] for x in grids)
        prior = Prior(np.concatenate([p.mean for p in priors]), np.concatenate([p.precision for p in priors]))
        grid = Grid(BY_NAME[name], nodes, value, np.zeros((len(nodes), 2, 2)), area)
        learnt = _learn(grid, prior, group, pieces[0][2])
        parts = zip(np.split(learnt.mean, ends), np.split(learnt.precision, ends), strict=True)
        for own, (mean, precision) in zip(out, parts, strict=True):
            own[name] = Prior(mean, precision)
    return out


def _share_each(pieces: list[tuple[tuple[str, ...], Floats, Labels]]) -> list[tuple[Floats, Floats]]:
    """Each piece's posterior shares of the distributions, and those of all groups."""
    group = _numbered([group for _, _, group in pieces])
    ends = np.cumsum([len(group) for _, _, group in pieces])[:-1]
    dists = tuple(BY_NAME[name] for name in pieces[0][0])
    shares, of_groups = _share_out(dists, np.concatenate([x for _, x, _ in pieces]), group)
    return [(own, of_groups) for own in np.split(shares, ends)]


def _numbered(labels: list[Labels]) -> Ints:
    """Groups of the components of all pieces by number, in the order of their first appearance."""
    return np.asarray(pd.factorize(np.concatenate(labels))[0], dtype=np.int64)


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
    a, b = grid.nodes[:, :, 0], grid.nodes[:, :, 1]
    products = np.stack([a, b, a * a, a * b, b * b], axis=2)
    for _ in range(_STEPS):
        moments = (weight[:, None, :] @ products)[:, 0]
        first, second = moments[:, :2], moments[:, [2, 3, 3, 4]].reshape(-1, 2, 2)
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
