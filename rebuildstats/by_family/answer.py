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
from rebuildstats.by_family.pieces import Ahead, FittedPiece
from rebuildstats.errors import NothingToComputeError
from rebuildstats.fits import kept
from rebuildstats.fits.results import LifeFits
from rebuildstats.history.families import Divided, divided, known_shared
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
    of, pieces, components = _worked_out(store, address, None, as_of, shared, progress)
    of_components = reduce(add, (piece.of_components for piece in pieces))
    of_units = reduce(add, (piece.of_units for piece in pieces))
    if not of_components.rows and not of_units.rows:
        raise NothingToComputeError("No life is known yet: `rebuildstats gaps` says what is missing.")
    life = _whole([piece.life for piece in pieces], components)
    units = _whole([piece.units for piece in pieces], components.iloc[:0])
    if of.latest and Path(store).is_file():
        life = keep_fits(store, "life", kept.lives_hash(of_components, components), life)
        units = keep_fits(store, "unit", kept.lives_hash(of_units), units)
    return FittedLives(life, units, ("components", "units"))


def forecast_by_family(
    store: str | Path,
    address: str,
    ahead: Ahead,
    *,
    as_of: date | None = None,
    shared: str | Path | None = None,
    progress: Progress | None = None,
) -> pd.DataFrame:
    """The rows of a forecast of parts (`Forecast.frame`), fitted and worked out as `fitted_by_family` does; raises as
    that does."""
    _, pieces, _ = _worked_out(store, address, ahead, as_of, shared, progress)
    rows = pd.concat([piece.ahead for piece in pieces if piece.ahead is not None and len(piece.ahead)])
    return rows.sort_values("part", kind="stable", ignore_index=True)


def _worked_out(
    store: str | Path,
    address: str,
    ahead: Ahead | None,
    as_of: date | None,
    shared: str | Path | None,
    progress: Progress | None,
) -> tuple[Divided, list[FittedPiece], pd.DataFrame]:
    """The divided history, every family's part of the work, and the components of all families."""
    tell = progress or (lambda *_: None)
    with cluster(address) as client:
        tell(0, 1, "dividing the history by family")
        of = divided(store, as_of, folder=shared)
        pieces = by_family(client, of, ahead, tell=tell)
    with known_shared(of) as con:
        return of, pieces, table_frame(con, "components")


def _whole(pieces: Sequence[LifeFits], components: pd.DataFrame) -> LifeFits:
    """The fits of all pieces in the order of one machine's: as listed, then those that aren't."""
    every = {(fit.family, fit.component): fit for piece in pieces for fit in piece}
    listed = zip(components["family"], components["component"], strict=True)
    order = dict.fromkeys([*(key for key in listed if key in every), *every])
    return LifeFits({key: every[key] for key in order})
