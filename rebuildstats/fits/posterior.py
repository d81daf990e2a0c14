"""What the lives leave uncertain: likelihood times prior on a grid laid over it, for many components at once.

Two parameters a component make a grid exact enough and free of tuning: it is laid along the axes of the curvature at
the highest point and reaches, on each side by itself, to where the posterior has all but vanished. So skewed
posteriors (one event, or none) are as well served as round ones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rebuildstats.fits.distributions import Distribution, Floats
from rebuildstats.fits.likelihood import Lives, log_likelihood
from rebuildstats.fits.newton import LOG_SIGMA_MAX, LOG_SIGMA_MIN, Modes, Prior, find_modes

# a drop of 9 in log posterior is 4.2 standard deviations of a normal
_VANISHED: Final = 9.0
_REACHES: Final = np.array([1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.2, 5.0, 6.0, 7.5, 9.0, 12.0, 16.0, 22.0])


@dataclass(frozen=True, slots=True)
class Grid:
    """Per component (m) a grid of k nodes: `nodes` (m, k, 2) of (location, log sigma), `log_likelihood` (m, k),
    `cell` (m, 2, 2) whose columns are the steps of the grid, `log_area` (m) of one cell."""

    dist: Distribution
    nodes: Floats
    log_likelihood: Floats
    cell: Floats
    log_area: Floats


def lay_grid(dist: Distribution, lives: Lives, prior: Prior, start: Floats | None = None, *, side: int = 13) -> Grid:
    """Lay the grid for each component under its prior and evaluate the likelihood on it; `side` nodes each way."""
    modes = find_modes(dist, lives, prior, start)
    axes = _axes(dist, modes)
    ends = _ends(dist, lives, prior, modes, axes)
    ticks = np.linspace(0.0, 1.0, side)
    across = ends[:, 0, :1] + (ends[:, 0, 1:] - ends[:, 0, :1]) * ticks
    if dist.sigma_is_one:
        steps = np.stack([across, np.zeros_like(across)], axis=2)
        widths = np.stack([across[:, 1] - across[:, 0], np.zeros(len(across))], axis=1)
    else:
        along = ends[:, 1, :1] + (ends[:, 1, 1:] - ends[:, 1, :1]) * ticks
        pairs = np.broadcast_arrays(across[:, :, None], along[:, None, :])
        steps = np.stack([p.reshape(len(across), -1) for p in pairs], axis=2)
        widths = np.stack([across[:, 1] - across[:, 0], along[:, 1] - along[:, 0]], axis=1)
    nodes = modes.parameters[:, None, :] + np.einsum("mij,mkj->mki", axes, steps)
    cell = axes * widths[:, None, :]
    value = log_likelihood(dist, lives, nodes[:, :, 0], np.clip(nodes[:, :, 1], LOG_SIGMA_MIN - 1, LOG_SIGMA_MAX + 1))
    outside = (nodes[:, :, 1] < LOG_SIGMA_MIN - 1) | (nodes[:, :, 1] > LOG_SIGMA_MAX + 1)
    value = np.where(outside | ~np.isfinite(value), -np.inf, value)
    area = np.abs(cell[:, 0, 0]) if dist.sigma_is_one else np.abs(np.linalg.det(cell))
    return Grid(dist, nodes, value, cell, np.log(np.maximum(area, 1e-300)))


def weigh(grid: Grid, prior: Prior) -> tuple[Floats, Floats]:
    """Posterior weight of each node (m, k; rows sum to 1) and each component's log marginal likelihood (m)."""
    if grid.dist.sigma_is_one:
        precision = prior.precision[:, None, 0, 0]
        off = grid.nodes[:, :, 0] - prior.mean[:, None, 0]
        log_prior = -0.5 * precision * off * off + 0.5 * np.log(precision / (2.0 * np.pi))
    else:
        log_prior = Prior(prior.mean[:, None, :], prior.precision[:, None, :, :]).log_density(grid.nodes)
    joint = grid.log_likelihood + log_prior
    top = joint.max(axis=1)
    weight = np.exp(joint - top[:, None])
    total = weight.sum(axis=1)
    weight /= total[:, None]
    return weight, top + np.log(total) + grid.log_area


def _axes(dist: Distribution, modes: Modes) -> Floats:
    """(m, 2, 2): columns are one standard deviation along two conjugate directions."""
    m = len(modes.parameters)
    if dist.sigma_is_one:
        axes = np.zeros((m, 2, 2))
        axes[:, 0, 0] = 1.0 / np.sqrt(np.maximum(modes.curvature[:, 0, 0], 1e-8))
        return axes
    curvature = modes.curvature
    values, vectors = np.linalg.eigh(curvature)
    # a direction in which the posterior does not bend at its top gets a broad first guess; the ends cut it down
    spread = 1.0 / np.sqrt(np.maximum(values, 1e-2))
    return np.asarray(vectors * spread[:, None, :])


def _ends(dist: Distribution, lives: Lives, prior: Prior, modes: Modes, axes: Floats) -> Floats:
    """(m, 2 axes, 2): from where to where the grid goes along each axis, in standard deviations."""
    m, sides = len(modes.parameters), np.array([-1.0, 1.0])
    axis_count = 1 if dist.sigma_is_one else 2

    def log_posterior(at: Floats) -> Floats:
        value = log_likelihood(dist, lives, at[..., 0], np.clip(at[..., 1], LOG_SIGMA_MIN - 1, LOG_SIGMA_MAX + 1))
        value = value + Prior(prior.mean[:, None], prior.precision[:, None]).pull(at)
        return np.where(np.isfinite(value), value, -np.inf)

    lowest = modes.log_likelihood + prior.pull(modes.parameters) - _VANISHED
    # outward it falls all the way: the first reach at which it has vanished is found by halving
    low, high = np.zeros((m, 2 * axis_count), dtype=np.int64), np.full((m, 2 * axis_count), len(_REACHES) - 1)
    rays = np.concatenate([axes[:, None, :, axis] * sides[None, :, None] for axis in range(axis_count)], axis=1)
    while (low < high).any():
        middle = (low + high) // 2
        gone = log_posterior(modes.parameters[:, None] + rays * _REACHES[middle][:, :, None]) < lowest[:, None]
        low, high = np.where(gone, low, np.minimum(middle + 1, high)), np.where(gone, middle, high)
    ends = np.zeros((m, 2, 2))
    ends[:, :axis_count] = (_REACHES[high] * np.tile(sides, axis_count)).reshape(m, axis_count, 2)
    return ends
