"""Bias, error and coverage of fitted lives over many random fleets, by the number of events behind each."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from rebuildstats.fits.life import fit_lives
from tests.fits.fleets_of_lives import FleetOfLives

BINS = (-1, 0, 2, 9, 20, 50, 100, 10**9)
NAMES = ("0", "1-2", "3-9", "10-20", "21-50", "51-100", "more")


def errors(fleets: Iterable[FleetOfLives]) -> pd.DataFrame:
    """One row per component of every fleet: fleet (its number), events, shrinkage, and for B10 and median the log
    error and whether covered.
    """
    rows = []
    for number, fleet in enumerate(fleets):
        frame = fit_lives(fleet.lives, fleet.components).frame().merge(fleet.truth, on=["family", "component"])
        for name in ("b10", "median"):
            true = frame[f"true_{name}"]
            frame[f"{name}_error"] = np.log(frame[name] / true)
            frame[f"{name}_covered"] = (frame[f"{name}_lower"] <= true) & (true <= frame[f"{name}_upper"])
        rows.append(frame.assign(fleet=number))
    return pd.concat(rows, ignore_index=True)


def marks(found: pd.DataFrame) -> pd.DataFrame:
    """By number of events: fits, then bias (mean log error), rmse and coverage of B10 and of the median."""
    groups = found.groupby(pd.cut(found["events"], BINS, labels=NAMES), observed=True)
    out = {"fits": groups.size()}
    for name in ("b10", "median"):
        out[f"{name}_bias"] = groups[f"{name}_error"].mean()
        out[f"{name}_rmse"] = groups[f"{name}_error"].apply(lambda error: float(np.sqrt((error**2).mean())))
        out[f"{name}_coverage"] = groups[f"{name}_covered"].mean()
    return pd.DataFrame(out)


def clustered_error(values: pd.Series, cluster: pd.Series) -> float:
    """Standard error of a mean whose values are alike within clusters (NaN with one cluster)."""
    sums = (values - values.mean()).groupby(cluster).sum()
    many = len(sums)
    if many < 2:
        return float("nan")
    return float(np.sqrt((sums**2).sum() * many / (many - 1)) / len(values))
