"""How much less the lives of one unit tell than as many lives of different units.

Lives inside a unit share its build, its vehicle and its driver; an interval that takes them as independent is too
short. The cluster-robust variance of log B10 (Huber 1967; White 1982; clusters: Liang & Zeger 1986, Biometrika 73:13)
over the model's own says by how much; the likelihood is then taken to that power, so that the posterior widens by it
as well (magnitude adjustment; Chandler & Bate 2007, Biometrika 94:167).
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from rebuildstats.fits.distributions import Distribution, Floats
from rebuildstats.fits.likelihood import Ints, Lives, each_life
from rebuildstats.fits.newton import Modes

_FEWEST_EVENTS: Final = 15.0
_FEWEST_UNITS: Final = 15
_IGNORED: Final = 1.1
_MOST: Final = 6.0


def variance_inflation(
    dist: Distribution, lives: Lives, modes: Modes, of: Ints, cluster: Ints, *, chance: float = 0.1
) -> Floats:
    """Per component (m): the cluster-robust variance of the log age at `chance` over the model's own, at least 1.

    Parameters
    ----------
    lives : Lives
        Laid out row by row (`Part.row` points into `of`), not merged over clusters.
    of, cluster : int arrays (rows)
        Each row's component and its unit.
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
    gradient = np.column_stack([np.ones(m), np.exp(at[:, 1]) * dist.z_at(chance)])
    bread = np.linalg.pinv(modes.curvature)
    along = np.einsum("mij,mj->mi", bread, gradient)
    model = np.einsum("mi,mi->m", gradient, along)
    robust = np.einsum("mi,mij,mj->m", along, meat, along)
    ratio = np.where(model > 0, robust / np.maximum(model, 1e-300), 1.0)
    usable = (lives.events() >= _FEWEST_EVENTS) & (units >= _FEWEST_UNITS) & modes.settled & np.isfinite(ratio)
    return np.where(usable & (ratio > _IGNORED), np.minimum(ratio, _MOST), 1.0)
