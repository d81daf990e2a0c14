"""How much less the lives tell than a likelihood of independent, surely read lives says.

Lives inside a unit share its build, its vehicle and its driver; an interval that takes them as independent is too
short. And a life that may be read in several ways (a missed fail, an early failure or wear) stands with the weights of
its readings as if they were sure: the information lost in that is the variance of its readings' scores (Louis 1982,
JRSS B 44:226). The variance of log B10 and log median with the first by cluster-robust sums (Huber 1967; White 1982;
clusters: Liang & Zeger 1986, Biometrika 73:13) and with the second taken off the information, over the model's own,
says by how much; the likelihood is then taken to that power, so that the posterior widens by it as well (magnitude
adjustment; Chandler & Bate 2007, Biometrika 94:167).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from rebuildstats.fits.distributions import Distribution, Floats
from rebuildstats.fits.likelihood import Ints, Lives, each_life, part_scores
from rebuildstats.fits.newton import Modes

_FEWEST_EVENTS: Final = 15.0
_FEWEST_UNITS: Final = 15
_IGNORED: Final = 1.1
_MOST: Final = 6.0
_LEAST_LEFT: Final = 0.15
_CHANCES: Final = (0.1, 0.5)


@dataclass(frozen=True, slots=True)
class Inflation:
    """Per component (m), each at least 1: `total`, by which the model's variance is multiplied; `doubtful`, the part
    of it that comes from lives that may be read in several ways, and from how sure the chance of that is."""

    total: Floats
    doubtful: Floats


def variance_inflation(
    dist: Distribution, lives: Lives, modes: Modes, of: Ints, cluster: Ints, weight: Floats, sway: Floats
) -> Inflation:
    """The variance of log age at 10 % and at 50 % over the model's own; the larger of the two.

    Parameters
    ----------
    lives : Lives
        Laid out row by row (`Part.row` points into `of`), not merged over clusters; a row may stand in several parts,
        with the weights of its readings.
    of, cluster, weight : arrays (rows)
        Each row's component, its unit, and how often it stands; what its readings leave of that weight is a reading
        that says nothing of wear.
    sway : (m, 2)
        By how much location and log sigma move with one standard error of what else was estimated beside them.
    """
    m = lives.components
    at = modes.parameters
    _, d_loc, d_spread, *_ = each_life(dist, lives, at[of, 0], at[of, 1])
    scores = pd.DataFrame({"of": of, "cluster": cluster, "a": d_loc, "b": d_spread})
    sums = scores.groupby(["of", "cluster"], sort=False)[["a", "b"]].sum()
    numbers = sums.index.get_level_values(0).to_numpy(dtype=np.int64)
    s = sums.to_numpy()
    meat = np.zeros((m, 2, 2))
    np.add.at(meat, numbers, s[:, :, None] * s[:, None, :])
    units = np.bincount(numbers, minlength=m)
    meat *= (units / np.maximum(units - 1, 1))[:, None, None]
    bread = np.asarray(np.linalg.pinv(modes.curvature), dtype=np.float64)
    wider = _less_missing(bread, _missing_information(dist, lives, at, of, weight))
    usable = (lives.events() >= _FEWEST_EVENTS) & (units >= _FEWEST_UNITS) & modes.settled
    total, doubtful = np.ones(m), np.ones(m)
    for chance in _CHANCES:
        gradient = np.column_stack([np.ones(m), np.exp(at[:, 1]) * dist.z_at(chance)])
        model = np.einsum("mi,mij,mj->m", gradient, bread, gradient)
        along = np.einsum("mij,mj->mi", wider, gradient)
        beside = np.einsum("mi,mi->m", gradient, sway) ** 2
        open_ones = np.einsum("mi,mi->m", gradient, along) + beside
        robust = np.einsum("mi,mij,mj->m", along, meat, along) + beside
        doubtful = np.maximum(doubtful, _over(open_ones, model))
        total = np.maximum(total, np.where(usable, np.maximum(_over(robust, model), doubtful), doubtful))
    total = np.where(total > _IGNORED, np.minimum(total, _MOST), 1.0)
    return Inflation(total, np.minimum(doubtful, total))


def _over(one: Floats, model: Floats) -> Floats:
    ratio = np.where(model > 0, one / np.maximum(model, 1e-300), 1.0)
    return np.where(np.isfinite(ratio), ratio, 1.0)


def _missing_information(dist: Distribution, lives: Lives, at: Floats, of: Ints, weight: Floats) -> Floats:
    """(m, 2, 2): the variance of the readings' scores, over the rows that may be read in several ways."""
    rows = len(of)
    sums, squares = np.zeros((rows, 2)), np.zeros((rows, 2, 2))
    for part, by_location, by_spread in part_scores(dist, lives, at[:, 0], at[:, 1]):
        score = np.column_stack([by_location, by_spread])
        np.add.at(sums, part.row, part.weight[:, None] * score)
        np.add.at(squares, part.row, part.weight[:, None, None] * score[:, :, None] * score[:, None, :])
    lost = squares - sums[:, :, None] * sums[:, None, :] / np.maximum(weight, 1e-12)[:, None, None]
    out = np.zeros((lives.components, 2, 2))
    np.add.at(out, of, lost)
    return out


def _less_missing(bread: Floats, missing: Floats) -> Floats:
    """The inverse of the information less what is missing, of which at least `_LEAST_LEFT` is left on every axis."""
    values, vectors = np.linalg.eigh(0.5 * (bread + bread.transpose(0, 2, 1)))
    root = vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]
    shares, axes = np.linalg.eigh(np.einsum("mji,mjk,mkl->mil", root, missing, root))
    left = np.maximum(1.0 - np.clip(shares, 0.0, 1.0), _LEAST_LEFT)
    turned = np.einsum("mij,mjk->mik", root, axes)
    return np.asarray(np.einsum("mik,mk,mjk->mij", turned, 1.0 / left, turned))
