"""The answers of a cluster, as one machine would give them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from functools import reduce
from operator import add
from pathlib import Path

import pandas as pd

from rebuildstats.answers import FittedLives, Progress, keep_fits
from rebuildstats.by_family.cluster import by_family, cluster
from rebuildstats.by_family.pieces import FittedPiece
from rebuildstats.errors import NothingToComputeError
from rebuildstats.fits import kept
from rebuildstats.fits.results import LifeFits
from rebuildstats.history.families import divided, known_shared
from rebuildstats.history.known import table_frame


def fitted_by_family(
    store: str | Path,
    address: str,
    *,
    as_of: date | None = None,
    shared: str | Path | None = None,
    progress: Progress | None = None,
) -> FittedLives:
    """The fitted lives of a store, worked out family by family on the Dask cluster at `address`, and kept in the store.

    store: a store, or a folder of a history divided by family. shared: the folder where the divided history goes, which
    all workers can read; by default beside the store. Raises UsageError where nobody answers at the address,
    ClusterError where the cluster can't do it, NothingToComputeError without a life, and as `divided`.
    """
    tell = progress or (lambda *_: None)
    with cluster(address) as client:
        tell(0, 1, "dividing the history by family")
        of = divided(store, as_of, folder=shared)
        pieces: list[FittedPiece] = by_family(client, of, tell=tell)
    with known_shared(of) as con:
        components = table_frame(con, "components")
    of_components, of_units = (reduce(add, (getattr(p, n) for p in pieces)) for n in ("of_components", "of_units"))
    if not of_components.rows and not of_units.rows:
        raise NothingToComputeError("No life is known yet: `rebuildstats gaps` says what is missing.")
    life = _whole([p.life for p in pieces], components)
    units = _whole([p.units for p in pieces], components.iloc[:0])
    if of.latest and Path(store).is_file():
        life = keep_fits(store, "life", kept.lives_hash(of_components, components), life)
        units = keep_fits(store, "unit", kept.lives_hash(of_units), units)
    return FittedLives(life, units, ("components", "units"))


def _whole(pieces: Sequence[LifeFits], components: pd.DataFrame) -> LifeFits:
    """The fits of all pieces in the order of one machine's: as listed, then those that aren't."""
    every = {(fit.family, fit.component): fit for piece in pieces for fit in piece}
    listed = zip(components["family"], components["component"], strict=True)
    order = dict.fromkeys([*(key for key in listed if key in every), *every])
    return LifeFits({key: every[key] for key in order})
