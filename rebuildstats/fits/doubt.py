"""How far each fitted life can be trusted: agreement with the plain estimate, early failures, wrong verdicts."""

from __future__ import annotations

from typing import Final

import pandas as pd

from rebuildstats.fits.plots import probability_plot
from rebuildstats.fits.results import LifeFit, LifeFits

COLUMNS: Final = (
    "family", "component", "events", "lives", "fit_p_value", "statement", "early_observed", "early_expected",
    "early_p_value", "early_signal", "b10", "b10_lower", "b10_upper", "b10_if_false_fails", "b10_if_missed_fails",
)  # fmt: skip


def doubt_table(fits: LifeFits, lives: pd.DataFrame, family: str | None = None) -> pd.DataFrame:
    """One row per fitted component with at least one failure, of one family or of all.

    fit_p_value: chance of straying as far from Turnbull's estimate were the curve right (missing with too few
    failures); statement: the same in words, a bent plot described. early_observed, early_expected: failures in the
    first tenth of the median life against those that wear gives, early_p_value (Poisson), early_signal.
    b10_if_false_fails, b10_if_missed_fails: B10 were 2 % of the verdicts wrong. Ages in the store's unit.
    """
    doubts = fits.doubts()
    doubts = doubts[doubts["events"] > 0]
    if family is not None:
        doubts = doubts[doubts["family"] == family]
    here = dict(tuple(lives.groupby(["family", "component"], sort=False)))
    rows = []
    for row in doubts.to_dict("records"):
        fit = fits.get(str(row["family"]), str(row["component"]))
        own = here.get((row["family"], row["component"]))
        if not isinstance(fit, LifeFit) or own is None:
            continue
        fitness = probability_plot(fit, own, points=80, draws=2).fitness
        told = {"fit_p_value": fitness.p_value, "statement": fitness.sentence}
        rows.append({str(k): v for k, v in row.items()} | told | {n: getattr(fit, n) for n in COLUMNS[10:13]})
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype({"statement": "str", "early_signal": "bool"})
